"""What is known of each wear mode of a returned part: the photo's intervals, the pair after wiping, the readings.

A measurement wins over the photo for the modes that its check decides; where it clears what the photo surely calls
replace, both stay possible and a person looks again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from wearvision.parts import Mode, PartSpec
from wearvision.standard.counter import CounterFinding
from wearvision.standard.grades import GRADES, Grade
from wearvision.standard.limits import Limits, Row
from wearvision.standard.origins import State

_BANDS = ("unit", "serviceable_below", "clean_from", "clean_to", "replace_from", "any_is_replace", "source")


@dataclass(frozen=True, slots=True)
class ModeSeen:
    """What is known of one wear mode.

    Attributes:
        mode: The mode.
        row: Its limits.
        state: Worn, in doubt, not worn, not seen, or not there on this part.
        grade: What the best estimate, or the reading that decides, says; None where nothing is known.
        possible: Every grade that is still possible; empty where nothing is known.
        line: The measure as it stands in the report; None where the report has none.
        text: Plain words where something other than the photo's measure says it.
        by: Ids of the checks that decide it.
    """

    mode: Mode
    row: Row
    state: State
    grade: Grade | None = None
    possible: tuple[Grade, ...] = ()
    line: Mapping[str, Any] | None = None
    text: str = ""
    by: tuple[str, ...] = ()

    @property
    def measure(self) -> dict[str, Any] | None:
        """The report's line beside its limits; None where the photos were not asked for it."""
        if self.line is None:
            return None
        return {**self.line, "limits": {name: getattr(self.row, name) for name in _BANDS}}


def modes_seen(
    spec: PartSpec,
    report: Mapping[str, Any] | None,
    readings: Sequence[CounterFinding],
    limits: Limits,
    wiping: Mapping[str, Any] | None = None,
) -> dict[str, ModeSeen]:
    """What is known of every mode of a part, in its order.

    Args:
        spec: The part.
        report: The report of its photos; None, or one of another part: nothing was seen.
        readings: At the counter, the newest of each check.
        limits: In force.
        wiping: What the pair before and after wiping told (``WipingPair.to_dict``); None for no pair.
    """
    usable = report is not None and report.get("usable") and (report.get("part") or {}).get("name") == spec.key
    found: Mapping[str, Any] = report if usable and report is not None else {}
    lines = {line["name"]: line for line in found.get("measures", ())}
    seen: dict[str, ModeSeen] = {}
    for mode in spec.modes:
        row = limits.row(spec.key, mode.measure)
        first = _by_photo(mode, row, lines.get(mode.measure), found)
        seen[mode.key] = _by_wiping(first, wiping if usable else None)
    for reading in sorted(readings, key=_weight):
        seen |= _by_reading(seen, reading)
    return seen


def _weight(reading: CounterFinding) -> tuple[int, int, str]:
    """Worst first, the more exact before the less, so that the order in which they were taken does not matter."""
    return -GRADES.index(reading.grade) if reading.grade else 1, len(reading.modes), reading.check


def _by_photo(mode: Mode, row: Row, line: Mapping[str, Any] | None, report: Mapping[str, Any]) -> ModeSeen:
    if line is not None and line.get("value") is not None:
        value = float(line["value"])
        return _within(ModeSeen(mode, row, "not seen", line=line), value, line.get("low"), line.get("high"))
    wanting = mode.key in report.get("not_seen", ()) or set(mode.views) & set(report.get("views_missing", ()))
    absent = line is not None and line.get("reason") == "not_in_view" and not wanting
    return ModeSeen(mode, row, "does not apply" if absent else "not seen", line=line)


def _within(seen: ModeSeen, value: float, low: float | None, high: float | None) -> ModeSeen:
    """The mode as an interval around a value says it."""
    low, high = min(value, value if low is None else low), max(value, value if high is None else high)
    return _as(seen, seen.row.grade_of(value), seen.row.reachable(low, high))


