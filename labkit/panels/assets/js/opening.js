// What a workbook's page calls while it opens. Voila writes these into the page itself, where the page's policy takes
// no script.

window.display_cells = () => {
  // Voila's theme and the cells, whichever comes last
  if (!window.themeLoaded) {
    window.cellLoaded = true;
    return;
  }
  document.getElementById("loading")?.remove();
  const cells = document.getElementById("rendered_cells");
  if (cells) cells.style.display = "";
};
window.voila_process = () => {};
window.voila_finish = window.display_cells;

// Voila's farewell is a beacon. Where pages send no referrer a beacon has no origin either, and would be refused.
navigator.sendBeacon = (address) => {
  fetch(address, { method: "POST", keepalive: true }).catch(() => {});
  return true;
};
