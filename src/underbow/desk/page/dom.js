// Building the page: elements from code, drawings from the server; text is always text.

export function el(tag, props = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(props)) {
    if (value === undefined || value === null || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "class") node.className = value;
    else if (name === "value" || name === "checked" || name === "disabled") node[name] = value;
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

export const $ = (selector, from = document) => from.querySelector(selector);
export const $$ = (selector, from = document) => [...from.querySelectorAll(selector)];

// Only what a drawing is made of gets in, whatever the text holds.
const DRAWN = new Set(["svg", "g", "path", "rect", "line", "polyline", "polygon", "circle", "ellipse", "text", "tspan", "title", "use", "defs", "symbol"]);

export function drawing(text, label) {
  const found = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
  if (found.nodeName !== "svg") return el("span");
  for (const node of [found, ...found.querySelectorAll("*")]) {
    if (!DRAWN.has(node.localName)) { node.remove(); continue; }
    for (const { name, value } of [...node.attributes]) {
      if (name.startsWith("on") || name === "style" || (/href$/.test(name) && !value.startsWith("#"))) node.removeAttribute(name);
    }
  }
  const svg = document.importNode(found, true);
  if (label !== undefined) {
    svg.querySelector("title")?.remove();
    svg.setAttribute("role", label ? "img" : "presentation");
    if (label) svg.setAttribute("aria-label", label);
    else svg.setAttribute("aria-hidden", "true");
  }
  return svg;
}

// As wide as what it holds.
const pen = document.createElement("canvas").getContext("2d");
function fit(field, text) {
  const draw = () => {
    const style = getComputedStyle(field);
    pen.font = `${style.fontStyle} ${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
    field.style.width = `${Math.ceil(pen.measureText(text).width) + parseFloat(style.fontSize) * 0.55 + 2}px`;
  };
  if (field.isConnected) draw(); else requestAnimationFrame(draw);
}

// A line of text that is changed where it stands: what is typed is kept with Enter or on leaving, Escape leaves it as it was.
export function line(value, { label, keep, ink = true, sample = "", numbers = false, live = null, id = null, wrong = null }) {
  value = wrong ?? value; // what was written and can't be stays there, in red; Escape rubs it out
  const input = el("input", {
    class: `line ${wrong !== null ? "wrong" : ink ? "ink" : "pencil"}`, value, "aria-invalid": wrong !== null ? "true" : undefined, "aria-label": label, placeholder: sample, spellcheck: "false", autocomplete: "off",
    inputmode: numbers ? "numeric" : undefined, id,
  });
  const size = () => fit(input, input.value || sample);
  const settle = () => { if (input.value !== value) { value = input.value; keep(value); } };
  input.addEventListener("input", () => { size(); live?.(input.value); });
  input.addEventListener("blur", settle);
  input.addEventListener("keydown", (event) => {
    if (event.key === "Enter") { event.preventDefault(); settle(); }
    if (event.key === "Escape") { event.stopPropagation(); input.value = value = wrong === null ? value : ""; size(); input.blur(); if (wrong !== null) keep(""); }
  });
  size();
  return input;
}

export function choice(value, options, { label, keep, ink = true, id = null }) {
  const select = el("select", { class: `line ${ink ? "ink" : "pencil"}`, "aria-label": label, id, onchange: () => keep(select.value) },
    options.map(([name, word]) => el("option", { value: name }, word)));
  select.value = value;
  const size = () => fit(select, select.selectedOptions[0]?.text ?? "");
  select.addEventListener("change", size);
  size();
  return select;
}

// What is pressed without drawing attention to itself: words with a pencil line under them.
export function word(text, press, props = {}) {
  return el("button", { type: "button", class: `word ${props.class ?? ""}`, onclick: press, ...Object.fromEntries(Object.entries(props).filter(([k]) => k !== "class")) }, text);
}

// Signs, and what each of them says.
export const signs = (rows) => el("dl", { class: "keys" }, rows.map(([sign, what]) => [el("dt", {}, sign), el("dd", {}, what)]));

// What is said stays for a moment, with what can be done about it; longer where somebody is at it.
export function tell(text, ...more) {
  const said = $("#said");
  said.replaceChildren(...(text ? [text, ...more.flatMap((one) => [" ", one])] : []));
  said.classList.toggle("seen", Boolean(text));
  clearTimeout(tell.timer);
  const fade = () => { if (said.matches(":hover, :focus-within")) tell.timer = setTimeout(fade, 3000); else tell(""); };
  if (text) tell.timer = setTimeout(fade, 9000);
}

// Whether letters go into it: what takes none (a list, a button, a box to tick) leaves the keys to the desk.
const LETTERS = new Set(["text", "search", "email", "number", "password", "tel", "url"]);
export const typing = (target) =>
  target instanceof HTMLTextAreaElement || (target instanceof HTMLInputElement && LETTERS.has(target.type)) || Boolean(target?.isContentEditable);

export const narrow = () => innerWidth < 620; // the staff is engraved for the paper's width
