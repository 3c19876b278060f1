"""The command ``snapledger``. Exit codes: 0 done, 1 failed, 2 usage, 3 some clips failed, the rest is written."""

from __future__ import annotations

import functools
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, ParamSpec, TypeVar

import typer
from rich.console import Console
from rich.markup import escape

from pipeline import __version__
from pipeline import config as configs
from pipeline.errors import SnapledgerError, UsageError
from pipeline.field import LEVELS
from pipeline.progress import reporter_for
from pipeline.run import collect

P = ParamSpec("P")
R = TypeVar("R")

CAUTION = (
    "Numbers are estimates from film: check a row before you lean on it. Film of a league or school has its "
    "own rules on sharing and storing; film of minors more so."
)
app = typer.Typer(
    add_completion=False, no_args_is_help=True, rich_markup_mode=None, pretty_exceptions_enable=False,
    help=f"From wide coaching film to one checkable row per snap.\n\n{CAUTION}",
)  # fmt: skip

OutOption = Annotated[Path, typer.Option("--out", help="Folder for the results; made if it is not there.")]
ConfigOption = Annotated[
    Path | None, typer.Option("--config", help="TOML file whose keys replace those of configs/chart.toml.")
]
FieldOption = Annotated[
    str | None, typer.Option("--field", help=f"Field level: {', '.join(LEVELS)}. Told from the film if left out.")
]


def _guarded(command: Callable[P, R]) -> Callable[P, R]:
    """Turn the program's own errors into one message on stderr and the exit code they carry."""

    @functools.wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except SnapledgerError as e:
            Console(stderr=True, soft_wrap=True, highlight=False).print(escape(f"snapledger: {e}"))
            raise typer.Exit(e.exit_code) from e
        except KeyboardInterrupt as e:
            message = "snapledger: stopped. What was finished is kept: repeat the command with --resume."
            Console(stderr=True, soft_wrap=True).print(message)
            raise typer.Exit(130) from e

    return wrapped


def settings(config: Path | None, field: str | None, view: str | None = None) -> configs.Config:
    """Configuration with the command line over it. Raises ConfigError, UsageError."""
    found = configs.load(config)
    if field is not None:
        if field not in LEVELS:
            raise UsageError(f"Unknown field level {field!r}.", hint=f"Choose one of: {', '.join(LEVELS)}.")
        found = found.with_("field", level=field)
    if view is not None:
        if view not in ("sideline", "endzone", "auto"):
            raise UsageError(f"Unknown view {view!r}.", hint="Choose sideline, endzone or auto.")
        found = found.with_("field", view=view)
    return found


@app.command()
@_guarded
def chart(
    paths: Annotated[list[Path], typer.Argument(metavar="PATH...", help="Film files, or folders of them.")],
    out: OutOption,
    field: FieldOption = None,
    config: ConfigOption = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Keep clips that are done with the same film, settings and models.")
    ] = False,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be charted and how long it takes; write nothing.")
    ] = False,
    workers: Annotated[
        int | None, typer.Option("--workers", min=1, help="Processes; left out, as many as cores and memory allow.")
    ] = None,
    on: Annotated[
        str, typer.Option("--on", help="local: processes of this machine; here: this process; ray://HOST:PORT.")
    ] = "local",
    no_bom: Annotated[bool, typer.Option("--no-bom", help="CSV without a byte order mark.")] = False,
    plays: Annotated[
        Path | None, typer.Option("--plays", help="The staff's play list, .csv or .xlsx; columns as under [plays].")
    ] = None,
) -> None:
    """Chart film: one row per snap, with positions, labels, evidence and pictures, in --out."""
    from pipeline import context, play_list

    found = settings(config, field)
    listed = None if plays is None else play_list.read(plays, context.columns_of(found))
    if no_bom:
        found = found.with_("ledger", bom=False)
    if workers is not None:
        found = found.with_("execution", workers=workers)
    if out.exists() and not out.is_dir():
        raise UsageError("--out is a file.", where=out, hint="Name a folder.")
    inputs = collect(paths, found, out)
    from pipeline.batch import setup

    signal.signal(signal.SIGTERM, signal.default_int_handler)  # asked to end: like Ctrl-C
    if dry_run:
        for line in setup.dry_run(found, inputs, out, resume, on):
            typer.echo(line)
        return
    run = setup.run(found, inputs, out, resume, on)
    try:
        with reporter_for(sys.stdout) as reporter:
            run.chart(inputs, reporter)
    finally:  # also where some clips failed: the rest is written
        if (out / "snaps.csv").is_file() and (out / "labels.csv").is_file():
            for line in context.finish(out, found, listed):
                typer.echo(line)
    typer.echo(f"Ledger:   {out / 'snaps.csv'}")
    typer.echo(f"Pictures: {out / 'frames'}")
    typer.echo(f"Timings:  {out / 'run.json'}")


