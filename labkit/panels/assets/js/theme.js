// The Light / Dark / System switch. On a page with a kernel `model` is its widget, which is told what is seen now,
// because figures cannot read the style sheet; on the landing page there is none.

const CHOICES = [["light", "Light"], ["dark", "Dark"], ["system", "System"]];
const root = document.documentElement;
const system = window.matchMedia("(prefers-color-scheme: dark)");

function chosen() {
  return root.dataset.lkTheme ?? "system";
}

function choose(choice) {
  if (choice === "system") delete root.dataset.lkTheme; else root.dataset.lkTheme = choice;
  try {
    if (choice === "system") localStorage.removeItem("lk-theme"); else localStorage.setItem("lk-theme", choice);
  } catch { /* storage is closed: the choice holds for this page */ }
  window.dispatchEvent(new Event("lk-theme"));
}

function isDark() {
  if (chosen() !== "system") return chosen() === "dark";
  const lab = document.body.dataset.jpThemeLight; // JupyterLab says it here
  return lab === undefined ? system.matches : lab === "false";
}

function render({ model, el }) {
  const group = document.createElement("div");
  group.className = "lk-seg lk-theme-switch";
  group.setAttribute("role", "group");
  group.setAttribute("aria-label", "Theme");
  const buttons = CHOICES.map(([choice, word]) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = word;
    button.addEventListener("click", () => choose(choice));
    group.appendChild(button);
    return [choice, button];
  });
  el.replaceChildren(group);

  const show = () => {
    for (const [choice, button] of buttons) button.setAttribute("aria-pressed", String(choice === chosen()));
    model?.send({ type: "theme", dark: isDark() });
  };
  window.addEventListener("lk-theme", show);
  system.addEventListener("change", show);
  show();
  return () => {
    window.removeEventListener("lk-theme", show);
    system.removeEventListener("change", show);
  };
}

export default { render };
