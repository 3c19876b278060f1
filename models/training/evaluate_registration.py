"""Measures field registration on rendered stills: ``python -m models.training.evaluate_registration --data DIR``.

For every kind of camera: share usable, error on field points between the hash rows and at the far numbers (median,
95th percentile), absolute x known and wrong, level and view told, honesty of the error estimate, time. --told gives the
level and view of each still to the program; --json writes the figures, --worst draws the worst stills.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import field as fields
from pipeline import models
from pipeline.camera import Camera
from pipeline.records import People, Registration
from pipeline.registration import Registrar

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Case:
    """One still measured. inside, far: errors in yards at points, a multiple of 5 yd of shift taken out."""

    name: str
    kind: str
    level: str
    registration: Registration
    inside: Array
    far: Array
    shift_yd: float
    seconds: float
    light: str = ""


def people_of(t: Any) -> People:
    """The true boxes of a still as people found."""
    box = np.asarray(t.box_px, np.float32).reshape(-1, 4)
    box = box[np.isfinite(box).all(1)]
    n = len(box)
    zero = np.zeros((n, 2), np.float32)
    return People(
        t.camera.width_px, t.camera.height_px, box, np.zeros(n, np.int64), np.ones(n, np.float32), zero, zero,
        np.zeros(n, bool), np.zeros((n, 1), np.float32),
    )  # fmt: skip


def errors(true: Camera, got: Camera, level: str) -> tuple[Array, Array, float]:
    """Errors (N,) between the hash rows and at the far numbers, and the shift taken out, yards."""
    f = fields.load(level)

    def off(rows: Any) -> Array:
        x, y = np.meshgrid(np.arange(0, f.length + 0.1, 2.5), rows)
        p = np.stack([x.ravel(), y.ravel()], 1)
        px = true.ground_to_px(p)
        with np.errstate(invalid="ignore"):
            seen = ((px >= 0) & (px < (true.width_px, true.height_px))).all(1)
        return np.nan_to_num(got.px_to_ground(px[seen]) - p[seen], nan=100.0)

    inside, far = off(np.linspace(*f.hash_rows, 5)), off([f.number_rows[1]])
    both = inside if len(inside) else far
    shift = 5.0 * round(float(np.median(both[:, 0])) / 5.0) if len(both) else 0.0
    return (*(np.linalg.norm(e - (shift, 0.0), axis=1) for e in (inside, far)), shift)  # type: ignore[return-value]


def measure(
    pairs: Iterable[tuple[Path, Any]], told: bool, masks: bool, networks: Path | None = None
) -> list[Case]:
    """Register every still. networks: folder with marks.onnx and numbers.onnx instead of the shipped ones."""
    nets: dict[str, Any] = {}
    if networks is not None:
        for n in ("marks", "numbers"):
            nets[f"{n}_network"] = models.open_network((networks / f"{n}.onnx").read_bytes())
    registrars: dict[tuple[str | None, str | None], Registrar] = {}
    cases = []
    for path, t in pairs:
        key = (t.level, t.view) if told else (None, None)
        registrar = registrars.setdefault(key, Registrar(*key, **nets)) if key not in registrars else registrars[key]
        image = cv2.imread(str(path))
        start = time.perf_counter()
        r = registrar.register(image, people_of(t) if masks else None)
        seconds = time.perf_counter() - start
        camera = r.camera or r.evidence.get("best_guess")
        empty = np.zeros(0)
        inside, far, shift = errors(t.camera, camera, t.level) if camera is not None else (empty, empty, 0.0)
        cases.append(Case(path.name, t.kind, t.level, r, inside, far, shift, seconds))
    return cases


def _q(values: list[float] | Array, q: float) -> float:
    return round(float(np.percentile(values, q)), 3) if len(values) else float("nan")


def figures(cases: list[Case], truth: dict[str, Any]) -> dict[str, Any]:
    """Figures over cases; truth: name -> StillTruth."""
    ok = [c for c in cases if c.registration.status == "ok"]
    good = [c for c in ok if len(c.inside) and np.median(c.inside) < 1.0]
    inside = np.concatenate([c.inside for c in ok]) if ok else np.zeros(0)
    far = np.concatenate([c.far for c in ok]) if ok else np.zeros(0)
    known = [c for c in ok if c.registration.absolute_x_known]
    claims = [c for c in ok if c.registration.error_yd < 0.5 and len(c.inside)]
    return {
        "stills": len(cases),
        "ok": round(len(ok) / max(len(cases), 1), 4),
        "usable": round(len(good) / max(len(cases), 1), 4),
        "inside_median": _q(inside, 50), "inside_p95": _q(inside, 95),
        "far_median": _q(far, 50), "far_p95": _q(far, 95),
        "still_median_p95": _q([float(np.median(c.inside)) for c in ok if len(c.inside)], 95),
        "known": round(len(known) / max(len(ok), 1), 4),
        "known_wrong": round(sum(c.shift_yd != 0 for c in known) / max(len(known), 1), 4),
        "guess_wrong": round(sum(c.shift_yd != 0 for c in ok) / max(len(ok), 1), 4),
        "level_right": round(sum(c.registration.level == c.level for c in cases) / max(len(cases), 1), 4),
        "level_unsure": round(sum(c.registration.level_told == "unsure" for c in cases) / max(len(cases), 1), 4),
        "level_told_wrong": round(sum(c.registration.level_told not in (c.level, "unsure") for c in cases)
                                  / max(len(cases), 1), 4),
        "view_right": round(sum(c.registration.view == truth[c.name].view for c in cases) / max(len(cases), 1), 4),
        "claims_kept": round(sum(np.median(c.inside) < 0.5 for c in claims) / max(len(claims), 1), 4),
        "seconds_median": _q([c.seconds for c in cases], 50),
    }  # fmt: skip


def _draw(case: Case, path: Path, t: Any, out: Path) -> None:
    image = cv2.imread(str(path))
    f = fields.load(t.level)
    camera = case.registration.camera or case.registration.evidence.get("best_guess")
    for cam, colour in ((t.camera, (0, 255, 255)), (camera, (255, 80, 255))):
        if cam is None:
            continue
        y = np.linspace(0, f.width, 40)
        x = np.linspace(0, f.length, 80)
        legs = [np.stack([np.full(40, v), y], 1) for v in f.yard_lines]
        legs += [np.stack([x, np.full(80, v)], 1) for v in (0, f.width, *f.hash_rows)]
        for leg in legs:
            p = cam.ground_to_px(leg)
            p = p[np.isfinite(p).all(1) & (np.abs(p) < 5000).all(1)]
            if len(p) > 1:
                cv2.polylines(image, [p.round().astype(np.int32)], False, colour, 1, cv2.LINE_AA)
    median = float(np.median(case.inside)) if len(case.inside) else float("nan")
    r = case.registration
    text = f"{r.status} {r.reason} median {median:.2f} yd estimated {r.error_yd:.2f}"
    cv2.putText(image, text, (8, 24), cv2.FONT_HERSHEY_SIMPLEX, 0.6, (255, 255, 255), 2)
    cv2.imwrite(str(out / f"{case.kind}_{case.name}"), image)


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--data", type=Path, required=True)
    p.add_argument("--told", action="store_true")
    p.add_argument("--no-masks", action="store_true")
    p.add_argument("--limit", type=int, default=0)
    p.add_argument("--json", type=Path)
    p.add_argument("--networks", type=Path, help="folder of networks to measure instead of the shipped ones")
    p.add_argument("--worst", type=Path)
    a = p.parse_args(argv)
    from models.training.film.shards import read_all

    pairs = list(read_all(a.data))
    pairs = pairs[: a.limit] if a.limit else pairs
    truth = {path.name: t for path, t in pairs}
    cases = measure(pairs, a.told, not a.no_masks, a.networks)
    groups: dict[str, list[Case]] = defaultdict(list)
    for c in cases:
        groups[c.kind].append(c)
    report = {k: figures(v, truth) for k, v in sorted(groups.items())}
    print(json.dumps(report, indent=1))
    if a.json:
        a.json.write_text(json.dumps(report, indent=1), encoding="utf-8")

    def badness(c: Case) -> float:
        return float(np.median(c.inside)) + 3 * (c.registration.status != "ok") if len(c.inside) else 99.0

    cases.sort(key=badness, reverse=True)
    for c in cases[:16]:
        q = c.registration.evidence.get("quality", {})
        print(
            c.kind, c.name, c.level, "->", c.registration.level, c.registration.status, c.registration.reason,
            f"median {np.median(c.inside) if len(c.inside) else float('nan'):.2f} est {c.registration.error_yd:.2f}",
            f"shift {c.shift_yd:.0f}{' known' if c.registration.absolute_x_known else ''}",
            {k: round(v, 2) for k, v in q.items()},
        )  # fmt: skip
    if a.worst:
        a.worst.mkdir(parents=True, exist_ok=True)
        where = {path.name: path for path, _ in pairs}
        for c in cases[:10]:
            _draw(c, where[c.name], truth[c.name], a.worst)


if __name__ == "__main__":
    main()
