// Shared by the widgets: elements and sentences. What comes from data is set as text, never read as markup.

function make(tag, classes = "", text = "", attributes = {}) {
  const element = document.createElement(tag);
  element.className = classes;
  element.textContent = text;
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

function button(label, classes, onClick) {
  const element = make("button", classes, label, { type: "button" });
  element.addEventListener("click", onClick);
  return element;
}

// Writes a sentence into an element; a field of it, {key}, may be a text, a number or an element.
function write(element, sentence, values = {}) {
  const parts = sentence.split(/\{(\w+)\}/);
  element.replaceChildren(...parts.map((part, index) => (index % 2 ? (values[part] ?? "") : part)).map(asNode));
}

function asNode(part) {
  return part instanceof Node ? part : document.createTextNode(String(part));
}

function sentence(template, values = {}) {
  return template.replace(/\{(\w+)\}/g, (_, name) => String(values[name] ?? ""));
}

// Replaces the text only where it differs, so that screen readers and selections are left alone.
function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// Builds an element's children anew, but only when `plan` (what they are built from) differs from last time.
function renew(element, plan, parts) {
  const text = JSON.stringify(plan);
  if (element.lkPlan === text) return;
  element.lkPlan = text;
  element.replaceChildren(...parts());
}

// Watches traits for as long as a view stands; returns what ends it.
function watch(model, names, callback) {
  names.forEach((name) => model.on(`change:${name}`, callback));
  return () => names.forEach((name) => model.off(`change:${name}`, callback));
}
