// The reading band and the grid. Python decides what readings mean and where they go; this shows and collects.
//
// A reading typed (by hand, or by the gauge's key, which types and presses Enter) is shown at once and posted. Where
// the next one goes is plain while the row has empty cells. After its last one only Python knows: readings that come
// before its answer are held, in order, and taken when it has named the place. A person who moves the cursor meanwhile
// has named it: what is typed from there on goes there, whatever Python answers.

class ReadingGrid {
  constructor(model, el) {
    this.model = model;
    this.words = model.get("words");
    this.places = new Places(model);
    this.outbox = new Outbox(model, () => this.show());
    this.sounds = new Sounds();
    this.cursor = model.get("current"); // { row, cell }; cell "menu" is the row's ··· button
    this.anchor = null; // the other corner of what is selected
    this.byHand = false; // the cursor was put there by a person, who may mean to replace what is in the cell: it stays
    this.typed = ""; // so far, without Enter
    this.editor = null; // the input that F2 opens in the cell
    this.awaited = 0; // the event whose answer says where to go on; 0 when that is known
    this.held = []; // readings that came before that answer, and what was done after them: { act, text?, place? }
    this.pressed = false; // a pointer is down outside the table
    this.presses = 0; // how many there were
    this.refused = []; // readings that found no place
    this.hint = "";
    this.build(el);
    this.endings = [...this.listenToModel(), ...listenToPage(this)];
    this.show();
    if (model.get("listen_calls") > 0) this.listen();
  }

  build(el) {
    const press = (id) => this.askFromHere({ type: "button", id });
    this.root = make("div", "lk-reading", "", { "data-lm-suppress-shortcuts": "true" }); // JupyterLab's own keys stay out
    this.band = new ReadingBand(this.words, { press, hideReference: (value) => this.post({ type: "hide-reference", value }) });
    this.tools = make("div", "lk-bar lk-tools lk-noprint");
    this.table = new ReadingTable(this.words, { press, openMenu: (row, opener) => this.openMenu(row, opener) });
    this.note = make("p", "lk-cap lk-unit-note");
    this.live = make("div", "lk-sr", "", { "aria-live": "polite" });
    this.root.append(this.band.root, this.tools, this.table.root, this.note, this.live);
    this.menu = new RowMenu(this.root, (row, item) => this.askFromHere({ type: "menu", row, item }));
    el.append(this.root);
  }

  listenToModel() {
    const shown = ["rows", "repeats", "band", "tools", "menu", "headings", "unit_note", "read_only"];
    return [
      watch(this.model, shown, () => this.show()),
      watch(this.model, ["current"], () => this.onCurrent()),
      watch(this.model, ["acknowledged"], () => this.settle()),
      watch(this.model, ["listen_calls"], () => this.onListenCall()),
      watch(this.model, ["pointed_out"], () => this.onPointedOut()),
    ];
  }

  get locked() {
    return this.model.get("read_only");
  }

  // ---- to Python and back ----

  post(event) {
    return this.outbox.post(event);
  }

  // Posts what Python answers with another place for the cursor.
  ask(event) {
    this.inTurn(() => {
      this.awaited = this.post(event);
    });
  }

  // The same from a key, or from a button that may be gone when the answer comes: the focus goes to the cursor's cell.
  askFromHere(event) {
    this.ask(event);
    this.focusPlace();
  }

  // What Python names while it owes no answer is news, and counts for more than where a person was before.
  onCurrent() {
    this.moved = true;
    if (this.outbox.empty) this.byHand = false;
    this.settle();
  }

  settle() {
    const done = this.outbox.settle();
    done.forEach((message) => this.confirm(message));
    if (this.outbox.empty && !this.editor && (this.moved || this.awaited)) this.goOn();
    this.show();
  }

  confirm(message) {
    this.places.lift(message.seq);
    if (message.type !== "take" && message.type !== "edit") return;
    const row = this.places.row(message.row);
    const doubtful = /apart|bad/.test(row?.cells?.[message.cell]?.state ?? "");
    if (this.model.get("sounds")) doubtful ? this.sounds.apart() : this.sounds.taken();
    const values = { label: row?.label ?? "", number: message.cell + 1, text: message.text };
    setText(this.live, sentence(doubtful ? this.words.said_doubtful : this.words.said_taken, values));
  }

  // Python has answered everything: the cursor goes where it says, and held readings follow, up to the next question.
  goOn() {
    const current = this.model.get("current");
    if (this.awaited || !this.byHand || !this.places.row(this.cursor.row)) this.putCursor(current);
    this.moved = false;
    this.awaited = 0;
    const held = this.held;
    this.held = [];
    held.forEach(({ act, text, place }) => (text ? act() : this.inTurn(act, place)));
  }

  // What acts on the cursor's place comes after the readings that are held.
  inTurn(act, place) {
    if (this.held.length) this.held.push({ act, place });
    else act();
  }

