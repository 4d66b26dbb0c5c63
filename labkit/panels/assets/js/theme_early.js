// Before anything is drawn: the theme that was chosen on this machine. Without a choice the system's holds.
(() => {
  let chosen = null;
  try { chosen = localStorage.getItem("lk-theme"); } catch { /* storage is closed: follow the system */ }
  if (chosen === "light" || chosen === "dark") document.documentElement.dataset.lkTheme = chosen;
})();
