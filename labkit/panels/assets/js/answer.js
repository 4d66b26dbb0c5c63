// A line to answer on. Enter and the button send what stands in it, whole, in one message.

const PATIENCE_MS = 30000;

class Answer {
  constructor(model, el) {
    this.model = model;
    this.words = model.get("words");
    this.root = make("div", "lk-answer");
    this.line = make("input", "lk-in lk-full", "", { autocomplete: "off", maxlength: "2000" });
    this.yes = button("", "lk-btn lk-go", () => this.answer());
    this.no = button("", "lk-btn", () => this.leave());
    this.said = make("p", "lk-err", "", { role: "status" });
    this.root.append(this.line, this.yes, this.no, this.said);
    this.line.addEventListener("input", () => this.say(""));
    this.root.addEventListener("keydown", (event) => this.onKey(event));
    this.onMessage = (content) => content.type === "heard" && this.free();
    model.on("msg:custom", this.onMessage);
    const shown = ["label", "cancel", "name", "placeholder", "secret", "enabled"];
    this.endings = [watch(model, shown, () => this.show()), watch(model, ["asked"], () => this.ask())];
    el.append(this.root);
    this.show();
  }

  show() {
    const get = (name) => this.model.get(name);
    this.line.type = get("secret") ? "password" : "text";
    this.line.placeholder = get("placeholder");
    this.line.setAttribute("aria-label", get("name"));
    setText(this.yes, get("label"));
    setText(this.no, get("cancel"));
    this.no.hidden = !get("cancel");
    this.line.disabled = this.yes.disabled = !get("enabled");
  }

  ask() {
    this.line.value = "";
    this.say("");
    requestAnimationFrame(() => this.line.focus()); // it may only now become visible
  }

  onKey(event) {
    if (event.isComposing || event.key === "F8") return;
    event.stopPropagation(); // JupyterLab would take letters for commands
    if (event.key === "Enter" && event.target === this.line) this.answer();
    if (event.key === "Escape" && this.model.get("cancel")) this.leave();
  }

  answer() {
    if (this.timer) return;
    const text = this.line.value;
    if (!text.trim()) {
      this.say(this.model.get("empty"), "lk-mark lk-stop");
      this.line.focus();
      return;
    }
    this.model.send({ type: "answer", text });
    if (this.model.get("secret")) this.line.value = "";
    this.say(this.words.busy, "lk-quiet");
    this.timer = setTimeout(() => this.free(this.words.slow), PATIENCE_MS);
  }

  leave() {
    this.model.send({ type: "left" });
  }

  free(text = "") {
    clearTimeout(this.timer);
    this.timer = undefined;
    this.say(text, "lk-mark lk-stop");
  }

  say(text, classes = "") {
    this.said.className = `lk-err ${classes}`;
    setText(this.said, text);
    this.said.hidden = !text;
  }

  dispose() {
    clearTimeout(this.timer);
    this.model.off("msg:custom", this.onMessage);
    this.endings.forEach((end) => end());
    this.root.remove();
  }
}

function render({ model, el }) {
  const answer = new Answer(model, el);
  return () => answer.dispose();
}

export default { render };