  // ---- readings ----

  take(text) {
    if (this.awaited) {
      this.held.push({ act: () => this.take(text), text });
      return;
    }
    const at = this.cursor;
    const before = at && at.cell !== "menu" ? this.places.text(at.row, at.cell) : "";
    if (!at || at.cell === "menu" || (before && !this.byHand) || this.locked) {
      this.refuse(text);
      return;
    }
    this.refused = [];
    const seq = this.post({ type: before ? "edit" : "take", ...at, text });
    this.places.lay(at.row, at.cell, text, seq);
    const next = before ? null : this.places.nextEmpty(at);
    if (next) this.putCursor(next);
    else this.awaited = seq;
  }

  refuse(text) {
    this.refused.push(text);
    this.hint = sentence(this.words.no_place, { texts: this.refused.join(", ") });
    if (this.model.get("sounds")) this.sounds.apart();
  }

  // What was typed becomes a reading when the cursor leaves the cell in some other way than Enter.
  takeTyped() {
    const text = this.typed;
    this.typed = "";
    if (text.trim()) this.take(text);
  }

  openEditor() {
    const td = this.table.at(this.cursor);
    if (!td || this.cursor.cell === "menu" || this.locked || this.editor || this.held.length) return;
    const number = sentence(this.words.reading, { number: this.cursor.cell + 1 });
    const input = make("input", "lk-cell-editor", "", { "aria-label": number, autocomplete: "off", maxlength: "80" });
    input.value = this.typed || this.places.text(this.cursor.row, this.cursor.cell);
    this.typed = "";
    this.editor = { input, place: this.cursor };
    td.replaceChildren(input);
    input.focus();
    input.setSelectionRange(input.value.length, input.value.length);
  }

  closeEditor(keep) {
    if (!this.editor) return;
    const { input, place } = this.editor;
    const before = this.places.text(place.row, place.cell);
    this.editor = null;
    input.remove();
    if (keep && input.value !== before) {
      this.moveTo(place);
      if (input.value.trim()) this.take(input.value);
      else this.clear([place]);
    } else if (this.outbox.empty && (this.moved || this.awaited)) this.goOn();
    this.show();
    this.focusPlace();
  }

  clear(cells) {
    const filled = cells.filter(({ row, cell }) => this.places.text(row, cell));
    if (filled.length === 0) return;
    const seq = this.post({ type: "clear", cells: filled });
    filled.forEach(({ row, cell }) => this.places.lay(row, cell, "", seq));
  }

  // ---- the cursor ----

  putCursor(place) {
    this.cursor = place;
    this.anchor = null;
    this.byHand = false;
  }

  // A person moves it. With `extend` the other corner of the selection stays.
  moveTo(place, extend = false) {
    if (!place) return;
    this.takeTyped();
    this.inTurn(() => this.goTo(place, extend), place);
    this.show();
    this.focusPlace();
  }

  goTo(place, extend) {
    this.anchor = extend ? (this.anchor ?? this.cursor) : null;
    const news = this.awaited || !samePlace(place, this.cursor);
    this.awaited = 0;
    this.cursor = place;
    this.byHand = true;
    if (news && !extend && place.cell !== "menu") this.post({ type: "select", ...place });
  }

  // Where a person takes the cursor to be: moves that wait for their turn count.
  get aim() {
    return this.held.findLast(({ place }) => place)?.place ?? this.cursor;
  }

  get selection() {
    if (!this.cursor) return [];
    return this.places.block(this.anchor ?? this.cursor, this.cursor);
  }

  openMenu(row, opener) {
    if (this.locked) return;
    const label = sentence(this.words.row_menu_of, { label: this.places.row(row)?.label ?? "" });
    this.menu.show(row, opener, this.model.get("menu"), label);
  }

  // ---- listening ----

  // F8, or Python: take readings here, where Python says that the next one goes, once it has seen all that was done.
  listen() {
    this.closeEditor(true);
    if (!this.typed) this.inTurn(() => this.follow());
    this.attend();
  }

  // A cell that was chosen after what Python answers with this call stays chosen.
  onListenCall() {
    if (this.byHand && !this.outbox.empty) this.attend();
    else this.listen();
  }

  onPointedOut() {
    this.closeEditor(true);
    this.beOnDuty();
    this.moveTo({ row: this.model.get("pointed_out").row, cell: this.locked ? 0 : "menu" });
  }

  follow() {
    if (this.awaited) return;
    if (this.outbox.empty) this.putCursor(this.model.get("current"));
    else this.awaited = this.outbox.last;
  }

  attend() {
    this.beOnDuty();
    this.show();
    this.focusPlace();
  }

  // One grid of a page is on duty: it takes what is typed while nothing at all has the focus.
  beOnDuty() {
    document.querySelectorAll("[data-lk-duty]").forEach((other) => other.removeAttribute("data-lk-duty"));
    this.root.setAttribute("data-lk-duty", "");
  }

