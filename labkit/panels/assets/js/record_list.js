// The list of signed results: tick a row, or open one. Pages of it are turned outside.

class RecordList {
  constructor(model, el) {
    this.model = model;
    this.root = make("div", "lk-scroll lk-records");
    this.table = make("table", "lk-tbl");
    this.head = make("thead");
    this.body = make("tbody");
    this.table.append(this.head, this.body);
    this.root.append(this.table);
    el.append(this.root);
    this.end = watch(model, ["columns", "rows", "name"], () => this.show());
    this.show();
  }

  show() {
    this.table.setAttribute("aria-label", this.model.get("name"));
    const words = this.model.get("words");
    const columns = this.model.get("columns");
    renew(this.head, columns, () => {
      const row = make("tr");
      const first = make("th", "lk-pick", "", { scope: "col" });
      first.append(make("span", "lk-sr", words.choose));
      row.append(first, ...columns.map((text) => make("th", "", text, { scope: "col" })));
      return [row];
    });
    const rows = this.model.get("rows");
    while (this.body.rows.length > rows.length) this.body.lastChild.remove();
    rows.forEach((row, index) => this.line(row, index, words));
  }

  // A row is built anew only where its words changed; a tick alone must not throw the focus off its box.
  line(row, index, words) {
    const line = this.body.rows[index] ?? this.body.appendChild(make("tr"));
    line.className = [row.open ? "lk-sel-row" : "", row.off ? "lk-off" : ""].join(" ").trim();
    line.setAttribute("aria-selected", String(row.open));
    renew(line, [row.id, row.cells, row.mark, row.state], () => this.cells(row, words));
    line.querySelector("input").checked = row.ticked;
  }

  cells(row, words) {
    const [number, ...others] = row.cells;
    const pick = make("td", "lk-pick");
    const label = make("label", "lk-check");
    const box = make("input", "", "", { type: "checkbox", "aria-label": sentence(words.choose_one, { number }) });
    box.addEventListener("change", () => this.model.send({ type: "tick", row: row.id, on: box.checked }));
    label.append(box);
    pick.append(label);
    const first = make("td");
    const open = button(number, "lk-link", () => this.model.send({ type: "open", row: row.id }));
    open.setAttribute("aria-label", sentence(words.open, { number }));
    first.append(open);
    const last = make("td");
    last.append(make("span", `lk-mark lk-${row.mark}`, row.state));
    return [pick, first, ...others.map((text) => make("td", "", text)), last];
  }

  dispose() {
    this.end();
    this.root.remove();
  }
}

function render({ model, el }) {
  const list = new RecordList(model, el);
  return () => list.dispose();
}

export default { render };
