"""``make bench-eyes``: how far the eyes hold on looks nobody trained on; writes models/eyes.json and models/EYES.md.

Renders stills of unseen looks, takes them the way of ``snapledger locate`` and counts by look; held-back real frames
where ../shared/data is; what each learned part buys, on a collected bench, stills and clips, where they are there; what
leaving a look out of the training costs, from the file the training leaves (models/people/unseen_looks.json).
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

from models.training import bench, eyes_parts, eyes_stills, eyes_table, unseen_looks
from pipeline import config as configs
from pipeline import models
from pipeline.ledger import plain, write_bytes, write_json

ROOT = bench.ROOT
JSON, PAGE = ROOT / "models" / "eyes.json", ROOT / "models" / "EYES.md"
LEFT_OUT = ROOT / "models" / "people" / "unseen_looks.json"
# Keys of models/metrics.json from the stills.
FLAT = {
    "eyes_level_told": "level_told", "eyes_stills_people_recall": "recall",
    "eyes_stills_people_precision": "precision", "eyes_stills_registration_usable": "usable",
}  # fmt: skip


def real_frames(folder: Path) -> dict[str, dict[str, Any]]:
    """The finder on held-back real frames, by set; empty where the data are not there."""
    from models.training import evaluate_people
    from models.training.people_data import HELD_BACK_CLIPS
    from models.training.people_data import real_frames as read

    if not folder.is_dir():
        print(f"SKIPPED: real frames, because {folder} is not on this machine", flush=True)
        return {}
    sets = {evaluate_people.UNSEEN: read(folder / evaluate_people.UNSEEN)}
    held_back = [f for f in read(folder / evaluate_people.REAL) if f.group in HELD_BACK_CLIPS]
    sets[evaluate_people.REAL] = held_back
    entry = models.find("people")
    found = evaluate_people.measure(entry.path, sets, configs.load().people.passes, 2)
    at = f"at_{entry.settings.get('confidence', 0.25)}"
    keys = ("frames", "labelled_a_frame", "ap50", "recall_at_precision_0.94", "recall_at_precision_0.7")
    return {
        name: {k: found[name][k] for k in keys if k in found[name]} | {"used": found[name].get(at, {})}
        for name in sets
    }  # fmt: skip


def real_table(found: dict[str, dict[str, Any]]) -> str:
    """Markdown."""
    lines = ["| real frames of other sports | frames | recall as used | precision | AP50 | recall at precision 94 % "
             "| at 70 % |", "|---" * 7 + "|"]  # fmt: skip

    def share(v: Any) -> str:
        return "" if v is None else f"{100 * v:.1f} %"

    for name, f in found.items():
        used = f.get("used", {})
        cells = (name.replace("_", " "), f["frames"], share(used.get("recall")), share(used.get("precision")),
                 f"{f['ap50']:.3f}", share(f.get("recall_at_precision_0.94")), share(f.get("recall_at_precision_0.7")))
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return "\n".join(lines)


def parts(options: argparse.Namespace) -> list[eyes_parts.Part]:
    """What each learned part buys, as far as there is something to measure it on."""
    out: list[eyes_parts.Part] = []
    if options.collected and (options.collected / "run" / "evidence").is_dir():
        out += eyes_parts.from_collected(options.collected, options.out / "parts", options.workers, options.plays)
    else:
        print("SKIPPED: parts behind the finders, because no collected bench is there (make bench first)", flush=True)
    eyes_stills.render(options.out / "stills", min(options.stills, eyes_parts.STILLS), options.workers)
    out += eyes_parts.from_stills(options.out / "stills", options.workers)
    films = sorted(options.film.glob("*.mp4"))[: options.plays] if options.film else []
    truth: dict[str, float | None] = {}
    for path in films:
        rows = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))["snaps"]
        truth[path.name] = rows[0].get("snap_time_s")
    if films:
        out += eyes_parts.from_clips(films, truth, options.workers)
    else:
        print("SKIPPED: the snap scorer's part, because no rendered clips are there", flush=True)
    return out


def page(found: dict[str, Any]) -> str:
    """models/EYES.md."""
    looks = found["looks"]
    text = [
        "# How far the eyes hold",
        "Written by `make bench-eyes`; the numbers are in `eyes.json`. "
        f"{looks['all']['stills']} stills rendered with looks of the split held back from every training (seed "
        f"{found['seed']}), taken the way of `snapledger locate` with neither field level nor view given; commit "
        f"{found['commit']}, {found['date']}. Brackets: 95 % intervals, whole stills drawn anew. Nothing is said on "
        f"fewer than {eyes_table.LEAST} stills. A still shows one moment: film, where the frames around help, does "
        "better. Rendered film is kinder than yours.",
        "## By look", eyes_table.table(looks),
    ]  # fmt: skip
    if found.get("real"):
        text += ["## Real people", "Spectators and staff are unlabelled there, so precision is a floor.",
                 real_table(found["real"])]  # fmt: skip
    if found.get("left_out"):
        text += ["## What an unseen look costs", "Short trainings of equal steps, each without one look.",
                 unseen_looks.table(found["left_out"])]  # fmt: skip
    if found.get("parts"):
        text += ["## What each learned part buys", "Everything else as it is. The finder of people has no row: "
                 "without it there is nothing.",
                 eyes_parts.table([eyes_parts.Part(**p) for p in found["parts"]])]  # fmt: skip
    return "\n\n".join(text) + "\n"


def write_metrics(looks: dict[str, Any]) -> None:
    """Put our keys into models/metrics.json, leaving the others."""
    path = bench.METRICS
    values = json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {}
    values |= {key: round(looks["all"][name]["value"], 5) for key, name in FLAT.items() if name in looks["all"]}
    write_json(path, values)


def main(argv: list[str] | None = None) -> None:
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--stills", type=int, default=600)
    p.add_argument("--out", type=Path, default=Path("bench_out/eyes"))
    p.add_argument("--workers", type=int, default=2)
    p.add_argument("--passes", default="", help="of the finder; the program's own for stills where left out")
    p.add_argument("--real", type=Path, default=ROOT.parent / "shared" / "data")
    p.add_argument("--collected", type=Path, default=Path("bench_out"), help="a charted bench with its evidence")
    p.add_argument("--film", type=Path, help="rendered clips with truth, for the snap scorer's part")
    p.add_argument("--plays", type=int, default=40, help="of the bench and of the clips that the parts are measured on")
    p.add_argument("--left-out", type=Path, default=LEFT_OUT, help="JSON of models.training.unseen_looks")
    p.add_argument("--models", type=Path, help="another models folder than the one that ships")
    p.add_argument("--records", type=Path, help="folder of records made elsewhere: no still is rendered")
    p.add_argument("--no-parts", action="store_true")
    p.add_argument("--dry", action="store_true", help="measure and print; write nothing under models/")
    options = p.parse_args(argv)
    options.out = options.out.resolve()
    if options.film is None and (options.collected / "film").is_dir():
        options.film = options.collected / "film"
    if options.records is None:
        eyes_stills.render(options.out / "stills", options.stills, options.workers)
        eyes_stills.look_at(
            options.out / "stills", options.workers, options.out / "records", options.passes, options.models
        )
    records = eyes_stills.read_all(options.records or options.out / "records")
    found: dict[str, Any] = {
        "commit": bench.commit(), "date": dt.date.today().isoformat(), "seed": eyes_stills.SEED,
        "looks": eyes_table.by_look(records), "real": real_frames(options.real),
        "parts": [] if options.no_parts else [asdict(x) for x in parts(options)],
        "left_out": json.loads(options.left_out.read_text(encoding="utf-8")) if options.left_out.is_file() else [],
    }  # fmt: skip
    text = page(found)
    print(text)
    if not options.dry:
        write_json(JSON, plain(found))
        write_bytes(PAGE, text.encode())
        write_metrics(found["looks"])


if __name__ == "__main__":
    main()
