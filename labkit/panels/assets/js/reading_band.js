// The reading band: what is on the probe, the last reading in large digits, what comes next, and the advice.

const BLANK = "–.–––";

class ReadingBand {
  constructor(words, actions) {
    this.words = words;
    this.actions = actions; // press(id), hideReference(value)
    this.gauge = make("span", "lk-quiet");
    this.onProbe = make("strong");
    this.lastLabel = make("span", "lk-lastly");
    this.digits = make("span");
    this.unit = make("span", "lk-unit");
    this.tally = make("div", "lk-tally", "", { role: "img" });
    this.next = make("div", "lk-next");
    this.more = make("div", "lk-quiet");
    this.hint = make("div", "lk-hint", "", { role: "status" });
    this.advice = make("div", "lk-advice");
    this.advised = make("span", "lk-advised");
    this.controls = make("span", "lk-controls");
    this.advice.append(this.advised, this.controls);
    this.root = this.assemble();
  }

  assemble() {
    const read = make("div", "lk-read");
    read.append(this.digits, this.unit);
    const columns = [[this.gauge, this.onProbe], [this.lastLabel, read], [this.tally, this.next, this.more, this.hint]];
    const root = make("div", "lk-now-band lk-noprint", "", { role: "group", "aria-label": this.words.band });
    for (const parts of columns) {
      const column = make("div");
      column.append(...parts);
      root.append(column);
    }
    root.append(this.advice);
    return root;
  }

  // `band` is the trait with what the browser knows already put in; `state` says: deaf, hint, canTake, hasNext.
  show(band, state) {
    this.root.hidden = Object.keys(band).length === 0;
    this.root.classList.toggle("lk-deaf", state.deaf);
    this.showProbe(band, state);
    this.showLast(band);
    this.showTally(band.tally ?? []);
    this.showNext(band, state);
    this.showAdvice(band, state);
  }

  showProbe(band, { deaf }) {
    const place = band.gauge ? sentence(this.words.on_probe, { gauge: band.gauge }) : this.words.on_probe_no_gauge;
    setText(this.gauge, deaf ? (band.gauge ?? "") : place);
    setText(this.onProbe, deaf ? this.words.deaf : (band.on_probe ?? ""));
  }

  showLast(band) {
    setText(this.lastLabel, band.last_label ?? "");
    setText(this.digits, band.last_value || BLANK);
    this.digits.classList.toggle("lk-blank", !band.last_value);
    setText(this.unit, band.unit ? ` ${band.unit}` : "");
  }

  showTally(marks) {
    while (this.tally.children.length > marks.length) this.tally.lastChild.remove();
    while (this.tally.children.length < marks.length) this.tally.append(make("i"));
    marks.forEach((mark, index) => (this.tally.children[index].className = mark));
    const taken = marks.filter((mark) => mark === "on").length;
    this.tally.setAttribute("aria-label", sentence(this.words.tally, { taken, of: marks.length }));
  }

  showNext(band, { deaf, hint, canTake, hasNext }) {
    const key = (name) => make("kbd", "lk-key", name);
    if (deaf) write(this.next, this.words.deaf_next, { key: key("F8") });
    else this.next.replaceChildren(`${band.next_text ?? ""} `, ...(canTake ? [key("Enter")] : []));
    const both = make("span");
    both.append(key("Ctrl"), " ", key("Enter"));
    write(this.more, !deaf && hasNext && !hint ? this.words.next_shim : "", { keys: both });
    setText(this.hint, hint);
  }

  // Text and controls apart: the text changes with the focus, and a button must not be replaced while it is clicked.
  showAdvice(band, state) {
    renew(this.advised, [band.advice, state.deaf, state.unsent], () => this.advisedParts(band.advice ?? {}, state));
    const wanted = state.locked ? [] : [band.advice?.buttons ?? [], "hide_reference" in band];
    renew(this.controls, wanted, () => (state.locked ? [] : this.controlParts(band)));
    this.advice.hidden = this.advised.children.length + this.controls.children.length === 0;
    const box = this.controls.querySelector("input");
    if (box) box.checked = Boolean(band.hide_reference);
  }

  advisedParts(advice, { deaf, unsent }) {
    if (unsent) return [make("span", "lk-mark lk-watch", sentence(this.words.unsent, { count: unsent }))];
    if (deaf) return [this.text(`${this.words.deaf}.`, this.words.deaf_why)];
    const parts = [];
    if (advice.lead || advice.text) parts.push(this.text(advice.lead, advice.text, advice.lead ? "" : "lk-quiet"));
    if (advice.mark) parts.push(make("span", `lk-mark lk-${advice.mark.state} lk-narrow-drop`, advice.mark.text));
    return parts;
  }

  controlParts(band) {
    const buttons = (band.advice?.buttons ?? []).map(({ id, label, primary }) =>
      button(label, primary ? "lk-btn lk-slim lk-go" : "lk-btn lk-slim", () => this.actions.press(id)),
    );
    return "hide_reference" in band ? [this.hideChoice(), ...buttons] : buttons;
  }

  text(lead, rest, classes = "") {
    const text = make("span", classes);
    if (lead) text.append(make("b", "", lead), " ");
    text.append(rest ?? "");
    return text;
  }

  hideChoice() {
    const box = make("input", "", "", { type: "checkbox" });
    box.addEventListener("change", () => this.actions.hideReference(box.checked));
    const label = make("label", "lk-check lk-tight");
    label.append(box, make("span", "", this.words.hide_reference));
    return label;
  }
}