@app.command()
@_guarded
def join(
    run_dir: Annotated[Path, typer.Argument(metavar="DIR", help="Run folder of `snapledger chart`.")],
    plays: Annotated[Path, typer.Argument(metavar="FILE", help="The staff's play list, .csv or .xlsx.")],
    config: ConfigOption = None,
) -> None:
    """Join a play list with a run that is charted already: down, distance, hash, field position, personnel."""
    from pipeline import context, play_list

    found = settings(config, None)
    for line in context.finish(run_dir, found, play_list.read(plays, context.columns_of(found))):
        typer.echo(line)


@app.command()
@_guarded
def locate(
    images: Annotated[list[Path], typer.Argument(metavar="IMAGE...", help="Stills, or folders of them.")],
    out: OutOption,
    field: FieldOption = None,
    view: Annotated[str, typer.Option("--view", help="sideline, endzone or auto.")] = "auto",
    config: ConfigOption = None,
    no_bom: Annotated[bool, typer.Option("--no-bom", help="CSV without a byte order mark.")] = False,
) -> None:
    """Find people and the field in stills: players.csv, registration.csv and a picture each."""
    from pipeline import locate as stage
    from pipeline import tools

    found = settings(config, field, view)
    if no_bom:
        found = found.with_("ledger", bom=False)
    paths = stage.collect(images)
    with reporter_for(sys.stdout) as reporter:
        stage.locate(paths, out, found, tools.load(found, still=True), reporter)
    typer.echo(f"Players:      {out / 'players.csv'}")
    typer.echo(f"Registration: {out / 'registration.csv'}")


@app.command()
@_guarded
def evaluate(
    pred: Annotated[Path, typer.Argument(metavar="PRED", help="Run folder of `snapledger chart`.")],
    truth: Annotated[
        Path, typer.Argument(metavar="TRUTH", help="Truth folder, or a hand-charted .csv or .xlsx.")
    ],
    view: Annotated[str, typer.Option("--view", help="Clips that positions and counts are taken from.")] = "sideline",
    json_path: Annotated[Path | None, typer.Option("--json", help="Write the figures there too.")] = None,
) -> None:
    """Compare a run with the truth: each figure with its interval, the distributions, the worst cases."""
    from pipeline import evaluate as stage
    from pipeline.evaluate_show import print_report
    from pipeline.ledger import write_json

    if view not in ("sideline", "endzone"):
        raise UsageError(f"Unknown view {view!r}.", hint="Choose sideline or endzone.")
    report = stage.evaluate(pred, truth, view)
    print_report(report, Console(width=None if sys.stdout.isatty() else 170))
    if json_path is not None:
        write_json(json_path, report.as_dict())


@app.command()
@_guarded
def audit(
    run_dir: Annotated[Path, typer.Argument(metavar="DIR", help="Run folder of `snapledger chart`.")],
    port: Annotated[int | None, typer.Option("--port", help="Port on 127.0.0.1; a free one if left out.")] = None,
    who: Annotated[str | None, typer.Option("--who", help="Your name; it stands beside every act.")] = None,
    film: Annotated[Path | None, typer.Option("--film", help="Folder of the film, where it was moved since.")] = None,
    no_browser: Annotated[bool, typer.Option("--no-browser", help="Do not open a browser.")] = False,
) -> None:
    """Check and correct the rows of a run on a page that this computer alone can open."""
    from pipeline.audit.server import serve

    serve(run_dir, port=port, who=who, browser=not no_browser, film=film, say=typer.echo)


