// The top-down diagram of a moment: the offence below, attacking up the page; left and right are the offence's.

import { h, s } from "./dom.js";
import { fromPlay, toPlay } from "./geometry.js";
import { SHORT, SIDES } from "./names.js";

const K = 10; // units a yard

export class Diagram {
  // hooks: select(id), move(id, x_yd, y_yd), place(x_yd, y_yd)
  constructor(hooks) {
    this.hooks = hooks;
    this.svg = s("svg", { role: "group", "aria-label": "Diagram from above, the offence below" });
    this.note = h("p", { class: "diagram-note" });
    this.node = h("div", { class: "diagram" }, this.svg, this.note);
    this.svg.addEventListener("pointerdown", (e) => this.down(e));
  }

  // The part of the field that the snap's people use, the same for all its moments.
  fit(view) {
    const play = view && view.play;
    const spots = play ? view.moments.filter((m) => m.time_s > -0.4 && m.time_s < 1.1)
      .flatMap((m) => m.people.filter((p) => p.x_yd !== null && p.side !== "official").map((p) => toPlay(play, p.x_yd, p.y_yd))) : [];
    const across = spots.map((a) => a.across).sort((a, b) => a - b);
    const deep = Math.max(12, ...spots.map((a) => a.depth));
    let [left, right] = across.length ? [across[0] - 3, across[across.length - 1] + 3] : [-26, 26];
    const lack = Math.max(0, 40 - (right - left)) / 2;
    [left, right] = [left - lack, right + lack];
    const behind = Math.min(-7, ...spots.map((a) => a.depth));
    this.extent = { left, right, TO: Math.min(deep + 2.5, 34), FROM: Math.max(behind - 2.5, -16) };
  }

  draw(moment, start, field, play, selected, editable) {
    this.moment = moment;
    this.play = play;
    this.editable = editable;
    this.svg.replaceChildren();
    this.svg.toggleAttribute("hidden", !play || !moment);
    this.note.textContent = !play ? "No diagram: the field or the formation could not be read here."
      : !moment ? "No diagram: this frame was not looked at." : "";
    this.note.hidden = Boolean(play && moment);
    if (!play || !moment) return;
    const edges = [0, field.width].map((y) => -play.direction * (y - play.ball_y_yd)).sort((a, b) => a - b);
    const { left, right, TO, FROM } = this.extent;
    this.svg.setAttribute("viewBox", `${left * K} ${-TO * K - 4} ${(right - left) * K} ${(TO - FROM) * K + 8}`);
    const line = (x1, y1, x2, y2, kind) => s("line", { class: kind, x1: x1 * K, y1: -y1 * K, x2: x2 * K, y2: -y2 * K });
    this.svg.append(s("rect", { class: "turf", x: edges[0] * K, y: -TO * K, width: (edges[1] - edges[0]) * K, height: (TO - FROM) * K }));
    for (let d = -5; d <= TO; d += 5) {
      this.svg.append(line(edges[0], d, edges[1], d, d === 0 ? "d-line" : "d-yard"));
      if (d > 0 && d < TO) this.svg.append(s("text", { class: "d-depth", x: Math.max(edges[0], left) * K + 4, y: -d * K - 3, text: `+${d}` }));
    }
    for (const y of field.hash_rows) {
      const a = -play.direction * (y - play.ball_y_yd);
      this.svg.append(s("line", { class: "d-hash", x1: a * K, y1: -TO * K, x2: a * K, y2: -FROM * K }));
    }
    const from = new Map((start && moment.time_s > start.time_s ? start.people : []).map((p) => [p.id, p]));
    const drawn = moment.people.filter((p) => p.x_yd !== null);
    for (const p of drawn) {
      const q = from.get(p.id);
      if (!q || q.x_yd === null) continue;
      const [a, b] = [toPlay(play, q.x_yd, q.y_yd), toPlay(play, p.x_yd, p.y_yd)];
      this.svg.append(line(a.across, a.depth, b.across, b.depth, "d-way"));
    }
    for (const p of drawn) this.svg.append(this.person(p, selected));
  }

