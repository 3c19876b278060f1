"""``make bench``: every figure of the README, measured. Nothing else writes models/metrics.json or that block.

Renders plays that no model was trained on (``test_set``), charts them, evaluates, measures speed on two cores,
the saving over looking at every frame, memory on a long file, and real people of ../shared/data where it is.
Each step takes up what a former run of it finished, so that a stopped bench goes on. --collected takes a set that
was charted elsewhere (device/bench.sh), --replay runs the stages behind the finders again on it.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import math
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from models.training import bench_replay, bench_set, bench_speed, bench_tables, bench_truth, eyes_figures, eyes_identity
from models.training.bench_tables import MORE
from pipeline import config as configs
from pipeline import label_figures, models
from pipeline.evaluate import WORDS, Report, evaluate
from pipeline.label_figures import Value
from pipeline.ledger import write_json

ROOT = Path(__file__).resolve().parents[2]
METRICS = ROOT / "models" / "metrics.json"


@dataclass(frozen=True)
class Measured:
    """What a charted set gives: reports of both views, figures of the eyes, seeds, and the commit charted."""

    report: Report
    behind: Report
    eyes: list[Value] = field(default_factory=list)
    seeds: list[int] = field(default_factory=list)
    commit: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return self.report.as_dict() | {
            "endzone": self.behind.as_dict(), "eyes": [vars(v) for v in self.eyes], "seeds": self.seeds,
            "commit": self.commit,
        }  # fmt: skip

    @staticmethod
    def from_dict(raw: dict[str, Any]) -> Measured:
        """Inverse of :meth:`as_dict`, for figures kept as JSON (where NaN is null)."""
        def value(v: dict[str, Any]) -> Value:
            low, high = (math.nan if v[k] is None else float(v[k]) for k in ("low", "high"))
            return Value(v["key"], float(v["value"]), low, high, int(v["n"]), v["unit"])

        eyes = [value(v) for v in raw.get("eyes", [])]
        return Measured(Report.from_dict(raw), Report.from_dict(raw["endzone"]), eyes, raw["seeds"], raw["commit"])


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


def render_and_chart(options: argparse.Namespace) -> Path:
    """The set rendered and charted on this machine; returns the folder that holds it."""
    place = bench_set.Place(options.out)
    place.film.mkdir(parents=True, exist_ok=True)
    if options.film is None:
        bench_set.pool(place, "render", options.plays, options.workers, options.seconds)
    else:
        for path in sorted(options.film.resolve().glob("*.*")):
            if not (place.film / path.name).exists():
                (place.film / path.name).symlink_to(path)
    if not place.rendered():
        raise SystemExit("No clip was rendered.")
    bench_set.pool(place, "chart", options.plays, options.workers, math.inf)
    bench_set.gather(place)
    bench_set.worst(place, options.workers, math.inf)
    return options.out


def measure_set(options: argparse.Namespace) -> Measured:
    """Figures of the set, kept in report.json."""
    folder: Path = options.collected or render_and_chart(options)
    facts = json.loads((folder / "facts.json").read_text(encoding="utf-8"))
    run, truth = folder / "run", folder / "truth"
    charted = facts["commit"] or commit()
    if options.replay:
        run = bench_replay.replay(folder, folder / "replayed", options.workers)
        truth = bench_truth.tell_again(folder, folder / "truth_again", options.workers)
        charted = f"{charted}, stages behind the finders {commit()}"
    eyes = eyes_figures.figures(run, truth) + eyes_identity.figure(folder, options.workers)
    found = Measured(evaluate(run, truth), evaluate(run, truth, "endzone"), eyes, facts["seeds"], charted)
    write_json(options.out / "report.json", found.as_dict())
    return found


def write_metrics(
    report: Report, more: dict[str, float], seeds: list[int], made_at: str, eyes: Sequence[Value] = ()
) -> dict[str, Any]:
    """Write models/metrics.json: flat numbers, and beside them commit, date, count of plays and seeds."""
    values: dict[str, Any] = {f.key: f.value for f in report.figures}
    values |= {v.key: v.value for v in (*report.label_figures, *eyes)} | more
    values = {k: round(v, 5) for k, v in values.items() if math.isfinite(v)}
    former = json.loads(METRICS.read_text(encoding="utf-8")) if METRICS.is_file() else {}
    # Other benches keep their own keys in this file; ours that were not measured this time go.
    ours = {*WORDS, *MORE, *label_figures.WORDS, *eyes_figures.WORDS} - {"eyes_level_told"}
    kept = {k: v for k, v in former.items() if k not in ours}
    values = {**kept, **values, "commit": made_at, "date": dt.date.today().isoformat(), "plays": len(seeds),
              "seeds": f"{min(seeds)} to {max(seeds)}"}  # fmt: skip
    write_json(METRICS, values)
    return values


def show(found: Measured, more: dict[str, float], values: dict[str, Any]) -> None:
    """Print every table."""
    t = bench_tables
    labels = t.labels_table(found.report.label_figures, values)
    print(t.table(found.report, more), eyes_figures.table(found.eyes), labels, sep="\n\n")
    print("", t.endzone_table(found.behind), t.agreement(found.report), t.spread(found.report), sep="\n\n")


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--plays", type=int, default=300)
    parser.add_argument("--out", type=Path, default=Path("bench_out"))
    parser.add_argument("--film", type=Path, help="folder of the rendered set, wherever it was rendered")
    parser.add_argument("--real", type=Path, default=ROOT.parent / "shared" / "data")
    parser.add_argument("--workers", type=int, default=2, help="processes that render and chart side by side")
    parser.add_argument("--seconds", type=float, default=math.inf, help="stop rendering then")
    parser.add_argument("--collected", type=Path, help="folder of a set charted elsewhere, its archives unpacked")
    parser.add_argument("--replay", action="store_true", help="tracks, alignment and labels of this checkout on it")
    parser.add_argument("--set-only", action="store_true", help="stop after the set's report.json")
    parser.add_argument("--report", type=Path, help="report.json of an earlier run: the rest alone is measured")
    parser.add_argument("--dry", action="store_true", help="measure, but write neither metrics.json nor the README")
    options = parser.parse_args(argv)
    options.out = options.out.resolve()
    if options.report is not None:
        found = Measured.from_dict(json.loads(options.report.read_text(encoding="utf-8")))
    else:
        found = measure_set(options)
    former = json.loads(METRICS.read_text(encoding="utf-8")) if METRICS.is_file() else {}
    if options.set_only:
        show(found, {}, former)
        return
    more = real_people(options.real)
    more |= bench_speed.measure(sorted((ROOT / "sample_frames").glob("*.mp4")), options.out / "speed")
    show(found, more, former)
    if not options.dry:
        values = write_metrics(found.report, more, found.seeds, found.commit, found.eyes)
        bench_tables.write_readme(ROOT, found.report, more, values, found.behind, found.eyes)


if __name__ == "__main__":
    main()
