// Honest accuracy by blind answers, and agreement of two people.

import { get } from "./api.js";
import { h, percent } from "./dom.js";
import { label } from "./names.js";

export function accuracyTable(rows, caption, least) {
  if (!rows.length) return h("p", { text: "No blind answers yet." });
  const cell = (c, enough) => (enough ? `${percent(c.share)} (${percent(c.low)} to ${percent(c.high)})` : `fewer than ${least}`);
  return h("table", { class: "figures" }, h("caption", { text: caption }),
    h("thead", {}, h("tr", {}, ["Label", "Snaps", "Answered by the program", "Right, of all", "Right, of answered"].map((t) => h("th", { scope: "col", text: t })))),
    h("tbody", {}, rows.map((r) => h("tr", {}, h("th", { scope: "row", text: label(r.label) }), h("td", { text: r.n }),
      h("td", { text: r.answered }), h("td", { text: cell(r.of_all, r.enough) }),
      h("td", { text: cell(r.of_answered, r.answered >= least) })))));
}

export async function agreementView(app) {
  const found = await get("/api/agreement", { who: app.who });
  const rows = found.agreement;
  const kappa = (r) => (!r.enough ? `fewer than ${found.least}` : r.kappa === null ? "not defined (one value only)" : r.kappa.toFixed(2));
  const table = rows.length
    ? h("table", { class: "figures" }, h("caption", { text: "Two people on the same snaps" }),
      h("thead", {}, h("tr", {}, ["People", "Label", "How", "Snaps", "Alike", "Cohen's kappa"].map((t) => h("th", { scope: "col", text: t })))),
      h("tbody", {}, rows.map((r) => h("tr", {},
        h("td", {}, h("bdi", { text: r.a }), " and ", h("bdi", { text: r.b })), h("th", { scope: "row", text: label(r.label) }),
        h("td", { text: r.blind ? "both blind" : "from checked labels" }), h("td", { text: r.n }),
        h("td", { text: `${r.alike} of ${r.n}` }), h("td", { text: kappa(r) })))))
    : h("p", { text: "No snap was judged by two people yet. Blind samples with the same number give two people the same snaps." });
  const node = h("div", { class: "pad prose" }, h("h1", { text: "How far to trust the labels" }),
    h("p", { text: "Measured on snaps answered blind: from film alone, the prediction hidden. Intervals are 95 % (Wilson). A blank prediction counts as wrong among all." }),
    accuracyTable(found.all, "Everybody's blind answers", found.least),
    h("h2", { text: "Agreement" }),
    h("p", { text: "Labels of checked snaps were seen by both people, so they agree more than blind answers do." }), table);
  return { node, title: "Agreement" };
}
