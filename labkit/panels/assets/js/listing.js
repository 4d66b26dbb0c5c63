// A table with buttons in its rows. Rows beyond the first few are drawn when a person asks for them.

const SVG = "http://www.w3.org/2000/svg";
const BAR = 420;

class Listing {
  constructor(model, el) {
    this.model = model;
    this.words = model.get("words");
    this.all = false;
    this.root = make("div", "lk-scroll lk-listing");
    this.table = make("table", "lk-tbl");
    this.head = make("thead");
    this.body = make("tbody");
    this.table.append(this.head, this.body);
    this.more = button("", "lk-btn lk-slim", () => this.showAll());
    this.root.append(this.table, this.more);
    el.append(this.root);
    this.onMessage = (content, buffers) => content.type === "file" && save(content, buffers[0]);
    model.on("msg:custom", this.onMessage);
    this.end = watch(model, ["name", "columns", "rows", "first"], () => this.show());
    this.show();
  }

  show() {
    const get = (name) => this.model.get(name);
    this.table.setAttribute("aria-label", get("name"));
    const columns = get("columns");
    const rows = get("rows");
    const buttons = rows.some((row) => row.buttons.length);
    renew(this.head, [columns, buttons], () => [this.heading(columns, buttons)]);
    const shown = this.all ? rows : rows.slice(0, get("first"));
    const held = this.held();
    this.renewRows(shown, buttons);
    this.hold(held);
    this.more.hidden = shown.length === rows.length;
    setText(this.more, sentence(this.words.all, { count: rows.length }));
  }

  heading(columns, buttons) {
    const row = make("tr");
    for (const text of columns) {
      const right = text.endsWith(">");
      row.append(make("th", right ? "r" : "", right ? text.slice(0, -1) : text, { scope: "col" }));
    }
    if (buttons) row.append(make("td", "r"));
    return row;
  }

  // Only rows that differ are built anew, so that a button keeps the focus while others change.
  renewRows(rows, buttons) {
    while (this.body.rows.length > rows.length) this.body.lastChild.remove();
    rows.forEach((row, index) => {
      const line = this.body.rows[index] ?? this.body.appendChild(make("tr"));
      line.className = row.off ? "lk-off" : "";
      line.dataset.row = row.id;
      renew(line, [row, buttons], () => this.cells(row, buttons));
    });
  }

  cells(row, buttons) {
    const cells = row.cells.map((cell) => this.cell(cell));
    if (buttons) {
      const last = make("td", "r");
      const bar = make("span", "lk-bar");
      bar.append(...row.buttons.map((each) => this.button(row, each)));
      last.append(bar);
      cells.push(last);
    }
    return cells;
  }

  cell({ text, small, mark, bold, right, share }) {
    const cell = make("td", right ? "r" : "");
    if (share !== null) cell.append(bar(share, text));
    else if (mark) cell.append(make("span", `lk-mark lk-${mark}`, text));
    else cell.append(bold ? make("b", "", text) : document.createTextNode(text));
    if (small) cell.append(make("small", "", small));
    return cell;
  }

  button(row, { id, label, href, main }) {
    const classes = `lk-btn lk-slim${main ? " lk-go" : ""}`;
    const name = { "aria-label": `${label}: ${row.cells[0].text}`, "data-button": id };
    if (href) return make("a", classes, label, { ...name, href });
    const made = button(label, classes, () => this.model.send({ type: "press", row: row.id, button: id }));
    for (const [key, value] of Object.entries(name)) made.setAttribute(key, value);
    return made;
  }

  held() {
    const at = this.root.contains(document.activeElement) ? document.activeElement : null;
    return at?.dataset.button ? [at.closest("tr").dataset.row, at.dataset.button] : null;
  }

  hold(held) {
    if (!held || this.root.contains(document.activeElement)) return;
    const row = [...this.body.rows].find((line) => line.dataset.row === held[0]);
    const buttons = [...(row?.querySelectorAll("[data-button]") ?? [])];
    (buttons.find((each) => each.dataset.button === held[1]) ?? buttons[0])?.focus();
  }

  showAll() {
    this.all = true;
    const next = this.model.get("first");
    this.show();
    this.body.rows[next]?.querySelector("[data-button]")?.focus();
  }

  dispose() {
    this.model.off("msg:custom", this.onMessage);
    this.end();
    this.root.remove();
  }
}

function bar(share, text) {
  const picture = draw("svg", { viewBox: `0 0 ${BAR} 16`, preserveAspectRatio: "none", role: "img", "aria-label": text });
  const filled = Math.max(0, Math.min(1, share)) * BAR;
  picture.append(draw("path", { class: "gr", d: `M0 8H${BAR}` }), draw("rect", { class: "f1", x: 0, y: 4, width: filled, height: 8 }));
  return picture;
}

function draw(tag, attributes) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

function render({ model, el }) {
  const listing = new Listing(model, el);
  return () => listing.dispose();
}

export default { render };
