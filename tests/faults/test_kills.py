"""``kill -9`` of served processes at random moments, while people work and go on retrying.

Nothing is told to stop, nothing is waited for: a process dies in the middle of an upload, a grading, a commit, an
answer, or its own start. Whatever keeps it running begins it again (here ``warm.py``, in operation systemd).
"""

from __future__ import annotations

import random
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from ..api.database_server import Server
from .audit import Auditor, drafts
from .counts import Row, counted
from .keeper import Keeper, Service
from .traffic import Crowd

SMOKE = 6
IN_ITS_START = 0.2
"""Share of kills that hit a process that was killed just before."""


@dataclass(frozen=True)
class Campaign:
    """A service that is killed again and again.

    Attributes:
        name: For the table.
        share: Of all kills; the rest falls on trainings.
        processes: Over one database and one store.
        postgres: Whether the database is PostgreSQL; else SQLite.
    """

    name: str
    share: float
    processes: int = 1
    postgres: bool = False


CAMPAIGNS = (
    Campaign("SQLite, one process", 0.22),
    Campaign("SQLite, one of two processes", 0.18, 2),
    Campaign("PostgreSQL, one process", 0.20, 1, postgres=True),
    Campaign("PostgreSQL, one of two processes", 0.20, 2, postgres=True),
)


def survive(
    campaign: Campaign, keeper: Keeper, database: str, photo: bytes, folder: Path, kills: int, seconds: float
) -> Row:
    """Kills a service so often, and holds everything to what was acknowledged after each kill."""
    seed = random.randrange(1000)
    chance = random.Random(seed)
    row = counted(f"kill -9, {campaign.name}")
    data = folder / campaign.name.replace(" ", "-").replace(",", "")
    service = Service(keeper, data.name, data, processes=campaign.processes, database=database)
    auditor = Auditor(database or f"sqlite:///{data / 'wearvision.sqlite'}", f"file://{data / 'photos'}")
    try:
        with Crowd(service.addresses, photo, seed) as crowd:
            crowd.wait_for_answers(3)
            while row.times < kills:
                name = chance.choice(service.names)
                moment = time.monotonic()
                row.times += keeper.kill(name)
                while row.times < kills and chance.random() < IN_ITS_START:
                    time.sleep(chance.random())
                    row.times += keeper.kill(name)
                row.kills = row.times
                row.back_s.append(service.wait_ready() - moment)
                row.take(auditor.look(crowd.book.answered()))
                crowd.wait_for_answers(1)
                time.sleep(chance.uniform(0, seconds))
        assert not crowd.book.odd, f"seed {seed}: {crowd.book.odd[:3]}"
        crowd.send_again()
        row.take(auditor.look(crowd.book.answered(), every_blob=True))
        assert not drafts(data / "photos") or campaign.processes > 1, "a start removes what a killed writer left"
    except AssertionError as error:
        raise AssertionError(f"seed {seed}: {error}\n{service.said()}") from error
    finally:
        auditor.close()
        service.end()
    return row


def test_a_service_that_is_killed_comes_back_with_all_that_it_acknowledged(
    keeper: Keeper, small: bytes, tmp_path: Path, pytestconfig: pytest.Config
) -> None:
    """The quick one: both processes of a service over one SQLite file, killed a few times."""
    row = survive(CAMPAIGNS[1], keeper, "", small, tmp_path, SMOKE, 0.5)
    assert (row.kills, row.lost, row.doubled) == (SMOKE, 0, 0)
    assert row.checked >= 5, "too little was acknowledged to show anything"


@pytest.mark.slow
@pytest.mark.postgres
def test_services_killed_hundreds_of_times(
    keeper: Keeper, postgres: Server, small: bytes, tmp_path: Path, pytestconfig: pytest.Config
) -> None:
    """All kinds at the same time."""
    kills, seconds = pytestconfig.getoption("kills", 0) or 50, pytestconfig.getoption("seconds", 2.0)
    with ExitStack() as stack, ThreadPoolExecutor(len(CAMPAIGNS)) as pool:
        running = []
        for one in CAMPAIGNS:
            database = stack.enter_context(postgres.database()) if one.postgres else ""
            share = round(kills * one.share)
            running.append(pool.submit(survive, one, keeper, database, small, tmp_path, share, seconds))
        rows = [one.result() for one in running]
    assert sum(row.kills for row in rows) >= 0.8 * kills - 2