def _as(seen: ModeSeen, grade: Grade, possible: tuple[Grade, ...]) -> ModeSeen:
    state: State = "worn" if GRADES[0] not in possible else "not worn" if possible == (GRADES[0],) else "may be worn"
    return replace(seen, state=state, grade=grade, possible=possible)


def _by_wiping(seen: ModeSeen, wiping: Mapping[str, Any] | None) -> ModeSeen:
    """What wiped off is how far the removable mode had gone; what stays is the permanent one."""
    pair = (wiping or {}).get("stays" if seen.mode.permanent else "wiped", {}).get(seen.mode.measure)
    if pair is None:
        return seen
    low, high = map(float, pair)
    value = float((seen.line or {}).get("value") or low)
    text = f"Before and after wiping: {low:.2f} to {high:.2f} {'stays' if seen.mode.permanent else 'wiped off'}."
    return replace(_within(seen, min(max(value, low), high), low, high), text=text)


def _by_reading(seen: Mapping[str, ModeSeen], reading: CounterFinding) -> dict[str, ModeSeen]:
    """The modes that a reading changes. One that speaks for several modes condemns none that it can't tell apart."""
    named = [seen[key] for key in reading.modes if key in seen and seen[key].state != "does not apply"]
    if reading.grade is None or reading.says not in ("good", "bad"):
        return {}
    if reading.grade == GRADES[-1]:
        able = [one for one in named if GRADES[-1] in one.row.grades]
        candidates = [one for one in able if one.state != "not worn"] if len(able) > 1 else able
        certain = [one for one in candidates if one.state == "worn"]
        decided = candidates if len(candidates) == 1 else certain
        return {one.mode.key: _said(_as(one, GRADES[-1], GRADES[-1:]), reading) for one in decided}
    # What another reading condemned, or left open against the photo, no good one takes back.
    left = [one for one in named if one.grade != GRADES[-1] or not one.by]
    change = _cleared if reading.grade == GRADES[0] else _cleaned
    return {one.mode.key: change(one, reading) for one in left}


def _cleared(seen: ModeSeen, reading: CounterFinding) -> ModeSeen:
    """Fine, but for dirt that is there; what the photo is sure of stays possible."""
    if seen.state == "worn" and seen.grade == GRADES[-1]:
        return _disputed(seen, GRADES[0], reading)
    stays = GRADES[0] if seen.mode.permanent or seen.grade is None else seen.grade
    return _said(_as(seen, stays, (stays,)), reading)


def _cleaned(seen: ModeSeen, reading: CounterFinding) -> ModeSeen:
    """To be cleaned: dirt that may be there is there, and nothing is so bad as to be replaced."""
    if not seen.mode.permanent:
        known = seen.state in ("worn", "may be worn")
        return _said(_as(seen, GRADES[1], (GRADES[1],)), reading) if known else seen
    mildest = GRADES[1] if GRADES[1] in seen.row.grades else GRADES[0]
    if seen.state == "not seen":
        return _said(_as(seen, mildest, (mildest,)), reading)
    left = tuple(grade for grade in seen.possible if grade != GRADES[-1])
    if not left:
        return _disputed(seen, mildest, reading)
    grade = seen.grade if seen.grade in left else left[-1]
    return _said(_as(seen, grade, left), reading)


def _disputed(seen: ModeSeen, other: Grade, reading: CounterFinding) -> ModeSeen:
    """The photo is sure of replace, the reading says otherwise: both stay possible, and a person looks again."""
    text = f"The photo says replace, the reading does not: {reading.text} Look again."
    found = _said(_as(seen, GRADES[-1], (other, GRADES[-1])), reading)
    return replace(found, state="may be worn", text=text)


def _said(seen: ModeSeen, reading: CounterFinding) -> ModeSeen:
    return replace(seen, text=reading.text, by=(*seen.by, reading.check))
