"""Photo and hand checks together: confirmed, overridden, contradicted or incomplete, with the reason.

A measurement wins over the photo, but only for the modes that its check can decide: ohms say nothing about a
cracked housing. Nothing here names a part; what a reading says stands in the table of checks.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from wearvision.errors import ReadingError
from wearvision.parts import part_spec
from wearvision.photocell import Prediction, predict
from wearvision.readings import Finding, Readings, read_readings
from wearvision.standard.checks import Check, Checks, load_checks
from wearvision.standard.grades import GRADES, Grade, worst
from wearvision.wiping import WipingPair, wiping_pair

Standing = Literal["confirmed", "overridden", "contradicted", "incomplete"]


class HasReport(Protocol):
    """Anything that gives the JSON report of the contract."""

    def to_dict(self) -> dict[str, Any]:
        """The report."""
        ...


@dataclass(frozen=True, slots=True)
class Verdict:
    """What photo and readings come to.

    Attributes:
        standing: ``confirmed``: the readings bear the photo out. ``overridden``: they show worse, and win.
            ``contradicted``: they clear what the photo condemned: they win, after a second look.
            ``incomplete``: no verdict beyond the photo's yet.
        grade: The grade that now holds; None if there is none.
        reason: One sentence or two.
        findings: What each reading says.
        missing: Ids of checks still to be done.
        notes: Remarks, such as what the photocell law makes of the picture.
    """

    standing: Standing
    grade: Grade | None
    reason: str
    findings: tuple[Finding, ...]
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "standing": self.standing,
            "grade": self.grade,
            "reason": self.reason,
            "findings": [finding.to_dict() for finding in self.findings],
            "missing": list(self.missing),
            "notes": list(self.notes),
        }


@dataclass(frozen=True, slots=True)
class _Case:
    """A photo's verdict, by mode, with what the readings say."""

    part: str
    grade: Grade | None
    possible: tuple[Grade, ...]
    modes: Mapping[str, Grade]
    findings: tuple[Finding, ...]

    @property
    def carrying(self) -> tuple[str, ...]:
        """Modes whose own grade is the photo's grade."""
        return tuple(mode for mode, grade in self.modes.items() if grade == self.grade)

    def said(self, *says: str) -> tuple[Finding, ...]:
        return tuple(finding for finding in self.findings if finding.says in says)

    def spoken(self, *says: str) -> set[str]:
        return {mode for finding in self.said(*says) for mode in finding.modes}


def confirm(
    report: Mapping[str, Any] | HasReport,
    readings: Readings,
    *,
    checks: Checks | None = None,
    clean_ohm: float | None = None,
) -> Verdict:
    """Puts a photo's report and hand-check readings together.

    Args:
        report: The JSON report of the contract, or what gives it by ``to_dict``.
        readings: Check id to value, or a list; see ``wearvision.readings``.
        checks: A site's checks; None for those of the standard.
        clean_ohm: The cell's own clean lit reading where one is on record, in ohm.

    Raises:
        ReadingError: the report names no part, or a reading makes no sense.
    """
    table = checks or load_checks()
    case = _case(_plain(report), readings, table)
    final = _final(case)
    missing = _missing(case, table)
    standing = _standing(case, final, missing)
    grade = case.grade if standing == "incomplete" else final
    notes = tuple(_notes(report, case, table, clean_ohm))
    return Verdict(standing, grade, _reason(case, standing, final, missing), case.findings, missing, notes)


def predicted_reading(
    report: Mapping[str, Any] | HasReport, *, clean_ohm: float | None = None, checks: Checks | None = None
) -> Prediction | None:
    """What the meter should read behind the film and veil that the photo shows.

    Args:
        report: As for ``confirm``.
        clean_ohm: The part's own clean reading, ohm; without one there is a range and no margin.
        checks: A site's checks.

    Returns:
        The prediction; None where no check of this part follows the photocell law or a layer is unmeasured.

    Raises:
        ReadingError: ``clean_ohm`` is no positive number.
    """
    record = _plain(report)
    name = (record.get("part") or {}).get("name")
    lines = {line["name"]: line for line in record.get("measures", ())}
    for check in (checks or load_checks()).rows.values():
        reading = check.reading
        if check.part != name or reading is None or not reading.layers:
            continue
        layers = [lines.get(layer, {}) for layer in reading.layers]
        if any(line.get("low") is None or line.get("high") is None for line in layers):
            return None
        losses = tuple((min(1.0, line["low"]), min(1.0, line["high"])) for line in layers)
        try:
            usual = (reading.usual["low"], reading.usual["high"])
            return predict(losses, usual_ohm=usual, limit_ohm=float(reading.expect["high"]), clean_ohm=clean_ohm)
        except ValueError as error:
            raise ReadingError(f"{check.id}: {error}.") from error
    return None


def _plain(report: Mapping[str, Any] | HasReport) -> Mapping[str, Any]:
    """The report as plain values. Raises ReadingError where it has not the form of one."""
    record = report if isinstance(report, Mapping) else report.to_dict()
    lines = record.get("measures", ())
    if not (
        isinstance(record.get("part") or {}, Mapping)
        and isinstance(record.get("possible_grades", ()), list | tuple)
        and isinstance(lines, list | tuple)
        and all(_is_line(line) for line in lines)
    ):
        raise ReadingError("This is no report: part, measures or possible grades have another form; use grade --json.")
    return record


def _is_line(line: object) -> bool:
    return (
        isinstance(line, Mapping)
        and all(isinstance(line.get(key), str) for key in ("name", "mode"))
        and all(isinstance(line.get(end), int | float | None) for end in ("low", "high"))
    )


