"""Trains and judges the snap scorer: ``python -m models.training.train_snap fit|together|judge``.

Clips come from ``models.training.snap_clips`` (folders of kept clips, or packed files). fit: a small network over the
windows of ``pipeline.onset`` (torch, CPU, minutes). judge: figures of the snap stage on clips no training used, with
95 % intervals, and what each threshold costs. judge --install lists the network in the manifest.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from models.training import snap_clips
from pipeline import models, onset, snap, snap_check
from pipeline.stats import wilson

NEAR_TICKS = 2.01


def gather(sources: list[Path]) -> list[snap_clips.Gridded]:
    """Clips of folders and of packed files (.npz)."""
    out: list[snap_clips.Gridded] = []
    for source in sources:
        if source.is_dir():
            out += [snap_clips.gridded(p) for p in sorted(source.glob("[0-9]*.npz"))]
        else:
            out += snap_clips.unpack(source)
    return out


def fit(options: argparse.Namespace) -> None:
    """Train on clips, from earlier weights if given, and write the ONNX file and the weights beside it."""
    import torch

    from models.training import snap_net

    torch.set_num_threads(options.threads)
    layout = snap_net.LAYOUTS[options.layout]
    clips = [
        snap_net.Clip(np.round(onset.coarse(grid, layout) * 255).astype(np.uint8), ticks, kind, name)
        for grid, ticks, kind, name in gather(options.data)
    ]
    print(len(clips), "clips", dict(Counter(c.kind for c in clips)), flush=True)
    net = snap_net.SnapNet(options.width, options.layout) if options.start is None else snap_net.kept(options.start)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    net = snap_net.fit(
        clips, options.seconds, options.steps, options.seed, net, options.rate, options.batch, device
    )  # fmt: skip
    snap_net.keep(net, options.out.with_suffix(".pt"))
    options.out.write_bytes(snap_net.to_onnx(net))


def together(weights: list[Path], shares: list[float], out: Path, layout: str) -> None:
    """Several fits as one ONNX file: the mean of their logits, weighted. weights: .pt files of fits, or ONNX files of
    the short layout, whose networks share the weight of the file as they did."""
    from models.training import snap_net

    nets: list[snap_net.SnapNet] = []
    each: list[float] = []
    for path, share in zip(weights, shares, strict=True):
        found = snap_net.from_onnx(path, "short") if path.suffix == ".onnx" else [(snap_net.kept(path), 1.0)]
        nets += [net for net, _ in found]
        each += [share * part / sum(p for _, p in found) for _, part in found]
    out.write_bytes(snap_net.to_onnx(snap_net.Together(nets, each, layout)))


def scorer_of(path: Path, layout: onset.Layout = onset.LONG) -> snap.Scorer:
    """A scorer from an ONNX file that need not be in the manifest."""
    return snap.network_scorer(models.open_network(path.read_bytes(), threads=1, where=path), layout)


Row = tuple[str, str, list[float], list[tuple[float, float, float]]]


def checker_of(path: Path) -> snap_check.Checker:
    """A checker from an ONNX file that need not be in the manifest."""
    return snap_check.network_checker(models.open_network(path.read_bytes(), threads=1, where=path))


def looked(
    paths: list[Path], scorer: snap.Scorer, checker: snap_check.Checker | None, lowest: float = 0.05
) -> list[Row]:
    """Per kept clip (name, kind, true seconds, what was found: (second, score, score of its rival)), down to a low
    score: which of them count, and as what, is decided by ``counted``."""
    settings, rows = replace(snap.DEFAULTS, threshold=lowest, check_threshold=lowest), []
    for path in paths:
        motion, truth, kind = snap_clips.load(path)
        found = []
        for s in snap.find_snaps(motion, scorer=scorer, checker=checker, settings=settings):
            if s.time_s is not None:
                rival = s.evidence["second"]["score"] if s.evidence["second"] else 0.0
                found.append((float(s.time_s - motion.time_s[0]), s.confidence, rival))
        rows.append((path.stem, kind, truth.tolist(), found))
    return rows


def counted(rows: list[Row], settings: snap.SnapSettings) -> dict[str, Any]:
    """Figures: true snaps found within two 30ths of a second; clips without a snap left alone, and those where one was
    invented without a flag; snaps flagged; what went wrong. Shares with their counts, ``interval`` gives the rest."""
    errors, wrong, flagged, sure_snaps = [], [], 0, 0
    hits = missed = extra = quiet = invented = unflagged = 0
    for name, kind, truth, every in rows:
        above = [f for f in every if f[1] >= settings.threshold]
        found = [(t, snap.status_of(score, rival, settings)) for t, score, rival in above]
        if not truth:
            quiet += 1
            invented += bool(found)
            unflagged += any(status == "ok" for _, status in found)
            wrong += [(name, kind, "invented", round(t, 2), status) for t, status in found[:1]]
        for want in truth:
            near = min(found, key=lambda f, w=want: abs(f[0] - w), default=None)
            if near is None or abs(near[0] - want) > 1.5:
                missed += 1
                wrong.append((name, kind, "missed", round(want, 2), near))
                continue
            errors.append((near[0] - want) * 30)
            hits += abs(errors[-1]) <= NEAR_TICKS
            sure_snaps += near[1] == "ok"
            flagged += near[1] != "ok"
            if abs(errors[-1]) > NEAR_TICKS:
                wrong.append((name, kind, "off", round(want, 2), near))
        extra += max(0, len(found) - len(truth)) if truth else 0
    spread = np.percentile(errors, [2.5, 10, 50, 90, 97.5]).round(2).tolist() if errors else []
    return {
        "snaps": len(errors) + missed, "within_2": hits, "missed": missed, "flagged": flagged, "extra": extra,
        "without": quiet, "left_alone": quiet - invented, "unflagged": unflagged, "error_ticks": spread, "wrong": wrong,
    }  # fmt: skip


def interval(hits: int, n: int) -> str:
    """Share with its 95 % interval (E. Wilson, 1927) as text."""
    if not n:
        return "-"
    low, high = wilson(hits, n)
    return f"{100 * hits / n:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def table(rows: list[Row], thresholds: list[float], sures: list[float]) -> str:
    """What each threshold costs, as Markdown."""
    lines = ["| threshold | sure | within 2 frames | missed | flagged | extra | left alone | invented, no flag |"]
    lines.append("|---" * 8 + "|")
    for threshold in thresholds:
        for sure in sures:
            if sure < threshold:
                continue
            c = counted(rows, replace(snap.DEFAULTS, threshold=threshold, sure=sure))
            cells = [
                f"{threshold:.2f}", f"{sure:.2f}", interval(c["within_2"], c["snaps"]), str(c["missed"]),
                str(c["flagged"]), str(c["extra"]), interval(c["left_alone"], c["without"]),
                interval(c["unflagged"], c["without"]),
            ]  # fmt: skip
            lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def by_kind(rows: list[Row], settings: snap.SnapSettings) -> str:
    """Per kind of clip: what was right, as text."""
    out = []
    for kind in sorted({r[1] for r in rows}):
        c = counted([r for r in rows if r[1] == kind], settings)
        out.append(f"{kind}: within 2 {c['within_2']}/{c['snaps']}, left alone {c['left_alone']}/{c['without']}, "
                   f"unflagged {c['unflagged']}")  # fmt: skip
    return "\n".join(out)


TRAINED_ON = {
    "snap": "film of models/training/snap_film.py and snap_clips.py of this repository (AGPL-3.0-or-later)",
    "snap_check": "film of models/training/snap_clips.py of this repository (AGPL-3.0-or-later)",
}  # fmt: skip


def install(name: str, onnx: Path, figures: dict[str, Any]) -> Path:
    """Copy a network to models/snap/ and list it in the manifest with what ``judge`` measured."""
    from models.training.export_people import LICENCE, write_entry

    blob = onnx.read_bytes()
    target = models.models_dir() / "snap" / f"{name}.onnx"
    target.parent.mkdir(exist_ok=True)
    target.write_bytes(blob)
    entry = {
        "file": f"snap/{name}.onnx",
        "sha256": hashlib.sha256(blob).hexdigest(),
        "licence": LICENCE,
        "trained_on": [TRAINED_ON[name]],
        "metrics": {k: v for k, v in figures.items() if k != "wrong"},
    }
    return write_entry(name, entry)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    steps = parser.add_subparsers(dest="what", required=True)
    step = steps.add_parser("fit")
    step.add_argument("--data", type=Path, nargs="+", required=True, help="folders of clips, packed files")
    step.add_argument("--out", type=Path, required=True)
    step.add_argument("--seconds", type=float, default=400.0)
    step.add_argument("--steps", type=int, default=200_000, help="batches at most")
    step.add_argument("--start", type=Path, help="weights (.pt) of an earlier fit")
    step.add_argument("--rate", type=float, default=4e-3)
    step.add_argument("--seed", type=int, default=0)
    step.add_argument("--batch", type=int, default=32, help="clips of a step")
    step.add_argument("--threads", type=int, default=1)
    step.add_argument("--layout", choices=["short", "long", "fine"], default="long", help="what it is shown")
    step.add_argument("--width", type=int, default=14)
    step = steps.add_parser("together")
    step.add_argument(
        "--weights", type=Path, nargs="+", required=True, help=".pt files of fits; ONNX files of short ones"
    )
    step.add_argument("--layout", choices=["short", "long", "fine"], default="fine", help="what all of them are shown")
    step.add_argument("--shares", type=float, nargs="+", required=True)
    step.add_argument("--out", type=Path, required=True)
    step = steps.add_parser("judge")
    step.add_argument("--data", type=Path, nargs="+", required=True, help="folders of kept clips")
    step.add_argument("--onnx", type=Path, help="the shipped one if left out")
    step.add_argument("--check", type=Path, help="a checker's ONNX file; the shipped one if left out")
    step.add_argument("--no-check", action="store_true", help="the scorer alone")
    step.add_argument("--layout", choices=["short", "long", "fine"], default="long", help="what the ONNX file is shown")
    step.add_argument("--install", action="store_true", help="list it in the manifest with these figures")
    step.add_argument("--table", action="store_true", help="what other thresholds would give")
    step.add_argument("--part", choices=["all", "even", "odd"], default="all", help="clips whose tens of the seed are")
    options = parser.parse_args()
    if options.what == "fit":
        fit(options)
    elif options.what == "together":
        together(options.weights, options.shares, options.out, options.layout)
    else:
        show(options)


def show(options: argparse.Namespace) -> None:
    """The command ``judge``."""
    paths = [p for folder in options.data for p in sorted(folder.glob("*[0-9].npz"))]
    keep = {"all": (0, 1), "even": (0,), "odd": (1,)}[options.part]
    paths = [p for p in paths if int(p.stem[-2]) % 2 in keep]
    layout = {"short": onset.SHORT, "long": onset.LONG, "fine": onset.FINE}[options.layout]
    scorer = snap.shipped_scorer() if options.onnx is None else scorer_of(options.onnx, layout)
    checker = snap_check.shipped_checker() if options.check is None else checker_of(options.check)
    checker = None if options.no_check else checker
    rows = looked(paths, scorer, checker)
    settings = snap.DEFAULTS if checker is None else snap.DEFAULTS.with_check()
    figures = counted(rows, settings)
    for line in figures["wrong"]:
        print(*line)
    print(by_kind(rows, settings))
    print(json.dumps({k: v for k, v in figures.items() if k != "wrong"}))
    print(table(rows, [settings.threshold], [settings.sure]))
    if options.table:
        print(table(rows, [0.1, 0.15, 0.2, 0.3, 0.4, 0.5], [0.4, 0.5, 0.6, 0.7, 0.8]))
    if options.install:
        for name, path in (("snap", options.onnx), ("snap_check", options.check)):
            if path is not None:
                print(install(name, path, figures))


if __name__ == "__main__":
    main()
