"""The wear standard in words: what each measure is, how its mode looks, and where each grade begins."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

from wearvision.errors import LimitsError
from wearvision.parts import PARTS
from wearvision.standard.grades import Grade
from wearvision.standard.limits import Row


@dataclass(frozen=True, slots=True)
class Definition:
    """What a measure is.

    Attributes:
        what: The definition, one clause.
        look: How the mode shows in a picture, one sentence.
    """

    what: str
    look: str


@cache
def load_definitions() -> Mapping[tuple[str, str], Definition]:
    """Every registered measure's words, by (part, measure).

    Raises:
        LimitsError: a measure has no words, or words belong to no measure.
    """
    name = "definitions.toml"
    tables = tomllib.loads(files("wearvision.standard").joinpath(name).read_text("utf-8"))
    found = {
        (part, measure): Definition(**words) for part, measures in tables.items() for measure, words in measures.items()
    }
    wanted = {(part, mode.measure) for part, spec in PARTS.items() for mode in spec.modes}
    if found.keys() != wanted:
        raise LimitsError(f"{name}: words and measures differ: {sorted(found.keys() ^ wanted)}.")
    return found


def where_grades_begin(row: Row) -> Mapping[Grade, str]:
    """For each grade that a mode can give, the values that it takes, in words.

    Example:
        >>> from wearvision.standard.limits import load_limits
        >>> dict(where_grades_begin(load_limits().row("flame_cell", "haze")))
        {'serviceable': 'below 0.1', 'clean-and-reuse': '0.15 to 0.3', 'replace': 'from 0.4'}
    """
    unit = "" if row.unit == "1" else f" {row.unit}"
    if row.clean_from == row.serviceable_below and row.replace_from is None:  # there or not, nothing between
        return {"serviceable": "absent", "clean-and-reuse": "present"}
    if row.any_is_replace:
        return {"serviceable": "none seen", "replace": f"any; plain from {row.replace_from:g}{unit}"}
    words: dict[Grade, str] = {"serviceable": f"below {row.serviceable_below:g}{unit}"}
    if row.clean_from is not None:
        to = f" to {row.clean_to:g}{unit}" if row.clean_to is not None else ""
        words["clean-and-reuse"] = f"{row.clean_from:g}{to}" if to else f"from {row.clean_from:g}{unit}"
    if row.replace_from is not None:
        words["replace"] = f"from {row.replace_from:g}{unit}"
    return words
