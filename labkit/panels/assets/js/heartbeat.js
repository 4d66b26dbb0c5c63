// Asks the kernel every few seconds. Where no answer comes, a banner says so and the page below takes no more typing,
// for nothing typed now would be kept. It also keeps the draft's id in the address, so that opening again goes on.

function fill(template, values) {
  return template.replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");
}

function render({ model, el }) {
  const words = model.get("words");
  const here = el.ownerDocument.body.dataset.voila !== undefined;
  el.classList.add("lk-banner-place");
  el.innerHTML = "";
  const banner = document.createElement("div");
  banner.className = "lk-banner";
  banner.setAttribute("role", "alert");
  banner.hidden = true;
  const text = document.createElement("span");
  text.className = "lk-banner-text";
  const again = document.createElement("button");
  again.type = "button";
  again.className = "lk-btn lk-slim";
  again.textContent = words.again;
  banner.append(text, again);
  el.appendChild(banner);

  let asked = null; // since when an answer is outstanding

  const page = () => el.closest(".lk-page");
  const lost = () => !banner.hidden;

  function say(isLost) {
    const saved = model.get("saved");
    text.textContent = isLost ? fill(saved ? words.text : words.nothing_saved, { saved }) : "";
    banner.hidden = !isLost;
    page()?.classList.toggle("lk-lost", isLost);
    const book = page()?.querySelector(".lk-book");
    if (book) book.inert = isLost;
  }

  function beat() {
    const now = performance.now();
    if (asked !== null && now - asked > model.get("patience_ms") && !lost()) say(true);
    if (asked === null) asked = now;
    try { model.send({ type: "ping" }); } catch { /* the connection is closed: the answer stays out */ }
  }

  function answered(message) {
    if (message.type !== "pong") return;
    asked = null;
    if (lost()) say(false);
  }

  async function open() {
    try {
      await fetch(words.probe, { cache: "no-store" });
      location.reload();
    } catch {
      text.textContent = words.no_server;
    }
  }

  function carry() {
    if (!here) return; // in JupyterLab the address is the lab's
    const address = new URL(location.href);
    const draft = model.get("draft");
    if (draft) address.searchParams.set("draft", draft); else address.searchParams.delete("draft");
    address.searchParams.delete("token"); // it is in the cookie by now, and an address is soon shown to somebody
    history.replaceState(history.state, "", address);
    if (model.get("title")) document.title = model.get("title");
  }

  model.on("msg:custom", answered);
  model.on("change:draft", carry);
  model.on("change:title", carry);
  again.addEventListener("click", open);
  const timer = setInterval(beat, model.get("every_ms"));
  carry();
  beat();
  return () => {
    clearInterval(timer);
    model.off("msg:custom", answered);
    model.off("change:draft", carry);
    model.off("change:title", carry);
    page()?.classList.remove("lk-lost");
  };
}

export default { render };
