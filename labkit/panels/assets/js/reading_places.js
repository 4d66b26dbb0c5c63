// What the browser knows of the cells: Python's rows, with what was just typed laid over them until it has arrived.

class Places {
  constructor(model) {
    this.model = model;
    this.over = new Map(); // "row/cell" → { text, seq }: shown until the event with that number has arrived
  }

  get rows() {
    return this.model.get("rows");
  }

  get columns() {
    return Math.max(this.model.get("repeats"), ...this.rows.map((row) => row.cells?.length ?? 0));
  }

  row(id) {
    return this.rows.find((row) => row.id === id);
  }

  // How many readings a row takes: as many as it has cells, never fewer than are asked of it.
  length(id) {
    const row = this.row(id);
    return Math.max(row?.wanted ?? this.model.get("repeats"), row?.cells?.length ?? 0);
  }

  text = (id, cell) => {
    const over = this.over.get(`${id}/${cell}`);
    return over ? over.text : (this.row(id)?.cells?.[cell]?.text ?? "");
  };

  isUnsent = (id, cell) => this.over.has(`${id}/${cell}`);

  lay(id, cell, text, seq) {
    this.over.set(`${id}/${cell}`, { text, seq });
  }

  lift(seq) {
    for (const [key, over] of this.over) if (over.seq <= seq) this.over.delete(key);
  }

  nextEmpty({ row, cell }) {
    for (let next = cell + 1; next < this.length(row); next++) if (!this.text(row, next)) return { row, cell: next };
    return null;
  }

  // One step in the table; null at its edge. The row's menu button stands after the last column.
  step({ row, cell }, down, right) {
    const at = this.rows.findIndex((each) => each.id === row);
    const to = this.rows[at + down];
    if (at < 0 || !to) return null;
    const column = (cell === "menu" ? this.columns : cell) + right;
    if (column < 0 || column > this.columns) return null;
    return { row: to.id, cell: column === this.columns ? "menu" : column };
  }

  // The cells of the rectangle between two places, line by line.
  block(from, to) {
    const index = (place) => this.rows.findIndex((row) => row.id === place.row);
    const column = (place) => (place.cell === "menu" ? this.columns - 1 : place.cell);
    const [top, bottom] = [index(from), index(to)].sort((a, b) => a - b);
    const [left, right] = [column(from), column(to)].sort((a, b) => a - b);
    if (top < 0) return [];
    const cells = Array.from({ length: right - left + 1 }, (_, offset) => left + offset);
    return this.rows.slice(top, bottom + 1).map((row) => cells.map((cell) => ({ row: row.id, cell })));
  }
}

function samePlace(a, b) {
  return a?.row === b?.row && a?.cell === b?.cell;
}
