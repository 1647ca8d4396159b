"""From settled measures to what a report says of the part: grade, lines, checks, causes. It looks at no picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from wearvision.calibration import Calibration
from wearvision.judge import Chance, Joined, Judgement, Line, join, judge
from wearvision.measure.result import Unmeasured
from wearvision.parts import PartSpec
from wearvision.report import MeasureLine
from wearvision.settle import Basis, Settled
from wearvision.standard import Limits, causes_for, checks_for


@dataclass(frozen=True, slots=True)
class Seen:
    """What one photo showed: its view, and each measure before limits."""

    view: str
    measures: Mapping[str, Basis]


def verdict(spec: PartSpec, photos: Sequence[Seen], calibration: Calibration, limits: Limits) -> dict[str, Any]:
    """The fields of a report that follow from measures and limits.

    Args:
        spec: The part.
        photos: What each photo of it showed; at least one.
        calibration: Of the model that looked at them, for probabilities.
        limits: Those in force.
    """
    settled = [
        {name: basis.under(limits.row(spec.key, name)) for name, basis in photo.measures.items()} for photo in photos
    ]
    joined = join(
        spec.key,
        [
            (photo.view, {name: item.outcome for name, item in own.items()})
            for photo, own in zip(photos, settled, strict=True)
        ],
    )
    judged = _judge(spec, settled, joined, calibration, limits)
    views = {photo.view for photo in photos}
    return {
        "grade": judged.grade,
        "possible_grades": judged.possible_grades,
        "probabilities": judged.probabilities,
        "not_seen": judged.not_seen,
        "views_missing": joined.views_missing,
        "measures": tuple(
            _measure_line(line, settled, joined) for line in judged.lines if set(spec.mode(line.mode).views) & views
        ),
        "checks": checks_for(spec.key, judged.grade, judged.modes_to_check),
        "causes": causes_for(
            spec.key, [line.mode for line in judged.lines if set(line.possible_grades) - {"serviceable"}]
        ),
    }


def _judge(
    spec: PartSpec, settled: Sequence[Mapping[str, Settled]], joined: Joined, calibration: Calibration, limits: Limits
) -> Judgement:
    chances: dict[str, Chance] = {}
    for name, number in joined.taken_from.items():
        taken = settled[number][name].blend
        entry = calibration.entries.get(f"{spec.key}.{name}")
        if taken is not None and entry is not None:
            chances[name] = partial(entry.chance, taken)
    return judge(spec.key, joined.lines, limits, not_seen=joined.not_seen, chances=chances)


def _measure_line(line: Line, settled: Sequence[Mapping[str, Settled]], joined: Joined) -> MeasureLine:
    outcome = line.outcome
    if isinstance(outcome, Unmeasured):
        return MeasureLine(
            line.measure, line.mode, None, grade=line.grade, reason=str(outcome.reason), note=outcome.note
        )
    item = settled[joined.taken_from[line.measure]][line.measure]
    return MeasureLine(
        line.measure,
        line.mode,
        outcome.value,
        outcome.low,
        outcome.high,
        outcome.unit,
        line.grade,
        None,
        outcome.note,
        item.agree,
    )
