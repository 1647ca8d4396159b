"""The line between people and service: torn uploads, answers lost after the commit, and clients that never finish."""

from __future__ import annotations

import random
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from wearvision_api.overload import SILENCE_S
from wearvision_api.patience import HEAD_S

from .audit import Auditor
from .counts import counted
from .keeper import Keeper, Service
from .line import Line
from .traffic import Crowd

pytestmark = pytest.mark.slow
LASTS_S = 8.0
FAULTS = {
    "torn": "lines that break in the middle",
    "deaf": "answers lost on the way",
    "held": "lines that hang for 8 s",
}
SLOW_CLIENTS = 80
"""More than the service has places for (``--requests``)."""


def test_people_on_a_bad_line_record_everything_once(keeper: Keeper, small: bytes, tmp_path: Path) -> None:
    data = tmp_path / "data"
    service = Service(keeper, "line", data)
    auditor = Auditor(f"sqlite:///{data / 'wearvision.sqlite'}", f"file://{data / 'photos'}")
    port = int(service.addresses[0].rpartition(":")[2])
    with (
        Line(port) as line,
        Crowd([f"http://127.0.0.1:{line.port}"], small, random.randrange(1000), people=3, timeout_s=6) as crowd,
    ):
        for state, name in FAULTS.items():
            row = counted(f"network: {name}")
            crowd.wait_for_answers(2)
            broken = line.broken
            line.be(state)
            time.sleep(LASTS_S)
            line.cut()
            line.be("whole")
            moment = time.monotonic()
            row.times += line.broken - broken
            row.back_s.append(crowd.wait_for_answers(1) - moment)
            row.take(auditor.look(crowd.book.answered()))
            assert row.times, "nothing was broken"
        line.be("whole")
    assert not crowd.book.odd, crowd.book.odd[:3]
    crowd.addresses = service.addresses
    crowd.send_again(200)
    row.take(auditor.look(crowd.book.answered(), every_blob=True))
    auditor.close()
    service.end()


@contextmanager
def dawdlers(port: int, said: bytes) -> Iterator[list[socket.socket]]:
    """Clients that say this and then next to nothing."""
    found = []
    try:
        for _ in range(SLOW_CLIENTS):
            one = socket.create_connection(("127.0.0.1", port), timeout=30)
            one.sendall(said)
            found.append(one)
        yield found
    finally:
        for one in found:
            one.close()


def ended(clients: list[socket.socket]) -> int:
    """How many were cut off; the others say one letter more."""
    count = 0
    for one in clients:
        one.setblocking(False)
        try:
            one.send(b"a")
            while one.recv(4096):
                pass
            count += 1
        except BlockingIOError:
            pass
        except OSError:
            count += 1
    return count


@pytest.mark.parametrize(
    ("name", "said", "limit_s"),
    [
        ("heads", b"POST /api/v1/photos HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: ", HEAD_S),
        (
            "bodies",
            b"POST /api/v1/photos HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: multipart/form-data; boundary=b\r\n"
            b"Content-Length: 900000\r\n\r\n--b\r\n",
            SILENCE_S,
        ),
    ],
)
def test_clients_that_never_finish_hold_places_for_a_bounded_time(
    keeper: Keeper, small: bytes, tmp_path: Path, name: str, said: bytes, limit_s: float
) -> None:
    row = counted(f"network: {SLOW_CLIENTS} clients that send {name} letter by letter")
    data = tmp_path / "data"
    service = Service(keeper, f"slow-{name}", data)
    auditor = Auditor(f"sqlite:///{data / 'wearvision.sqlite'}", f"file://{data / 'photos'}")
    with Crowd(service.addresses, small, random.randrange(1000)) as crowd:
        crowd.wait_for_answers(2)
        moment = time.monotonic()
        with dawdlers(int(service.addresses[0].rpartition(":")[2]), said) as clients:
            row.times += len(clients)
            while ended(clients) < len(clients):
                assert time.monotonic() - moment < 2 * limit_s + 30, "they are waited for"
                time.sleep(1)
            crowd.wait_for_answers(1)
            row.back_s.append(time.monotonic() - moment)
        row.take(auditor.look(crowd.book.answered()))
    assert not crowd.book.odd, crowd.book.odd[:3]
    auditor.close()
    service.end()
