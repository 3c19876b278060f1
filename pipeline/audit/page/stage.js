// The film: a decoded still with what was found drawn over it.

import { stillUrl } from "./api.js";
import { h, s } from "./dom.js";
import { fieldLines, toGround, toPx } from "./geometry.js";
import { SHORT, SIDES } from "./names.js";

const SCALES = [1, 2, 3.5];
const LAYERS = [["boxes", "Boxes", "1"], ["numbers", "Numbers", "2"], ["names", "Names", "3"], ["lines", "Field", "4"]];

export function layersBar(layers, changed) {
  return h("div", { class: "row layers", role: "group", "aria-label": "Layers" }, LAYERS.map(([key, text, digit]) => {
    const button = h("button", {
      type: "button", "aria-pressed": String(layers[key]), "data-layer": key, title: `${text} (${digit})`, text,
      onclick: () => { layers[key] = !layers[key]; button.setAttribute("aria-pressed", String(layers[key])); changed(); },
    });
    return button;
  }));
}

export class Stage {
  // hooks: select(id), move(id, x_yd, y_yd), place(x_yd, y_yd); any may be left out.
  constructor(layers, hooks) {
    this.layers = layers;
    this.hooks = hooks || {};
    this.image = h("img", { alt: "", draggable: "false" });
    this.over = s("svg", { "aria-hidden": "true", preserveAspectRatio: "xMidYMid meet" });
    this.message = h("p", { class: "stage-message", hidden: true });
    this.inner = h("div", { class: "stage-inner" }, this.image, this.over);
    this.node = h("div", { class: "stage" }, this.inner, this.message);
    this.scale = 1;
    this.shift = [0, 0];
    this.over.addEventListener("pointerdown", (e) => this.down(e));
    this.asked = 0;
  }

  // Show a frame; the picture before stays until the new one is decoded.
  async frame(id, frame, alt) {
    const now = (this.asked += 1);
    const url = stillUrl(id, frame);
    if (this.url === url) return true;
    const next = new Image();
    next.src = url;
    this.node.dataset.loading = "true";
    try { await next.decode(); } catch {
      if (now === this.asked) this.tell(`Frame ${frame} cannot be decoded.`);
      return false;
    }
    if (now !== this.asked) return false;
    this.url = url;
    this.image.src = url;
    this.image.alt = alt;
    delete this.node.dataset.loading;
    this.tell("");
    return true;
  }

  picture(url, alt) { this.url = url; this.image.src = url; this.image.alt = alt; }

  tell(text) {
    this.message.textContent = text;
    this.message.hidden = !text;
    if (text) delete this.node.dataset.loading;
  }

