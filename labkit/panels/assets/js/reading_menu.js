// The menu of a row, opened from its ··· button or with Shift+F10 on any of its cells.

class RowMenu {
  constructor(host, choose) {
    this.host = host;
    this.choose = choose; // (row id, entry id)
    this.root = make("div", "lk-menu lk-row-menu", "", { role: "menu" });
    this.root.hidden = true;
    host.append(this.root);
  }

  get open() {
    return !this.root.hidden;
  }

  show(row, opener, entries, label) {
    this.row = row;
    this.opener = opener;
    this.root.setAttribute("aria-label", label);
    this.root.replaceChildren(...entries.map((entry) => this.item(entry)));
    this.root.hidden = false;
    this.place();
    this.root.firstChild?.focus();
  }

  item(entry) {
    const item = button("", "", () => this.pick(entry.id));
    item.append(make(entry.strong ? "b" : "span", "", entry.label));
    item.setAttribute("role", "menuitem");
    item.tabIndex = -1;
    return item;
  }

  pick(id) {
    const row = this.row;
    this.close();
    this.choose(row, id);
  }

  // Below the button, its right edge on the button's; above it where there is no room below.
  place() {
    const host = this.host.getBoundingClientRect();
    const by = this.opener.getBoundingClientRect();
    const below = by.bottom + this.root.offsetHeight <= window.innerHeight;
    this.root.style.right = `${host.right - by.right}px`;
    this.root.style.top = `${(below ? by.bottom : by.top - this.root.offsetHeight) - host.top}px`;
  }

  close() {
    this.root.hidden = true;
  }

  // True when the key was one of the menu's own.
  onKey(event) {
    const items = [...this.root.children];
    const at = items.indexOf(document.activeElement);
    const to = { ArrowDown: at + 1, ArrowUp: at - 1 + items.length, Home: 0, End: items.length - 1 }[event.key];
    if (to !== undefined) items[to % items.length].focus();
    else if (event.key === "Enter" || event.key === " ") items[at]?.click();
    else if (event.key === "Escape") {
      this.close();
      this.opener.focus();
    } else return false;
    event.preventDefault();
    return true;
  }
}
