// A random sample answered from film alone, the prediction hidden; then how often the program was right.

import { get, newId } from "./api.js";
import { ask, h, say } from "./dom.js";
import { accuracyTable } from "./agreement.js";
import { control } from "./labels.js";
import { label } from "./names.js";
import { Stage } from "./stage.js";

export async function blindView(app, rest) {
  const [count, seed] = (rest || "").split("/").map(Number);
  return count ? new Blind(app, count, seed || 1, await get("/api/blind", { who: app.who, count, seed: seed || 1 })) : intro(app);
}

async function intro(app) {
  const found = await get("/api/agreement", { who: app.who });
  const count = h("input", { type: "number", id: "count", min: 1, max: 500, value: 20 });
  const seed = h("input", { type: "number", id: "seed", min: 1, max: 999999, value: 1 });
  const begin = () => { location.hash = `#/blind/${Number(count.value) || 20}/${Number(seed.value) || 1}`; };
  const node = h("div", { class: "pad prose" }, h("h1", { text: "Blind sample" }),
    h("p", { text: "You see the film of snaps drawn at random and answer by eye. What the program read stays hidden until the sample is done, so that the figure is honest. Snaps you have worked on are left out." }),
    h("form", { class: "row", onsubmit: (e) => { e.preventDefault(); begin(); } },
      h("label", {}, h("span", { text: "Snaps" }), count), h("label", {}, h("span", { text: "Sample number" }), seed),
      h("button", { type: "submit", class: "main", text: "Begin", disabled: app.run.read_only })),
    h("p", { class: "quiet", text: "The same sample number gives two people the same snaps, and goes on where you stopped." }),
    accuracyTable(found.mine, "Your blind answers so far", found.least));
  return { node, title: "Blind sample" };
}

class Blind {
  constructor(app, count, seed, sample) {
    Object.assign(this, { app, sample, title: "Blind sample" });
    this.todo = sample.snaps.filter((x) => !x.answered);
    this.node = h("div", { class: "snap blind" });
    this.acts = { submit: () => this.submit(), key: (e) => this.key(e) };
    this.next();
  }

  next() {
    this.now = this.todo[0];
    if (!this.now) { this.result(); return; }
    const done = this.sample.snaps.length - this.todo.length;
    this.answers = {};
    this.given = new Set();
    this.stage = new Stage({ boxes: false, numbers: false, names: false, lines: false });
    this.at = this.now.frame;
    this.text = h("output", { class: "frame-text" });
    const go = (by, text, title) => h("button", { type: "button", text, title, "aria-label": title, onclick: () => this.go(by === null ? this.now.frame : this.at + by) });
    const rows = this.sample.asked.map((name) => {
      const id = `blind-${name}`;
      const box = control(this.app.labels[name], null, "cannot be told", (value) => { this.answers[name] = value; this.given.add(name); }, id);
      return h("div", { class: "label" }, h("label", { for: id, text: label(name) }), box);
    });
    this.node.replaceChildren(
      h("div", { class: "snap-head" }, h("h1", { text: `Blind: ${done + 1} of ${this.sample.snaps.length}` }), h("p", { class: "quiet" }, h("bdi", { text: this.now.clip }))),
      h("div", { class: "film" }, this.stage.node,
        h("div", { class: "row strip" }, go(-30, "−30", "Thirty frames back"), go(-10, "−10", "Ten frames back (Shift ←)"), go(-1, "−1", "One frame back (←)"), go(null, "Snap", "To the snap (Home)"),
          go(1, "+1", "One frame ahead (→)"), go(10, "+10", "Ten frames ahead (Shift →)"), go(30, "+30", "Thirty frames ahead"), this.text)),
      h("div", { class: "right" }, h("form", { class: "labels", "aria-label": "Your answers", onsubmit: (e) => { e.preventDefault(); this.submit(); } },
        h("fieldset", {}, h("legend", { text: "What do you see?" }), rows),
        h("div", { class: "row end" }, h("button", { type: "submit", class: "main", text: "Save and go on", title: "Ctrl Enter" })))));
    this.go(this.at);
  }

  go(frame) {
    this.at = Math.max(0, this.now.film.frames ? Math.min(frame, this.now.film.frames - 1) : frame);
    const by = this.at - this.now.frame;
    this.text.textContent = by === 0 ? "the snap" : `${by > 0 ? "+" : "−"}${Math.abs(by)} frames`;
    if (this.now.film.there) this.stage.frame(this.now.id, this.at, `Film, ${this.text.textContent}`);
    else this.stage.tell(`A blind answer needs the film. ${this.now.film.why}`);
  }

  key(e) {
    const by = { ArrowLeft: -1, ArrowRight: 1 }[e.key];
    if (e.key === "Home") { this.go(this.now.frame); return true; }
    if (!by || !this.now || e.ctrlKey || e.metaKey) return false;
    this.go(this.at + by * (e.shiftKey ? 10 : 1));
    return true;
  }

  async submit() {
    if (!this.now || this.sending) return;
    if (!this.given.size) {
      const sure = await ask("Nothing chosen", [h("p", { text: "Save this snap as one where nothing can be told?" })], { "No, go back": () => false, "Yes, nothing can be told": () => true });
      if (!sure) return;
    }
    const answers = Object.fromEntries(this.sample.asked.map((name) => [name, this.answers[name] ?? null]));
    this.sending = true;
    try {
      await this.app.outbox.push("/api/blind", { id: newId(), snap_id: this.now.id, who: this.app.who, answers });
      this.todo.shift();
      say("Saved");
      this.next();
    } catch (e) { say(e.message); } finally { this.sending = false; }
  }

  async result() {
    const found = await get("/api/agreement", { who: this.app.who });
    this.node.className = "pad prose";
    this.node.replaceChildren(h("h1", { text: "The sample is done" }),
      h("p", { text: this.sample.snaps.length ? "How often the program said what you saw, over all your blind answers:" : "There is no snap left that you have not worked on." }),
      accuracyTable(found.mine, "Your blind answers", found.least),
      h("p", {}, h("a", { href: "#/blind", text: "Another sample" }), " · ", h("a", { href: "#/agreement", text: "Agreement of two people" })));
    this.node.querySelector("h1").setAttribute("tabindex", "-1");
    this.node.querySelector("h1").focus();
  }
}
