"""Times the record: ``pytest -m bench tests/benchmarks/bench_record.py -s``. Entries are of the size of a decision.

Figures "of one core" and of "work" are processor time, which other work on the machine does not stretch.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import statistics
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine, insert
from sqlalchemy.orm import Session

from wearvision_api.record.chain import Line, encode, link, moment
from wearvision_api.record.ledger import append, head, lines
from wearvision_api.record.verify import verify
from wearvision_api.store.engine import migrate, open_engine
from wearvision_api.store.record_tables import LogRow
from wearvision_api.store.tables import now

pytestmark = pytest.mark.bench
ENTRIES = 100_000
ALONE = 300
"""Appends with a commit of their own, as a request makes one."""
AFTER = {
    "outcome": "decline",
    "reason": "Scorched housing and an oval window: heat from the burner, not the part. Shown to the claimant.",
    "proposal": {"row": "heat-declined", "needs_second": True, "reasons": ["possible grades hold two"]},
    "hours": 1210.5,
}


@pytest.fixture
def engine(tmp_path: Path) -> Iterator[Engine]:
    engine = open_engine(f"sqlite:///{tmp_path / 'record.sqlite'}")
    migrate(engine)
    yield engine
    engine.dispose()


def _fill(engine: Engine, most: int) -> None:
    """Goes on with the chain to so many entries, without waiting for the disk at each."""
    with Session(engine) as session:
        last = head(session)
        at, previous, rows = moment(now()), last.digest, []
        for place in range(last.place + 1, most + 1):
            said = (at, "counter-1", "decided", "return", f"r-{place}")
            data = encode(place, *said, after=AFTER, photos=["ab" * 32])
            digest = link(bytes.fromhex(previous), data).hex()
            columns = (place, *said, data.decode(), previous, digest)
            rows.append(dict(zip(Line.__slots__, columns, strict=True)))
            previous = digest
            if len(rows) == 1000 or place == most:
                session.execute(insert(LogRow), rows)
                rows = []
        session.commit()


def test_cost_of_append_and_speed_of_verify(engine: Engine) -> None:
    alone, worked = [], time.process_time()
    for number in range(ALONE):
        begun = time.perf_counter()
        with Session(engine) as session:
            append(session, "counter-1", "decided", "return", f"r-{number}", after=AFTER, photos=["ab" * 32])
            made = time.perf_counter()
            session.commit()
        alone.append((1000 * (made - begun), 1000 * (time.perf_counter() - begun)))
    append_work_ms = 1000 * (time.process_time() - worked) / ALONE
    _fill(engine, ENTRIES)
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    begun, worked = time.perf_counter(), time.process_time()
    with Session(engine.execution_options(writes=False)) as session:
        verdict = verify(lines(session))
    walked_s, worked_s = time.perf_counter() - begun, time.process_time() - worked
    grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
    assert (verdict.entries, verdict.broken) == (ENTRIES, None)
    say = {
        "machine": f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}",
        "append_ms_p50": round(statistics.median(made for made, _ in alone), 3),
        "append_and_commit_work_ms": round(append_work_ms, 3),
        "append_and_commit_ms_p50": round(statistics.median(whole for _, whole in alone), 3),
        "verify_entries_per_s": round(ENTRIES / walked_s),
        "verify_entries_per_s_of_one_core": round(ENTRIES / worked_s),
        "verify_s": round(walked_s, 2),
        "verify_memory_grown_kb": grown_kb,
    }
    print(json.dumps(say, indent=1))
