// Labels of a snap: value to choose, how sure, why, by whom.

import { h, percent, shown, words } from "./dom.js";
import { GROUPS, label, STATUS } from "./names.js";

const REST_MS = 600;
const MOST = { deep_safeties: 5, deep_safeties_after: 5 };

// A control for a label's value; none: text of the blank choice; change(value) is told of a choice (null: blank).
export function control(spec, value, none, change, id) {
  if (spec.type === "number") {
    const input = h("input", { type: "number", step: 0.1, id, value: value === null || value === undefined ? "" : Number(value).toFixed(1), placeholder: none });
    input.addEventListener("change", () => {
      if (input.validity.badInput) return;
      change(input.value === "" ? null : Number(input.value));
    });
    return input;
  }
  let choices;
  if (spec.type === "boolean") choices = [["true", "yes", true], ["false", "no", false]];
  else if (spec.type === "integer") {
    const low = spec.minimum === null ? -8 : spec.minimum;
    const high = Math.max(MOST[spec.name] || 12, value || 0);
    choices = Array.from({ length: high - low + 1 }, (_, i) => [String(low + i), String(low + i), low + i]);
  } else choices = spec.enum.map((v) => [v, words(v), v]);
  const select = h("select", { id }, h("option", { value: "", text: none }), choices.map(([key, text]) => h("option", { value: key, text })));
  select.value = value === null || value === undefined ? "" : String(value);
  // Arrow keys run through the choices: the one they rest on counts, not each on the way.
  let timer = 0;
  let keyed = false;
  const send = () => {
    if (!timer) return;
    clearTimeout(timer);
    timer = 0;
    const hit = choices.find(([key]) => key === select.value);
    change(hit ? hit[2] : null);
  };
  select.addEventListener("keydown", () => { keyed = true; });
  select.addEventListener("pointerdown", () => { keyed = false; });
  select.addEventListener("change", () => { clearTimeout(timer); timer = setTimeout(send, keyed ? REST_MS : 0); });
  select.addEventListener("blur", send);
  return select;
}

function source(row, candidates) {
  if (row.how === "predicted" && candidates) return `${candidates.replace(/(\S+):(\d?\.\d+)/g, (_, c, p) => `${words(c)} ${percent(Number(p))}`)}, ${row.reason || ""}`;
  if (row.how === "set") return `set by ${row.source}`;
  if (row.how === "follows") return "follows from labels set by hand";
  if (row.how === "recomputed") return `computed again after ${row.source} moved something`;
  return row.reason || "";
}

function line(row, spec, hooks) {
  const id = `label-${row.label}`;
  const set = (value) => hooks.set(row.label, value);
  const by = row.how === "predicted" ? "" : row.how;
  const doubt = row.status && row.status !== "ok" ? row.status : "";
  const sure = row.confidence === null || row.confidence === undefined ? null : row.confidence;
  const box = control(spec, row.value_final, "blank", set, id);
  box.setAttribute("aria-describedby", `${id}-why`);
  if (hooks.readOnly) box.disabled = true;
  const back = by === "set" && h("button", {
    type: "button", class: "plain back", title: `Back to the prediction: ${shown(row.value_predicted)}`,
    "aria-label": `${label(row.label)}: back to the prediction, ${shown(row.value_predicted)}`, text: "↺", onclick: () => hooks.back(row.label),
  });
  const changed = by && String(row.value_predicted ?? "") !== String(row.value_final ?? "");
  const known = row.value_final !== null && row.value_final !== undefined;
  const how = sure === null ? (by ? "by hand" : "") : known || !doubt ? percent(sure) : "";
  return h("div", { class: `label ${doubt ? "doubt" : ""} ${by ? "hand" : ""}`, "data-label": row.label },
    h("label", { for: id, text: label(row.label), title: spec.description }), h("span", { class: "value" }, back, box),
    h("span", { class: "sure", text: how }),
    h("p", { id: `${id}-why`, class: "why" },
      doubt && h("strong", { text: `${STATUS[doubt]}. ` }), changed && h("span", { text: `predicted ${shown(row.value_predicted)}; ` }),
      h("bdi", { text: source(row, hooks.candidates && hooks.candidates(row.label)) })));
}

export function labelsPanel(rows, specs, hooks) {
  const by = Object.fromEntries(rows.map((r) => [r.label, r]));
  return h("section", { class: "labels", "aria-label": "Labels" }, GROUPS.map(([title, names]) =>
    h("fieldset", {}, h("legend", { text: title }), names.filter((n) => by[n] && specs[n]).map((n) => line(by[n], specs[n], hooks)))));
}

// Why the row is for review: the first reason in one line, the others behind it.
export function lookAt(reasons, open) {
  const named = reasons.map((r) => {
    const [kind, names] = r.split(/: (.*)/s);
    return names ? `${kind}: ${names.split(", ").map(label).join(", ")}` : r;
  });
  return h("details", { class: "look", open }, h("summary", {}, h("strong", { text: "Look at: " }), named[0],
    named.length > 1 && h("span", { class: "more", text: ` and ${named.length - 1} more` })),
  h("ul", {}, named.slice(1).map((r) => h("li", { text: r }))));
}
