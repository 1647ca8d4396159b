"""A clock that jumps by hours and days, forward and back, while the service runs: by Debian's libfaketime."""

from __future__ import annotations

import random
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from wearvision_api.settings import Settings

from . import entry
from .audit import Auditor
from .counts import counted
from .keeper import PATIENCE_S, Keeper, Service
from .traffic import Crowd

pytestmark = pytest.mark.slow
PLACES = "/usr/lib/*/faketime/libfaketime.so.1", "/opt/homebrew/lib/faketime/libfaketime.1.dylib"
JUMPS = ("+3h", "-2h", "+2d", "-3d", "+400d", "-30d", "+0")
"""What the clock says beside the true time, one after the other."""


def library() -> Path:
    found = sorted(path for place in PLACES for path in Path("/").glob(place[1:]))
    if not found:
        pytest.skip("no libfaketime here: install Debian's libfaketime")
    return found[-1]


class Clock:
    """The time that a process is told, beside the true one.

    Args:
        file: Holds the difference; the process reads it anew each time.
    """

    def __init__(self, file: Path) -> None:
        self.file = file
        self.jump("+0")

    def jump(self, difference: str) -> None:
        """Sets it."""
        self.difference = difference
        draft = self.file.with_suffix(".part")
        draft.write_text(difference + "\n", "ascii")
        draft.replace(self.file)  # never half a difference

    @property
    def environment(self) -> dict[str, str]:
        """For the process."""
        return {
            "LD_PRELOAD": str(library()),
            "FAKETIME_TIMESTAMP_FILE": str(self.file),
            "FAKETIME_NO_CACHE": "1",
            "FAKETIME_DONT_FAKE_MONOTONIC": "1",  # a real clock that is set does not move this one either
            "NO_FAKE_STAT": "1",
        }


def test_clock_jumps_lose_nothing_and_keep_nobody_out(small: bytes, tmp_path: Path) -> None:
    clock, data = Clock(tmp_path / "clock"), tmp_path / "data"
    row = counted("clock set by hours, days and a year, both ways")
    entry.administrator(Settings(data=data, accounts=True))
    keeper = Keeper(environment=clock.environment)
    try:
        service = Service(keeper, "clock", data, accounts=True)
        (address,) = service.addresses
        token = entry.token(address)
        auditor = Auditor(f"sqlite:///{data / 'wearvision.sqlite'}", f"file://{data / 'photos'}")
        crowd = Crowd([address], small, random.randrange(1000), token=token)
        crowd.book.excused = (401,)  # a token of 90 days has ended where the clock is a year ahead
        with crowd:
            for jump in JUMPS:
                if clock.difference != "+400d":
                    crowd.wait_for_answers(2)
                for _ in range(6):  # wrong tries of this time must keep nobody out at another
                    entry.log_in(address, password="wrong")
                clock.jump(jump)
                row.times += 1
                row.back_s.append(seconds_to_log_in(address))
                service.wait_ready()
                row.take(auditor.look(crowd.book.answered()))
            crowd.wait_for_answers(2)
        assert not crowd.book.odd, crowd.book.odd[:3]
        crowd.send_again(200)
        row.take(auditor.look(crowd.book.answered(), every_blob=True))
        auditor.close()
        keeper.kill(service.names[0])  # what is daily is done at a start, too
        until = time.monotonic() + PATIENCE_S
        while ahead := days_to_come(data / "heads"):
            assert time.monotonic() < until, f"heads of days to come take the place of true ones: {ahead[:3]}"
            time.sleep(0.5)
    finally:
        keeper.close()


def seconds_to_log_in(address: str) -> float:
    """From a jump until somebody is let in who has the right password."""
    begun = time.monotonic()
    while not entry.log_in(address)[0]:
        assert time.monotonic() - begun < 120, "nobody could log in"
        time.sleep(0.5)
    return time.monotonic() - begun


def days_to_come(heads: Path) -> list[str]:
    """Days that have a signed head though they are not over."""
    today = datetime.now(UTC).date().isoformat()
    return sorted(path.stem for path in heads.glob("????-??-??.json") if path.stem >= today)
