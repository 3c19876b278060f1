// What the keys do in a snap.

export function snapActs(view) {
  return {
    zoom: () => view.zoom(), turnView: () => { if (!view.otherButton.hidden) view.turnView(); }, why: () => view.why(),
    setSnap: () => view.setSnap(), toggleChecked: () => view.toggleChecked(),
    checkedNext: async () => { if (view.snap.row.checked || await view.toggleChecked()) view.jump(1); },
    focusLabels: () => { const first = view.side.querySelector("select, input"); if (first) first.focus(); },
    switchSide: () => view.switchSide(), deletePerson: () => view.deletePerson(), addPerson: () => view.addPerson(false),
    focusNote: () => document.getElementById("note").focus(), undo: () => view.undo(), redo: () => view.redo(),
    toList: () => { location.hash = "#/"; },
    key: (e) => onKey(view, e),
  };
}

function onKey(view, e) {
  if (e.ctrlKey || e.metaKey || e.altKey) return false;
  const arrows = { ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowUp: [1, 0], ArrowDown: [-1, 0] };
  if (arrows[e.key]) {
    const size = e.shiftKey ? 2 : 0.5;
    if (view.selected !== null && view.nudge(arrows[e.key][0] * size, arrows[e.key][1] * size)) return true;
    if (e.target === view.slider || e.key === "ArrowUp" || e.key === "ArrowDown") return false;
    view.go(view.at + arrows[e.key][1] * (e.shiftKey ? 10 : 1));
    return true;
  }
  const simple = { n: () => view.jump(1), p: () => view.jump(-1), t: () => view.take(1), T: () => view.take(-1), Home: () => view.goTo(0), End: () => view.goTo(view.snap.after_s) };
  if (simple[e.key]) { simple[e.key](); return true; }
  if (e.key === "Escape" && (view.selected !== null || view.placing)) { view.placing = false; view.select(null); return true; }
  if ("1234".includes(e.key)) {
    const button = view.node.querySelectorAll(".layers button")[Number(e.key) - 1];
    if (button) button.click();
    return true;
  }
  return false;
}
