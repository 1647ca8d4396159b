"""A run's figures as CSV while it goes on, and as plots at its end."""

from __future__ import annotations

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

KEPT = ("part", "grade", "grade_by_values", "auroc", "f1", "held", "relative_error")
"""Figures of watched pictures that are plotted."""


class Table:
    """A CSV file that grows by a row at a time; a run that goes on adds to it.

    Args:
        path: Of the file.
        after: Rows of steps from this one on are of a start that was lost, and go.
    """

    def __init__(self, path: Path, after: int = 0) -> None:
        self.path = path
        kept = [row for row in read(path) if int(row["step"]) < after] if after and path.is_file() else []
        self._names: list[str] = list(kept[0]) if kept else []
        if path.is_file():
            path.unlink()
        for row in kept:
            self._write(list(row.values()))

    def add(self, step: int, row: Mapping[str, float]) -> None:
        """One more row; the first one names the columns."""
        if not self._names:
            self._names = ["step", *row]
        self._write([str(step), *(f"{value:.5g}" for value in row.values())])

    def _write(self, cells: Sequence[str]) -> None:
        fresh = not self.path.is_file()
        with self.path.open("a", newline="") as file:
            rows = csv.writer(file)
            if fresh:
                rows.writerow(self._names)
            rows.writerow(cells)


def read(path: Path) -> list[dict[str, str]]:
    """The rows of a table."""
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def plot(run: Path) -> Path | None:
    """Draws ``curves.png`` of a run folder's tables; None without matplotlib or without a row to draw."""
    try:
        from matplotlib.figure import Figure
    except ImportError:
        return None
    panels = [(run / "losses.csv", None, "loss"), (run / "validation.csv", KEPT, "watched pictures")]
    panels = [panel for panel in panels if panel[0].is_file()]
    if not panels:
        return None
    figure = Figure(figsize=(7 * len(panels), 5), layout="constrained")
    for number, (path, names, title) in enumerate(panels, 1):
        rows = read(path)
        axes = figure.add_subplot(1, len(panels), number, title=title, xlabel="step")
        steps = [int(row["step"]) for row in rows]
        for name in names or [name for name in rows[0] if name not in ("step", "seconds", "rate")]:
            axes.plot(steps, [float(row[name] or math.nan) for row in rows], label=name, linewidth=1)
        axes.grid(alpha=0.3)
        axes.legend(fontsize="small")
    path = run / "curves.png"
    figure.savefig(path, dpi=110)
    return path
