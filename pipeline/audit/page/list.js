// The list of snaps: most doubtful first, with filters.

import { get } from "./api.js";
import { h, percent, shown, words } from "./dom.js";
import { label } from "./names.js";

const PAGE = 100;
const STATES = {
  open: ["to do: not checked", (e) => !e.checked],
  all: ["all", () => true],
  review: ["for review", (e) => e.review && !e.checked],
  checked: ["checked", (e) => e.checked],
  corrected: ["corrected", (e) => e.corrected],
  noted: ["with a note", (e) => e.notes > 0],
};

// Reasons without their numbers, so that alike ones are one choice.
const kindOf = (reason) => reason.split(":")[0].replace(/-?\d+(\.\d+)?/g, "N").trim();

function keep(app) { sessionStorage.setItem("audit-filters", JSON.stringify(app.filters)); }

function restore(app) {
  if (Object.keys(app.filters).length) return;
  try { app.filters = JSON.parse(sessionStorage.getItem("audit-filters")) || {}; } catch { app.filters = {}; }
}

function matches(entry, f) {
  if (!(STATES[f.state || "all"] || STATES.all)[1](entry)) return false;
  if (f.clip && entry.clip !== f.clip) return false;
  if (f.reason && !entry.reasons.some((r) => kindOf(r) === f.reason)) return false;
  if (f.label) {
    if (f.value === "?") { if (!entry.doubts.includes(f.label)) return false; }
    else if (f.value && String(entry.values[f.label] ?? "") !== (f.value === "-" ? "" : f.value)) return false;
  }
  const text = (f.text || "").toLowerCase();
  return !text || `${entry.id} ${entry.clip} ${entry.reasons.join(" ")}`.toLowerCase().includes(text);
}

function summary(v) {
  const parts = [];
  if (v.play_kind) parts.push(words(v.play_kind));
  if (v.deep_safeties !== undefined) parts.push(`${v.deep_safeties} deep`);
  if (v.corner_picture) parts.push(`corners ${words(v.corner_picture)}`);
  if (v.rotation && v.rotation !== "none") parts.push(words(v.rotation));
  if (v.rushers !== undefined) parts.push(`${v.rushers} rush`);
  if (v.coverage_before || v.coverage_after) {
    const [a, b] = [v.coverage_before, v.coverage_after].map((c) => (c ? words(c) : "?"));
    parts.push(a === b ? a : `${a} → ${b}`);
  }
  return parts.join(" · ") || "nothing could be read";
}

function row(entry) {
  const state = entry.checked ? `checked by ${entry.checked_by}` : entry.review ? "look at it" : "not checked";
  const why = entry.reasons.length ? entry.reasons[0] + (entry.reasons.length > 1 ? ` (and ${entry.reasons.length - 1} more)` : "") : "";
  return h("tr", { "data-state": entry.checked ? "checked" : entry.review ? "review" : "open" },
    h("td", { class: "sure" }, h("meter", { min: 0, max: 1, low: 0.5, high: 0.8, optimum: 1, value: entry.confidence || 0, "aria-hidden": "true" }),
      h("span", { text: percent(entry.confidence || 0) })),
    h("td", { class: "name" }, h("a", { href: `#/snap/${encodeURIComponent(entry.id)}` }, h("bdi", { text: entry.id })),
      h("small", {}, h("bdi", { text: entry.clip }), entry.frame === null ? " · no snap found" : ` · frame ${entry.frame}`)),
    h("td", { text: summary(entry.values) }),
    h("td", { class: "why", title: entry.reasons.join("; "), text: why }),
    h("td", { class: "state" }, h("span", { class: "chip", text: state }),
      entry.corrected && h("span", { class: "chip hand", text: "corrected" }), entry.notes > 0 && h("span", { class: "chip", text: "note" })));
}

