"""Old against new on the same held-out photos, for people."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from markupsafe import Markup
from sqlalchemy import select
from sqlalchemy.orm import Session

from wearvision.parts import PARTS
from wearvision_api.store.tables import PhotoRow
from wearvision_api.teaching.plots import Bar, agreement_plot
from wearvision_api.teaching.resampling import Figure

Table = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Line:
    """One part, or all: each figure of old and new in words."""

    title: str
    photos: str
    f1_old: str
    f1_new: str
    change: str
    missed_old: str
    missed_new: str
    in_set: str
    refused: str
    pairs: str


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison: what it is over, lines, a picture of the differences, and how intervals came about by part."""

    over: str
    lines: tuple[Line, ...]
    plot: Markup
    drawn: Line | None
    calibration: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Miss:
    """A part to replace that one of the two calls serviceable: photo, words, and who misses it."""

    picture: str
    photo: str
    title: str
    old: str | None
    new: str | None
    is_new: bool


def compared(report: Table) -> Compared:
    """A report of old against new; what it does not tell is said so."""
    parts = _table(report, "parts")
    kinds = [("all", "All parts"), *((key, part.title.capitalize()) for key, part in PARTS.items())]
    lines = [_line(title, _table(parts, key)) for key, title in kinds if _table(parts, key).get("n")]
    bars = [Bar(title, _figure(_table(_table(parts, key), "f1_difference"))) for key, title in kinds]
    known = [bar for bar in bars if bar.figure.value is not None]
    held = _table(report, "held_out")
    photos, machines = held.get("photos", 0), held.get("machines", 0)
    drawn = _table(report, "synthetic")
    return Compared(
        over=f"{photos} held-out photos of {machines} machines, which neither model has learned from.",
        lines=tuple(lines),
        plot=Markup(agreement_plot(known, "macro-F1, new less old", "What the new model gains", "gain"))
        if known
        else Markup(),
        drawn=_line("Drawn pictures", drawn) if drawn.get("n") else None,
        calibration=tuple(
            (PARTS[part].title.capitalize() if part in PARTS else part, _calibrated(row))
            for part, row in _table(report, "calibration").items()
            if isinstance(row, Mapping)
        ),
    )


def misses(session: Session, report: Table) -> tuple[Miss, ...]:
    """The dangerous misses with their photos, those of the new model first."""
    rows = [row for row in report.get("missed") or [] if isinstance(row, Mapping)]
    found = session.scalars(select(PhotoRow).where(PhotoRow.sha256.in_([str(row.get("sha256")) for row in rows])))
    photos = {row.sha256: row for row in found if row.erased_at is None}
    made = []
    for row in rows:
        photo = photos.get(str(row.get("sha256")))
        part = str(row.get("part"))
        made.append(
            Miss(
                picture=f"/api/v1/photos/{photo.id}/content?width=640" if photo else "",
                photo=str(row.get("sha256"))[:12],
                title=PARTS[part].title.capitalize() if part in PARTS else part,
                old=row.get("old"),
                new=row.get("new"),
                is_new=row.get("new") == "serviceable",
            )
        )
    return tuple(sorted(made, key=lambda one: (not one.is_new, one.old == "serviceable")))


def _line(title: str, row: Table) -> Line:
    old, new, pairs = _table(row, "old"), _table(row, "new"), _table(row, "mcnemar")
    p = pairs.get("p")
    return Line(
        title=title,
        photos=str(row.get("n", "")),
        f1_old=_words(_table(old, "macro_f1")),
        f1_new=_words(_table(new, "macro_f1")),
        change=_words(_table(row, "f1_difference"), sign="+"),
        missed_old=_rare(_table(old, "missed")),
        missed_new=_rare(_table(new, "missed")),
        in_set=f"{_words(_table(old, 'in_set'))}, new {_words(_table(new, 'in_set'))}",
        refused=f"{_words(_table(old, 'refused'))}, new {_words(_table(new, 'refused'))}",
        pairs=f"{pairs.get('only_new', 0)} only the new one, {pairs.get('only_old', 0)} only the old one, p {p:.3f}"
        if isinstance(p, int | float)
        else "",
    )


def _words(figure: Table, sign: str = "") -> str:
    value, low, high = (figure.get(key) for key in ("value", "low", "high"))
    if not isinstance(value, int | float):
        return "not known"
    if not isinstance(low, int | float) or not isinstance(high, int | float):
        return f"{value:{sign}.2f}"
    return f"{value:{sign}.2f} [{low:{sign}.2f}, {high:{sign}.2f}]"


def _rare(figure: Table) -> str:
    """A count that should be nought, with how large its share may be after all."""
    value, of, upper = figure.get("value"), figure.get("of"), figure.get("upper")
    if not isinstance(value, int | float) or not isinstance(of, int | float):
        return "none to find"
    hits = figure.get("hits", round(value * of))
    return f"{hits} of {of:g}" + (f", at most {upper:.0%}" if isinstance(upper, int | float) else "")


def _calibrated(row: Table) -> str:
    words = f"{row.get('used', '')}; {row.get('photos', 0)} photos"
    return f"{words}: {row['why']}" if row.get("why") else words


def _figure(table: Table) -> Figure:
    values = [table.get(key) for key in ("value", "low", "high")]
    value, low, high = (float(one) if isinstance(one, int | float) else None for one in values)
    of = table.get("of")
    return Figure(value, low, high, int(of) if isinstance(of, int | float) else 0)


def _table(report: Table, key: str) -> Table:
    found = report.get(key)
    return found if isinstance(found, Mapping) else {}
