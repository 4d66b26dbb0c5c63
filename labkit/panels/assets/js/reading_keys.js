// What keys, mouse and clipboard do to a ReadingGrid.

// Puts the listeners in place; returns what takes those on the whole page away again.
function listenToPage(grid) {
  const { root, table } = grid;
  root.addEventListener("keydown", (event) => onKey(grid, event));
  root.addEventListener("focusin", () => grid.beOnDuty());
  root.addEventListener("copy", (event) => onCopy(grid, event));
  root.addEventListener("paste", (event) => onPaste(grid, event));
  table.root.addEventListener("mousedown", (event) => onMouse(grid, event, event.shiftKey));
  table.root.addEventListener("mouseover", (event) => event.buttons === 1 && onMouse(grid, event, true));
  table.root.addEventListener("dblclick", () => grid.openEditor());

  const look = () => setTimeout(() => grid.show()); // afterwards: while the focus moves, nothing has it
  const release = () => {
    const presses = grid.presses;
    setTimeout(() => grid.release(presses)); // afterwards: the click comes first
  };
  const pageEvents = [
    [document, "pointerdown", (event) => grid.press(event.target)],
    [document, "pointerup", release],
    [document, "pointercancel", release],
    [document, "keydown", (event) => onPageKey(grid, event)],
    [document, "focusin", look],
    [document, "focusout", look],
    [document, "mousedown", (event) => grid.menu.root.contains(event.target) || grid.menu.close()],
    [window, "focus", look],
    [window, "blur", look],
  ];
  // captured: other fields keep their keys from the page, and F8 must come through
  pageEvents.forEach(([target, name, handler]) => target.addEventListener(name, handler, true));
  return pageEvents.map(([target, name, handler]) => () => target.removeEventListener(name, handler, true));
}

// ---- keys ----

const KEYS = {
  Enter: onEnter,
  F2: (grid) => grid.openEditor(),
  F8: (grid) => grid.listen(),
  Escape: onEscape,
  Backspace: onBackspace,
  Delete: onDelete,
  ArrowUp: (grid, event) => onArrow(grid, event, -1, 0),
  ArrowDown: (grid, event) => onArrow(grid, event, 1, 0),
  ArrowLeft: (grid, event) => onArrow(grid, event, 0, -1),
  ArrowRight: (grid, event) => onArrow(grid, event, 0, 1),
  Home: (grid, event) => onRowEnd(grid, event, 0),
  End: (grid, event) => onRowEnd(grid, event, grid.places.columns - 1),
  ContextMenu: onMenuKey,
  F10: (grid, event) => (event.shiftKey ? onMenuKey(grid) : false),
};
const CONTROL_KEYS = { z: (grid) => onHistory(grid, "undo"), y: (grid) => onHistory(grid, "redo"), Enter: onNextRow };
const READ_ONLY_KEYS = ["ArrowUp", "ArrowDown", "ArrowLeft", "ArrowRight", "Home", "End"];
const ON_CONTROLS = ["Enter", " ", "ArrowUp", "ArrowDown", "Home", "End"]; // what a button or a box needs for itself

function onKey(grid, event) {
  event.stopPropagation(); // JupyterLab would take digits and letters for commands
  if (grid.model.get("sounds")) grid.sounds.wake();
  if (event.isComposing || event.defaultPrevented) return;
  if (grid.editor?.input === event.target) return onEditorKey(grid, event);
  if (grid.menu.open && grid.menu.onKey(event)) return;
  if (actOn(grid, event)) {
    event.preventDefault();
    grid.show();
  }
}

// True when the key meant something here; everything else (Tab above all) is left to the browser.
function actOn(grid, event) {
  const control = event.ctrlKey || event.metaKey;
  const onControl = event.target.matches("button, input") && !grid.typed && !control;
  if (onControl && ON_CONTROLS.includes(event.key) && !isMenuArrow(event)) return false;
  const key = control && event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (grid.locked && !READ_ONLY_KEYS.includes(key)) return false;
  const action = control ? CONTROL_KEYS[key] : event.altKey ? undefined : KEYS[key];
  if (action) {
    if (event.repeat && key === "Enter") return true;
    grid.hint = "";
    return action(grid, event) !== false;
  }
  return !control && !event.altKey && key.length === 1 && onCharacter(grid, key);
}

// On a ··· button the arrows still walk through the table.
function isMenuArrow(event) {
  return event.target.dataset.cell === "menu" && event.key.startsWith("Arrow");
}

function onCharacter(grid, character) {
  if (character === " " && !grid.typed) return true; // a reading does not begin with a space, and the page stays put
  grid.menu.close();
  grid.hint = "";
  if (grid.typed.length < 80) grid.typed += character;
  if (!grid.root.contains(document.activeElement) || document.activeElement.closest("button, input, .lk-menu")) grid.focusPlace();
  return true;
}

