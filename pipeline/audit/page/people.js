// The person taken: who he is, what can be done with him; and everybody as a list for keyboard and screen reader.

import { h, words } from "./dom.js";
import { toPlay } from "./geometry.js";
import { POSITIONS, SIDES } from "./names.js";

export function whereWords(p, play) {
  if (p.x_yd === null || !play) return "not placed on the field";
  const at = toPlay(play, p.x_yd, p.y_yd);
  const side = Math.abs(at.across) < 0.3 ? "over the ball" : `${Math.abs(at.across).toFixed(1)} yd to the offence's ${at.across > 0 ? "right" : "left"}`;
  return `${Math.abs(at.depth).toFixed(1)} yd ${at.depth >= 0 ? "past" : "behind"} the line, ${side}`;
}

export function personWords(p, play) {
  const name = p.position === "unknown" ? SIDES[p.side] : `${SIDES[p.side]}, ${words(p.position)}`;
  return `Person ${p.id}, ${name}, ${whereWords(p, play)}`;
}

export function inReadingOrder(people, play) {
  const key = (p) => (p.x_yd === null || !play ? [9, 0] : [p.side === "offense" ? 0 : p.side === "defense" ? 1 : 2, toPlay(play, p.x_yd, p.y_yd).across]);
  return people.filter((p) => p.id !== null).sort((a, b) => { const [x, y] = [key(a), key(b)]; return x[0] - y[0] || x[1] - y[1]; });
}

// hooks: side(side), position(name), remove(), release()
export function personBar(p, play, editable, hooks) {
  if (!p) {
    return h("div", { class: "personbar" }, h("p", { class: "quiet", text: editable
      ? "Take a person with a click or t, then drag him or use the arrow keys. a adds one."
      : "People are moved at the snap (Home) and at the second moment (End)." }));
  }
  const side = h("select", { id: "person-side", disabled: !editable, onchange: () => hooks.side(side.value) },
    ["offense", "defense", "official"].map((v) => h("option", { value: v, text: SIDES[v] })));
  side.value = p.side;
  const names = POSITIONS[p.side] || [];
  const position = h("select", { id: "person-position", disabled: !editable, onchange: () => position.value && hooks.position(position.value) },
    h("option", { value: "", text: "not known" }), names.map((v) => h("option", { value: v, text: words(v) })));
  position.value = names.includes(p.position) ? p.position : "";
  return h("div", { class: "personbar", role: "group", "aria-label": "The person taken" },
    h("p", {}, h("strong", { text: `Person ${p.id}` }), ` ${whereWords(p, play)}`),
    h("label", {}, h("span", { text: "Side" }), side), h("label", {}, h("span", { text: "Plays" }), position),
    h("button", { type: "button", disabled: !editable, text: "Take out", title: "Delete", onclick: hooks.remove }),
    h("button", { type: "button", text: "Let go", title: "Escape", onclick: hooks.release }));
}

export function peopleList(moment, play, selected, select) {
  const people = moment ? inReadingOrder(moment.people, play) : [];
  return h("details", { class: "fold" }, h("summary", { text: `Everybody (${people.length})` }),
    h("ul", { class: "everybody" }, people.map((p) => h("li", {}, h("button", {
      type: "button", class: "plain", "aria-pressed": String(p.id === selected), text: personWords(p, play), onclick: () => select(p.id),
    })))));
}
