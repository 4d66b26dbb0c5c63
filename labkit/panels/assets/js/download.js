// A button that asks Python for a file, and saves what comes.

class Download {
  constructor(model, el) {
    this.model = model;
    this.words = model.get("words");
    this.presses = 0;
    this.root = make("div", "lk-bar lk-download");
    this.button = button("", "lk-btn", () => this.ask());
    this.said = make("span", "lk-quiet", "", { role: "status" });
    this.root.append(this.button, this.said);
    el.append(this.root);
    this.onMessage = (content, buffers) => this.answer(content, buffers);
    model.on("msg:custom", this.onMessage);
    this.end = watch(model, ["label", "enabled", "primary"], () => this.show());
    this.show();
  }

  show() {
    setText(this.button, this.model.get("label"));
    this.button.disabled = !this.model.get("enabled");
    this.button.classList.toggle("lk-go", this.model.get("primary"));
  }

  // Not disabled meanwhile, or a lost answer would leave the button dead and throw the focus off it.
  ask() {
    if (this.timer) return;
    this.say(this.words.busy);
    this.timer = setTimeout(() => this.free(this.words.slow), 1000 * this.model.get("patience_s"));
    this.model.send({ type: "build", press: ++this.presses });
  }

  answer(content, buffers) {
    if (content.press !== this.presses || !this.timer) return;
    if (content.type === "file") save(content, buffers[0]);
    this.free(content.type === "refused" ? content.text : "", content.type === "refused");
  }

  free(text, bad = false) {
    clearTimeout(this.timer);
    this.timer = undefined;
    this.say(text, bad);
  }

  say(text, bad = false) {
    setText(this.said, text);
    this.said.className = bad ? "lk-err lk-mark lk-stop" : "lk-quiet";
  }

  dispose() {
    clearTimeout(this.timer);
    this.model.off("msg:custom", this.onMessage);
    this.end();
    this.root.remove();
  }
}

function render({ model, el }) {
  const download = new Download(model, el);
  return () => download.dispose();
}

export default { render };
