"""What a person at a terminal sees of many photos: how far it is, and what other limits or another model change."""

from __future__ import annotations

from collections import Counter
from types import TracebackType

from rich.console import Console, Group
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

NOT_JUDGED = "not judged"


class HowFar:
    """A line on standard error; the number of photos is not known in advance.

    Args:
        least: From so many photos on it shows.
    """

    def __init__(self, least: int) -> None:
        self._least = least
        self._progress = Progress(
            SpinnerColumn(),
            TextColumn("{task.completed:,.0f} photos"),
            TimeElapsedColumn(),
            TextColumn("{task.fields[said]}"),
            console=Console(stderr=True),
            transient=True,
        )
        self._task = self._progress.add_task("photos", total=None, said="")

    def __enter__(self) -> HowFar:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._progress.stop()

    def show(self, total: int, failed: int) -> None:
        """Tells the counts."""
        if total == self._least:
            self._progress.start()
        task = self._progress.tasks[0]
        rate = f"{total / task.elapsed:.1f} a second" if task.elapsed else ""
        said = f"{rate}, {failed:,} could not be judged" if failed else rate
        self._progress.update(self._task, completed=total, said=said)


def changes_view(changes: Counter[tuple[str | None, str | None]], widened: int) -> Group:
    """The table of grades before and now.

    Args:
        changes: Results by (grade before, grade now); None: not judged.
        widened: Results whose first grade stayed while the possible grades changed.
    """
    table = Table(box=None, padding=(0, 2), pad_edge=False)
    table.add_column("before")
    table.add_column("now")
    table.add_column("photos", justify="right")
    same = 0
    for (before, now), number in sorted(changes.items(), key=lambda item: -item[1]):
        if before == now:
            same += number
        else:
            table.add_row(before or NOT_JUDGED, now or NOT_JUDGED, f"{number:,}")
    changed = changes.total() - same
    pieces: list[Table | Text] = [Text(f"{changed:,} of {changes.total():,} grades change.", style="bold")]
    if changed:
        pieces.append(table)
    if widened:
        pieces.append(Text(f"Of {widened:,} more the first grade stays and the possible grades change."))
    return Group(*pieces)
