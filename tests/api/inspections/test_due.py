"""Next service due. 500 h or a year, whichever first: common practice, no published source."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from wearvision_api.services.due import DAY, Due, next_service

START = datetime(2026, 1, 1, tzinfo=UTC)
RUN, DAYS = st.floats(0, 5000), st.floats(0, 3000)


def due(run: float | None, days: float, *, hours: float = 500, interval: float = 365) -> Due:
    at = START + days * DAY
    meter = None if run is None else 1000 + run
    return next_service(
        interval_hours=hours, interval_days=interval, serviced_at=START, now=at, meter=meter, run=run, read_at=at
    )


@given(RUN, DAYS)
def test_due_as_soon_as_hours_or_date_are_up(run: float, days: float) -> None:
    found = due(run, days)
    assert found.days_left is not None
    assert (found.state == "due") == (run >= 500 or found.days_left <= 0)


@given(RUN, DAYS, st.floats(0, 500), st.floats(0, 100))
def test_due_never_goes_back_as_the_machine_runs_and_time_passes(
    run: float, days: float, more: float, later: float
) -> None:
    if due(run, days).state == "due":
        assert due(run + more, days + later).state == "due"


@given(RUN, DAYS)
def test_due_is_expected_no_later_than_the_date(run: float, days: float) -> None:
    found = due(run, days)
    assert found.expected is not None
    assert found.on is not None
    assert found.expected <= found.on
    assert (found.expected < found.on) <= (found.first == "hours")


@given(st.floats(1, 499))
def test_due_at_hours_is_the_meter_at_the_service_and_the_interval(run: float) -> None:
    found = due(run, 10)
    assert found.at_hours is not None
    assert abs(found.at_hours - 1500) < 1e-9


def test_due_by_hours_first_where_the_machine_runs_a_lot() -> None:
    """250 h in 50 days is 5 h a day: 500 h are run on the hundredth day."""
    found = due(250, 50)
    assert (found.first, found.expected) == ("hours", START + 100 * DAY)
    assert (found.state, found.hours_left) == ("not due", 250)


def test_due_by_date_first_where_the_machine_stands() -> None:
    found = due(10, 100)
    assert (found.first, found.expected, found.days_left) == ("date", START + 365 * DAY, 265)


def test_due_without_a_meter_goes_by_date_and_says_so() -> None:
    found = due(None, 400)
    assert (found.state, found.hours_left, found.first) == ("due", None, "date")
    assert "not read" in found.reason


def test_due_without_a_service_is_unknown() -> None:
    found = next_service(interval_hours=500, interval_days=365, serviced_at=None, now=START)
    assert (found.state, found.expected) == ("unknown", None)
    assert "No service is on record" in found.reason


def test_due_of_a_machine_that_hardly_runs_stays_in_the_calendar() -> None:
    found = next_service(
        interval_hours=100_000,
        interval_days=365,
        serviced_at=START,
        now=START + timedelta(days=2),
        meter=1.0,
        run=1e-9,
        read_at=START + timedelta(days=2),
    )
    assert found.first == "date"
