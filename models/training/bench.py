"""``make bench``: every figure of the README, measured. Nothing else writes models/metrics.json or that block.

Renders plays that no model was trained on (``test_set``), charts them, evaluates, measures speed on two cores,
the saving over looking at every frame, memory on a long file, and real people of ../shared/data where it is.
Each step takes up what a former run of it finished, so that a stopped bench goes on.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from models.training import bench_speed, test_set
from pipeline import config as configs
from pipeline import models, pictures
from pipeline.evaluate import WORDS, Report, evaluate
from pipeline.evaluate_show import shown
from pipeline.ledger import RunFolder, write_bytes, write_json

ROOT = Path(__file__).resolve().parents[2]
METRICS = ROOT / "models" / "metrics.json"
BEGIN, END = "<!-- figures: written by make bench -->", "<!-- figures: end -->"
EVERY_VIEW = ("clips_charted", "snap_within_2_frames", "no_snap_left_alone", "side_accuracy")
# Rows of the table that evaluate does not know: words, unit, what must be reached.
MORE: dict[str, tuple[str, str, str]] = {
    "people_recall_real": (
        "people, held-back real frames of another sport: recall at precision 92 %", "share", ">= 95 %",
    ),
    "people_recall_unseen_sport": (
        "people, a real sport never trained on: recall at precision 65 %", "share", ">= 85 %",
    ),
    "work_s_per_film_s": ("seconds of work for a second of 1080p30 film, two cores", "s", "<= 1.0"),
    "saving_over_every_frame": ("times less work than finding and tracking on every frame", "times", ">= 8"),
    "peak_memory_gib": ("peak memory, a long file", "GiB", "<= 1.5"),
}  # fmt: skip


def chart_set(clips: list[test_set.Clip], films: list[Path], out: Path, workers: int) -> tuple[Path, Path]:
    """Chart all clips into ``out/run``, merge their truth; returns (run, truth).

    In processes of their own, each with the field level of its clips, as a staff would give it.
    """
    run, truth = out / "run", out / "truth"
    test_set.merge_truth(films, truth)
    by_level: dict[str, list[Path]] = {}
    for clip, path in zip(clips, films, strict=True):
        by_level.setdefault(clip.level, []).append(path)
    jobs = []
    for level, some in by_level.items():
        shards = max(1, round(workers * len(some) / len(films)))
        jobs += [(level, some[k::shards]) for k in range(shards) if some[k::shards]]
    with ThreadPoolExecutor(workers) as pool:
        codes = list(pool.map(lambda job: _chart(run, *job), jobs))
    if any(code not in (0, 1, 3) for code in codes):
        raise SystemExit(f"Charting ended with {codes}.")
    # Each process kept the results of its own clips; here the tables of all of them are written.
    RunFolder(run, fresh=False).write_tables()
    return run, truth


def _chart(run: Path, level: str, films: list[Path]) -> int:
    command = [sys.executable, "-m", "pipeline.cli", "chart", "--on", "here", "--out", str(run), "--resume"]
    return subprocess.run([*command, "--field", level, *map(str, films)], cwd=ROOT, check=False).returncode


def real_people(folder: Path) -> dict[str, float]:
    """Recall on real frames: held-back clips, and a sport left out. Empty where the data are not there."""
    if not folder.is_dir():
        print(f"SKIPPED: figures on real people, because {folder} is not on this machine", flush=True)
        return {}
    from models.training import evaluate_people
    from models.training.people_data import HELD_BACK_CLIPS, real_frames

    sets: dict[str, Any] = {}
    for name in (evaluate_people.REAL, evaluate_people.UNSEEN):
        frames = real_frames(folder / name)
        if name == evaluate_people.REAL:
            frames = [f for f in frames if f.group in HELD_BACK_CLIPS]
        sets[name] = frames
    passes = configs.load().people.passes
    found = evaluate_people.measure(models.find("people").path, sets, passes, 2)
    flat = found.get("flat", {})
    return {k: float(flat[k]) for k in ("people_recall_real", "people_recall_unseen_sport") if k in flat}


def commit() -> str:
    """Short hash of the commit measured, '+' where files had changed."""
    def git(*args: str) -> str:
        return subprocess.run(["git", *args], cwd=ROOT, capture_output=True, text=True, check=False).stdout.strip()

    changed = git("status", "--porcelain", "--untracked-files=no", "--", "pipeline", "models", "configs")
    return git("rev-parse", "--short", "HEAD") + ("+" if changed else "")


def write_metrics(report: Report, more: dict[str, float], seeds: list[int], made_at: str) -> dict[str, Any]:
    """Write models/metrics.json: flat numbers, and beside them commit, date, count of plays and seeds."""
    values: dict[str, Any] = {f.key: f.value for f in report.figures} | more
    values = {k: round(v, 5) for k, v in values.items() if math.isfinite(v)}
    former = json.loads(METRICS.read_text(encoding="utf-8")) if METRICS.is_file() else {}
    # Other benches keep their own keys in this file; ours that were not measured this time go.
    kept = {k: v for k, v in former.items() if k not in WORDS and k not in MORE}
    values = {**kept, **values, "commit": made_at, "date": dt.date.today().isoformat(), "plays": len(seeds),
              "seeds": f"{min(seeds)} to {max(seeds)}"}  # fmt: skip
    write_json(METRICS, values)
    return values


def endzone_table(report: Report) -> str:
    """What the same set gives from behind the end zone, where nothing is asked for, as Markdown."""
    lines = ["| from behind the end zone | measured | 95 % interval | over |", "|---|---|---|---|"]
    for f in report.figures:
        if f.key not in EVERY_VIEW:
            words = WORDS[f.key][0].replace(", sideline", "")
            interval = f"{shown(f.low, f.unit)} to {shown(f.high, f.unit)}" if math.isfinite(f.low) else ""
            lines.append(f"| {words} | {shown(f.value, f.unit)} | {interval} | {f.n} |")
    return "\n".join(lines)


def table(report: Report, more: dict[str, float]) -> str:
    """The table of the README as Markdown."""
    lines = ["| what | measured | 95 % interval | over | must reach |", "|---|---|---|---|---|"]
    figures = {f.key: f for f in report.figures}
    for key, (words, target) in WORDS.items():
        if key not in figures:
            lines.append(f"| {words} | not measured | | | {target} |")
            continue
        f = figures[key]
        interval = f"{shown(f.low, f.unit)} to {shown(f.high, f.unit)}" if math.isfinite(f.low) else ""
        lines.append(f"| {words} | {shown(f.value, f.unit)} | {interval} | {f.n} | {target} |")
    for key, (words, unit, target) in MORE.items():
        value = more.get(key)
        text = "not measured" if value is None else f"{100 * value:.1f} %" if unit == "share" else f"{value:.2f} {unit}"
        lines.append(f"| {words} | {text} | | | {target} |")
    return "\n".join(lines)


def spread(report: Report) -> str:
    """The distributions as Markdown."""
    keys = ["n", "mean", "p50", "p75", "p90", "p95", "p99", "max"]
    lines = ["| distribution | " + " | ".join(keys) + " |", "|---" * (len(keys) + 1) + "|"]
    for name, d in report.distributions.items():
        lines.append(f"| {name} | " + " | ".join(f"{d[k]:.0f}" if k == "n" else f"{d[k]:.2f}" for k in keys) + " |")
    return "\n".join(lines)


def labels_table(report: Report) -> str:
    """Agreement on the labels as Markdown."""
    lines = ["| label | plays | answered | exact of all | exact of answered | kappa |", "|---|---|---|---|---|---|"]
    for x in report.labels:
        kappa = "" if math.isnan(x.kappa) else f"{x.kappa:.2f}"
        cells = [x.name, str(x.n), *(shown(v, "share") for v in (x.answered, x.exact, x.exact_answered)), kappa]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def write_readme(
    report: Report, more: dict[str, float], values: dict[str, Any], behind: Report | None = None
) -> None:
    """Put the tables between the README's markers."""
    path = ROOT / "README.md"
    text = path.read_text(encoding="utf-8")
    head, rest = text.split(BEGIN, 1)
    _, tail = rest.split(END, 1)
    about = (
        f"{values['plays']} plays, seeds {values['seeds']}, commit {values['commit']}, {values['date']}. The field "
        "level was given (`--field`). A blank answer counts as wrong in what is called exact."
    )
    parts = [about, table(report, more), *([endzone_table(behind)] if behind else []), labels_table(report)]
    block = "\n\n".join([*parts, spread(report)])
    write_bytes(path, f"{head}{BEGIN}\n{block}\n{END}{tail}".encode())