def _case(record: Mapping[str, Any], readings: Readings, checks: Checks) -> _Case:
    name = (record.get("part") or {}).get("name")
    if not isinstance(name, str):
        raise ReadingError("The report names no part, so there is nothing to confirm; grade a fit photo first.")
    part_spec(name)
    modes = {line["mode"]: line["grade"] for line in record.get("measures", ()) if line.get("grade") in GRADES}
    grade = record.get("grade") if record.get("grade") in GRADES else None
    possible = tuple(one for one in GRADES if one in record.get("possible_grades", ()))
    return _Case(name, grade, possible, modes, read_readings(name, readings, checks))


def _final(case: _Case) -> Grade | None:
    """The grade when every reading has replaced the photo's word for the modes that it decides."""
    if case.said("replace"):
        return "replace"
    if case.grade is None:
        return None
    good, clean = case.spoken("good"), case.spoken("clean")
    left: list[Grade] = ["clean-and-reuse"] if clean else []
    for mode, grade in case.modes.items():
        # A good reading clears a mode that the photo condemned; dirt that is there stays to be cleaned.
        if grade != "replace" or mode not in good | clean:
            left.append(grade)
    if not case.carrying:
        left.append(case.grade)  # the photo's grade has no mode behind it: no reading can take it away
    return worst(left)


def _missing(case: _Case, checks: Checks) -> tuple[str, ...]:
    """Required checks without a verdict, those that the photo's grade leaves open first."""
    done = {name for f in case.findings if f.modes for name in (f.check.id, f.check.stands_for)}
    needed = [check for check in checks.of(case.part) if check.reading and check.reading.required]
    if case.grade in ("clean-and-reuse", "replace") and not ("replace" in case.possible and case.grade != "replace"):
        spoken = case.spoken("good", "clean", "replace")
        needed = [check for check in needed if set(check.modes) & (set(case.carrying) - spoken)]
    again = {finding.check.id for finding in case.said("again")}
    better = {check.stands_for: check.id for check in checks.of(case.part) if check.stands_for in again}
    return tuple(better.get(check.id, check.id) for check in needed if check.id not in done)


def _standing(case: _Case, final: Grade | None, missing: Sequence[str]) -> Standing:
    if final is None or not any(finding.modes for finding in case.findings):
        return "incomplete"
    if case.grade is None or GRADES.index(final) > GRADES.index(case.grade):
        return "overridden"
    if GRADES.index(final) < GRADES.index(case.grade):
        return "contradicted"
    if case.grade == "replace":
        return "confirmed" if case.said("replace") else "incomplete"
    if case.grade == "clean-and-reuse" and not set(case.carrying) <= case.spoken("good", "clean"):
        return "incomplete"
    return "incomplete" if missing else "confirmed"


def _reason(case: _Case, standing: Standing, final: Grade | None, missing: Sequence[str]) -> str:
    seen = f"the photo says {case.grade}" if case.grade else "the photo gave no grade"
    if standing == "overridden":
        worse = case.said("replace") or case.said("clean")
        if not worse:  # a report that was changed by hand
            return f"By its own measures the part is {final}, although {seen}: grade the photo again."
        return f"{_quote(worse[0])} The measurement wins over the photo: {seen}, it is {final}."
    if standing == "contradicted":
        cleared = [f for f in case.said("good", "clean") if set(f.modes) & set(case.carrying)]
        return (
            f"{_quote(cleared[0])} But {seen} ({', '.join(case.carrying)}). The measurement wins: {final}; "
            "take a second look and a new photo before the part goes back."
        )
    if standing == "confirmed":
        tells = [*case.said("replace"), *case.said("clean"), *case.said("good")]
        return f"{_quote(tells[0])} That bears the photo out: {final}."
    open_ends = case.said("again", "elsewhere")
    parts = [_quote(finding) for finding in open_ends[:1]]
    silent = sorted(set(case.carrying) - case.spoken("good", "clean", "replace"))
    if case.grade == "replace" and silent:
        parts.append(f"No reading speaks for {', '.join(silent)}, for which {seen}.")
    if missing:
        parts.append(f"Still to do: {', '.join(missing)}.")
    return " ".join(parts) or f"No reading decides a mode of wear, and {seen}."


def _quote(finding: Finding) -> str:
    return f"{finding.check.title}, {finding.entered}: {finding.text}"


def _notes(
    report: Mapping[str, Any] | HasReport, case: _Case, checks: Checks, clean_ohm: float | None
) -> Sequence[str]:
    notes = [_quote(finding) for finding in case.said("adjust", "elsewhere")]
    if len({f.says for f in case.findings if f.modes}) > 1 and case.said("replace"):
        notes.append("The readings do not all say the same; the worst holds.")
    forecast = predicted_reading(report, clean_ohm=clean_ohm, checks=checks)
    if forecast is None:
        return notes
    low, high = forecast.ohm
    if forecast.margin_ohm is None:
        notes.append(
            f"Film and veil seen raise the lit resistance {forecast.factor[0]:.2f} to {forecast.factor[1]:.2f} times: "
            f"a good cell would read {low:.0f} to {high:.0f} ohm. "
            "Without this cell's own clean reading there is no margin."
        )
        return notes
    left = f"{forecast.margin_ohm:.0f} ohm are left to the service limit at worst"
    notes.append(f"From its clean {clean_ohm:g} ohm this cell should read {low:.0f} to {high:.0f} ohm; {left}.")
    for finding in case.findings:
        if _by_law(finding.check) and finding.low is not None and finding.low > high:
            notes.append(
                f"{finding.entered} is more than film and veil explain: look at sighting, flame, air and wiring too."
            )
    return notes


def _by_law(check: Check) -> bool:
    return check.reading is not None and bool(check.reading.layers)


__all__ = ["HasReport", "Standing", "Verdict", "WipingPair", "confirm", "predicted_reading", "wiping_pair"]
