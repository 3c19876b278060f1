"""Measure people finders side by side: rendered film with unseen looks, held-back real clips, a sport left out.

``python -m models.training.evaluate_people --onnx A.onnx B.onnx --rendered DIR --real DIR --json OUT.json``
measures; ``--table OUT.json`` prints the table again. Finders are compared at equal numbers of boxes a frame, not
only at equal confidence: scores of two networks do not mean the same.

A find counts when it overlaps (IoU 0.5) a labelled player or official that no surer find has taken, by his visible
or his whole box. Bystanders and people of whom less than MIN_VISIBLE shows neither help nor hurt; finds of the
role bystander are left out. Spectators and staff of the real sets are unlabelled, so precision there is a floor.

The column ``by centre`` counts a find by another rule: its middle lies in the labelled box and that box's middle in
the find. Where it is far above the column by overlap, boxes are loose rather than people missed.
``--looks`` adds figures for every word of the stills' tags (models.training.film.tags).
"""

from __future__ import annotations

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.people_data import HELD_BACK_CLIPS, MIN_VISIBLE, Frame, real_frames, rendered_frames
from pipeline import models
from pipeline.errors import InputError
from pipeline.people.decode import Found, overlap
from pipeline.people.finder import Finder

Floats = NDArray[np.float64]

FLOOR = 0.02  # least confidence looked at
CONFIDENCES = (0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.5, 0.6)
PRECISIONS = (0.65, 0.7, 0.92, 0.94, 0.98)
IOU = 0.5
LEAST_FRAMES = 8  # with a word of the look, for figures of their own
REAL, UNSEEN = "wide_camera_people", "rugby_night"  # a set with held-back clips; a sport no training sees
NEAR_PX = (0, 15, 25, 40, 10_000)  # bins of the distance to the nearest neighbour's head, at a 1280 wide picture


@dataclass(frozen=True)
class Matched:
    """One frame: confidence (P,), hit (P,) index of the labelled person or -1, role (P,) of the finds that count;
    doubled (P,) True where a miss lies on a person already found; wanted (G,) role of those to be found;
    near_px (G,) distance to the nearest neighbour's head; ground_px, head_px (P,) errors of hits, NaN elsewhere;
    centred (P,) True for finds that count by centre; tags: words of the frame's look."""

    confidence: Floats
    hit: NDArray[np.int64]
    role: NDArray[np.int64]
    doubled: NDArray[np.bool_]
    wanted: NDArray[np.int64]
    near_px: Floats
    ground_px: Floats
    head_px: Floats
    view: str
    centred: NDArray[np.bool_]
    tags: tuple[str, ...] = ()


def match(found: Found, frame: Frame) -> Matched:
    """Greedy in order of confidence; pictures are measured at their own size, distances scaled to 1280 px width."""
    order = np.argsort(-found.confidence, kind="stable")
    found = found.take(order[found.role[order] < 2])
    box = found.box_px.astype(np.float32)
    iou = np.maximum(overlap(box, frame.box_px.astype(np.float32)), overlap(box, frame.whole_px.astype(np.float32)))
    wanted = np.flatnonzero((frame.role < 2) & (frame.visible >= MIN_VISIBLE))
    ignored = np.setdiff1d(np.arange(len(frame.role)), wanted)
    scale, n = 1280 / frame.width_px, len(box)
    hit, keep, doubled = np.full(n, -1), np.ones(n, bool), np.zeros(n, bool)
    ground, head, free = np.full(n, np.nan), np.full(n, np.nan), np.ones(len(frame.role), bool)
    for i in range(n):
        best = iou[i, wanted] * free[wanted] if len(wanted) else np.zeros(0)
        if len(best) and best.max() >= IOU:
            j = wanted[int(best.argmax())]
            hit[i], free[j] = int(best.argmax()), False
            ground[i] = np.hypot(*(found.ground_px[i] - frame.ground_px[j])) * scale
            head[i] = np.hypot(*(found.head_px[i] - frame.head_px[j])) * scale
        elif len(ignored) and iou[i, ignored].max() >= 0.4:
            keep[i] = False
        else:
            doubled[i] = bool(len(wanted)) and iou[i, wanted].max() > 0.3
    return Matched(
        found.confidence[keep].astype(float), hit[keep], found.role[keep], doubled[keep], frame.role[wanted],
        _nearest(frame, wanted) * scale, ground[keep], head[keep], frame.view, centred(box, frame, wanted)[keep],
        frame.tags,
    )  # fmt: skip


