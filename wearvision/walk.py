"""Walks from a symptom: answers so far in, next check out, with what each answer meant. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from wearvision.combustion import co2_from_o2, excess_air, fuel_factor, nozzle_flow, spot_number
from wearvision.errors import ReadingError, WalkError
from wearvision.readings import Finding, read_reading
from wearvision.standard.starts import End, Pair, Start, StartCheck, Starts, load_starts


@dataclass(frozen=True, slots=True)
class Step:
    """One check as it was answered.

    Attributes:
        check: The check.
        finding: What the answer said.
        leads_to: Id of the check or end that follows; the check's own id where the answer left it open.
        note: What was computed from the reading, empty for nothing.
    """

    check: StartCheck
    finding: Finding
    leads_to: str
    note: str = ""

    @property
    def setting(self) -> dict[str, Any] | None:
        """The number that was read, with its unit, for the record of the visit; None for a word."""
        reading = self.check.reading
        if reading is None or self.finding.low is None or self.finding.high is None:
            return None
        low, high = self.finding.low, self.finding.high
        value = low if low == high else (low + high) / 2
        named = {"check": self.check.id, "name": reading.quantity, "value": value}
        return named | {"low": low, "high": high, "unit": reading.unit}

    def to_dict(self) -> dict[str, Any]:
        """As it stands in a walk."""
        plain = {"check": self.check.id, "title": self.check.title, "entered": self.finding.entered}
        plain |= {"says": self.finding.says, "text": self.finding.text}
        return plain | {"leads_to": self.leads_to, "note": self.note}


@dataclass(frozen=True, slots=True)
class Walk:
    """A walk so far.

    Attributes:
        start: The symptom.
        steps: The checks as they were answered, in order.
        check: The next one; None at an end.
        end: The end; None on the way.
    """

    start: Start
    steps: tuple[Step, ...]
    check: StartCheck | None
    end: End | None

    @property
    def photograph(self) -> tuple[str, ...]:
        """The parts that the walk has asked to photograph, the next check included, in order."""
        asked = [step.check.part for step in self.steps] + [self.check.part if self.check else ""]
        return tuple(dict.fromkeys(part for part in asked if part))

    @property
    def settings(self) -> tuple[dict[str, Any], ...]:
        """The numbers that were read; of a check answered again, the last one."""
        last = {step.check.id: step.setting for step in self.steps}
        return tuple(setting for setting in last.values() if setting is not None)

    def to_dict(self) -> dict[str, Any]:
        """The walk as JSON; ``check`` and ``end`` in full, one of them null."""
        return {
            "start": self.start.id,
            "title": self.start.title,
            "steps": [step.to_dict() for step in self.steps],
            "check": self.check.to_dict() if self.check else None,
            "end": self.end.to_dict() if self.end else None,
            "photograph": list(self.photograph),
            "settings": list(self.settings),
        }


def walk(start: str, answers: Iterable[Mapping[str, Any]] = (), starts: Starts | None = None) -> Walk:
    """Walks from a symptom over the answers given so far.

    Args:
        start: Id of the symptom.
        answers: In order, each ``{"check": id, "answer": …}``. An answer is a word of the check, a number in its
            unit, a text with a unit (``"140 psi"``, ``"0.02 inWC"``), a range, or a mapping of ``value`` and
            ``unit``; the smoke spot also ``{"reflectance": percent}``. A range on both sides of a limit leaves the
            check open: it is answered again next.
        starts: The data; None for that of the standard.

    Returns:
        The walk, with the next check or the end that it has come to.

    Raises:
        UnknownStart: there is no such start.
        WalkError: an answer is for another check than the next one, comes after the end, or has the wrong form.
        ReadingError: an answer makes no sense for its check, or two readings do not fit each other.
    """
    data = starts or load_starts()
    symptom = data.start(start)
    place: StartCheck | End = data.checks_of(start)[0]
    steps: list[Step] = []
    for number, answer in enumerate(answers, 1):
        if not isinstance(answer, Mapping) or "check" not in answer or "answer" not in answer:
            raise WalkError(f'Answer {number} needs the form {{"check": id, "answer": …}}, got {answer!r}.')
        if isinstance(place, End):
            raise WalkError(f"Answer {number}: the walk has ended at {place.id!r}; take the answers after it away.")
        if answer["check"] != place.id:
            raise WalkError(f"Answer {number} is for {answer['check']!r}; the next check is {place.id!r}.")
        finding = read_reading(place, _entered(place, answer["answer"]))
        _fits(data.pairs, place, finding, steps)
        # An answer that lies on both sides of a limit leads nowhere yet.
        after = data.after(start, place.id, finding.next) if finding.next else place
        steps.append(Step(place, finding, after.id, _note(place, finding)))
        place = after
    if isinstance(place, End):
        return Walk(symptom, tuple(steps), None, place)
    return Walk(symptom, tuple(steps), place, None)


def _entered(check: StartCheck, value: object) -> object:
    """The value with a paper's reflectance turned into its spot number."""
    if not (isinstance(value, Mapping) and "reflectance" in value and check.reading and check.reading.unit == "spot"):
        return value
    given = value["reflectance"]
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise ReadingError(f"{check.id}: the reflectance must be a number in percent, is {given!r}.")
    try:
        return spot_number(given)
    except ValueError as error:
        raise ReadingError(f"{check.id}: {error}.") from error


def _fits(pairs: Sequence[Pair], check: StartCheck, finding: Finding, steps: Sequence[Step]) -> None:
    """Raises where a reading does not fit an earlier one."""
    for pair in pairs:
        first = next((step.finding for step in reversed(steps) if step.check.id == pair.first), None)
        if check.id != pair.second or first is None or not first.high or not finding.low:
            continue
        lowest = fuel_factor(first.high, finding.high or finding.low, pair.ambient)
        highest = fuel_factor(first.low or 0.0, finding.low, pair.ambient)
        if highest < pair.low or lowest > pair.high:
            raise ReadingError(
                f"{check.id}: {finding.entered} does not fit {pair.first} {first.entered} "
                f"({pair.name} {fuel_factor(first.high, finding.low, pair.ambient):.3f}). {pair.text}"
            )


def _note(check: StartCheck, finding: Finding) -> str:
    make = NOTES.get(check.computes)
    return make(finding.low) if make and finding.low else ""


def _reserve_air(o2: float) -> str:
    dioxide, excess = co2_from_o2(o2), excess_air(o2)
    return f"Oxygen {o2:g} % belongs to carbon dioxide {dioxide:.1f} % and about {excess:.0f} % excess air."


def _flow(bar: float) -> str:
    times = nozzle_flow(1.0, bar)
    return f"At {bar:.1f} bar a nozzle gives about {times:.2f} times the flow printed on it (at 100 psi)."


NOTES: dict[str, Callable[[float], str]] = {"reserve air": _reserve_air, "nozzle flow": _flow}
"""What ``computes`` of a check makes of its reading."""
