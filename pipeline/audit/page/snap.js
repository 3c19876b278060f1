// One snap: film with layers, diagram, labels, people, notes, history.

import { get, stillUrl } from "./api.js";
import { clock, h, say, shown } from "./dom.js";
import { Diagram, legend } from "./diagram.js";
import { fromPlay, momentAt, nearest, toPlay, toPx } from "./geometry.js";
import { labelsPanel, lookAt } from "./labels.js";
import { actWords, label } from "./names.js";
import { inReadingOrder, peopleList, personBar, personWords } from "./people.js";
import { layersBar, Stage } from "./stage.js";
import { snapActs } from "./snap_keys.js";
import { showWhy } from "./why.js";

const LONG_SHOT = 3000; // frames that still fit a slider
const AHEAD = [1, -1, 2, -2, 3];
const layers = JSON.parse(sessionStorage.getItem("audit-layers") || '{"boxes":true,"numbers":false,"names":true,"lines":true}');

export async function snapView(app, id) {
  if (!app.order.length) { // opened by its address: the whole list is what next and previous go through
    const { snaps } = await get("/api/snaps");
    app.order = snaps.map((e) => e.id);
    app.frames = new Map(snaps.map((e) => [e.id, e.frame]));
  }
  const view = new SnapView(app, await get("/api/snap", { id, who: app.who }));
  app.last = id;
  return view;
}

class SnapView {
  constructor(app, snap) {
    Object.assign(this, { app, snap, selected: null, placing: false, title: snap.id, pending: null });
    this.stage = new Stage(layers, this.hooks());
    this.diagram = new Diagram(this.hooks());
    this.build();
    this.acts = snapActs(this);
    const snapFrame = snap.row.snap_frame;
    this.at = snapFrame ?? (snap.view && snap.view.moments.length ? snap.view.moments[0].frame : 0);
    this.render();
  }

  get waiting() { return Boolean(this.snap.working); }

  hooks() {
    return {
      select: (id) => this.select(id),
      move: (id, x, y) => this.movePerson(id, x, y),
      place: (x, y) => this.place(x, y),
    };
  }

  build() {
    const readOnly = this.app.run.read_only;
    this.slider = h("input", { type: "range", id: "frame", "aria-label": "Frame", oninput: () => this.go(Number(this.slider.value)) });
    this.frameText = h("output", { for: "frame", class: "frame-text" });
    const step = (text, by, title) => h("button", { type: "button", text, title, "aria-label": title, onclick: () => this.go(this.at + by) });
    this.setButton = h("button", { type: "button", class: "set", text: "Snap is here", title: "The snap is at this frame (f)", disabled: readOnly, onclick: () => this.setSnap() });
    this.snapButton = h("button", { type: "button", text: "Snap", title: "To the snap (Home)", onclick: () => this.goTo(0) });
    this.afterButton = h("button", { type: "button", text: "After", title: "To the second moment (End)", onclick: () => this.goTo(this.snap.after_s) });
    this.otherButton = h("button", { type: "button", text: "Other view", title: "The same moment from the other view (v)", "aria-pressed": "false", onclick: () => this.turnView() });
    this.zoomButton = h("button", { type: "button", text: "Zoom", title: "Nearer, and back (z)", "aria-pressed": "false", onclick: () => this.zoom() });
    this.addButton = h("button", { type: "button", text: "Add person", title: "Add a person (a)", "aria-pressed": "false", disabled: readOnly, onclick: () => this.addPerson(true) });
    this.bar = h("div"); this.list = h("div"); this.side = h("div", { class: "panel" });
    this.head = h("div", { class: "snap-head" });
    this.problems = h("div", { class: "problems", role: "status" });
    this.below = h("div", { class: "below" });
    this.node = h("div", { class: "snap" }, this.head,
      h("div", { class: "film" }, this.problems, this.stage.node,
        h("div", { class: "row strip" }, step("−10", -10, "Ten frames back (Shift ←)"), step("−1", -1, "One frame back (←)"), this.snapButton,
          this.afterButton, step("+1", 1, "One frame ahead (→)"), step("+10", 10, "Ten frames ahead (Shift →)"), this.slider, this.frameText),
        h("div", { class: "row" }, layersBar(layers, () => { sessionStorage.setItem("audit-layers", JSON.stringify(layers)); this.show(); }),
          this.zoomButton, this.otherButton, this.setButton, this.addButton),
        this.bar, this.below),
      h("div", { class: "right" }, this.diagram.node, legend(), this.side));
  }

