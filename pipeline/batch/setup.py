"""A run set up for a place (--on): this process, processes of this machine, or a cluster; and the dry run."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from pipeline import film, tools
from pipeline.batch import estimate
from pipeline.batch.here import Here
from pipeline.batch.jobs import Engine, Plan, Recipe, cores, divide
from pipeline.batch.local import Local
from pipeline.batch.work import fingerprint
from pipeline.config import Config
from pipeline.errors import SnapledgerError, UsageError
from pipeline.ledger import RunFolder
from pipeline.progress import about
from pipeline.run import Inputs, Run

LOCAL, HERE = "local", "here"


def _plan(config: Config, on: str, jobs: int) -> Plan:
    if on == HERE:
        return Plan(1, config.execution.threads or cores())
    return divide(config, max(jobs, 1))


def _check_place(on: str) -> None:
    if on not in (LOCAL, HERE) and not on.startswith("ray://"):
        raise UsageError(f"Unknown place {on!r}.", hint="--on local, --on here or --on ray://HOST:PORT.")


def run(config: Config, inputs: Inputs, out: Path, resume: bool, on: str) -> Run:
    """A run ready to chart. Raises ModelError, ConfigError, UsageError before any film is opened."""
    _check_place(on)
    plan = _plan(config, on, len(inputs.clips))
    settled = config.with_("execution", threads=plan.threads)
    if on == HERE:
        engine: Engine = Here(settled, tools.load(settled), out)
        return Run(settled, None, out, resume, engine)
    recipe = Recipe(settled, out, tools.check(config))
    if on == LOCAL:
        return Run(settled, None, out, resume, Local(recipe, plan))
    from pipeline.batch import on_ray

    RunFolder(out).check_writable()
    found = on_ray.plan_for(Recipe(config, out), config.execution.workers, len(inputs.clips))
    settled = config.with_("execution", threads=found.threads)
    recipe = Recipe(settled, out.resolve(), recipe.models_sha256)
    return Run(settled, None, out.resolve(), resume, on_ray.OnRay(on, recipe, found))


def dry_run(config: Config, inputs: Inputs, out: Path, resume: bool, on: str) -> Iterator[str]:
    """What a run would do, in lines, and how long it would take. Writes nothing."""
    _check_place(on)
    models_sha256 = tools.load(config).models_sha256 if on == HERE else tools.check(config)
    folder = RunFolder(out, fresh=False)
    bad, lengths, kept = len(inputs.failures), [], 0
    for row in inputs.failures:
        yield f"{row['file']}: {row['reason']}"
    for clip in inputs.clips:
        try:
            info = film.probe(clip.path, config.film.longest_s)
        except SnapledgerError as e:
            bad += 1
            yield f"{clip.name}: would fail: {e.message}"
            continue
        seconds = float(info.duration_s or 0)
        done = resume and folder.finished(clip.name, fingerprint(clip, config, models_sha256))
        kept += done
        if not done:
            lengths.append(seconds)
        what = "done before" if done else "to chart"
        yield f"{clip.name}: {what}, {info.width_px}x{info.height_px}, {seconds:.1f} s"
    yield f"{len(inputs.clips)} file(s), {bad} with a problem. Nothing was written."
    yield _how_long(config, folder, lengths, kept, on)


def _how_long(config: Config, folder: RunFolder, lengths: list[float], kept: int, on: str) -> str:
    plan = _plan(config, on, len(lengths))
    found = estimate.rate(folder.results.values(), plan.threads)
    seconds = estimate.wall_s(lengths, found, plan.workers, plan.threads)
    said = f"{len(lengths)} to chart, {sum(lengths) / 60:.1f} min of film"
    if kept:
        said += f", {kept} done before"
    if seconds is None:
        return f"{said}; how long it takes is not known: {found.source}."
    where = f"with {plan.workers} worker(s) of {plan.threads} thread(s)"
    if on.startswith("ray://"):
        where = "on this machine alone"
    return f"{said}: {about(seconds)} {where}, {found.source}."
