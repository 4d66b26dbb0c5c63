// A button that hands one file to Python; what Python says of it is shown elsewhere on the page.

const MB = 1000000;

class PickFile {
  constructor(model, el) {
    this.model = model;
    this.words = model.get("words");
    this.root = make("div", "lk-bar");
    this.input = make("input", "lk-sr", "", { type: "file", accept: model.get("ending"), tabindex: "-1", "aria-hidden": "true" });
    this.said = make("span", "lk-quiet", "", { role: "status" });
    this.root.append(button(model.get("label"), "lk-btn", () => this.input.click()), this.input, this.said);
    this.input.addEventListener("change", () => this.chosen());
    this.say(sentence(this.words.limits, { limit: model.get("limit_mb") }));
    el.append(this.root);
  }

  // Emptied each time, or choosing the same file again would change nothing and go unnoticed.
  async chosen() {
    const [file] = this.input.files;
    if (!file) return;
    const limit = this.model.get("limit_mb");
    if (file.size > limit * MB) {
      this.say(sentence(this.words.too_large, { size: Math.ceil(file.size / MB), limit }), true);
    } else {
      const content = await file.arrayBuffer();
      this.model.send({ type: "file", name: file.name }, undefined, [content]);
      this.say(sentence(this.words.limits, { limit }));
    }
    this.input.value = "";
  }

  say(text, bad = false) {
    setText(this.said, text);
    this.said.className = bad ? "lk-err lk-mark lk-stop" : "lk-quiet";
  }

  dispose() {
    this.root.remove();
  }
}

function render({ model, el }) {
  const pick = new PickFile(model, el);
  return () => pick.dispose();
}

export default { render };