def centred(box: NDArray[np.float32], frame: Frame, wanted: NDArray[np.int64]) -> NDArray[np.bool_]:
    """(P,) True where a find (in order of confidence) and a wanted person no find before it has taken hold each
    other's middle; of several the one whose middle is nearest."""
    hit, free = np.zeros(len(box), bool), np.ones(len(wanted), bool)
    theirs = frame.box_px[wanted].astype(np.float32)
    ours_at, at = (box[:, :2] + box[:, 2:]) / 2, (theirs[:, :2] + theirs[:, 2:]) / 2
    for i in range(len(box)):
        good = free & ((at >= box[i, :2]) & (at <= box[i, 2:])).all(1)
        good &= ((ours_at[i] >= theirs[:, :2]) & (ours_at[i] <= theirs[:, 2:])).all(1)
        if good.any():
            j = int(np.where(good, np.linalg.norm(at - ours_at[i], axis=1), np.inf).argmin())
            hit[i], free[j] = True, False
    return hit


def _nearest(frame: Frame, wanted: NDArray[np.int64]) -> Floats:
    top = np.stack([(frame.box_px[:, 0] + frame.box_px[:, 2]) / 2, frame.box_px[:, 1]], 1)
    at = np.where(np.isfinite(frame.head_px), frame.head_px, top)
    d = np.linalg.norm(at[:, None] - at[None], axis=2)
    np.fill_diagonal(d, np.inf)
    return d.min(1)[wanted] if len(at) > 1 else np.full(len(wanted), np.inf)


def figures(frames: list[Matched]) -> dict[str, Any]:
    """Recall and precision at CONFIDENCES and at equal boxes a frame, AP, role accuracy, doubles, point errors."""
    conf = np.concatenate([m.confidence for m in frames])
    order = np.argsort(-conf, kind="stable")
    conf = conf[order]
    hit = np.concatenate([m.hit >= 0 for m in frames])[order]
    doubled = np.concatenate([m.doubled for m in frames])[order]
    total = sum(len(m.wanted) for m in frames)
    if not total:
        raise InputError("Nobody is labelled in this set.")
    true = np.cumsum(hit)
    recall, precision = true / total, true / np.arange(1, len(hit) + 1)
    loose = np.cumsum(np.concatenate([m.centred for m in frames])[order])
    loose_precision = loose / np.arange(1, len(hit) + 1)

    def at(n: int) -> dict[str, float]:
        r, p = (float(v[n - 1]) if n else 0.0 for v in (recall, precision))
        twice = float(doubled[:n].sum() / len(frames))
        return {"recall": r, "precision": p, "boxes": n / len(frames), "doubles": twice}

    out: dict[str, Any] = {"frames": len(frames), "labelled_a_frame": total / len(frames)}
    out |= {f"at_{c}": at(int((conf >= c).sum())) for c in CONFIDENCES}
    out |= {f"equal_{k}": at(min(len(conf), round(k * total))) for k in (1.0, 1.2, 1.5)}
    for p in PRECISIONS:
        out[f"recall_at_precision_{p}"] = float(recall[precision >= p].max(initial=0.0))
        out[f"recall_by_centre_at_precision_{p}"] = float((loose / total)[loose_precision >= p].max(initial=0.0))
    best = np.maximum.accumulate(precision[::-1])[::-1]
    out["ap50"] = float(np.sum(np.diff(recall, prepend=0.0) * best))
    out |= _points(frames)
    return out


def _points(frames: list[Matched], least: float = 0.25) -> dict[str, Any]:
    """Role accuracy, point errors (px at 1280 width) and recall by crowding, at a confidence of ``least``."""
    right = np.concatenate([m.role == np.append(m.wanted, -1)[m.hit] for m in frames])
    ours = np.concatenate([(m.hit >= 0) & (m.confidence >= least) for m in frames])
    out: dict[str, Any] = {"role_accuracy": float(right[ours].mean()) if ours.any() else 0.0}
    for name in ("ground_px", "head_px"):
        e = np.concatenate([getattr(m, name) for m in frames])[ours]
        e = e[np.isfinite(e)]
        if len(e):
            out[name] = {"median": float(np.median(e)), "p95": float(np.percentile(e, 95))}
    near = np.concatenate([m.near_px for m in frames])
    got = np.concatenate([np.isin(np.arange(len(m.wanted)), m.hit[m.confidence >= least]) for m in frames])
    for a, b in pairwise(NEAR_PX):
        inside = (near >= a) & (near < b)
        if inside.any():
            out[f"recall_near_{a}"] = float(got[inside].mean())
    return out


