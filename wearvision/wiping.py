"""Two reports of one part, before and after wiping: what wiped off was film, what stays is clouding."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from wearvision.errors import ReadingError
from wearvision.parts import PartSpec, part_spec
from wearvision.standard.checks import Checks, load_checks
from wearvision.standard.grades import Grade
from wearvision.standard.limits import Limits, load_limits, worst_of

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class WipingPair:
    """What a pair of photos before and after wiping tells.

    Attributes:
        wiped: Removable measure to the range of what wiping took away.
        stays: Measure to the range of what is still there; for layers on a window all of it counts as the
            permanent one.
        grade: The grade after wiping.
        possible_grades: Every grade that the ranges reach.
        reason: One or two sentences.
    """

    wiped: Mapping[str, Range]
    stays: Mapping[str, Range]
    grade: Grade
    possible_grades: tuple[Grade, ...]
    reason: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "wiped": {name: list(pair) for name, pair in self.wiped.items()},
            "stays": {name: list(pair) for name, pair in self.stays.items()},
            "grade": self.grade,
            "possible_grades": list(self.possible_grades),
            "reason": self.reason,
        }


def wiping_pair(before: Any, after: Any, *, limits: Limits | None = None, checks: Checks | None = None) -> WipingPair:
    """Tells removable from permanent wear by two photos of one part.

    Film and a veil in front of the same window multiply: what wiping changed in the light of both together is
    film, even where one picture takes dust for a veil; what is left of both is clouding.

    Args:
        before: Report before wiping, a mapping or what gives one by ``to_dict``.
        after: Report after wiping, same part.
        limits: Those in force; None for the standard's.
        checks: Those in force; they say which measures are layers on one window.

    Raises:
        ReadingError: a report has no grade, the parts differ, or no removable measure stands in both.
    """
    first, second = _plain(before), _plain(after)
    names = [(record.get("part") or {}).get("name") for record in (first, second)]
    if names[0] is None or names[0] != names[1]:
        raise ReadingError(f"Before and after must show the same part, not {names[0]!r} and {names[1]!r}.")
    if first.get("grade") is None or second.get("grade") is None:
        raise ReadingError("Both photos must be fit to judge; take the one without a grade again.")
    spec = part_spec(str(names[0]))
    old, new = _ranges(first), _ranges(second)
    layers = _layers(spec, checks or load_checks())
    wiped, stays = _layered(spec, layers, old, new) if layers else ({}, {})
    for mode in spec.modes:
        name = mode.measure
        if not mode.permanent and name not in layers and name in old and name in new:
            wiped[name] = (max(0.0, old[name][1] - new[name][2]), max(0.0, old[name][2] - new[name][1]))
            stays[name] = (new[name][1], new[name][2])
    if not wiped:
        raise ReadingError("No measure of what wipes off stands in both reports; take both photos of the same view.")
    return _graded(spec, limits or load_limits(), wiped, stays, new)


def _plain(report: Any) -> Mapping[str, Any]:
    record = report if isinstance(report, Mapping) else report.to_dict()
    return record


def _ranges(record: Mapping[str, Any]) -> dict[str, tuple[float, float, float]]:
    """Measure to (value, low, high), measured ones only."""
    return {
        line["name"]: (line["value"], line.get("low", line["value"]), line.get("high", line["value"]))
        for line in record.get("measures", ())
        if line.get("value") is not None
    }


def _layers(spec: PartSpec, checks: Checks) -> tuple[str, ...]:
    """Measures that are layers on one window, by the photocell law of a check; empty for parts without."""
    found = [c.reading.layers for c in checks.of(spec.key) if c.reading and c.reading.layers]
    return found[0] if found else ()


def _layered(
    spec: PartSpec,
    layers: tuple[str, ...],
    old: Mapping[str, tuple[float, float, float]],
    new: Mapping[str, tuple[float, float, float]],
) -> tuple[dict[str, Range], dict[str, Range]]:
    if not all(name in old and name in new for name in layers):
        return {}, {}
    removable = next(name for name in layers if not spec.mode_of(name).permanent)
    lasting = next(name for name in layers if spec.mode_of(name).permanent)
    dark, bright = _light(old, layers)
    dark_after, bright_after = _light(new, layers)
    wiped = (max(0.0, 1 - bright / max(dark_after, 1e-6)), min(1.0, max(0.0, 1 - dark / max(bright_after, 1e-6))))
    # After a good wipe all that still takes light is permanent, whatever one picture called it.
    stays = (new[lasting][1], 1 - dark_after)
    return {removable: wiped}, {lasting: stays}


def _light(found: Mapping[str, tuple[float, float, float]], layers: tuple[str, ...]) -> Range:
    dark = bright = 1.0
    for name in layers:
        _, low, high = found[name]
        dark, bright = dark * (1 - min(1.0, high)), bright * (1 - min(1.0, low))
    return dark, bright


def _graded(
    spec: PartSpec,
    limits: Limits,
    wiped: Mapping[str, Range],
    stays: Mapping[str, Range],
    new: Mapping[str, tuple[float, float, float]],
) -> WipingPair:
    reach: list[tuple[Grade, ...]] = []
    points: list[tuple[Grade, ...]] = []
    for mode in spec.modes:
        name, row = mode.measure, limits.row(spec.key, mode.measure)
        if name not in new:
            continue
        low, high = stays.get(name, new[name][1:])
        reach.append(row.reachable(low, high))
        points.append((row.grade_of(new[name][0]),))
    grade, possible = worst_of(points)[0], worst_of(reach)
    parts = [f"Wiping took away {low:.2f} to {high:.2f} of {spec.mode_of(n).key}" for n, (low, high) in wiped.items()]
    parts += [f"{low:.2f} to {high:.2f} of {spec.mode_of(n).key} stays" for n, (low, high) in stays.items()]
    doubt = "" if possible == (grade,) else f", though {' or '.join(g for g in possible if g != grade)} is possible"
    return WipingPair(wiped, stays, grade, possible, f"{'; '.join(parts)}. After wiping it is {grade}{doubt}.")
