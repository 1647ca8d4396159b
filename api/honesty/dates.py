"""A photo's capture data beside the dates of its claim. Every finding is a question to somebody, never a refusal."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from wearvision.capture import Capture

BEFORE_FITTED, AFTER_CLAIMED = "taken before fitted", "taken after claimed"
NO_TIME, EDITED = "no capture time", "edited"
_CLOCK = timedelta(minutes=10)  # by which a camera's clock may be ahead


def ask_dates(
    capture: Capture,
    *,
    received: datetime,
    installed_on: date | None,
    returned_on: date,
    shows_part: bool,
    at_the_desk: bool,
) -> list[tuple[str, str]]:
    """Kind and reason of each thing about a photo's capture data that somebody should look at.

    Args:
        capture: What the file says.
        received: When the service got the photo, with time zone.
        installed_on: When the part was fitted, if known.
        returned_on: When it came back.
        shows_part: Whether it shows the part, which nobody can photograph worn before it is fitted.
        at_the_desk: Whether the claim's own return tag lies in it, so that it may be taken after the return.
    """
    found = []
    if capture.taken is None:
        found.append(
            (
                NO_TIME,
                "The file does not say when it was taken. Messengers and screenshots drop it: ask for the original.",
            )
        )
    else:
        found += _out_of_order(capture, capture.taken, received, installed_on, returned_on, shows_part, at_the_desk)
    if signs := capture.signs_of_change():
        text = "; ".join(signs)
        found.append(
            (
                EDITED,
                f"The file was changed after it was taken, by its own data: {text}. Turning or sending it can do that.",
            )
        )
    return found


def _out_of_order(
    capture: Capture,
    taken: datetime,
    received: datetime,
    installed_on: date | None,
    returned_on: date,
    shows_part: bool,
    at_the_desk: bool,
) -> list[tuple[str, str]]:
    when = f"{taken:%Y-%m-%d %H:%M}"
    doubt = "A camera's clock may be wrong: compare it with the clock."
    earliest = capture.taken_at_earliest
    if earliest is not None and earliest > received.astimezone(UTC).replace(tzinfo=None) + _CLOCK:
        got = f"{received.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
        return [(AFTER_CLAIMED, f"The file says that it was taken on {when}, but it was received on {got}. {doubt}")]
    if shows_part and installed_on is not None and taken.date() < installed_on:
        days = (installed_on - taken.date()).days
        text = f"The file says that it was taken on {when}, {_days(days)} before the part was fitted on {installed_on}."
        return [(BEFORE_FITTED, f"{text} {doubt}")]
    if not at_the_desk and taken.date() > returned_on:
        days = (taken.date() - returned_on).days
        text = f"The file says that it was taken on {when}, {_days(days)} after the part came back on {returned_on}"
        return [(AFTER_CLAIMED, f"{text}, and this return's tag is not read in it. {doubt}")]
    return []


def _days(count: int) -> str:
    return "a day" if count == 1 else f"{count} days"