  // Everything but the picture, from the snap as the server gave it.
  render() {
    const { snap } = this;
    const done = snap.row.checked;
    const order = this.app.order;
    const place = order.indexOf(snap.id);
    const readOnly = this.app.run.read_only;
    this.head.replaceChildren(
      h("h1", {}, h("bdi", { text: snap.id })),
      h("p", { class: "quiet" }, [snap.row.view, snap.row.field_level].filter(Boolean).join(", ").replaceAll("_", " "),
        place >= 0 && ` · ${place + 1} of ${order.length}`),
      h("div", { class: "row" },
        h("button", { type: "button", text: "‹ Previous", title: "Previous snap (p)", disabled: place <= 0, onclick: () => this.jump(-1) }),
        h("button", { type: "button", text: "Next ›", title: "Next snap (n)", disabled: place < 0 || place >= order.length - 1, onclick: () => this.jump(1) }),
        h("button", { type: "button", text: "Undo", title: snap.undo ? `Undo (u): ${actWords(snap.undo, shown)}` : "Nothing of yours to undo", disabled: readOnly || !snap.undo, onclick: () => this.undo() }),
        h("button", { type: "button", text: "Redo", title: snap.redo ? `Redo (r): ${actWords(snap.redo, shown)}` : "Nothing to redo", disabled: readOnly || !snap.redo, onclick: () => this.redo() }),
        h("button", { type: "button", class: done ? "checked" : "main", "aria-pressed": String(done), disabled: readOnly, title: "Checked, or not (c)",
          text: done ? `✓ Checked by ${snap.row.checked_by}` : "Mark as checked", onclick: () => this.toggleChecked() })));
    const review = snap.row.review && snap.row.review_reasons;
    this.problems.replaceChildren(...[
      snap.working && h("p", { class: "working", text: `Working: ${snap.working} …` }),
      ...snap.problems.filter((t) => t !== snap.working).map((t) => h("p", { class: "warn", text: t })),
      review && lookAt(review.split("; "), Boolean(this.problems.querySelector("details[open]"))),
    ].filter(Boolean));
    const focus = document.activeElement && this.side.contains(document.activeElement) ? document.activeElement.id : null;
    const scroll = this.side.scrollTop;
    const why = h("button", { type: "button", class: "plain linklike", text: "Why these labels?", title: "What each label rests on (w)", onclick: () => this.why() });
    this.side.replaceChildren(why, labelsPanel(snap.labels, this.app.labels, {
      readOnly, candidates: (name) => snap.row[`${name}_candidates`], set: (name, value) => this.setLabel(name, { value }), back: (name) => this.setLabel(name, { predicted: true }),
    }));
    this.side.scrollTop = scroll;
    if (focus && document.getElementById(focus)) document.getElementById(focus).focus();
    this.renderBelow();
    this.diagram.fit(snap.view);
    const moments = snap.view ? snap.view.moments : [];
    let [first, last] = moments.length ? [moments[0].frame - 30, moments[moments.length - 1].frame + 30] : [this.at - 90, this.at + 90];
    if (snap.shot && snap.shot[1] - snap.shot[0] < LONG_SHOT) [first, last] = [Math.min(first, snap.shot[0]), Math.max(last, snap.shot[1])];
    this.slider.min = Math.max(0, first);
    this.slider.max = Math.max(last, 1);
    if (snap.film.frames) this.slider.max = Math.min(Number(this.slider.max), snap.film.frames - 1);
    this.show();
  }

