// Talking to the page's own server; every act goes through an outbox that keeps it until the server has it.

import { $ } from "./dom.js";

let token = document.querySelector('meta[name="audit-token"]').content;
const WAITS = [1000, 2000, 4000, 8000, 15000];

export async function get(path, params) {
  const answer = await fetch(`${path}?${new URLSearchParams(params || {})}`);
  const body = await answer.json();
  if (!answer.ok) throw Object.assign(new Error(body.error || answer.statusText), { status: answer.status });
  return body;
}

// After the server was started anew the page's token is old: take the new one. True where it changed.
async function freshToken() {
  try {
    const text = await (await fetch("/")).text();
    const found = new DOMParser().parseFromString(text, "text/html").querySelector('meta[name="audit-token"]');
    const changed = Boolean(found) && found.content !== token;
    if (changed) token = found.content;
    return changed;
  } catch { return false; }
}

export function stillUrl(id, frame) {
  return `/api/still?${new URLSearchParams({ id, frame, width: 1280 })}`;
}

export const newId = () => crypto.randomUUID();

export class Outbox {
  // prepare(item) may complete an item just before it is sent; conflict(item, answer) is told of a 409.
  constructor(run, prepare, conflict) {
    this.prefix = `audit-outbox:${run}:`;
    this.key = `${this.prefix}${newId()}`;
    this.prepare = prepare;
    this.conflict = conflict;
    this.items = [];
    this.failures = 0;
    this.busy = false;
    this.adopt();
    window.addEventListener("beforeunload", (e) => { if (this.items.length) e.preventDefault(); });
    window.addEventListener("online", () => this.send());
  }

  // Acts that an earlier tab could not save; the server writes an act once, however often it comes.
  adopt() {
    for (const key of Object.keys(localStorage).filter((k) => k.startsWith(this.prefix))) {
      try { this.items.push(...JSON.parse(localStorage.getItem(key))); } catch { /* not ours */ }
      localStorage.removeItem(key);
    }
    if (this.items.length) { this.keep(); this.send(); }
  }

  keep() {
    try {
      if (this.items.length) {
        localStorage.setItem(this.key, JSON.stringify(this.items.map(({ path, body }) => ({ path, body }))));
      } else localStorage.removeItem(this.key);
    } catch { /* a full browser store: the acts stay in memory and the page says they are not saved */ }
  }

  // Resolves with the server's answer once it is written; rejects where the server will not have it.
  push(path, body) {
    return new Promise((resolve, reject) => {
      this.items.push({ path, body: { id: newId(), ...body }, resolve, reject });
      this.keep();
      this.send();
    });
  }

  state(name, text) {
    const node = $("save");
    if (node.dataset.state !== name || node.textContent !== text) {
      node.dataset.state = name;
      node.textContent = text;
    }
  }

  async send() {
    if (this.busy || !this.items.length) return;
    this.busy = true;
    clearTimeout(this.timer);
    while (this.items.length) {
      const item = this.items[0];
      if (this.prepare) this.prepare(item);
      this.state(this.failures ? "failed" : "saving", this.failures ? this.waitingText() : "saving …");
      let answer;
      let body;
      try {
        answer = await fetch(item.path, {
          method: "POST", headers: { "Content-Type": "application/json", "X-Snapledger-Token": token },
          body: JSON.stringify(item.body),
        });
        body = await answer.json();
      } catch { answer = null; }
      if (!answer || answer.status >= 500) {
        if (answer && body && body.again === false) { this.drop(item, body.error); continue; }
        this.failures += 1;
        this.why = answer ? body && body.error : "the server does not answer";
        this.state("failed", this.waitingText());
        this.timer = setTimeout(() => { this.busy = false; this.send(); },
          WAITS[Math.min(this.failures, WAITS.length) - 1]);
        return;
      }
      if (answer.status === 403 && await freshToken()) continue;
      this.failures = 0;
      if (answer.status === 409) {
        this.remove(item);
        this.state("conflict", body.error);
        if (this.conflict) this.conflict(item, body);
        if (item.resolve) item.resolve({ ...body, refused: true });
        continue;
      }
      if (!answer.ok) { this.drop(item, body.error || answer.statusText); continue; }
      this.remove(item);
      const time = new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", second: "2-digit" });
      this.state("saved", `saved ${time}`);
      if (item.resolve) item.resolve(body);
    }
    this.busy = false;
  }

  waitingText() {
    const n = this.items.length;
    return `NOT saved: ${this.why}. ${n} ${n === 1 ? "act is" : "acts are"} kept, trying again`;
  }

  remove(item) { this.items = this.items.filter((i) => i !== item); this.keep(); }

  drop(item, why) {
    this.remove(item);
    this.state("refused", `NOT saved: ${why}`);
    if (item.reject) item.reject(new Error(why));
  }
}
