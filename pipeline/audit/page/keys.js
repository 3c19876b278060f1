// Keys: one table that drives both what they do and the sheet that explains them.

import { $, ask, h } from "./dom.js";

const off = () => localStorage.getItem("audit-single-keys") === "off";

// [key as shown, test, name of the view's act, what it does, where]
const plain = (key) => (e) => e.key === key && !e.ctrlKey && !e.metaKey && !e.altKey;
const KEYS = [
  ["← →", null, null, "one frame back, one ahead", "snap"],
  ["Shift ← →", null, null, "ten frames", "snap"],
  ["Home / End", null, null, "the snap / the second moment after it", "snap"],
  ["f", plain("f"), "setSnap", "the snap is at this frame", "snap"],
  ["n / p", null, null, "next / previous snap of the list", "snap"],
  ["c", plain("c"), "toggleChecked", "checked, or not", "snap"],
  ["Shift C", plain("C"), "checkedNext", "checked, and on to the next snap", "snap"],
  ["l", plain("l"), "focusLabels", "to the labels (Tab goes through them)", "snap"],
  ["w", plain("w"), "why", "why these labels: what each rests on", "snap"],
  ["t / Shift T", null, null, "take the next / previous person", "snap"],
  ["← → ↑ ↓ with a person", null, null, "move him half a yard (Shift: two yards); Escape lets him go", "snap"],
  ["s", plain("s"), "switchSide", "the person taken is of the other side", "snap"],
  ["Delete", (e) => e.key === "Delete" || e.key === "Backspace", "deletePerson", "take the person out", "snap"],
  ["a", plain("a"), "addPerson", "add a person", "snap"],
  ["z", plain("z"), "zoom", "nearer, and back; drag the picture to look about", "snap"],
  ["v", plain("v"), "turnView", "the other view of the play and back, where the run has both", "snap"],
  ["m", plain("m"), "focusNote", "write a note", "snap"],
  ["1 2 3 4", null, null, "boxes, numbers, names, field lines on and off", "snap"],
  ["u or Ctrl Z", (e) => plain("u")(e) || ((e.ctrlKey || e.metaKey) && !e.shiftKey && e.key.toLowerCase() === "z"), "undo", "undo my last act on this snap", "snap"],
  ["r or Ctrl Shift Z", (e) => plain("r")(e) || ((e.ctrlKey || e.metaKey) && e.shiftKey && e.key.toLowerCase() === "z"), "redo", "redo it", "snap"],
  ["o", plain("o"), "toList", "back to the list", "snap"],
  ["/", plain("/"), "focusSearch", "search the list", "list"],
  ["↑ ↓, Enter", null, null, "go through the list, open a snap", "list"],
  ["Ctrl Enter", (e) => (e.ctrlKey || e.metaKey) && e.key === "Enter", "submit", "save the blind answers, on to the next", "blind"],
  ["?", plain("?"), null, "this sheet", "all"],
];

const typing = (e) => e.target.closest("input:not([type=checkbox]):not([type=range]), textarea, select, dialog");

export function install(app) {
  document.addEventListener("keydown", (e) => {
    if ($("dialog").open || e.defaultPrevented) return;
    const single = e.key.length === 1 && !e.ctrlKey && !e.metaKey;
    const view = app.view;
    if (typing(e)) {
      if (e.key === "Escape") { e.target.blur(); $("view").focus({ preventScroll: true }); e.preventDefault(); }
      if ((e.ctrlKey || e.metaKey) && e.key === "Enter" && view && view.acts && view.acts.submit) { view.acts.submit(); e.preventDefault(); }
      return;
    }
    if (single && off() && e.key !== "?") return;
    if (plain("?")(e)) { showKeys(app); e.preventDefault(); return; }
    if (!view || !view.acts) return;
    if (view.acts.key && view.acts.key(e)) { e.preventDefault(); return; }
    for (const [, test, name] of KEYS) {
      if (test && name && view.acts[name] && test(e)) { view.acts[name](); e.preventDefault(); return; }
    }
  });
}

export function showKeys() {
  const where = { snap: "In a snap", list: "In the list", blind: "In a blind sample", all: "Everywhere" };
  const parts = Object.entries(where).map(([part, title]) => [
    h("h3", { text: title }),
    h("dl", { class: "keys" }, KEYS.filter((k) => k[4] === part).map(([key, , , what]) =>
      h("div", {}, h("dt", {}, h("kbd", { text: key })), h("dd", { text: what })))),
  ]);
  const box = h("input", { type: "checkbox", id: "single", checked: !off(),
    onchange: () => localStorage.setItem("audit-single-keys", box.checked ? "on" : "off") });
  return ask("Keys", [
    h("div", { class: "sheet" }, parts),
    h("p", {}, box, " ", h("label", { for: "single", text: "Single letters act as keys (switch off when they are in the way of speech input)" })),
    h("p", { text: "With finger or mouse: drag a person on the picture or the diagram at the snap or the second moment. Every act is saved at once, with your name; nothing overwrites what was predicted." }),
  ], { Close: () => null });
}
