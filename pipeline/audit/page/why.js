// What each label rests on: measured facts beside their thresholds, and what would have changed it.

import { get } from "./api.js";
import { ask, h, say } from "./dom.js";
import { label } from "./names.js";

export async function showWhy(id, corrected, first) {
  let found;
  try { found = await get("/api/why", { id }); } catch (e) { say(e.message); found = { error: e.message, labels: [] }; }
  const parts = found.labels.map((r) => h("section", { id: `why-${r.label}`, tabindex: -1 }, h("h3", { text: label(r.label) }), h("p", { text: r.said }),
    h("ul", {}, r.facts.map((t) => h("li", { text: t })), r.changes.map((t) => h("li", {}, h("strong", { text: "would change: " }), t)))));
  const body = [
    found.error && h("p", { text: found.error }),
    corrected && h("p", { class: "warn", text: "As charted: people or snap were moved by hand since." }),
    h("div", { class: "why-list" }, parts),
  ];
  const done = ask("Why these labels", body, { Close: () => null });
  const at = first && document.getElementById(`why-${first}`);
  if (at) { at.scrollIntoView(); at.focus(); }
  return done;
}