def worst_pictures(report: Report, run: Path, out: Path, count: int = 10) -> list[Path]:
    """The ten worst plays as pictures: those that are worst in most ways first."""
    score: dict[str, list[str]] = {}
    for w in report.worst:
        if w["snap_id"]:
            score.setdefault(w["snap_id"], []).append(f"{w['what']} {w['value']:g}")
    written = []
    for rank, (snap_id, why) in enumerate(sorted(score.items(), key=lambda s: -len(s[1]))[:count], start=1):
        found = cv2.imread(str(run / "frames" / f"{snap_id}-snap.jpg"))
        if found is None:
            continue
        image = np.asarray(found, np.uint8)
        pictures.text(image, "; ".join(why)[:180], (12, image.shape[0] - 12), 0.5, pictures.INK, chip=pictures.PAPER)
        path = out / "worst" / f"{rank:02d}-{snap_id}.jpg"
        write_bytes(path, pictures.jpeg(image))
        written.append(path)
    return written


def measure_set(options: argparse.Namespace) -> tuple[Report, Report, list[int]]:
    """Render, chart and evaluate the set; keeps what was found in report.json.

    Returns the reports of the sideline and the end-zone view, and the seeds.
    """
    clips = test_set.plan(options.plays, options.first_seed)
    film = (options.film or options.out / "film").resolve()
    clips = test_set.render_all(clips, film, options.workers, options.seconds)
    if not clips:
        raise SystemExit("No clip was rendered.")
    run, truth = chart_set(clips, [film / f"{c.name}.mp4" for c in clips], options.out, options.workers)
    report = evaluate(run, truth)
    for path in worst_pictures(report, run, options.out):
        print(path)
    seeds = [c.seed for c in clips]
    behind = evaluate(run, truth, "endzone")
    kept = report.as_dict() | {"endzone": behind.as_dict(), "seeds": seeds, "commit": commit()}
    write_json(options.out / "report.json", kept)
    return report, behind, seeds


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plays", type=int, default=300)
    parser.add_argument("--out", type=Path, default=Path("bench_out"))
    parser.add_argument("--film", type=Path, help="folder of the rendered set, wherever it was rendered")
    parser.add_argument("--real", type=Path, default=ROOT.parent / "shared" / "data")
    parser.add_argument("--first-seed", type=int, default=test_set.TEST_SEED)
    parser.add_argument("--workers", type=int, default=1, help="processes that render and chart side by side")
    parser.add_argument("--seconds", type=float, default=math.inf, help="begin to render no clip later than this")
    parser.add_argument("--set-only", action="store_true", help="stop after the set's report.json (on a fast machine)")
    parser.add_argument("--report", type=Path, help="report.json of --set-only: measure the rest on two quiet cores")
    parser.add_argument("--dry", action="store_true", help="measure, but write neither metrics.json nor the README")
    options = parser.parse_args(argv)
    options.out = options.out.resolve()
    if options.report is not None:
        kept = json.loads(options.report.read_text(encoding="utf-8"))
        report, behind = Report.from_dict(kept), Report.from_dict(kept["endzone"])
        seeds, made_at = kept["seeds"], kept["commit"]
    else:
        report, behind, seeds = measure_set(options)
        made_at = commit()
    if options.set_only:
        print(table(report, {}), endzone_table(behind), labels_table(report), spread(report), sep="\n\n")
        return
    more = real_people(options.real)
    more |= bench_speed.measure(sorted((ROOT / "sample_frames").glob("*.mp4")), options.out / "speed")
    print(table(report, more), endzone_table(behind), labels_table(report), spread(report), sep="\n\n")
    if not options.dry:
        write_readme(report, more, write_metrics(report, more, seeds, made_at), behind)


if __name__ == "__main__":
    main()