  get listening() {
    const active = document.activeElement;
    const nothing = !active || active === document.body;
    const here = this.root.contains(active) || (nothing && this.root.hasAttribute("data-lk-duty"));
    return here && document.hasFocus();
  }

  // The cursor's cell, or the band while the table does not show that cell.
  get place() {
    return this.table.at(this.cursor) ?? (this.band.root.hidden ? this.table.at(this.firstPlace) : this.band.root);
  }

  get firstPlace() {
    return this.places.rows.length ? { row: this.places.rows[0].id, cell: 0 } : null;
  }

  focusPlace() {
    if (!this.editor && !this.menu.open) this.place?.focus();
  }

  // ---- showing ----

  // The band grows and shrinks with the focus and with what Python says: while a pointer is down nothing is drawn, or
  // the button under it would be elsewhere when the pointer comes up, and the click would go to nobody.
  press(target) {
    this.pressed = !this.table.root.contains(target);
    this.presses += 1;
  }

  // On a busy machine the next press can come before the end of this one is looked at; then that one is still down.
  release(presses) {
    if (presses !== this.presses) return;
    this.pressed = false;
    this.show();
  }

  show() {
    if (this.pressed) return;
    const before = document.activeElement;
    const held = before === this.band.root || before?.dataset?.cell !== undefined;
    const had = this.root.contains(before);
    this.showTable();
    this.showBand();
    this.showTools();
    setText(this.note, this.model.get("unit_note"));
    this.note.hidden = !this.note.textContent;
    if (had && (held || !this.root.contains(document.activeElement))) this.focusPlace();
  }

  showTable() {
    const { text, isUnsent } = this.places;
    const inCell = this.typed && !this.awaited ? this.cursor : null; // what is being typed stands in its cell
    const textAt = (row, cell) => (samePlace(inCell, { row, cell }) ? this.typed : text(row, cell));
    const { rows, columns: repeats } = this.places;
    this.table.show({ rows, repeats, headings: this.model.get("headings"), locked: this.locked, textAt, isUnsent });
    const selected = new Set(this.selection.flat().map(({ row, cell }) => `${row}/${cell}`));
    this.table.showCursor(this.cursor, (row, cell) => this.anchor !== null && selected.has(`${row}/${cell}`), this.listening);
    this.table.at(this.cursor)?.classList.toggle("lk-typing", Boolean(inCell));
  }

  showBand() {
    const current = this.model.get("current");
    this.root.toggleAttribute("data-lk-complete", !current);
    this.band.root.tabIndex = this.table.at(this.cursor) || this.locked ? -1 : 0;
    this.band.show(this.bandNow(), {
      deaf: !this.listening && !this.locked,
      hint: this.hint,
      canTake: Boolean(current) && !this.locked,
      hasNext: Boolean(current) && this.places.rows.length > 1 && !this.locked,
      unsent: this.outbox.slow ? this.outbox.waiting.length + this.held.length : 0,
      locked: this.locked,
    });
  }

  // The band as Python wrote it, with what was taken or typed since.
  bandNow() {
    const band = { ...this.model.get("band") };
    if (Object.keys(band).length === 0) return band; // a page that shows the grid alone
    const hide = this.outbox.waiting.findLast((message) => message.type === "hide-reference");
    if (hide) band.hide_reference = hide.value;
    if (this.typed && (this.awaited || !this.table.at(this.cursor)))
      return { ...band, last_label: this.words.typing, last_value: this.typed };
    const held = this.held.findLast(({ text }) => text);
    if (held) return { ...band, last_label: this.words.holding, last_value: held.text };
    const taking = this.outbox.waiting.findLast((message) => message.type === "take" || message.type === "edit");
    if (!taking) return band;
    return { ...band, last_label: this.words.taking, last_value: taking.text, tally: this.tallyOf(taking.row) };
  }

  tallyOf(row) {
    const mark = (cell) => (this.places.text(row, cell) ? "on" : samePlace(this.cursor, { row, cell }) ? "at" : "");
    return Array.from({ length: this.places.length(row) }, (_, cell) => mark(cell));
  }

  showTools() {
    const tools = this.locked ? [] : this.model.get("tools");
    renew(this.tools, tools, () => tools.flatMap((tool) => this.tool(tool)));
    this.tools.hidden = tools.length === 0;
  }

  tool({ id, label, gap, off }) {
    const each = button(label, "lk-btn", () => this.ask({ type: "button", id }));
    each.disabled = Boolean(off);
    return gap ? [make("span", "lk-gap"), each] : [each];
  }

  dispose() {
    this.endings.forEach((end) => end());
    this.outbox.dispose();
    this.sounds.dispose();
    this.root.remove();
  }
}

function render({ model, el }) {
  const grid = new ReadingGrid(model, el);
  return () => grid.dispose();
}

export default { render };
