"""Where the errors are: the same counts by tilt, size, light, file quality, engine, family."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from wearvision_training.assessment.answers import Case
from wearvision_training.assessment.intervals import share_of

UNKNOWN = "not recorded"
SAME_ENGINE = "sketch"
"""Sets drawn before there was another engine do not name theirs."""

Value = Callable[[Case], Any]


@dataclass(frozen=True, slots=True)
class Stratum:
    """One way to divide a set.

    Attributes:
        name: Its heading.
        value: What decides, for one picture; None where its recipe does not say.
        edges: Inner edges of the classes of a number; None for names; empty for quarters of the set.
        unit: Written behind a number.
    """

    name: str
    value: Value
    edges: tuple[float, ...] | None = None
    unit: str = ""


def _camera(*names: str) -> Value:
    def value(case: Case) -> Any:
        camera = case.recipe.get("camera", {})
        return next((camera[name] for name in names if camera.get(name) is not None), None)

    return value


def _quality(case: Case) -> Any:
    """The lowest JPEG quality that a picture went through."""
    camera = case.recipe.get("camera", {})
    given = [camera[name] for name in ("jpeg", "jpeg_again") if camera.get(name) is not None]
    return min(given) if given else None


def _light(case: Case) -> Any:
    return case.recipe.get("scene", {}).get("light", {}).get("kind")


def _family(case: Case) -> Any:
    return _of_part(case, case.truth["family"]) if "family" in case.truth else None


def _of_part(case: Case, name: str) -> str:
    return f"{case.truth['part']}: {name}".replace("_", " ")


STRATA = (
    Stratum("tilt", _camera("tilt_deg"), (8.0, 16.0, 24.0), "°"),
    Stratum("size of the part (camera scale)", _camera("scale"), ()),
    Stratum("light", _light),
    Stratum("JPEG quality", _quality, (55.0, 70.0, 85.0)),
    Stratum("engine", lambda case: case.recipe.get("engine", SAME_ENGINE) if case.recipe else None),
    Stratum("family", _family),
    Stratum("view", lambda case: _of_part(case, case.truth["view"])),
)


def strata(cases: Sequence[Case]) -> dict[str, list[dict[str, Any]]]:
    """For each way to divide the pictures of parts, its classes in order with their counts."""
    return {way.name: [_class(name, inside) for name, inside in _divided(way, cases)] for way in STRATA}


def _class(name: str, cases: Sequence[Case]) -> dict[str, Any]:
    judged = [case for case in cases if case.said is not None]
    return {
        "class": name,
        "asked": len(cases),
        "wrong": share_of([not case.right for case in judged]),
        "not_judged": share_of([case.said is None for case in cases]),
        "missed": sum(case.missed for case in judged),
    }


def _divided(way: Stratum, cases: Sequence[Case]) -> Iterable[tuple[str, list[Case]]]:
    given = [(way.value(case), case) for case in cases]
    known = [(value, case) for value, case in given if value is not None]
    if way.edges is None:
        for name in sorted({str(value) for value, _ in known}):
            yield name, [case for value, case in known if str(value) == name]
    elif known:
        numbers = np.array([float(value) for value, _ in known])
        edges = np.array(way.edges) if way.edges else np.unique(np.quantile(numbers, (0.25, 0.5, 0.75)))
        place = np.digitize(numbers, edges)
        for number in np.unique(place):
            inside = [case for (_, case), at in zip(known, place, strict=True) if at == number]
            yield _range(edges, int(number), way.unit), inside
    if lacking := [case for value, case in given if value is None]:
        yield UNKNOWN, lacking


def _range(edges: np.ndarray, number: int, unit: str) -> str:
    if len(edges) == 0:
        return "all"
    if number == 0:
        return f"under {edges[0]:.3g}{unit}"
    if number == len(edges):
        return f"{edges[-1]:.3g}{unit} and over"
    return f"{edges[number - 1]:.3g} to {edges[number]:.3g}{unit}"
