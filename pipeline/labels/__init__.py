"""From positions over time to the words of the trade: every label of a snap with value, confidence, status, reason.

Rules with scores; thresholds and tables come from configs/labels.toml. A label that cannot be told is ``unsure``
or ``not_visible`` and blank, never a guess dressed as a count. Coverage before the snap uses no moment after it.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from pipeline.labels import after, before, corners, coverage, forest, kind, picture, review, scene, trust
from pipeline.labels.forest import Forest
from pipeline.labels.settings import Settings, load
from pipeline.records import Alignment, Label, Labels, Tracks

__all__ = ["Settings", "label", "load", "reasons"]

DROPBACK_ONLY = (
    "deep_safeties_after", "rotation", "rotation_from", "disguised", "rushers", "blockers", "spare_rushers",
    "read_window", "coverage_after",
)  # fmt: skip


def label(
    tracks: Tracks, alignment: Alignment, settings: Settings | None = None, has_snap: bool = True,
    forests: Mapping[str, Forest] | None = None,
) -> Labels:  # fmt: skip
    """All labels of one snap. settings: ``load()``. has_snap False: only what was shown before is labelled.

    forests: learned scores by section, those of the manifest by default; {} leaves the rules alone.
    """
    view = scene.build(tracks, alignment, settings or load(), forest.shipped() if forests is None else forests)
    if not np.isfinite(alignment.line_of_scrimmage_yd):
        return _nothing(str(alignment.evidence.get("reason", "no formation could be read")), has_snap)
    view = corners.learned(view)
    out: dict[str, Label] = {"play_kind": kind.play_kind(view, has_snap)}
    out["offense_players"] = _found(view, view.off, view.missing_off)
    out["defense_players"] = _found(view, view.dfn, view.missing_def)
    deep, who, deep_dist = before.deep_safeties(view)
    out["deep_safeties"], out["middle_of_field"] = deep, before.middle_of_field(deep)
    left, right = before.corner_depths(view)
    out["corner_depth_offense_left_yd"], out["corner_depth_offense_right_yd"] = left, right
    out["corner_picture"] = before.corner_picture(view, left, right)
    out["box_defenders"] = before.box_defenders(view)
    out["motion"], out["motion_response"] = before.motion(view)
    facts = {
        "shown_deep": coverage.folded(deep_dist, 4) if deep.status != "not_visible" else None,
        "shown_corners": coverage.corners_before(view, left, right),
        "shown_response": coverage.response_fact(out["motion"], out["motion_response"]),
        "shown_threat": coverage.threat_fact(view),
    }
    p_before = coverage.posterior(view, facts, "coverage_prior_before")
    view.facts["coverage_facts"] = {"before": facts}
    view.facts["coverage_before_features"] = before_features(view, (out["motion"], out["motion_response"]))
    p_before = coverage.learned_before(
        view, view.facts["coverage_before_features"], p_before, facts["shown_response"]
    )
    out["coverage_before"] = coverage.best_label(view, p_before, "from what was shown before the snap")
    if deep.status == "not_visible":
        out["coverage_before"] = Label(None, 0.0, "not_visible", deep.reason)
    dropback = out["play_kind"].value == "dropback"
    if dropback:
        p_after, later, rush, block = _after(view, out, who, facts)
    else:
        p_after, later, rush, block = {}, (), (), ()
        for name in DROPBACK_ONLY:
            out[name] = Label(None, out["play_kind"].confidence, "ok", "not a dropback")
    out = trust.apply(view, out)
    p_before = _as_sure(p_before, out["coverage_before"])
    p_after = _as_sure(p_after, out["coverage_after"])
    lost = _lost(view)
    view.facts["review_reasons"] = review.reasons(view, out, lost if dropback else 0)
    view.facts["confidence"] = trust.row(view, out)
    return Labels(out, p_before, p_after, who, later, rush, block, view.facts)


def before_features(view: scene.Scene, motion: tuple[Label, Label]) -> dict[str, float]:
    """What the learned coverage before the snap looks at. motion: whether somebody moved, and how he was answered."""
    chances = _or_even(coverage.response_fact(*motion))
    return picture.coverage_before(view, dict(zip(coverage.RESPONSES, chances, strict=True)))


def reasons(labels: Labels) -> tuple[list[str], float]:
    """Review reasons (empty: none needed) and the confidence of the whole row, 0..1: see ``trust.row``."""
    return list(labels.evidence.get("review_reasons", [])), float(labels.evidence.get("confidence", 0.0))


def _after(
    view: scene.Scene, out: dict[str, Label], deep: tuple[int, ...], facts: dict[str, np.ndarray | None]
) -> tuple[dict[str, float], tuple[int, ...], tuple[int, ...], tuple[int, ...]]:
    out["rushers"], rush, rush_chance = after.rushers(view)
    out["blockers"], block = after.blockers(view)
    out["spare_rushers"], out["read_window"] = after.spare(view, out["rushers"], out["blockers"])
    out["deep_safeties_after"], later, dist = after.deep_after(view, rush)
    out["rotation"], out["rotation_from"] = after.rotation(
        view, out["deep_safeties"], out["deep_safeties_after"], deep, later
    )
    more = {
        **{name.replace("shown_", "was_"): fact for name, fact in facts.items()},
        "played_deep": coverage.folded(dist, 4) if out["deep_safeties_after"].value is not None else None,
        "played_corners": coverage.corners_after(view),
        "played_man": coverage.man_fact(view, rush),
        "played_rush": _rush_fact(len(rush)) if out["rushers"].value is not None else None,
    }
    p_after = coverage.posterior(view, more, "coverage_prior_after")
    view.facts["coverage_facts"]["after"] = more
    response = dict(zip(coverage.RESPONSES, _or_even(facts["shown_response"]), strict=True))
    measured = picture.coverage_after(view, response, rush_chance, float(dist @ np.arange(len(dist))))
    view.facts["coverage_after_features"] = measured
    if out["deep_safeties_after"].status == "not_visible":
        # The learned score takes the men it is given for all there are; without the deep count it is not asked.
        out["coverage_after"] = Label(None, 0.0, "not_visible", out["deep_safeties_after"].reason)
    else:
        p_after = coverage.learned(view, "coverage_after", measured, p_after)
        out["coverage_after"] = coverage.best_label(view, p_after, "from the movement after the snap")
    out["disguised"] = coverage.disguised(view, out["deep_safeties"], out["deep_safeties_after"], p_after)
    return p_after, later, rush, block


def _as_sure(p: dict[str, float], label: Label) -> dict[str, float]:
    """Candidates whose first is as likely as the label is sure."""
    return p if label.value is None else trust.tempered(p, label.confidence)


def _or_even(fact: np.ndarray | None) -> list[float]:
    return [0.25] * 4 if fact is None else [float(v) for v in fact]


def _rush_fact(n: int) -> np.ndarray:
    """Distribution over up to 3, 4, 5, 6 or more rushers, one off now and then."""
    out = np.full(4, 0.05)
    out[int(np.clip(n - 3, 0, 3))] += 0.8
    return out / out.sum()


def _found(view: scene.Scene, members: np.ndarray, missing: int) -> Label:
    n = int(np.isfinite(view.set_depth[members]).sum())
    status = "ok" if missing == 0 else "unsure"
    why = f"{n} of {view.a_side} found" if missing else f"all {n} found"
    return Label(n, max(0.97 - 0.2 * missing, 0.2), status, why)


def _lost(view: scene.Scene) -> int:
    d, _ = view.at(view.settings("after.look_s"))
    both = np.r_[view.off, view.dfn].astype(int)
    return int((np.isfinite(view.set_depth[both]) & ~np.isfinite(d[both])).sum())


def _nothing(why: str, has_snap: bool) -> Labels:
    failed = Label(None, 0.0, "failed", why)
    names = (
        "play_kind", "offense_players", "defense_players", "deep_safeties", "middle_of_field",
        "corner_depth_offense_left_yd", "corner_depth_offense_right_yd", "corner_picture", "box_defenders",
        "motion", "motion_response", "coverage_before", *DROPBACK_ONLY,
    )  # fmt: skip
    out = dict.fromkeys(names, failed)
    if not has_snap:
        out["play_kind"] = Label("no_snap", 0.9, "ok", "no snap was found")
    return Labels(out, {}, {}, evidence={"review_reasons": [why], "confidence": 0.0})
