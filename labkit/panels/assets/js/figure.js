// A figure of labkit.charts, drawn by plotly.js, which Python hands over once a page.

// One promise for all figures: the first that finds no plotly.js asks its Python for it, and all wait for the answer.
function plotly(model) {
  globalThis.lkPlotly ??= new Promise((resolve, reject) => {
    const receive = (content, buffers) => {
      if (content.type !== "library") return;
      model.off("msg:custom", receive);
      const address = URL.createObjectURL(new Blob([buffers[0]], { type: "text/javascript" }));
      import(address)
        .then(() => resolve(globalThis.Plotly), reject)
        .finally(() => URL.revokeObjectURL(address));
    };
    model.on("msg:custom", receive);
    model.send({ type: "library" });
  });
  return globalThis.lkPlotly;
}

class Figure {
  constructor(model, el) {
    this.model = model;
    this.root = document.createElement("div");
    this.root.className = "lk-plot";
    this.place();
    el.append(this.root);
    this.changed = () => this.draw();
    model.on("change:figure", this.changed);
    this.sizes = new ResizeObserver(() => this.fit());
    this.draw();
  }

  async draw() {
    this.place();
    this.library = await plotly(this.model);
    if (this.gone) return;
    // read now: what was wanted while plotly.js was on its way is not drawn any more
    const { data, layout } = this.wanted();
    await this.library.react(this.root, data, layout, this.model.get("config"));
    if (this.listening || this.gone) return;
    this.listening = true;
    this.root.on("plotly_click", (event) => this.click(event));
    this.sizes.observe(this.root);
  }

  wanted() {
    return JSON.parse(this.model.get("figure"));
  }

  // So that the page does not jump when the figure comes.
  place() {
    this.root.style.minHeight = `${this.wanted().layout.height}px`;
  }

  fit() {
    if (this.root.offsetWidth > 0) this.library.Plots.resize(this.root);
  }

  click({ points }) {
    const [point] = points;
    if (point && point.customdata != null) this.model.send({ type: "point", name: String(point.customdata) });
  }

  dispose() {
    this.gone = true;
    this.model.off("change:figure", this.changed);
    this.sizes.disconnect();
    if (this.library) this.library.purge(this.root);
    this.root.remove();
  }
}

function render({ model, el }) {
  const figure = new Figure(model, el);
  return () => figure.dispose();
}

export default { render };
