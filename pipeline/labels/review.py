"""Why a row is worth a look by a person."""

from __future__ import annotations

from pipeline.labels.scene import Scene
from pipeline.records import Label

CORE = ("deep_safeties", "corner_picture", "motion", "deep_safeties_after", "rushers", "play_kind")
SHOWN = (*CORE, "rotation", "coverage_after")  # said in the row even when unsure, so the row must say that they are


def reasons(scene: Scene, labels: dict[str, Label], lost: int) -> list[str]:
    """Reasons in words, most important first; empty where nothing speaks against the row."""
    s = scene.settings
    out = []
    if scene.confidence < s("review.alignment_below"):
        out.append("line of scrimmage not certain")
    if scene.missing_def:
        out.append(f"{scene.missing_def} of the defence not found at the snap")
    if scene.missing_off:
        out.append(f"{scene.missing_off} of the offence not found at the snap")
    if scene.sd_yd > s("review.position_sd_yd"):
        out.append(f"positions uncertain by {scene.sd_yd:.1f} yd")
    if lost:
        out.append(f"{lost} people lost within a second after the snap")
    hidden = [n for n, x in labels.items() if x.status == "not_visible"]
    if hidden:
        out.append("not visible: " + ", ".join(hidden))
    unsure = [n for n in SHOWN if n in labels and labels[n].status == "unsure"]
    if unsure:
        out.append("unsure: " + ", ".join(unsure))
    return out
