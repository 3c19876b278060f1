// The page: which part is shown, who is at it, what others did meanwhile.

import { get, Outbox } from "./api.js";
import { $, ask, banner, h, say, shown } from "./dom.js";
import { actWords } from "./names.js";
import { listView } from "./list.js";
import { snapView } from "./snap.js";
import { blindView } from "./blind.js";
import { agreementView } from "./agreement.js";
import { install, showKeys } from "./keys.js";

export const app = {
  run: null, who: "", outbox: null, view: null, seq: 0, order: [], filters: {},

  async act(snap, kind, subject, to) {
    const body = { snap_id: snap.id, kind, subject: subject || "", to: to || {}, who: app.who, expected: snap.revision };
    return app.outbox.push("/api/act", body);
  },
};

function setWho(name) {
  app.who = name;
  sessionStorage.setItem("audit-who", name);
  $("who").textContent = `You: ${name}`;
  $("who").setAttribute("aria-label", `You are ${name}. Change the name`);
}

async function changeWho() {
  const input = h("input", { type: "text", maxlength: 80, value: app.who, id: "who-input", "data-first": true });
  const name = await ask("Who is at the page?", [
    h("p", { text: "Your name stands beside every act. Two people share a run by giving two names." }),
    h("label", { for: "who-input", text: "Name" }), input,
  ], { "Use this name": () => input.value.trim(), "Leave it": () => null });
  if (name && name.toLowerCase() !== "predicted") { setWho(name); route(); }
}

function prepare(item) {
  const snap = app.view && app.view.snap;
  if (snap && item.path === "/api/act" && snap.id === item.body.snap_id && !item.body.insist) {
    item.body.expected = Math.max(snap.revision, item.body.expected || 0);
  }
}

async function conflict(item, answer) {
  const lines = answer.rivals.map((e) => h("li", {}, h("bdi", { text: e.who }), `: ${actWords(e, shown)}`));
  const insist = await ask(`Not saved: ${answer.error}`, [
    h("p", { text: "While you looked, somebody else changed this snap:" }), h("ul", {}, lines),
    h("p", { text: `You wanted: ${actWords({ ...item.body, from: {} }, shown)}` }),
  ], { "Keep theirs": () => false, "Save mine too": () => true });
  if (app.view && app.view.update && app.view.snap && app.view.snap.id === answer.snap.id) app.view.update(answer.snap);
  if (insist) {
    const { id, ...body } = item.body;
    const done = await app.outbox.push(item.path, { ...body, expected: answer.snap.revision }).catch(() => null);
    if (done && done.snap && app.view && app.view.update) app.view.update(done.snap);
  }
}

async function watch() {
  try {
    const news = await get("/api/changes", { since: app.seq });
    app.seq = news.seq;
    const others = news.events.filter((e) => e.who !== app.who);
    if (app.view && app.view.news && (news.events.length || app.view.waiting)) app.view.news(news, others);
    if (others.length) say(`${others[others.length - 1].who}: ${actWords(others[others.length - 1], shown)}`);
    if (app.offline) { app.offline = false; banner(app.run.read_only ? READ_ONLY : ""); app.outbox.send(); }
  } catch {
    app.offline = true;
    banner("The server does not answer. Start `snapledger audit` again; what is not saved is kept in this browser.");
  }
  setTimeout(watch, app.view && app.view.waiting ? 1000 : 4000);
}

const READ_ONLY = "Opened for looking only: this folder cannot be written, nothing can be changed.";

let turn = 0;
async function route() {
  const [part, rest] = (location.hash.slice(2) || "").split(/\/(.*)/s);
  const now = (turn += 1);
  if (app.view && app.view.leave) app.view.leave();
  const views = { "": listView, snap: snapView, blind: blindView, agreement: agreementView };
  const make = views[part] || listView;
  for (const a of document.querySelectorAll("nav a")) {
    const here = a.dataset.part === (part || "list") || (part === "snap" && a.dataset.part === "list");
    if (here) a.setAttribute("aria-current", "page"); else a.removeAttribute("aria-current");
  }
  try {
    const view = await make(app, decodeURIComponent(rest || ""));
    if (now !== turn) return;
    app.view = view;
    $("view").replaceChildren(view.node);
    document.body.dataset.part = part || "list";
    document.title = `${view.title} – audit`;
    if (view.shown) view.shown();
  } catch (e) {
    if (now !== turn) return;
    app.view = null;
    $("view").replaceChildren(h("div", { class: "pad" }, h("h1", { text: "This cannot be shown" }), h("p", { text: e.message }),
      h("p", {}, h("a", { href: "#/", text: "Back to the list" }))));
  }
}

async function start() {
  app.run = await get("/api/run");
  app.labels = Object.fromEntries(app.run.labels.map((l) => [l.name, l]));
  app.outbox = new Outbox(app.run.run, prepare, conflict);
  setWho(sessionStorage.getItem("audit-who") || app.run.who);
  if (app.run.read_only) banner(READ_ONLY);
  $("who").addEventListener("click", changeWho);
  $("keys").addEventListener("click", () => showKeys(app));
  install(app);
  window.addEventListener("hashchange", route);
  await route();
  watch();
}

start().catch((e) => banner(`The page cannot start: ${e.message}`));