  draw(moment, field, play, selected, editable) {
    this.moment = moment;
    this.editable = editable;
    this.over.replaceChildren();
    if (!moment) return;
    this.over.setAttribute("viewBox", `0 0 ${moment.width_px} ${moment.height_px}`);
    const unit = moment.width_px / 1280;
    this.unit = unit;
    if (this.layers.lines && moment.camera) {
      for (const line of fieldLines(moment.camera, field, play)) {
        this.over.append(s("polyline", { class: `line-${line.kind}`, points: line.points.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ") }));
      }
    }
    if (!this.layers.boxes && !this.layers.numbers && !this.layers.names) return;
    for (const p of moment.people) this.over.append(this.person(p, selected === p.id && p.id !== null, unit, moment.between));
  }

  person(p, selected, unit, between) {
    const at = p.ground || [(p.box[0] + p.box[2]) / 2, p.box[3]];
    const box = p.box || [at[0] - 12 * unit, at[1] - 60 * unit, at[0] + 12 * unit, at[1]];
    const group = s("g", { class: `person ${p.side}${selected ? " taken" : ""}${p.box ? "" : " guessed"}${between ? " between" : ""}`, "data-id": p.id ?? "" });
    const [w, t] = [box[2] - box[0], box[3] - box[1]];
    if (this.layers.boxes) {
      const arm = Math.min(w, t) / 3;
      const [x0, y0, x1, y1] = box;
      const path = p.side === "offense"
        ? [[x0, y0, 1, 1], [x1, y0, -1, 1], [x0, y1, 1, -1], [x1, y1, -1, -1]].map(([x, y, sx, sy]) => `M${x + sx * arm} ${y}H${x}V${y + sy * arm}`).join("")
        : `M${x0} ${y0}H${x1}V${y1}H${x0}Z`;
      group.append(s("path", { class: "halo", d: path }), s("path", { class: "box", d: path }));
      if (p.deep) group.append(s("path", { class: "deep", d: `M${x0 - 5 * unit} ${y0 - 8 * unit}H${x1 + 5 * unit}` }));
      if (p.rusher && this.moment.time_s > 0.4) {
        const mid = (x0 + x1) / 2;
        group.append(s("path", { class: "rush", d: [18, 11].map((k) => `M${mid - 8 * unit} ${y0 - k * unit}l${8 * unit} ${7 * unit}l${8 * unit} ${-7 * unit}`).join("") }));
      }
      group.append(s("circle", { class: "foot", cx: at[0], cy: at[1], r: 3.5 * unit }));
    }
    const words = [this.layers.numbers && p.id, this.layers.names && SHORT[p.position]].filter(Boolean).join(" ");
    if (words) group.append(s("text", { x: (box[0] + box[2]) / 2, y: box[3] + 15 * unit, "font-size": 13 * unit, text: words }));
    group.append(s("rect", { class: "hit", x: box[0], y: box[1], width: w, height: t }));
    return group;
  }

  // Nearer about a point of the film (px), then back; the scale it is at now.
  zoom(about) {
    const next = SCALES[(SCALES.indexOf(this.scale) + 1) % SCALES.length];
    const box = this.node.getBoundingClientRect();
    const m = this.over.getScreenCTM();
    const at = about && m ? new DOMPoint(...about).matrixTransform(m) : { x: box.left + box.width / 2, y: box.top + box.height / 2 };
    const inside = [(at.x - box.left - this.shift[0]) / this.scale, (at.y - box.top - this.shift[1]) / this.scale];
    this.scale = next;
    this.pan(box.width / 2 - inside[0] * next, box.height / 2 - inside[1] * next);
    return next;
  }

  pan(x, y) {
    const box = this.node.getBoundingClientRect();
    const hold = (v, size) => Math.min(0, Math.max(v, size * (1 - this.scale)));
    this.shift = [hold(x, box.width), hold(y, box.height)];
    this.inner.style.transform = this.scale === 1 ? "" : `translate(${this.shift[0]}px, ${this.shift[1]}px) scale(${this.scale})`;
  }

  point(e) {
    const m = this.over.getScreenCTM();
    if (!m) return null;
    const p = new DOMPoint(e.clientX, e.clientY).matrixTransform(m.inverse());
    return [p.x, p.y];
  }

  // In a pile many can be hit: the one whose middle or feet are nearest. A finger needs 22 CSS px around.
  pick([x, y]) {
    const m = this.over.getScreenCTM();
    const pad = m ? 22 / m.a : 22;
    let best = null;
    for (const p of this.moment.people) {
      const box = p.box || (p.ground && [p.ground[0] - 12 * this.unit, p.ground[1] - 60 * this.unit, p.ground[0] + 12 * this.unit, p.ground[1]]);
      if (p.id === null || !box || x < box[0] - pad || x > box[2] + pad || y < box[1] - pad || y > box[3] + pad) continue;
      const middle = Math.hypot(x - (box[0] + box[2]) / 2, y - (box[1] + box[3]) / 2);
      const foot = p.ground ? Math.hypot(x - p.ground[0], y - p.ground[1]) : Infinity;
      if (!best || Math.min(middle, foot) < best[1]) best = [p.id, Math.min(middle, foot)];
    }
    return best && best[0];
  }

  down(e) {
    if (!this.moment || e.button !== 0) return;
    const start = this.point(e);
    const camera = this.moment.camera;
    if (this.placing && camera) {
      const yd = toGround(camera, ...start);
      if (yd && this.hooks.place) this.hooks.place(...yd);
      return;
    }
    const id = this.pick(start);
    if (!id) { if (this.hooks.select) this.hooks.select(null); this.look(e); return; }
    const person = this.moment.people.find((p) => p.id === id);
    if (this.hooks.select) this.hooks.select(id);
    if (!this.editable || !camera || !person || !this.hooks.move) return;
    e.preventDefault();
    const foot = person.ground || [(person.box[0] + person.box[2]) / 2, person.box[3]];
    this.drag(e, (now) => {
      const at = [foot[0] + now[0] - start[0], foot[1] + now[1] - start[1]];
      return toGround(camera, ...at);
    }, id, (yd) => toPx(camera, ...yd));
  }

  // Drag the picture itself while it is near.
  look(e) {
    if (this.scale === 1) return;
    const [from, begin] = [[e.clientX, e.clientY], [...this.shift]];
    const move = (ev) => this.pan(begin[0] + ev.clientX - from[0], begin[1] + ev.clientY - from[1]);
    const up = () => { window.removeEventListener("pointermove", move); window.removeEventListener("pointerup", up); };
    window.addEventListener("pointermove", move);
    window.addEventListener("pointerup", up);
  }

  drag(e, where, id, back) {
    let moved = null;
    const begin = [e.clientX, e.clientY];
    const ghost = s("g", { class: "ghost" }, s("circle", { r: 9 * this.unit }), s("path", { d: `M${-14 * this.unit} 0H${14 * this.unit}M0 ${-14 * this.unit}V${14 * this.unit}` }));
    const move = (ev) => {
      if (Math.hypot(ev.clientX - begin[0], ev.clientY - begin[1]) < 4 && !moved) return;
      const yd = where(this.point(ev));
      if (!yd) return;
      moved = yd;
      const px = back(yd);
      if (px) { ghost.setAttribute("transform", `translate(${px[0]} ${px[1]})`); if (!ghost.isConnected) this.over.append(ghost); }
    };
    const up = (ev) => {
      window.removeEventListener("pointermove", move);
      window.removeEventListener("pointerup", up);
      window.removeEventListener("pointercancel", up);
      ghost.remove();
      if (moved && ev.type === "pointerup") this.hooks.move(id, ...moved);
    };
    window.addEventListener("pointermove", move);
    window.addEventListener("pointerup", up);
    window.addEventListener("pointercancel", up);
  }
}

export const sideWord = (side) => SIDES[side] || side;
