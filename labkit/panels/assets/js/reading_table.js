// The table of readings. It is changed in place, cell by cell: a cell that has the focus is never replaced.

const CELL_STATES = ["bad", "apart", "out", "changed"];
const MARKS = ["ok", "part", "watch", "stop", "idle"];

class ReadingTable {
  constructor(words, actions) {
    this.words = words;
    this.actions = actions; // openMenu(row id, button), press(id)
    this.lines = new Map(); // row id → its elements
    this.head = make("tr");
    this.body = make("tbody");
    this.columns = make("colgroup");
    this.table = make("table", "lk-tbl", "", { role: "grid", "aria-label": words.table, "aria-multiselectable": "true" });
    const thead = make("thead");
    thead.append(this.head);
    this.table.append(this.columns, thead, this.body);
    this.root = make("div", "lk-grid lk-scroll");
    this.root.append(this.table);
  }

  show({ rows, repeats, headings, locked, textAt, isUnsent }) {
    this.root.hidden = rows.length === 0;
    this.table.setAttribute("aria-readonly", String(locked));
    this.showHead(repeats, headings);
    this.keepLines(rows);
    rows.forEach((row, index) => {
      const line = this.lines.get(row.id);
      if (this.body.children[index] !== line.tr) this.body.insertBefore(line.tr, this.body.children[index] ?? null);
      this.showRow(line, row, repeats, { locked, textAt, isUnsent });
    });
  }

  showHead(repeats, headings) {
    const plan = JSON.stringify([repeats, headings]);
    if (plan === this.plan) return;
    this.plan = plan;
    const widths = ["w1", "w2", ...Array(repeats).fill("w3"), "w4", "w5", "", "w6"];
    this.columns.replaceChildren(...widths.map((width) => make("col", width)));
    const numbers = Array.from({ length: repeats }, (_, index) => String(index + 1));
    const right = [headings.reference, ...numbers, headings.mean, headings.s];
    const cells = [make("th", "", headings.label), ...right.map((text) => make("th", "r", text)), make("th", "", headings.remark), make("th")];
    cells.forEach((cell) => cell.setAttribute("scope", "col"));
    cells.at(-1).append(make("span", "lk-sr", this.words.row_menu));
    this.head.replaceChildren(...cells);
    this.table.style.setProperty("--lk-repeats", repeats);
  }

  keepLines(rows) {
    const wanted = new Set(rows.map((row) => row.id));
    for (const [id, line] of this.lines) {
      if (wanted.has(id)) continue;
      line.tr.remove();
      this.lines.delete(id);
    }
    for (const row of rows) if (!this.lines.has(row.id)) this.lines.set(row.id, this.newLine(row.id));
  }

  newLine(id) {
    const line = {
      tr: make("tr"), name: make("b"), reference: make("td", "n lk-still"), cells: [],
      mean: make("td", "m"), s: make("td", "m lk-thin"), remark: make("td", "lk-rem"), more: make("td", "lk-more"),
    };
    const label = make("td", "", "", { role: "rowheader" });
    label.append(line.name);
    line.menu = button("···", "lk-rowbtn", () => this.actions.openMenu(id, line.menu));
    line.menu.setAttribute("aria-haspopup", "menu");
    line.menu.tabIndex = -1;
    line.menu.dataset.row = id;
    line.menu.dataset.cell = "menu";
    line.more.append(line.menu);
    line.tr.append(label, line.reference, line.mean, line.s, line.remark, line.more);
    return line;
  }

  showRow(line, row, repeats, { locked, textAt, isUnsent }) {
    const now = row.state === "now";
    line.tr.className = now ? "lk-now" : row.state === "set-aside" ? "lk-set-aside" : "";
    if (now) line.tr.setAttribute("aria-current", "true");
    else line.tr.removeAttribute("aria-current");
    setText(line.name, row.label);
    setText(line.reference, row.reference ?? "");
    setText(line.mean, row.mean ?? "");
    setText(line.s, row.s ?? "");
    this.keepCells(line, row.id, repeats);
    line.cells.forEach((td, cell) => this.showCell(td, row, cell, textAt(row.id, cell), isUnsent(row.id, cell)));
    this.showRemark(line, row);
    line.menu.hidden = locked;
    line.menu.setAttribute("aria-label", sentence(this.words.row_menu_of, { label: row.label }));
  }

  keepCells(line, id, repeats) {
    while (line.cells.length > repeats) line.cells.pop().remove();
    while (line.cells.length < repeats) {
      const td = make("td", "n", "", { role: "gridcell", tabindex: "-1" });
      td.dataset.row = id;
      td.dataset.cell = line.cells.length;
      line.cells.push(td);
      line.tr.insertBefore(td, line.mean);
    }
  }

  showCell(td, row, cell, text, unsent) {
    const given = row.cells?.[cell] ?? {};
    const states = unsent ? [] : (given.state ?? "").split(" ").filter((state) => CELL_STATES.includes(state));
    td.className = ["n", ...states.map((state) => `lk-${state}`), ...(unsent ? ["lk-unsent"] : [])].join(" ");
    if (!td.querySelector("input")) setText(td, text);
    td.title = given.note ?? "";
    const said = [`${row.label}, ${sentence(this.words.reading, { number: cell + 1 })}`, text || this.words.empty];
    said.push(...states.map((state) => this.words[`state_${state}`]), ...(given.note ? [given.note] : []));
    td.setAttribute("aria-label", said.join(", "));
  }

  showRemark(line, row) {
    renew(line.remark, [row.remark, row.remark_state, row.remark_button], () => this.remarkParts(row));
  }

  remarkParts({ remark, remark_state, remark_button }) {
    const text = make("span", MARKS.includes(remark_state) ? `lk-mark lk-${remark_state}` : "", remark ?? "");
    if (!remark_button) return [text];
    return [text, " ", button(remark_button.label, "lk-link", () => this.actions.press(remark_button.id))];
  }

  // The element at a place; `menu` stands for the button at the row's end. Undefined when it is not shown.
  at(place) {
    const line = place && this.lines.get(place.row);
    return line && (place.cell === "menu" ? line.menu : line.cells[place.cell]);
  }

  // Where the cursor is, what is selected, and the one element of the table that Tab stops at.
  showCursor(cursor, selected, listening) {
    const current = this.at(cursor);
    const stop = current ?? this.lines.values().next().value?.cells[0];
    for (const line of this.lines.values()) {
      for (const element of [...line.cells, line.menu]) {
        element.tabIndex = element === stop ? 0 : -1;
        element.classList.toggle("lk-cur", element === current && element !== line.menu);
        if (element !== line.menu) element.setAttribute("aria-selected", String(selected(element.dataset.row, Number(element.dataset.cell))));
      }
    }
    this.root.classList.toggle("lk-off-duty", !listening);
  }
}
