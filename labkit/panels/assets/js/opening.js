// What a workbook's page calls while it opens. Voila writes these into the page itself, where the page's policy takes
// no script.

window.display_cells = () => {
  // Voila's theme and the cells, whichever comes last
  if (!window.themeLoaded) {
    window.cellLoaded = true;
    return;
  }
  const cells = document.getElementById("rendered_cells");
  cells.style.display = "";
  // the bare sheet stays until the widgets are there
  const arrived = () => {
    if (!cells.querySelector(".jupyter-widgets, .lk-failed")) return;
    watch.disconnect();
    document.getElementById("loading")?.remove();
    cells.classList.remove("lk-coming");
  };
  const watch = new MutationObserver(arrived);
  watch.observe(cells, { childList: true, subtree: true });
  arrived();
};
window.voila_process = () => {};
window.voila_finish = window.display_cells;

// Voila's farewell is a beacon. Where pages send no referrer a beacon has no origin either, and would be refused.
navigator.sendBeacon = (address) => {
  fetch(address, { method: "POST", keepalive: true }).catch(() => {});
  return true;
};

// anywidget gives a widget's script two seconds to run, and then hears nothing of what its Python says, for good: on a
// slow machine the page stood there and did nothing. Only anywidget calls this.
const SCRIPT_PATIENCE_MS = 120_000;
const { timeout } = AbortSignal;
AbortSignal.timeout = (ms) => timeout.call(AbortSignal, Math.max(ms, SCRIPT_PATIENCE_MS));

// The manager of the widgets gives the kernel four seconds to say what widgets there are. Then it asks for each of them
// by itself, and where they are many, some of the answers are dropped on the way and it waits for ever. A busy machine
// takes longer than that: once the kernel is free, all are asked for at once again, after a pause that grows. A kernel
// that was started anew has none, and one that this page has let go of answers nothing: those are not asked again.
let started;
Object.defineProperty(window, "jupyterapp", {
  get: () => started,
  set: (app) => {
    started = app;
    app.widgetManagerPromise.promise.then((manager) => {
      let pause = 250;
      manager._loadFromKernelModels = async () => {
        const kernel = manager.kernel;
        if (!kernel || kernel.isDisposed) return;
        const widgets = await kernel.requestCommInfo({ target_name: "jupyter.widget" });
        if (Object.keys(widgets.content.comms ?? {}).length === 0) return;
        await new Promise((resolve) => setTimeout(resolve, pause));
        pause = Math.min(2 * pause, 8000);
        await manager._loadFromKernel();
      };
    });
  },
});