function onEnter(grid) {
  const text = grid.typed;
  const { cursor, places } = grid;
  grid.typed = "";
  if (text.trim()) grid.take(text);
  else if (!grid.awaited && cursor && places.text(cursor.row, cursor.cell)) grid.moveTo(places.step(cursor, 0, 1));
  else grid.hint = cursor ? grid.words.nothing_typed : grid.words.nothing_on_probe;
}

function onNextRow(grid) {
  grid.hint = "";
  grid.takeTyped();
  grid.inTurn(() => {
    const at = grid.cursor ?? grid.firstPlace ?? { row: "", cell: 0 };
    grid.askFromHere({ type: "next-row", row: at.row, cell: at.cell === "menu" ? 0 : at.cell });
  });
}

function onEscape(grid) {
  grid.typed = "";
  grid.refused = [];
  grid.anchor = null;
}

function onBackspace(grid) {
  grid.typed = grid.typed.slice(0, -1);
}

function onDelete(grid) {
  if (grid.typed) grid.typed = "";
  else grid.inTurn(() => clearSelected(grid));
}

// The first cell of what was cleared is where the next reading goes.
function clearSelected(grid) {
  const cells = grid.selection.flat();
  grid.clear(cells);
  if (cells.length > 1) grid.goTo(cells[0], false);
}

function onArrow(grid, event, down, right) {
  if (event.target.closest(".lk-now-band, .lk-tools") && event.target !== grid.band.root) return false;
  grid.moveTo(grid.aim ? grid.places.step(grid.aim, down, right) : grid.firstPlace, event.shiftKey);
}

function onRowEnd(grid, event, cell) {
  if (grid.aim) grid.moveTo({ row: grid.aim.row, cell }, event.shiftKey);
}

function onMenuKey(grid) {
  const opener = grid.cursor && grid.table.at({ row: grid.cursor.row, cell: "menu" });
  if (opener) grid.openMenu(grid.cursor.row, opener);
}

function onHistory(grid, type) {
  grid.hint = "";
  if (grid.typed) grid.typed = "";
  else grid.askFromHere({ type });
}

function onEditorKey(grid, event) {
  if (event.key === "F8") grid.listen();
  else if (event.key === "Enter") {
    grid.closeEditor(true);
    if (event.ctrlKey || event.metaKey) onNextRow(grid);
  } else if (event.key === "Escape") grid.closeEditor(false);
  else return;
  event.preventDefault();
}

// Keys that reach the page: F8, and whatever is typed while nothing has the focus and this grid is on duty.
function onPageKey(grid, event) {
  if (event.defaultPrevented || grid.locked) return;
  if (event.key === "F8" && answersF8(grid)) {
    event.preventDefault();
    grid.listen();
  } else if (grid.root.contains(event.target)) {
    return;
  } else if (grid.listening && event.target === document.body && event.key !== "Tab") {
    grid.focusPlace();
    onKey(grid, event);
  }
}

// Of several grids on a page it is the one that listened last; before that, the first that can be seen. One that is
// complete hands on to the next below it that is not.
function answersF8(grid) {
  const visible = [...document.querySelectorAll(".lk-reading")].filter((root) => root.offsetParent);
  const onDuty = Math.max(0, visible.findIndex((root) => root.hasAttribute("data-lk-duty")));
  const open = visible.slice(onDuty).find((root) => !root.hasAttribute("data-lk-complete"));
  return (open ?? visible[onDuty]) === grid.root;
}

// ---- mouse ----

function onMouse(grid, event, extend) {
  const td = event.target.closest("td[data-cell]");
  if (!td || event.button !== 0 || event.target === grid.editor?.input) return;
  event.preventDefault(); // no text selection while dragging; the focus is set below
  grid.hint = "";
  grid.closeEditor(true);
  grid.moveTo({ row: td.dataset.row, cell: Number(td.dataset.cell) }, extend);
}

// ---- clipboard: the readings alone, as a spreadsheet has them ----

function onCopy(grid, event) {
  if (grid.editor || grid.typed || grid.selection.length === 0) return;
  const lines = grid.selection.map((line) => line.map(({ row, cell }) => grid.places.text(row, cell)).join("\t"));
  event.clipboardData.setData("text/plain", lines.join("\n"));
  event.preventDefault();
}

function onPaste(grid, event) {
  if (grid.editor || grid.locked) return;
  event.preventDefault();
  const block = readCells(event.clipboardData.getData("text/plain"));
  if (block.length === 0) return;
  grid.inTurn(() => {
    const at = grid.selection[0]?.[0] ?? grid.firstPlace ?? { row: "", cell: 0 };
    grid.askFromHere({ type: "paste", ...at, block });
  });
  grid.show();
}

function readCells(text) {
  const lines = text.replace(/\r\n?/g, "\n").replace(/\n+$/, "");
  return lines ? lines.split("\n").map((line) => line.split("\t")) : [];
}
