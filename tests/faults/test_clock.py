"""A clock that jumps by hours and days, forward and back, while the service runs: by Debian's libfaketime."""

from __future__ import annotations

import random
import time
from pathlib import Path

import httpx
import pytest

from wearvision_api.settings import Settings

from ..api.durability.process import Served
from . import entry
from .audit import Auditor
from .counts import counted
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
    with Served(data, ["--accounts", "--workers", "1"], clock.environment) as served:
        token = entry.token(served.address)
        auditor = Auditor(f"sqlite:///{data / 'wearvision.sqlite'}", f"file://{data / 'photos'}")
        headers = {"Authorization": f"Bearer {token}"}
        crowd = Crowd([served.address], small, random.randrange(1000), token=token)
        crowd.book.excused = (401,)  # a token of 90 days has ended where the clock is a year ahead
        with crowd:
            for jump in JUMPS:
                crowd.wait_for_answers(2)
                for _ in range(6):  # wrong tries of this time must keep nobody out at another
                    form = {"name": entry.NAME, "password": "wrong"}
                    httpx.post(f"{served.address}/login", data=form, trust_env=False, timeout=30)
                clock.jump(jump)
                moment = time.monotonic()
                row.times += 1
                crowd.wait_for_answers(0 if jump == "+400d" else 1)
                cookie = ""
                while not cookie:
                    cookie, _ = entry.log_in(served.address)
                    assert time.monotonic() - moment < 120, f"{jump}: nobody could log in"
                    time.sleep(0.5)
                row.back_s.append(time.monotonic() - moment)
                assert httpx.get(f"{served.address}/readyz", trust_env=False, timeout=30).status_code == 200
                row.take(auditor.look(crowd.book.answered()))
            assert served.http.get("/api/v1/grades", headers=headers).status_code == 200
        assert not crowd.book.odd, crowd.book.odd[:3]
        crowd.send_again(200)
        row.take(auditor.look(crowd.book.answered(), every_blob=True))
        auditor.close()
        assert served.stop() in (0, -15)