  renderBelow() {
    const { snap } = this;
    const note = h("textarea", { id: "note", rows: 2, maxlength: 4000, placeholder: "Note on this snap", disabled: this.app.run.read_only });
    if (this.below.querySelector("#note")) note.value = this.below.querySelector("#note").value;
    const typing = document.activeElement && document.activeElement.id === "note";
    const open = [...this.below.querySelectorAll("details")].map((d) => d.open);
    const save = async () => {
      const text = note.value.trim();
      if (text && await this.act("note", "note", { text })) { this.below.querySelector("#note").value = ""; say("Note saved"); }
    };
    this.below.replaceChildren(
      h("div", { class: "notes" }, snap.notes.map(([who, when, text]) => h("p", {}, h("strong", {}, h("bdi", { text: who })), ` ${clock(when)}: `, h("bdi", { text }))),
        h("div", { class: "row" }, h("label", { for: "note", class: "away", text: "Note" }), note, h("button", { type: "button", text: "Save note", disabled: this.app.run.read_only, onclick: save }))),
      this.list,
      h("details", { class: "fold" }, h("summary", { text: `What was done (${snap.history.length})` }),
        h("ol", { class: "history" }, [...snap.history].reverse().map((e) => h("li", {}, h("bdi", { text: e.who }), ` ${clock(e.when)}: ${actWords(e, shown)}`)))));
    [...this.below.querySelectorAll("details")].forEach((d, i) => { if (open[i]) d.open = true; });
    if (typing) this.below.querySelector("#note").focus();
  }

  // The moment shown, with a move that is not sent yet in it.
  moment() {
    const m = momentAt(this.snap.view, this.at);
    if (!m || !this.pending) return m;
    const people = m.people.map((p) => (p.id === this.pending.id ? { ...p, ...this.pending.to, ground: null, box: p.box } : p));
    return { ...m, people };
  }

  editing() {
    const { snap } = this;
    if (this.app.run.read_only || !snap.view || !snap.view.play) return null;
    for (const [name, time] of [["snap", 0], ["after", snap.after_s]]) {
      const m = nearest(snap.view, time);
      if (m && m.frame === this.at && Math.abs(m.time_s - time) < 0.26) return name;
    }
    return null;
  }

  show() {
    const { snap } = this;
    this.slider.value = this.at;
    const m = this.moment();
    const seconds = m ? `${m.time_s >= 0 ? "+" : "−"}${Math.abs(m.time_s).toFixed(2)} s` : "";
    const isSnap = this.at === snap.row.snap_frame;
    this.frameText.textContent = `frame ${this.at} ${seconds} ${isSnap ? "· snap" : !m ? "· not looked at" : m.between ? "· in between" : ""}`;
    this.setButton.disabled = isSnap || this.app.run.read_only;
    const editable = this.editing();
    this.addButton.disabled = !editable;
    const play = snap.view && snap.view.play;
    this.otherButton.hidden = !snap.row.other_view_snap_id;
    if (this.otherOn) this.showOther();
    else {
      this.picture();
      this.stage.draw(snap.film.there ? m : null, snap.field, play, this.selected, editable);
    }
    this.diagram.draw(m, nearest(snap.view, 0), snap.field, play, this.selected, editable);
    this.stage.placing = this.diagram.placing = this.placing;
    this.node.classList.toggle("placing", this.placing);
    this.addButton.setAttribute("aria-pressed", String(this.placing));
    const person = m && m.people.find((p) => p.id !== null && p.id === this.selected);
    this.bar.replaceChildren(personBar(person, play, editable, {
      side: (side) => this.act("person_moved", this.selected, { side }),
      position: (position) => this.act("person_moved", this.selected, { position }),
      remove: () => this.deletePerson(), release: () => this.select(null),
    }));
    const open = this.list.querySelector("details") && this.list.querySelector("details").open;
    this.list.replaceChildren(peopleList(m, play, this.selected, (id) => this.select(id)));
    if (open) this.list.querySelector("details").open = true;
  }

