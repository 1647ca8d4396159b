"""The commands ``grade`` and ``regrade``: one photo or millions."""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wearvision.bulk.entries import demand_photos, list_photos

if TYPE_CHECKING:
    from wearvision.bulk.job import Answer, GradeWork
    from wearvision.bulk.tally import Tally

PART_NAMES = ("flame_cell", "electrode", "coupler")
"""Known without importing the parts, so that ``--help`` is quick; a test holds them to the registry."""
MANY = 32
"""From so many photos on a summary is printed, and at a terminal how far it is."""


@contextmanager
def told() -> Iterator[None]:
    """Turns our own errors into one line on standard error and exit status 2."""
    from wearvision.errors import WearvisionError

    try:
        yield
    except WearvisionError as error:
        raise click.UsageError(str(error)) from error


@contextmanager
def _broken_off() -> Iterator[None]:
    """The same, but exit status 1 and no usage line for what only shows in the midst of work."""
    from wearvision.errors import BulkError, ResultsError

    with told():
        try:
            yield
        except (BulkError, ResultsError) as error:
            raise click.ClickException(str(error)) from error


_cores = click.option("--cores", type=click.IntRange(1), help="Processes to use.  [default: all cores]")
_scheduler = click.option(
    "--scheduler", metavar="local|ADDRESS", help="Spread the work by Dask (extra bulk): here, or over its scheduler."
)
_batch = click.option("--batch", type=click.IntRange(1), default=256, show_default=True, help="Photos a part file.")


@click.command()
@click.argument("photos", nargs=-1, required=True)
@click.option("--part", type=click.Choice(PART_NAMES), help="The part, if you know it.")
@click.option("--together", is_flag=True, help="All photos show one and the same part, from several sides.")
@click.option("--reference", type=click.Path(path_type=Path), help="Photo of the same part when new.")
@click.option("--limits", type=click.Path(path_type=Path), help="TOML file that overrides rows of the wear standard.")
@click.option("--model", help="Model folder, or the id of a released model.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a line instead of tables.")
@click.option("--overlay", type=click.Path(path_type=Path, file_okay=False), help="Folder for pictures that show why.")
@click.option("--brief", is_flag=True, help="Measures only, without the hand checks.")
@click.option("--deep", is_flag=True, help="Also the photos in the folders of a folder.")
@click.option("--out", help="File of results; run again, it goes on from there. *.parquet: a folder of part files.")
@_cores
@_scheduler
@_batch
@click.pass_context
def grade(
    context: click.Context,
    photos: tuple[str, ...],
    part: str | None,
    together: bool,
    reference: Path | None,
    limits: Path | None,
    model: str | None,
    as_json: bool,
    overlay: Path | None,
    brief: bool,
    deep: bool,
    out: str | None,
    cores: int | None,
    scheduler: str | None,
    batch: int,
) -> None:
    """Grades photos of parts; a folder stands for the photos in it, @FILE for the addresses in a text file.

    Exit status: 0 when every photo could be read, 1 when one could not, 2 for wrong usage, 130 or 143 when it was
    stopped.
    """
    if model is None and out is None and len(photos) == 1 and Path(photos[0]).is_file():
        _begin_model()
    from wearvision.bulk.job import GradeWork, Terms
    from wearvision.standard import load_limits

    spread = scheduler is not None or _is_folder(out)
    if together and (out or spread):
        raise click.UsageError("--together grades one part; it goes with neither --out nor --scheduler.")
    if spread and (out is None or overlay is not None):
        raise click.UsageError("--scheduler needs --out, a folder for part files, and makes no --overlay.")
    with told():
        demand_photos(photos, deep=deep)
        known = None if reference is None else _reference(reference)
        terms = Terms(load_limits(limits), model, part, known)
        work = GradeWork(
            terms,
            terms.id if out else "",
            "json" if as_json or out else "report",
            brief,
            None if overlay is None else str(overlay),
        )
    show = _Show(work, as_json=as_json, brief=brief)
    listed = list_photos(photos, deep=deep)
    if together:
        with told():
            answer = work.start()
        show(answer((0, *listed)))
        context.exit(1 if show.tally.failed else 0)
    with _stopping() as stop, _progress(quiet=as_json and not out) as progress, _broken_off():
        if spread and out is not None:
            spreading = _spreading()
            tally = spreading.grade_spread(
                out, listed, work, scheduler or "local", _count(cores), batch, stop=stop, progress=progress
            )
        elif out is not None:
            from wearvision.bulk.local import grade_into

            tally = grade_into(Path(out), listed, work, _count(cores), stop=stop, progress=progress)
        else:
            from wearvision.bulk.local import grade_here

            grade_here(listed, work, _count(cores), lambda answer: progress(show(answer)), stop=stop)
            tally = show.tally
    if out or tally.total >= MANY:
        _sum_up(tally, out, one_by_one=bool(out) or as_json)
    _leave(context, stop, tally)