def _some(job: tuple[str, list[Frame], str]) -> list[Matched]:
    path, frames, passes = job
    cv2.setNumThreads(0)
    finder = Finder(
        network=models.open_network(Path(path).read_bytes(), threads=1), confidence=FLOOR, passes=passes, kit=False
    )
    out = []
    for f in frames:
        image = cv2.imread(str(f.picture))
        if image is None:
            raise InputError("A picture cannot be read.", where=f.picture)
        out.append(match(finder.candidates(image), f))
    return out


def measure(onnx: Path, sets: dict[str, list[Frame]], passes: str, workers: int, looks: bool = False) -> dict[str, Any]:
    """Figures of one finder on every set; 'flat' holds the few that go into the manifest, 'looks' those by look."""
    jobs, owner = [], []
    for name, frames in sets.items():
        parts = max(1, min(workers * 2, len(frames) // 4))
        jobs += [(str(onnx), frames[i::parts], passes) for i in range(parts)]
        owner += [name] * parts
    if workers <= 1:
        results = [_some(j) for j in jobs]
    else:
        with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
            results = list(pool.map(_some, jobs))
    out: dict[str, Any] = {}
    by_look: dict[str, Any] = {}
    for name in sets:
        matched = [m for o, r in zip(owner, results, strict=True) if o == name for m in r]
        out[name] = figures(matched)
        views = sorted({m.view for m in matched} - {""})
        out |= {f"{name}_{v}": figures([m for m in matched if m.view == v]) for v in views if len(views) > 1}
        by_look |= _by_look(matched) if looks else {}
    out["flat"] = _flat(out)
    return out | ({"looks": by_look} if looks else {})


def _by_look(matched: list[Matched]) -> dict[str, dict[str, float]]:
    """Figures of the frames with each word of the look that stands in LEAST_FRAMES frames or more."""
    out = {}
    for word in sorted({w for m in matched for w in m.tags}):
        some = [m for m in matched if word in m.tags]
        if len(some) >= LEAST_FRAMES:
            f = figures(some)
            keys = ("frames", "ap50", "role_accuracy", *(f"recall_at_precision_{p}" for p in PRECISIONS))
            at = {"recall": f["at_0.25"]["recall"], "precision": f["at_0.25"]["precision"]}
            out[word] = at | {k: f[k] for k in keys} | {"ground_px": f.get("ground_px", {}).get("median", float("nan"))}
    return out


def _flat(out: dict[str, Any]) -> dict[str, float]:
    """Flat numbers; people_recall_real and people_recall_unseen_sport are recall at the precision asked for there."""
    flat = {}
    for key, name, p in (("real", REAL, 0.94), ("unseen_sport", UNSEEN, 0.7)):
        if name in out:
            flat[f"people_recall_{key}"] = round(out[name][f"recall_at_precision_{p}"], 4)
    for name, f in out.items():
        flat[f"{name}_recall"] = round(f["at_0.25"]["recall"], 4)
        flat[f"{name}_precision"] = round(f["at_0.25"]["precision"], 4)
        flat[f"{name}_ap50"] = round(f["ap50"], 4)
    return flat


def draw_worst(onnx: Path, frames: list[Frame], folder: Path, count: int = 10, least: float = 0.25) -> list[Path]:
    """The pictures with the most missed people and false finds: missed red, false yellow, right ones grey."""
    finder = Finder(network=models.open_network(onnx.read_bytes()), confidence=least, kit=False)
    scored = []
    for f in frames:
        found = finder.candidates(np.asarray(cv2.imread(str(f.picture)), np.uint8))
        m = match(found, f)
        scored.append((len(m.wanted) - int((m.hit >= 0).sum()) + int((m.hit < 0).sum()), f, found))
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    for wrong, f, found in sorted(scored, key=lambda s: -s[0])[:count]:
        image = np.asarray(cv2.imread(str(f.picture)), np.uint8)
        wanted = np.flatnonzero((f.role < 2) & (f.visible >= MIN_VISIBLE))
        ours = found.take(found.role < 2)
        iou = overlap(ours.box_px, f.box_px.astype(np.float32))
        hit = iou[:, wanted].max(1, initial=0) >= IOU
        for box, colour in [
            *((b, (160, 160, 160)) for b in ours.box_px[hit]),
            *((b, (0, 220, 255)) for b in ours.box_px[~hit]),
            *((f.box_px[j], (0, 0, 255)) for j in wanted if iou[:, j].max(initial=0) < IOU),
        ]:
            a, b = np.round(box[:2]).astype(int).tolist(), np.round(box[2:]).astype(int).tolist()
            cv2.rectangle(image, a, b, colour, 1)
        path = folder / f"{wrong:03d}_{f.name}.jpg"
        cv2.imwrite(str(path), image, [cv2.IMWRITE_JPEG_QUALITY, 85])
        files.append(path)
    return files


def table(results: dict[str, Any]) -> str:
    """One row a candidate and set."""
    head = ("candidate", "set", "AP50", "recall/precision at .25", "at .1", "boxes .25", "at equal boxes", "at 1.2 x",
            "recall at precision .7 / .94", "by centre", "doubles", "role", "ground px", "near <15 / >40")  # fmt: skip
    rows = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for name, sets in results.items():
        for key, f in sets.items():
            if key in ("flat", "looks"):
                continue
            a, b, e, g = f["at_0.25"], f["at_0.1"], f["equal_1.0"], f["equal_1.2"]
            ground = f.get("ground_px", {})
            cells = (
                name, key, f"{f['ap50']:.3f}", f"{a['recall']:.3f}/{a['precision']:.3f}",
                f"{b['recall']:.3f}/{b['precision']:.3f}", f"{a['boxes']:.1f} of {f['labelled_a_frame']:.1f}",
                f"{e['recall']:.3f}/{e['precision']:.3f}", f"{g['recall']:.3f}/{g['precision']:.3f}",
                _at_precisions(f, "recall"), _at_precisions(f, "recall_by_centre"), f"{a['doubles']:.2f}",
                f"{f['role_accuracy']:.3f}", f"{ground['median']:.1f} / {ground['p95']:.1f}" if ground else "",
                f"{f.get('recall_near_0', float('nan')):.2f} / {f.get('recall_near_40', float('nan')):.2f}",
            )  # fmt: skip
            rows.append("| " + " | ".join(cells) + " |")
    return "\n".join(rows)


def _at_precisions(f: dict[str, Any], what: str) -> str:
    """Recall at the two precisions of the table; blank where an older file lacks them."""
    values = [f.get(f"{what}_at_precision_{p}") for p in (0.7, 0.94)]
    return " / ".join("" if v is None else f"{v:.3f}" for v in values)


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--onnx", type=Path, nargs="*", default=[], help="finders; named by file stem")
    p.add_argument("--rendered", type=Path, help="folder of rendered stills with unseen looks")
    p.add_argument("--real", type=Path, nargs="*", default=[], help="real sets: one with held-back clips, or whole")
    p.add_argument("--passes", default="whole")
    p.add_argument("--json", type=Path)
    p.add_argument("--table", type=Path, help="only print the table of an earlier --json")
    p.add_argument("--worst", type=Path, help="folder for pictures of the ten worst rendered stills, first finder")
    p.add_argument("--limit", type=int, default=0, help="at most so many frames a set")
    p.add_argument("--looks", action="store_true", help="figures by look too")
    p.add_argument("--workers", type=int, default=2)
    a = p.parse_args(argv)
    if a.table:
        print(table(json.loads(a.table.read_text())))
        return
    sets: dict[str, list[Frame]] = {}
    if a.rendered:
        sets["rendered"] = rendered_frames(a.rendered)
    for folder in a.real:
        frames = real_frames(folder)
        sets[folder.name] = [f for f in frames if f.group in HELD_BACK_CLIPS] or frames
    sets = {k: v[: a.limit or None] for k, v in sets.items()}
    results = json.loads(a.json.read_text()) if a.json and a.json.is_file() else {}
    for onnx in a.onnx:
        results[onnx.stem + ("" if a.passes == "whole" else f"_{a.passes}")] = measure(
            onnx, sets, a.passes, a.workers, a.looks
        )
        if a.json:
            a.json.write_text(json.dumps(results, indent=1))
    print(table(results))
    if a.worst and a.onnx and "rendered" in sets:
        print("worst:", *draw_worst(a.onnx[0], sets["rendered"], a.worst))


if __name__ == "__main__":
    main()
