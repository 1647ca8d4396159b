"""The hour meter: properties of running hours. Checked against the definition, no published source."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearvision_api.services.meter import Read, RunsBackwards, running_hours

START = datetime(2026, 1, 1, tzinfo=UTC)
STEPS = st.lists(st.integers(0, 5000), max_size=12)


def reads(hours: list[float], reasons: list[str] | None = None) -> list[Read]:
    given = reasons or [""] * len(hours)
    return [Read(START + timedelta(days=k), h, why) for k, (h, why) in enumerate(zip(hours, given, strict=True))]


@given(st.integers(0, 10_000), STEPS)
def test_running_hours_of_a_meter_that_runs_on_are_what_it_reads(first: int, steps: list[int]) -> None:
    shown = [float(first)]
    for step in steps:
        shown.append(shown[-1] + step)
    assert running_hours(reads(shown)) == shown


@given(STEPS, STEPS, st.integers(0, 50))
def test_running_hours_never_fall_when_the_meter_is_replaced(before: list[int], after: list[int], fresh: int) -> None:
    old, new = [100.0], [float(fresh)]
    for step in before:
        old.append(old[-1] + step)
    for step in after:
        new.append(new[-1] + step)
    reasons = [""] * len(old) + ["meter replaced"] + [""] * (len(new) - 1)
    total = running_hours(reads(old + new, reasons))
    assert total == sorted(total)
    assert total[-1] - total[0] == sum(before) + sum(after)


@given(st.floats(1, 1e6), st.floats(0.001, 1))
def test_running_hours_refuse_a_lower_reading_without_reason(shown: float, share: float) -> None:
    lower = shown * (1 - share)
    with pytest.raises(RunsBackwards, match="cannot run backwards"):
        running_hours(reads([shown, lower]))


def test_running_hours_of_no_reading_are_none() -> None:
    assert running_hours([]) == []
