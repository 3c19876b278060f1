// Words of the page for labels, sides and positions.

export const LABELS = {
  play_kind: "Play",
  deep_safeties: "Deep safeties",
  middle_of_field: "Middle of the field",
  corner_depth_offense_left_yd: "Corner left, yd",
  corner_depth_offense_right_yd: "Corner right, yd",
  corner_picture: "Corners",
  box_defenders: "Defenders in the box",
  motion: "Motion",
  motion_response: "Answer to the motion",
  deep_safeties_after: "Deep after the snap",
  rotation: "Rotation",
  rotation_from: "Came down from",
  disguised: "Disguised",
  rushers: "Rushers",
  blockers: "Blockers",
  spare_rushers: "Rushers less blockers",
  read_window: "Time to read",
  coverage_before: "Coverage shown",
  coverage_after: "Coverage played",
  line_of_scrimmage_yd: "Scrimmage line, yd",
  offense_direction: "Offence attacks",
};

export const GROUPS = [
  ["The play", ["play_kind", "offense_direction", "line_of_scrimmage_yd"]],
  ["Before the snap", ["deep_safeties", "middle_of_field", "corner_depth_offense_left_yd",
    "corner_depth_offense_right_yd", "corner_picture", "box_defenders", "motion", "motion_response",
    "coverage_before"]],
  ["After the snap", ["deep_safeties_after", "rotation", "rotation_from", "disguised", "coverage_after"]],
  ["The rush", ["rushers", "blockers", "spare_rushers", "read_window"]],
];

export const STATUS = {
  ok: "sure", unsure: "unsure", not_visible: "not visible", failed: "failed",
};

export const SIDES = { offense: "offence", defense: "defence", official: "official", unknown: "unknown" };

export const SHORT = {
  center: "C", guard: "G", tackle: "T", tight_end: "TE", receiver: "WR", back: "RB", passer: "QB", edge: "DE",
  tackle_inside: "DT", linebacker: "LB", corner: "CB", slot_defender: "NB", safety: "S", kicker: "K",
  official: "", unknown: "",
};

export const POSITIONS = {
  offense: ["center", "guard", "tackle", "tight_end", "receiver", "back", "passer", "kicker"],
  defense: ["edge", "tackle_inside", "linebacker", "corner", "slot_defender", "safety"],
  official: ["official"],
};

export const label = (name) => LABELS[name] || name.replaceAll("_", " ");

// One act in words, for history, undo and what another analyst did.
export function actWords(event, show) {
  const to = event.to || {};
  switch (event.kind) {
    case "label_set":
      return to.predicted ? `${label(event.subject)}: back to the prediction`
        : `${label(event.subject)}: ${show(event.from && event.from.value)} → ${show(to.value)}`;
    case "person_moved":
      return [`person ${event.subject}`, to.x_yd !== undefined && `moved (${to.moment})`,
        to.side && `is ${SIDES[to.side]}`, to.position && `is ${to.position.replaceAll("_", " ")}`]
        .filter(Boolean).join(" ");
    case "person_added": return `${SIDES[to.side]} person ${event.subject} added`;
    case "person_deleted": return `person ${event.subject} taken out`;
    case "snap_moved":
      return to.frame === null ? "no snap here" : `snap moved to frame ${to.frame}`;
    case "checked": return "marked as checked";
    case "unchecked": return "check taken back";
    case "note": return `note: ${to.text}`;
    case "undo": return "undid an act";
    case "redo": return "did an act again";
    default: return event.kind.replaceAll("_", " ");
  }
}
