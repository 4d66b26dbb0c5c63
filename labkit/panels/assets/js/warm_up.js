// The warm-up clock: minutes on, a sentence, and a bar on a ruled scale. Colours come from the page's style sheet.

const SVG = "http://www.w3.org/2000/svg";
const MINUTE_MS = 60000;
const WIDTH = 300; // of the scale, which is as long as the minutes that are needed
const LEFT = 1;
const EVERY_MS = 5000;

class WarmUp {
  constructor(model, el) {
    this.model = model;
    this.words = model.get("words");
    this.root = make("div", "lk-warm-up", "", { role: "group", "aria-label": this.words.label });
    this.minutes = make("b");
    Object.assign(this.minutes.style, { fontSize: "26px", lineHeight: "40px", fontWeight: "600" });
    this.said = make("span");
    const line = make("div", "lk-bar");
    line.style.gap = "4px 16px";
    line.append(this.minutes, this.said);
    this.picture = draw("svg", { viewBox: "0 0 330 56", width: 330, height: 56, role: "img" });
    this.root.append(line, this.picture);
    el.append(this.root);
    this.end = watch(model, ["since", "needs_min", "zone"], () => this.show());
    this.timer = setInterval(() => this.show(), EVERY_MS);
    this.show();
  }

  show() {
    const since = Date.parse(this.model.get("since"));
    const needed = this.model.get("needs_min");
    const on = Number.isNaN(since) ? null : Math.floor((Date.now() - since) / MINUTE_MS);
    const [state, text] = this.sentenceFor(since, on, needed);
    setText(this.minutes, on === null || on < 0 ? "" : this.duration(on));
    this.minutes.hidden = !this.minutes.textContent;
    setText(this.said, text);
    this.said.className = `lk-mark lk-${state}`;
    this.said.style.whiteSpace = "normal";
    this.drawScale(Math.max(on ?? 0, 0), needed);
  }

  sentenceFor(since, on, needed) {
    if (on === null) return ["idle", this.words.unset];
    if (on < 0) return ["idle", sentence(this.words.later, { on: this.clock(since) })];
    if (on < needed) return ["watch", sentence(this.words.cold, { minutes: needed - on })];
    return ["ok", sentence(this.words.warm, { on: this.clock(since), warm: this.clock(since + needed * MINUTE_MS) })];
  }

  clock(time) {
    const format = { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: this.model.get("zone") };
    return new Intl.DateTimeFormat("en-GB", format).format(time);
  }

  duration(minutes) {
    if (minutes < 120) return sentence(this.words.minutes, { minutes });
    return sentence(this.words.hours, { hours: Math.floor(minutes / 60), minutes: minutes % 60 });
  }

  drawScale(on, needed) {
    const x = (minute) => LEFT + (WIDTH * minute) / needed;
    const [tick, firm, label] = steps(needed);
    const parts = [draw("path", { class: "ax", d: `M${x(0)} 32H${x(needed)}` })];
    for (let minute = 0; minute <= needed; minute += tick)
      parts.push(draw("path", { class: "ax", d: `M${x(minute)} ${minute % firm ? 24 : 18}V32` }));
    for (let minute = 0; minute <= needed; minute += label) {
      const last = minute + label > needed;
      parts.push(draw("text", { class: minute ? "m" : "", x: x(minute), y: 50 }, last ? `${minute} min` : minute));
    }
    parts.push(draw("rect", { class: "f1", x: LEFT, y: 8, width: Math.min(on / needed, 1) * WIDTH, height: 8 }));
    if (on > needed) parts.push(draw("path", { class: "f1", d: "M304 6h8l6 6-6 6h-8z" })); // it goes on past the scale
    this.picture.setAttribute("aria-label", sentence(this.words.picture, { minutes: on, needed }));
    this.picture.replaceChildren(...parts);
  }

  dispose() {
    clearInterval(this.timer);
    this.end();
    this.root.remove();
  }
}

// How far apart ticks, longer ticks and numbers stand, in minutes: one tick a minute as long as they can be told apart.
function steps(needed) {
  if (needed <= 60) return [1, 5, needed <= 15 ? 5 : 10];
  if (needed <= 120) return [5, 30, 30];
  return needed <= 300 ? [5, 30, 60] : [60, 240, 480];
}

function draw(tag, attributes, text = "") {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.textContent = text;
  return element;
}

function render({ model, el }) {
  const clock = new WarmUp(model, el);
  return () => clock.dispose();
}

export default { render };