@app.command()
@_guarded
def explain(
    run_dir: Annotated[Path, typer.Argument(metavar="DIR", help="Run folder of `snapledger chart`.")],
    snap_id: Annotated[str, typer.Argument(metavar="SNAP_ID", help="As in snaps.csv.")],
    label: Annotated[str | None, typer.Option("--label", help="Only this label.")] = None,
) -> None:
    """Say which measured facts led to each label of a snap, and what would have changed it. No film is needed."""
    from pipeline import explain as stage

    for line in stage.as_text(stage.explain(run_dir, snap_id, label)):
        typer.echo(line)


@app.command()
@_guarded
def export(
    run_dir: Annotated[Path, typer.Argument(metavar="DIR", help="Run folder of `snapledger chart`.")],
    to: Annotated[str, typer.Option("--to", help="csv, xlsx, json or parquet.")],
    only_checked: Annotated[bool, typer.Option("--only-checked", help="Only rows an analyst checked.")] = False,
    columns: Annotated[str | None, typer.Option("--columns", help="Columns, separated by commas.")] = None,
    out: Annotated[Path | None, typer.Option("--out", help="File; DIR/export.FORM if left out.")] = None,
) -> None:
    """Write the rows of a run, corrections applied, for a spreadsheet or another program."""
    from pipeline.export import gather, write

    path = write.target(run_dir, to, out)
    names = None if columns is None else [n.strip() for n in columns.split(",") if n.strip()]
    found = gather.gather(run_dir, names, only_checked)
    write.write(found, to, path)
    typer.echo(f"{len(found.rows)} row(s), {len(found.columns)} column(s): {path}")


@app.command("import-edits")
@_guarded
def import_edits(
    run_dir: Annotated[Path, typer.Argument(metavar="DIR", help="Run folder the file was exported from.")],
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The edited export, .csv or .xlsx.")],
    who: Annotated[str | None, typer.Option("--who", help="Your name; it stands beside every act.")] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be taken over; write nothing.")] = False,
    ignore_unknown: Annotated[
        bool, typer.Option("--ignore-unknown", help="Leave columns out that an export does not have.")
    ] = False,
) -> None:
    """Take cells edited in an export over as acts of the audit; conflicts are shown and not written."""
    from pipeline.export import import_command

    import_command.run(run_dir, file, who, dry_run, ignore_unknown, typer.echo)


@app.command()
@_guarded
def report(
    run_dirs: Annotated[list[Path], typer.Argument(metavar="DIR...", help="Run folders of `snapledger chart`.")],
    out: Annotated[Path, typer.Option("--out", help="The file, for example report.html.")],
    quiz: Annotated[bool, typer.Option("--quiz", help="With a quiz sheet: the snap first, the answer after.")] = False,
    questions: Annotated[int, typer.Option("--questions", min=1, max=200, help="Questions of the quiz.")] = 12,
    film: Annotated[Path | None, typer.Option("--film", help="Folder of the film, where it was moved since.")] = None,
) -> None:
    """Write one page for a coach: what was shown, what it became, how often the picture lied; every number leads
    to its snaps."""
    from pipeline.report import make

    make.write(run_dirs, out, questions if quiz else 0, film)
    typer.echo(f"Report: {out}")


@app.command()
@_guarded
def learn(
    run_dirs: Annotated[list[Path], typer.Argument(metavar="DIR...", help="Run folders with checked rows.")],
    out: Annotated[Path, typer.Option("--out", help="New folder for the models; the ones in use stay.")],
    minutes: Annotated[float, typer.Option("--minutes", min=0.01, help="Time for training the finder.")] = 10.0,
    film: Annotated[Path | None, typer.Option("--film", help="Folder of the film, where it was moved since.")] = None,
    config: ConfigOption = None,
) -> None:
    """Learn from checked rows: finder and how sure labels are, measured on clips held back. Extra `learn`."""
    from pipeline import tools
    from pipeline.learn import make

    tools.choose_models(configs.load(config))
    make.run(run_dirs, out, minutes=minutes, film=film, say=typer.echo)


def _version(value: bool) -> None:
    if value:
        typer.echo(f"snapledger {__version__}")
        raise typer.Exit()


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    """From wide coaching film to one checkable row per snap."""


def main(*args: Any) -> None:
    """Entry point of the console script."""
    app(*args)


if __name__ == "__main__":
    main()
