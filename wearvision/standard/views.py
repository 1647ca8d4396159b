"""Which photos are wanted of a part that comes back, as data: key, what to show and how to take it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from wearvision.errors import LimitsError
from wearvision.parts import PARTS, part_spec
from wearvision.standard.checks import _known

_FILE = "views.toml"
_ROW = {"key", "part", "view", "required", "before", "title", "advice"}
_KEY = re.compile(r"[a-z][a-z0-9-]{0,29}")


@dataclass(frozen=True, slots=True)
class WantedView:
    """One photo that is wanted.

    Attributes:
        key: Short name, unique for a part: ``"face"``, ``"side-1"``, ``"plate"``.
        title: For people.
        advice: How to take it.
        required: A decision waits for it.
        view: The view of the part that it shows, one of its ``PartSpec.views``; empty: for the record only.
        before: Key of the same view before wiping; empty where this photo is not the second of such a pair.
    """

    key: str
    title: str
    advice: str
    required: bool
    view: str = ""
    before: str = ""

    @property
    def graded(self) -> bool:
        """Whether the photo goes to the grader."""
        return bool(self.view)

    @property
    def cleaned(self) -> bool:
        """Whether it shows the part after wiping."""
        return bool(self.before)

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "key": self.key,
            "title": self.title,
            "advice": self.advice,
            "required": self.required,
            "graded": self.graded,
            "cleaned": self.cleaned,
            "view": self.view or None,
            "before": self.before or None,
        }


def wanted_views(part: str) -> tuple[WantedView, ...]:
    """The photos wanted of a part, in the order in which they are asked for.

    Raises:
        UnknownPart: there is no such part.
    """
    part_spec(part)
    return _standard()[part]


@cache
def _standard() -> Mapping[str, tuple[WantedView, ...]]:
    return read_views(_FILE, files("wearvision.standard").joinpath(_FILE).read_text("utf-8"))


def read_views(name: str, text: str) -> dict[str, tuple[WantedView, ...]]:
    """Reads a table of wanted photos, by part.

    Args:
        name: Of the file, for messages.
        text: TOML.

    Raises:
        LimitsError: a row is wrong, a key stands there twice, or the required photos of a part are fewer than its
            own required views; names file, row and reason.
    """
    try:
        rows = tomllib.loads(text).get("view", [])
    except ValueError as error:
        raise LimitsError(f"{name}: not valid TOML ({error}).") from error
    found: dict[str, tuple[WantedView, ...]] = dict.fromkeys(PARTS, ())
    for row in rows if isinstance(rows, list) else [rows]:
        key = str(row.get("key", "without key")) if isinstance(row, Mapping) else repr(row)
        try:
            for part in _parts(row):
                found[part] = (*found[part], _view(part, row, found[part]))
        except (KeyError, TypeError, ValueError) as error:
            reason = f"{error.args[0]} is missing" if isinstance(error, KeyError) else error
            raise LimitsError(f"{name}: view {key!r}: {reason}.") from error
    for part, views in found.items():
        for view, count in PARTS[part].required_views.items():
            asked = sum(one.required and one.view == view and not one.cleaned for one in views)
            if asked < count:
                raise LimitsError(f"{name}: {part}: asks for {asked} of view {view!r}; the part needs {count}.")
    return found


def _parts(row: object) -> tuple[str, ...]:
    if not isinstance(row, Mapping):
        raise TypeError("a row must be a table")
    _known(row, _ROW, "key")
    if "part" not in row:
        return tuple(PARTS)
    _known([row["part"]], set(PARTS), "part")
    return (row["part"],)


def _view(part: str, row: Mapping[str, Any], earlier: tuple[WantedView, ...]) -> WantedView:
    texts = {key: row[key] for key in ("key", "title", "advice")}
    texts |= {key: row.get(key, "") for key in ("view", "before")}
    for key, text in texts.items():
        if not isinstance(text, str) or not (text.strip() or key in ("view", "before")):
            raise TypeError(f"{key} must be a text, is {text!r}")
    required = row.get("required", False)
    if not isinstance(required, bool):
        raise TypeError(f"required must be true or false, is {required!r}")
    if not _KEY.fullmatch(texts["key"]):
        raise ValueError("a key has small letters, digits and hyphens, 30 at most")
    known = {one.key: one for one in earlier}
    if texts["key"] in known:
        raise ValueError(f"stands there twice for {part}")
    if texts["view"]:
        _known([texts["view"]], set(PARTS[part].views), "view")
    if texts["before"] and (texts["before"] not in known or known[texts["before"]].view != texts["view"]):
        raise ValueError(f"before is {texts['before']!r}, which is no earlier photo of the same view")
    return WantedView(required=required, **texts)
