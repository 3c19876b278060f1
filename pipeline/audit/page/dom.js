// Small helpers for building the page; text is always set as text, never as markup.

const SVG = "http://www.w3.org/2000/svg";

function fill(node, attrs, children) {
  for (const [name, value] of Object.entries(attrs || {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (name === "text") node.textContent = value;
    else if (name === "value") node.value = value;
    else if (name === "checked" || name === "disabled" || name === "selected" || name === "open") node[name] = Boolean(value);
    else node.setAttribute(name, value === true ? "" : value);
  }
  node.append(...children.flat(3).filter((c) => c !== null && c !== undefined && c !== false));
  return node;
}

export const h = (tag, attrs, ...children) => fill(document.createElement(tag), attrs, children);
export const s = (tag, attrs, ...children) => fill(document.createElementNS(SVG, tag), attrs, children);
export const $ = (id) => document.getElementById(id);

export function say(text) {
  const node = $("said");
  node.textContent = "";
  requestAnimationFrame(() => { node.textContent = text; });
}

export function banner(text) {
  const node = $("banner");
  node.textContent = text || "";
  node.hidden = !text;
}

// A dialog with a title, a body and buttons {text: act}; resolves with what the chosen act gives, null when dismissed.
export function ask(title, body, buttons) {
  const dialog = $("dialog");
  const back = document.activeElement;
  return new Promise((resolve) => {
    let answer = null;
    const choose = (value) => { answer = value; dialog.close(); };
    dialog.replaceChildren(
      h("h2", { id: "dialog-title", text: title }),
      h("div", { class: "dialog-body" }, body),
      h("div", { class: "row end" }, Object.entries(buttons).map(([text, act], i) =>
        h("button", { type: "button", class: i === 0 ? "main" : "", onclick: () => choose(act()), text }))),
    );
    dialog.onclose = () => { if (back && back.isConnected) back.focus(); resolve(answer); };
    dialog.showModal();
    const first = dialog.querySelector("[data-first]") || dialog.querySelector("button");
    if (first) first.focus();
  });
}

export function words(text) { return String(text).replaceAll("_", " "); }

export function shown(value) {
  if (value === null || value === undefined || value === "") return "blank";
  if (value === true) return "yes";
  if (value === false) return "no";
  if (typeof value === "number") return Number.isInteger(value) ? String(value) : value.toFixed(1);
  return words(value);
}

export function clock(iso) {
  const d = new Date(iso);
  return Number.isNaN(d.getTime()) ? "" : d.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
}

export const percent = (share) => (share === null || share === undefined ? "–" : `${Math.round(share * 100)} %`);