export async function listView(app) {
  restore(app);
  const found = await get("/api/snaps");
  let all = found.snaps;
  app.seq = Math.max(app.seq, found.seq);
  const f = app.filters;
  const count = h("p", { class: "count", role: "status" });
  const body = h("tbody");
  const pager = h("div", { class: "row pager" });
  const table = h("table", { class: "snaps" },
    h("caption", { class: "away", text: "Snaps, most doubtful first" }),
    h("thead", {}, h("tr", {}, ["Sure", "Snap", "What was read", "Why look", "State"].map((t) => h("th", { scope: "col", text: t })))), body);

  function options(select, values, none) {
    select.replaceChildren(h("option", { value: "", text: none }), ...values.map(([value, text]) => h("option", { value, text })));
  }
  const choose = (name, text, change) => {
    const select = h("select", { id: `filter-${name}`, onchange: () => { f[name] = select.value; f.page = 0; if (change) change(); draw(); } });
    return [h("label", {}, h("span", { text }), select), select];
  };
  const [stateLabel, state] = choose("state", "State");
  const [clipLabel, clip] = choose("clip", "Clip");
  const [reasonLabel, reason] = choose("reason", "Reason");
  const [labelLabel, labelSelect] = choose("label", "Label", () => { f.value = ""; values(); });
  const [valueLabel, value] = choose("value", "Value");
  const search = h("input", { type: "search", id: "filter-text", value: f.text || "", oninput: () => { f.text = search.value; f.page = 0; draw(); } });

  function values() {
    const there = new Map();
    for (const e of all) { const v = e.values[f.label]; there.set(v === undefined ? "-" : String(v), v); }
    const known = [...there].filter(([k]) => k !== "-").sort((a, b) => a[0].localeCompare(b[0], undefined, { numeric: true }));
    options(value, f.label ? [["?", "not sure"], ["-", "blank"], ...known.map(([k, v]) => [k, shown(v)])] : [], f.label ? "any" : "choose a label first");
    value.disabled = !f.label;
    value.value = f.value || "";
  }

  function facets() {
    state.replaceChildren(...Object.entries(STATES).map(([k, [text]]) => h("option", { value: k, text })));
    state.value = f.state || "all";
    options(clip, [...new Set(all.map((e) => e.clip))].sort().map((c) => [c, c]), "any");
    clip.value = f.clip || "";
    const kinds = new Map();
    for (const e of all) for (const r of new Set(e.reasons.map(kindOf))) kinds.set(r, (kinds.get(r) || 0) + 1);
    options(reason, [...kinds].sort((a, b) => b[1] - a[1]).map(([k, n]) => [k, `${k} (${n})`]), "any");
    reason.value = f.reason || "";
    options(labelSelect, Object.keys(app.labels).map((n) => [n, label(n)]), "any");
    labelSelect.value = f.label || "";
    values();
  }

  function draw() {
    keep(app);
    const kept = all.filter((e) => matches(e, f));
    app.order = kept.map((e) => e.id);
    app.frames = new Map(kept.map((e) => [e.id, e.frame]));
    const pages = Math.max(1, Math.ceil(kept.length / PAGE));
    const page = Math.min(f.page || 0, pages - 1);
    body.replaceChildren(...kept.slice(page * PAGE, (page + 1) * PAGE).map(row));
    const checked = all.filter((e) => e.checked).length;
    count.textContent = `${kept.length} of ${all.length} snaps, most doubtful first · ${checked} checked`;
    const turn = (to) => () => { f.page = to; draw(); table.scrollIntoView(); };
    pager.replaceChildren(...(pages < 2 ? [] : [
      h("button", { type: "button", disabled: page === 0, onclick: turn(page - 1), text: "Earlier" }),
      h("span", { text: `${page * PAGE + 1} to ${Math.min((page + 1) * PAGE, kept.length)}` }),
      h("button", { type: "button", disabled: page >= pages - 1, onclick: turn(page + 1), text: "Further" }),
    ]));
    if (!kept.length) body.replaceChildren(h("tr", {}, h("td", { colspan: 5, text: "No snap fits these filters." })));
  }

  facets();
  draw();
  const clear = h("button", { type: "button", text: "Clear", onclick: () => { app.filters = {}; Object.keys(f).forEach((k) => delete f[k]); search.value = ""; facets(); draw(); } });
  const filters = h("form", { class: "filters", "aria-label": "Filters", onsubmit: (e) => e.preventDefault() },
    h("label", {}, h("span", { text: "Search" }), search), stateLabel, reasonLabel, clipLabel, labelLabel, valueLabel, clear);
  const node = h("div", { class: "list" }, h("h1", { class: "away", text: "Snaps" }), filters, count, table, pager);

  const links = () => [...body.querySelectorAll("a")];
  return {
    node, title: "Snaps",
    shown() { const last = app.last && links().find((a) => a.textContent === app.last); if (last) last.focus(); },
    async news() {
      const fresh = await get("/api/snaps");
      const here = document.activeElement && document.activeElement.closest("tr") ? document.activeElement.textContent : null;
      all = fresh.snaps;
      draw();
      const again = here && links().find((a) => a.textContent === here);
      if (again) again.focus();
    },
    acts: {
      focusSearch: () => search.focus(),
      key(e) {
        if (e.key !== "ArrowDown" && e.key !== "ArrowUp") return false;
        if (e.target.closest && e.target.closest("form")) return false;
        const there = links();
        const at = there.indexOf(document.activeElement);
        const next = there[at + (e.key === "ArrowDown" ? 1 : -1)] || (at < 0 ? there[0] : null);
        if (next) { next.focus(); next.scrollIntoView({ block: "nearest" }); }
        return Boolean(next);
      },
    },
  };
}