  // The same moment in the other view's own frames; it is for looking only.
  showOther() {
    const { other } = this;
    const mine = this.moment();
    const time = mine ? mine.time_s : (this.at - (this.snap.row.snap_frame || 0)) / 30;
    const all = other.view.moments;
    const after = all.findIndex((m) => m.time_s >= time);
    const [a, b] = after <= 0 ? [all[after < 0 ? all.length - 1 : 0]] : [all[after - 1], all[after]];
    const frame = !b ? a.frame : Math.round(a.frame + (b.frame - a.frame) * (time - a.time_s) / Math.max(b.time_s - a.time_s, 1e-6));
    const moment = momentAt(other.view, frame);
    if (other.film.there) this.stage.frame(other.id, frame, `Other view, film at frame ${frame}`);
    else this.stage.tell(`The film of the other view is not there. ${other.film.why}`);
    this.stage.draw(other.film.there ? moment : null, other.field, other.view.play, null, null);
  }

  async turnView() {
    if (this.otherOn) this.otherOn = false;
    else {
      try { this.other = this.other || await get("/api/other", { id: this.snap.id }); } catch (e) { say(e.message); return; }
      this.otherOn = true;
    }
    this.otherButton.setAttribute("aria-pressed", String(Boolean(this.otherOn)));
    say(this.otherOn ? "Other view" : "First view");
    this.show();
  }

  async picture() {
    const { snap } = this;
    if (!snap.film.there) {
      const which = snap.film.pictures.includes("after") && snap.row.snap_frame !== null && this.at - snap.row.snap_frame > 10 ? "after" : "snap";
      if (snap.film.pictures.includes(which)) this.stage.picture(`/api/picture?${new URLSearchParams({ id: snap.id, moment: which })}`, `Picture made when charting, ${which}`);
      this.stage.tell(`No film, the picture of the charting is shown. ${snap.film.why}`);
      return;
    }
    const frame = this.at;
    const loaded = await this.stage.frame(snap.id, frame, `Film at frame ${frame}`);
    if (!loaded || this.at !== frame) return;
    for (const k of AHEAD) if (frame + k >= 0) new Image().src = stillUrl(snap.id, frame + k);
    const { order, frames } = this.app;
    const next = order[order.indexOf(snap.id) + 1];
    if (next && frames && frames.get(next) !== null) new Image().src = stillUrl(next, frames.get(next));
  }

  go(frame) {
    this.flush();
    this.at = Math.min(Math.max(frame, Number(this.slider.min)), Number(this.slider.max));
    this.show();
  }

  goTo(time) {
    const m = nearest(this.snap.view, time);
    const frame = time === 0 && this.snap.row.snap_frame !== null ? this.snap.row.snap_frame : m && m.frame;
    if (frame !== null && frame !== undefined) this.go(frame);
  }

  update(snap) {
    if (snap.id !== this.snap.id) return;
    const was = this.snap.row.snap_frame;
    this.snap = snap;
    if (snap.row.snap_frame !== was && snap.row.snap_frame !== null) this.at = snap.row.snap_frame;
    this.render();
  }

  async news(news, others) {
    if (others.some((e) => e.snap_id === this.snap.id) || (this.waiting && !news.working[this.snap.id])) {
      this.update(await get("/api/snap", { id: this.snap.id, who: this.app.who }));
    }
  }

  async act(kind, subject, to) {
    try {
      const answer = await this.app.act(this.snap, kind, subject, to);
      if (answer.refused) { this.render(); return false; }
      this.update(answer.snap);
      return true;
    } catch (e) {
      say(e.message);
      this.render();
      return false;
    }
  }

  async setLabel(name, to) {
    if (await this.act("label_set", name, to)) {
      const row = this.snap.labels.find((r) => r.label === name);
      say(`${label(name)}: ${shown(row && row.value_final)}, saved`);
    }
  }

  select(id) {
    this.flush();
    this.selected = id;
    const m = this.moment();
    const p = id && m && m.people.find((o) => o.id === id);
    if (p) say(personWords(p, this.snap.view.play));
    this.show();
  }

  movePerson(id, x, y) {
    const moment = this.editing();
    if (moment) this.act("person_moved", id, { moment, x_yd: x, y_yd: y });
  }

  place(x, y) {
    const moment = this.editing();
    this.placing = false;
    if (moment) this.added(moment, x, y); else this.show();
  }

