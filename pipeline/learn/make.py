"""``snapledger learn``: from checked rows to a new models folder, measured on clips that were held back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from pipeline import models
from pipeline.errors import UsageError
from pipeline.learn import checked, confidence, frames, store
from pipeline.learn.checked import CheckedRow
from pipeline.learn.store import Replaced

FEWEST_CORRECTED = 5  # rows with a person moved, added or deleted, in the part to learn from
Say = Callable[[str], None]


def run(
    run_dirs: Sequence[Path], out: Path, *, minutes: float = 10.0, film: Path | None = None, say: Say = print,
    most_steps: int = 4000,
) -> Path:
    """Learn what the checked rows allow; the configuration file that uses the new folder.

    Raises UsageError (too few checked rows, nothing that could be learned, torch not installed), OutputError.
    """
    used = models.models_dir()
    store.check_target(out, used)
    rows = checked.load(run_dirs)
    back = sum(r.held_back for r in rows)
    lines: list[str] = []

    def tell(text: str) -> None:
        lines.append(text)
        say(text)

    tell(f"{len(rows)} checked row(s) of {len({r.clip for r in rows})} clip(s): {len(rows) - back} to learn from, "
         f"{back} held back for measuring.")  # fmt: skip
    replaced: dict[str, Replaced] = {}
    labels = _labels(rows, tell)
    if labels is not None:
        replaced["labels"] = labels
    people = _people(rows, film, minutes, most_steps, tell, say)
    if people is not None:
        replaced["people"] = people
    if not replaced:
        raise UsageError("Nothing was learned that is better on the held-back clips; the models in use stay.",
                         hint="Check more rows, on more clips, and run it again.")  # fmt: skip
    config = store.write(out, used, replaced, "\n".join(lines) + "\n")
    say(f"New models: {out / store.FOLDER}. Use them with --config {config}; the old ones are as they were.")
    return config


def _labels(rows: Sequence[CheckedRow], tell: Say) -> Replaced | None:
    """How sure labels are, fitted anew."""
    entry = models.read_manifest().get("labels")
    if entry is None:
        return None
    data, found = confidence.recalibrate(models.read_checked(entry), rows)
    if not found:
        tell(f"labels: fewer than {confidence.FEWEST} judged answers of every label; nothing to fit.")
        return None
    for one in found:
        tell(f"labels: {one.text()}{'' if one.better else '; no better, left as it was'}")
    kept = [one for one in found if one.better]
    if not kept:
        return None
    metrics = {f"learned_log_loss_{one.label}": round(one.loss_after, 4) for one in kept}
    return Replaced(data, f"confidence fitted anew on {len(rows)} rows checked by the user", metrics)


def _people(
    rows: Sequence[CheckedRow], film: Path | None, minutes: float, most_steps: int, tell: Say, say: Say
) -> Replaced | None:
    """The finder, trained further."""
    corrected = [r for r in rows if r.people_corrected and not r.held_back]
    if len(corrected) < FEWEST_CORRECTED:
        tell(f"finder: {len(corrected)} row(s) to learn from have a person moved, added or deleted, at least "
             f"{FEWEST_CORRECTED} are needed; it stays as it is.")  # fmt: skip
        return None
    found, notes = frames.build(rows, film)
    for note in notes:
        tell(f"left out: {note}")
    learn, back = ([f for f in found if f.held_back == side] for side in (False, True))
    if not learn or not back:
        tell("finder: no frames to learn from or to measure on; it stays as it is.")
        return None
    try:
        from pipeline.learn import finder
    except ImportError as e:
        raise UsageError("Training the finder needs torch.", hint="pip install 'snapledger[learn]'.") from e
    entry = models.find("people")
    old = models.read_checked(entry)
    before = finder.measure(models.open_network(old), back, entry.settings)
    tell(f"finder: {len(learn)} frame(s) to learn from, {len(back)} held back; before: {before.text()}")
    new = finder.fit(old, learn, width_px=int(entry.settings.get("width_px", 1280)), seconds=60 * minutes,
                     most_steps=most_steps, tell=say)  # fmt: skip
    after = finder.measure(models.open_network(new), back, entry.settings)
    tell(f"finder: after: {after.text()}")
    if after.score <= before.score:
        tell("finder: no better on the held-back clips; it stays as it is.")
        return None
    metrics = {
        "learned_recall_held_back": round(after.recall, 4), "learned_recall_before": round(before.recall, 4),
        "learned_precision_held_back": round(after.precision, 4),
        "learned_precision_before": round(before.precision, 4), "learned_people_held_back": after.people,
    }  # fmt: skip
    return Replaced(new, f"trained further on {len(learn)} frames of the user's own film", metrics)
