"""When the next service is due: by running hours or by date, whichever comes first."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

DAY = timedelta(days=1)
State = Literal["unknown", "not due", "due"]


@dataclass(frozen=True, slots=True)
class Due:
    """When the next service is due.

    Attributes:
        state: ``unknown`` where no service is on record.
        on: The date by the interval in days.
        at_hours: What the hour meter will show then; None where it was not read at the service.
        hours_left: Running hours left, below 0 when overdue; None where they are not known.
        days_left: Days left, below 0 when overdue.
        first: Which of the two comes first; ``hours`` only where the pace is known or the hours are up.
        expected: The day that comes first, at the pace since the service.
        reason: One sentence for a person.
    """

    state: State
    on: datetime | None = None
    at_hours: float | None = None
    hours_left: float | None = None
    days_left: float | None = None
    first: Literal["hours", "date"] | None = None
    expected: datetime | None = None
    reason: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; days, as nobody plans a service to the second."""
        return {
            "state": self.state,
            "on": f"{self.on:%Y-%m-%d}" if self.on else None,
            "at_hours": _round(self.at_hours),
            "hours_left": _round(self.hours_left),
            "days_left": _round(self.days_left),
            "first": self.first,
            "expected": f"{self.expected:%Y-%m-%d}" if self.expected else None,
            "reason": self.reason,
        }


def next_service(
    *,
    interval_hours: float,
    interval_days: float,
    serviced_at: datetime | None,
    now: datetime,
    meter: float | None = None,
    run: float | None = None,
    read_at: datetime | None = None,
) -> Due:
    """Reckons the next service from the last one.

    Args:
        interval_hours: Running hours between services, > 0.
        interval_days: Days between services, > 0.
        serviced_at: When the last service was; None where none is on record.
        now: The time.
        meter: What the hour meter showed last.
        run: Running hours from the last service to that reading; None where the hours at the service are unknown.
        read_at: When the meter was read last.

    Source: hours or date, whichever first: common practice, no published source.
    """
    if serviced_at is None:
        return Due("unknown", reason="No service is on record: close an inspection as a service, and it is reckoned.")
    on = serviced_at + interval_days * DAY
    days_left = (on - now) / DAY
    if run is None or meter is None:
        state: State = "due" if days_left <= 0 else "not due"
        reason = f"{_by_date(on, days_left)} The hour meter was not read at the last service, so hours cannot tell."
        return Due(state, on, days_left=days_left, first="date", expected=on, reason=reason)
    left = interval_hours - run
    by_pace = _at_pace(serviced_at, read_at, run, interval_hours)
    hours_first = days_left > 0 if left <= 0 else by_pace is not None and by_pace < on
    if left <= 0 and days_left <= 0:
        hours_first = by_pace is not None and by_pace < on
    expected = by_pace if hours_first and by_pace is not None else on
    state = "due" if left <= 0 or days_left <= 0 else "not due"
    words = f"{left:.0f} running hours are left" if left > 0 else f"{-left:.0f} running hours over the interval"
    return Due(
        state,
        on,
        meter + left,
        left,
        days_left,
        "hours" if hours_first else "date",
        expected,
        f"{_by_date(on, days_left)} By hours: {words}. Whichever comes first counts.",
    )


def _at_pace(start: datetime, read_at: datetime | None, run: float, interval: float) -> datetime | None:
    """The day on which the interval's hours are run, at the pace so far; None where there is no pace to speak of."""
    if read_at is None or read_at - start < DAY or run <= 0:
        return None
    days = interval * ((read_at - start) / DAY) / run
    # A machine that hardly runs would be due after the calendar's end; the date comes first anyway.
    return start + days * DAY if days < 36_500 else None


def _by_date(on: datetime, days_left: float) -> str:
    return f"By date: {on:%Y-%m-%d}, {f'in {days_left:.0f} days' if days_left > 0 else f'{-days_left:.0f} days ago'}."


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 1)