  async added(moment, x, y) {
    if (await this.act("person_added", "", { moment, x_yd: x, y_yd: y, side: "defense" })) {
      const last = [...this.snap.history].reverse().find((e) => e.kind === "person_added" && e.who === this.app.who);
      if (last) this.select(last.subject);
    }
  }

  // With a pointer the place is clicked; from the keyboard he starts five yards deep over the ball.
  addPerson(pointer) {
    const moment = this.editing();
    if (!moment) { say("People are added at the snap or at the second moment"); return; }
    if (pointer) { this.placing = !this.placing; this.show(); return; }
    this.added(moment, ...fromPlay(this.snap.view.play, 5, 0));
  }

  deletePerson() {
    if (this.selected !== null && this.editing()) { const id = this.selected; this.selected = null; this.pending = null; this.act("person_deleted", id, {}); }
  }

  switchSide() {
    const m = this.moment();
    const p = m && m.people.find((o) => o.id === this.selected);
    if (p && this.editing()) this.act("person_moved", p.id, { side: p.side === "defense" ? "offense" : "defense" });
  }

  // Arrow keys move the person taken; one act when the keys rest.
  nudge(depth, across) {
    const { play } = this.snap.view || {};
    const m = this.moment();
    const p = m && play && m.people.find((o) => o.id === this.selected);
    if (!p || p.x_yd === null || !this.editing()) return false;
    const at = toPlay(play, p.x_yd, p.y_yd);
    const [x, y] = fromPlay(play, at.depth + depth, at.across + across);
    this.pending = { id: p.id, moment: this.editing(), to: { x_yd: x, y_yd: y } };
    clearTimeout(this.timer);
    this.timer = setTimeout(() => this.flush(), 700);
    this.show();
    return true;
  }

  async flush() {
    clearTimeout(this.timer);
    const p = this.pending;
    if (!p || p.sent) return;
    p.sent = true;
    const saved = await this.act("person_moved", p.id, { moment: p.moment, ...p.to });
    if (this.pending === p) { this.pending = null; this.show(); }
    const now = saved && this.moment() && this.moment().people.find((o) => o.id === p.id);
    if (now) say(`${personWords(now, this.snap.view.play)}, saved`);
  }

  why() {
    const row = document.activeElement && document.activeElement.closest("[data-label]");
    return showWhy(this.snap.id, this.snap.history.some((e) => e.kind.startsWith("person") || e.kind === "snap_moved"), row && row.dataset.label);
  }

  // About the person taken, else about where the ball is.
  zoom() {
    const m = this.moment();
    const p = m && m.people.find((o) => o.id !== null && o.id === this.selected);
    const play = this.snap.view && this.snap.view.play;
    const ball = m && m.camera && play ? toPx(m.camera, play.line_yd, play.ball_y_yd) : null;
    this.zoomButton.setAttribute("aria-pressed", String(this.stage.zoom((p && p.ground) || ball) > 1));
  }

  setSnap() { if (this.at !== this.snap.row.snap_frame) this.act("snap_moved", "snap_frame", { frame: this.at }); }

  async toggleChecked() { return this.act(this.snap.row.checked ? "unchecked" : "checked", "row", {}); }

  async undo() {
    await this.flush();
    if (this.snap.undo) await this.act("undo", "", {});
  }

  async redo() { if (this.snap.redo) await this.act("redo", "", {}); }

  jump(by) {
    const order = this.app.order;
    const next = order[order.indexOf(this.snap.id) + by];
    if (next) location.hash = `#/snap/${encodeURIComponent(next)}`; else say(by > 0 ? "Last snap of the list" : "First snap of the list");
  }

  take(by) {
    const m = this.moment();
    if (!m) return;
    const people = inReadingOrder(m.people, this.snap.view.play);
    if (!people.length) return;
    const at = people.findIndex((p) => p.id === this.selected);
    this.select(people[(at + by + people.length) % people.length].id);
  }

  leave() {
    if (document.activeElement && this.side.contains(document.activeElement)) document.activeElement.blur();
    this.flush();
  }

  shown() { document.getElementById("view").focus({ preventScroll: true }); window.scrollTo(0, 0); say(this.snap.id); }
}
