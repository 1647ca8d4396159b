"""A clock that is set forward or back while records lie there: nobody is kept out, and no day goes without its head."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.orm import Session

from wearvision_api.accounts.delay import CLOCKS_DIFFER, PAIR, wait_s
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.record import heads, ledger
from wearvision_api.record.heads import read_head, write_days
from wearvision_api.record.ledger import append, lines
from wearvision_api.record.verify import verify
from wearvision_api.settings import Settings
from wearvision_api.store.teaching_tables import ExampleRow
from wearvision_api.teaching.handing import HELD, held_by_other

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
OTHER = Caller("00000000-0000-4000-8000-0000000000bb", "ben", "trainer")


@given(st.integers(0, 60), st.timedeltas(timedelta(days=-9000), timedelta(days=9000)))
def test_no_jump_makes_a_name_wait_longer_than_the_longest_delay(failures: int, jump: timedelta) -> None:
    wait = wait_s(failures, NOON, NOON + jump)
    assert 0 <= wait <= PAIR.longest_s + CLOCKS_DIFFER.total_seconds()


def test_a_wrong_try_of_a_time_to_come_keeps_nobody_out() -> None:
    assert wait_s(40, NOON, NOON) == PAIR.longest_s
    assert wait_s(40, NOON, NOON - timedelta(days=300)) == 0


@pytest.mark.parametrize(("jump", "is_held"), [("0:00", True), ("-10d", False), ("10d", False)])
def test_an_example_that_somebody_held_is_free_after_a_jump(
    jump: str, is_held: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    days = int(jump.removesuffix("d")) if jump.endswith("d") else 0
    monkeypatch.setattr("wearvision_api.teaching.handing.now", lambda: NOON + timedelta(days=days))
    row = ExampleRow(held_by="00000000-0000-4000-8000-0000000000aa", held_until=NOON + HELD)
    assert held_by_other(row, OTHER) is is_held


@pytest.fixture
def at(monkeypatch: pytest.MonkeyPatch) -> Callable[[datetime], None]:
    """Sets the clock of the record."""

    def set_clock(moment: datetime) -> None:
        monkeypatch.setattr(ledger, "now", lambda: moment)
        monkeypatch.setattr(heads, "now", lambda: moment)

    return set_clock


@pytest.mark.on_both
def test_every_day_gets_its_head_though_the_clock_ran_ahead_for_a_while(
    settings: Settings, tmp_path: Path, at: Callable[[datetime], None]
) -> None:
    folder = tmp_path / "heads"

    def days(session: Session, house: House, today: date) -> list[str]:
        return [one.name for one in write_days(session, house.key, folder, today)]

    at(NOON)
    house = House.open(settings)
    with house.session() as session:
        at(NOON + timedelta(days=40))  # somebody sets the clock wrong, the service goes on
        append(session, "anna", "opened", "return", "r")
        session.commit()
        assert len(days(session, house, date(2026, 4, 11))) == 40
        at(NOON + timedelta(days=1))  # and it is put right
        append(session, "anna", "changed", "return", "r")
        session.commit()
        assert days(session, house, date(2026, 3, 3)) == [], "the second of March has one already"
        assert days(session, house, date(2026, 3, 4)) == ["2026-03-03.json"]
        assert days(session, house, date(2026, 3, 5)) == ["2026-03-04.json"]
        head = read_head(folder / "2026-03-03.json")
        assert head.place == 3, "it stands for what was done on that day, whatever the entries' moments say"
        aside = sorted(one.name for one in folder.glob("*.ahead-*.json"))
        assert (len(aside), aside[0]) == (39, "2026-03-03.ahead-1.json")
        kept = [read_head(one) for one in folder.glob("*.json")]
        verdict = verify(lines(session), heads=kept)
        assert (verdict.broken, verdict.heads) == (None, len(kept)), "heads laid aside still fit"
        moments = [line.at for line in lines(session)]
        assert moments == sorted(moments)
    house.close()


def test_a_clock_in_another_century_does_not_fill_the_disk(
    settings: Settings, tmp_path: Path, at: Callable[[datetime], None]
) -> None:
    house = House.open(settings)
    with house.session(writes=False) as session:
        written = write_days(session, house.key, tmp_path / "heads", date(2226, 1, 1))
    house.close()
    assert len(written) == 366
    assert written[-1].name == "2225-12-31.json"
