// Pasted cells or a file, to Python; and what Python says about them.

const PATIENCE_MS = 60000;
const MB = 1000000;

class Upload {
  constructor(model, el) {
    this.model = model;
    this.words = model.get("words");
    this.sends = 0;
    this.build(el);
    this.onMessage = (content) => (content.type === "ask" ? this.ask() : this.answer(content));
    model.on("msg:custom", this.onMessage);
  }

  build(el) {
    this.cells = make("textarea", "lk-in lk-full", "", { "aria-label": this.words.cells, placeholder: this.words.cells, spellcheck: "false" });
    this.input = make("input", "lk-sr", "", { type: "file", accept: this.model.get("endings").join(","), tabindex: "-1", "aria-hidden": "true" });
    const bar = make("div", "lk-bar");
    const kinds = this.model.get("kinds");
    const limits = make("span", "lk-help", sentence(this.words.drop, { limit: this.model.get("limit_mb"), kinds }));
    const take = button(this.words.take, "lk-btn", () => this.sendCells());
    bar.append(take, button(this.words.choose, "lk-btn", () => this.input.click()), limits);
    take.hidden = this.cells.hidden = !this.model.get("with_cells");
    this.said = make("div", "", "", { role: "status" });
    this.root = make("div", "lk-upload");
    this.root.append(this.cells, bar, this.input, this.said);
    this.cells.addEventListener("keydown", (event) => event.stopPropagation()); // JupyterLab's own keys stay out
    this.input.addEventListener("change", () => this.chosen());
    this.takeDrops();
    el.append(this.root);
  }

  ask() {
    requestAnimationFrame(() => this.cells.focus()); // it may only now become visible
  }

  takeDrops() {
    const over = (event, inside) => {
      if (!event.dataTransfer.types.includes("Files")) return;
      event.preventDefault(); // or the browser would open the file in place of the page
      this.root.classList.toggle("lk-over", inside);
    };
    this.root.addEventListener("dragover", (event) => over(event, true));
    this.root.addEventListener("dragleave", (event) => over(event, false));
    this.root.addEventListener("drop", (event) => {
      over(event, false);
      if (event.dataTransfer.files.length) this.sendFiles([...event.dataTransfer.files]);
    });
  }

  // Emptied each time, or choosing the same file again would change nothing and go unnoticed.
  chosen() {
    const files = [...this.input.files];
    this.input.value = "";
    if (files.length) this.sendFiles(files);
  }

  sendCells() {
    if (this.timer) return;
    if (!this.cells.value.trim()) return this.say("watch", this.words.no_cells);
    this.send({ type: "cells", text: this.cells.value }, "", []);
  }

  async sendFiles(files) {
    if (this.timer) return;
    const refusal = this.refusal(files);
    if (refusal) return this.say("stop", refusal);
    const { name } = files[0];
    this.send({ type: "file", name }, name, [await files[0].arrayBuffer()]);
  }

  refusal([file, ...more]) {
    const limit = this.model.get("limit_mb");
    if (more.length) return this.words.several;
    if (file.size > limit * MB) return sentence(this.words.too_large, { size: Math.ceil(file.size / MB), limit });
    const known = this.model.get("endings").some((ending) => file.name.toLowerCase().endsWith(ending));
    return known ? "" : sentence(this.words.kind, { name: file.name, kinds: this.model.get("kinds") });
  }

  send(message, name, buffers) {
    const busy = name || this.words.cells_name;
    this.say("", sentence(this.words.busy, { name: busy }));
    this.timer = setTimeout(() => this.free("watch", sentence(this.words.slow, { name: busy })), PATIENCE_MS);
    this.model.send({ ...message, send: ++this.sends }, undefined, buffers);
  }

  answer({ type, send, state, text }) {
    if (type !== "answer" || send !== this.sends || !this.timer) return;
    if (state === "ok") this.cells.value = "";
    this.free(state, text);
  }

  free(state, text) {
    clearTimeout(this.timer);
    this.timer = undefined;
    this.say(state, text);
  }

  say(state, text) {
    if (!text) return this.said.replaceChildren();
    if (!state) return this.said.replaceChildren(make("p", "lk-quiet", text));
    const message = make("div", `lk-msg lk-${state}`);
    message.append(make("span", `lk-dot lk-${state}`), make("div", "", text));
    this.said.replaceChildren(message);
  }

  dispose() {
    clearTimeout(this.timer);
    this.model.off("msg:custom", this.onMessage);
    this.root.remove();
  }
}

function render({ model, el }) {
  const upload = new Upload(model, el);
  return () => upload.dispose();
}

export default { render };