  person(p, selected) {
    const at = toPlay(this.play, p.x_yd, p.y_yd);
    const depth = Math.min(Math.max(at.depth, this.extent.FROM + 0.8), this.extent.TO - 0.8);
    const off = depth !== at.depth;
    const g = s("g", {
      class: `person ${p.side}${selected === p.id ? " taken" : ""}`, "data-id": p.id,
      transform: `translate(${(at.across * K).toFixed(1)} ${(-depth * K).toFixed(1)})`,
    });
    const shape = { offense: "M-6 -6H6V6H-6Z", defense: "M-7 -6H7L0 8Z" }[p.side] || "M-7 -2.5H7V2.5H-7Z";
    g.append(s("circle", { class: "hit", r: 16 }));
    if (selected === p.id) g.append(s("circle", { class: "ring", r: 13 }));
    g.append(s("path", { class: "mark", d: shape }));
    if (p.deep) g.append(s("path", { class: "deep", d: "M-10 -11H10" }));
    if (p.rusher && this.moment.time_s > 0.4) g.append(s("path", { class: "rush", d: "M-6 10L0 15L6 10M-6 15L0 20L6 15" }));
    const name = off ? `${at.depth.toFixed(0)} yd` : SHORT[p.position];
    if (name) g.append(s("text", { y: p.side === "defense" ? (p.deep ? -16 : -10) : 18, text: name }));
    return g;
  }

  yards(e) {
    const m = this.svg.getScreenCTM();
    if (!m || !this.play) return null;
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(m.inverse());
    return { depth: -p.y / K, across: p.x / K };
  }

  // The nearest person within a finger's 22 CSS px.
  pick(at) {
    const m = this.svg.getScreenCTM();
    let best = [null, m ? 22 / m.a / K : 1.6];
    for (const p of this.moment.people) {
      if (p.x_yd === null) continue;
      const q = toPlay(this.play, p.x_yd, p.y_yd);
      const depth = Math.min(Math.max(q.depth, this.extent.FROM + 0.8), this.extent.TO - 0.8);
      const gap = Math.hypot(q.across - at.across, depth - at.depth);
      if (gap < best[1]) best = [p.id, gap];
    }
    return best[0];
  }

  down(e) {
    if (e.button !== 0 || !this.play || !this.moment) return;
    const at = this.yards(e);
    if (this.placing) { this.hooks.place(...fromPlay(this.play, at.depth, at.across)); return; }
    const id = this.pick(at);
    this.hooks.select(id);
    if (id === null || !this.editable) return;
    e.preventDefault();
    const p = this.moment.people.find((o) => o.id === id);
    const base = toPlay(this.play, p.x_yd, p.y_yd);
    const begin = [e.clientX, e.clientY];
    let target = null;
    const move = (ev) => {
      if (!target && Math.hypot(ev.clientX - begin[0], ev.clientY - begin[1]) < 4) return;
      const now = this.yards(ev);
      target = { depth: base.depth + now.depth - at.depth, across: base.across + now.across - at.across };
      const live = this.svg.querySelector(`g.person[data-id="${id}"]`);
      if (live) live.setAttribute("transform", `translate(${target.across * K} ${-target.depth * K})`);
    };
    const up = (ev) => {
      window.removeEventListener("pointermove", move);
      window.removeEventListener("pointerup", up);
      window.removeEventListener("pointercancel", up);
      if (target && ev.type === "pointerup") this.hooks.move(id, ...fromPlay(this.play, target.depth, target.across));
    };
    window.addEventListener("pointermove", move);
    window.addEventListener("pointerup", up);
    window.addEventListener("pointercancel", up);
  }
}

export function legend() {
  const item = (side, text) => h("span", { class: "legend-item" },
    s("svg", { viewBox: "-9 -9 18 18", "aria-hidden": "true", class: "legend-mark" }, s("g", { class: `person ${side}` },
      s("path", { class: "mark", d: { offense: "M-6 -6H6V6H-6Z", defense: "M-7 -6H7L0 8Z", official: "M-7 -2.5H7V2.5H-7Z" }[side] }))), text);
  return h("p", { class: "legend" }, ["offense", "defense", "official"].map((side) => item(side, SIDES[side])),
    h("span", { text: "bar deep · chevrons rusher" }));
}