@click.command()
@click.argument("results", nargs=-1, required=True)
@click.option("--out", help="File (*.jsonl), or folder of part files, for the results; without it nothing is written.")
@click.option("--limits", type=click.Path(path_type=Path), help="TOML file that overrides rows of the wear standard.")
@click.option("--model", help="Model folder or id: photos that another one has graded are looked at again.")
@click.option("--photos", help="Folder or address where the photos lie now, by their names.")
@_cores
@_scheduler
@click.pass_context
def regrade(
    context: click.Context,
    results: tuple[str, ...],
    out: str | None,
    limits: Path | None,
    model: str | None,
    photos: str | None,
    cores: int | None,
    scheduler: str | None,
) -> None:
    """Grades earlier results again, under other limits without the photos, and shows what changes.

    RESULTS are files of `grade --out` or `grade --json`, or folders of part files. Each new result keeps the earlier
    grade in its field `before`. Exit status as of `grade`.
    """
    from wearvision.bulk.again import RegradeWork
    from wearvision.bulk.job import Terms
    from wearvision.standard import load_limits

    with told():
        work = RegradeWork(Terms(load_limits(limits), model), photos)
    with _stopping() as stop, _progress(quiet=False) as progress, _broken_off():
        if scheduler is not None or _is_folder(out):
            tally = _spreading().regrade_spread(
                out, results, work, scheduler or "local", _count(cores), stop=stop, progress=progress
            )
        else:
            from wearvision.bulk.regrading import regrade_here

            tally = regrade_here(
                None if out is None else Path(out), results, work, _count(cores), stop=stop, progress=progress
            )
    from wearvision.console import out as console
    from wearvision.console_bulk import changes_view

    console().print(changes_view(tally.changes, tally.widened))
    _sum_up(tally, out, one_by_one=True)
    _leave(context, stop, tally)


def _begin_model() -> None:
    """Lets the default model load while the rest of the program is imported."""
    import wearvision_models
    from wearvision.graph import begin_graph

    path = Path(wearvision_models.__path__[0]) / wearvision_models.DEFAULT / "model.onnx"
    if path.is_file():
        begin_graph(path)


def _is_folder(out: str | None) -> bool:
    """True for a name that stands for a folder of part files."""
    return (out or "").rstrip("/").endswith(".parquet")


def _leave(context: click.Context, stop: _Stop, tally: Tally) -> None:
    if stop.signal:
        click.echo("Stopped; the same command goes on from here.", err=True)
        context.exit(128 + stop.signal)
    context.exit(1 if tally.failed else 0)


def _reference(path: Path) -> Any:
    """The entry of a photo that was read once, so that a bad one is told before work begins."""
    from wearvision.bulk.entries import entry_of
    from wearvision.photo import read_photo

    read_photo(path)
    return entry_of(path)


def _count(cores: int | None) -> int:
    if cores is not None:
        return cores
    from wearvision.bulk.crew import cores_here

    return cores_here()


def _spreading() -> Any:
    try:
        from wearvision.bulk import spreading
    except ImportError as error:
        raise click.UsageError(
            f"--scheduler and *.parquet need pip install 'wearvision[bulk]' ({error.name} is missing)."
        ) from error
    return spreading


class _Show:
    """Prints answers as they come."""

    def __init__(self, work: GradeWork, *, as_json: bool, brief: bool) -> None:
        from wearvision.bulk.tally import Tally

        self.tally = Tally()
        self._work, self._json, self._brief = work, as_json, brief

    def __call__(self, answer: Answer) -> Tally:
        self.tally.add(answer.facts)
        if self._json:
            click.echo(answer.lines, nl=False)
        elif answer.report is None:
            for fact in answer.facts:
                click.echo(f"{fact.name}: {fact.message}", err=True)
        else:
            from wearvision.console import out, report_view

            out().print(report_view(answer.report, self._work.terms.limits, checks=not self._brief))
        return self.tally


class _Stop(threading.Event):
    """Set by the signal whose number it keeps; 0: none came."""

    signal = 0


@contextmanager
def _stopping() -> Iterator[_Stop]:
    """An interrupt or request to end lets what runs come to its end; a second one does not."""
    stop = _Stop()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}

    def ask(number: int, _: Any) -> None:
        stop.signal = number
        stop.set()
        for each, handler in before.items():
            signal.signal(each, handler)

    for number in before:
        signal.signal(number, ask)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _progress(*, quiet: bool) -> Iterator[Callable[[Tally], None]]:
    """Tells how far it is on standard error, at a terminal."""
    if quiet or not sys.stderr.isatty():
        yield lambda tally: None
        return
    from wearvision.console_bulk import HowFar

    with HowFar(MANY) as line:
        yield lambda tally: line.show(tally.total, tally.failed)


def _sum_up(tally: Tally, out: str | None, *, one_by_one: bool) -> None:
    """Counts and the first errors, on standard error."""
    parts = [f"{tally.total:,} photos"]
    if tally.before:
        parts.append(f"{tally.before:,} done before")
    if tally.failed:
        parts.append(
            f"{tally.failed:,} could not be judged: " + ", ".join(f"{n:,} {c}" for c, n in tally.errors.items())
        )
    click.echo((f"{out}: " if out else "") + "; ".join(parts), err=True)
    for name, message in tally.first if one_by_one else []:
        click.echo(f"  {name}: {message}", err=True)
    if one_by_one and tally.failed > len(tally.first):
        click.echo(f"  and {tally.failed - len(tally.first):,} more", err=True)
