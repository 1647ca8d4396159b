"""The database goes away, comes back, has no connection left, or is held by somebody else, while people work."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import httpx
import psycopg
import pytest

from ..api.database_server import Server, programs
from .audit import Auditor
from .counts import counted
from .keeper import Keeper, Service
from .test_disk import wait_for
from .traffic import Crowd

pytestmark = pytest.mark.slow
ROUNDS = 5


class Unsteady(Server):
    """A server that is stopped, killed and started again."""

    address = ""

    def restart(self, mode: str) -> None:
        """Stops it ``fast`` (connections are ended) or ``immediate`` (as in a crash), and starts it."""
        self._run("pg_ctl", "-D", self._data, "-m", mode, "-l", str(self.folder / "log"), "-w", "restart")

    def kill(self) -> None:
        """SIGKILL to the server itself; it recovers by its log when it is started again, as its unit does at once."""
        pid = int((Path(self._data) / "postmaster.pid").read_text().split()[0])
        os.kill(pid, signal.SIGKILL)
        while Path(f"/proc/{pid}").exists():
            time.sleep(0.02)
        time.sleep(0.5)  # its children notice, and let go of the shared memory
        flags = f"-c listen_addresses='' -c unix_socket_directories={self.folder} -c fsync=off -c max_connections=200"
        self._run("pg_ctl", "-D", self._data, "-o", flags, "-l", str(self.folder / "log"), "-w", "start")

    def connect(self) -> psycopg.Connection:
        """A connection of the tests' own."""
        return psycopg.connect(host=str(self.folder), user="tests", dbname="faults", autocommit=True)

    def drop_connections(self) -> None:
        """Ends every other connection in the middle of what it does."""
        with self.connect() as connection:
            connection.execute("select pg_terminate_backend(pid) from pg_stat_activity where pid <> pg_backend_pid()")

    def take_all_connections(self) -> None:
        """Holds every connection that the server has, for three seconds."""
        held = []
        try:
            until = time.monotonic() + 3
            with self.connect() as connection:
                while time.monotonic() < until:
                    try:
                        held.append(self.connect())
                    except psycopg.OperationalError:
                        connection.execute(
                            "select pg_terminate_backend(pid) from pg_stat_activity "
                            "where application_name = '' and state = 'idle' and query like 'COMMIT%'"
                        )
                        time.sleep(0.05)
        finally:
            for one in held:
                one.close()


@pytest.fixture(scope="module")
def unsteady() -> Iterator[Unsteady]:
    found = programs()
    if found is None:
        pytest.skip("no PostgreSQL server here: install Debian's postgresql")
    server = Unsteady(found)
    with psycopg.connect(host=str(server.folder), user="tests", dbname="postgres", autocommit=True) as connection:
        connection.execute("create database faults template template0")
    server.address = f"postgresql+psycopg://tests@/faults?host={server.folder}"
    yield server
    server.stop()


FAULTS: dict[str, Callable[[Unsteady], None]] = {
    "PostgreSQL restarted, fast": lambda server: server.restart("fast"),
    "PostgreSQL restarted, immediate": lambda server: server.restart("immediate"),
    "PostgreSQL killed and started": Unsteady.kill,
    "PostgreSQL: all connections ended": Unsteady.drop_connections,
    "PostgreSQL: no connection left for 3 s": Unsteady.take_all_connections,
}


@pytest.mark.postgres
def test_a_database_that_goes_away_and_comes_back(
    keeper: Keeper, unsteady: Unsteady, small: bytes, tmp_path: Path
) -> None:
    data = tmp_path / "data"
    service = Service(keeper, "database", data, processes=2, database=unsteady.address)
    pids = [keeper.pid(name) for name in service.names]
    auditor = Auditor(unsteady.address, f"file://{data / 'photos'}")
    with Crowd(service.addresses, small, random.randrange(1000), people=3) as crowd:
        for name, fault in FAULTS.items():
            row = counted(name)
            for _ in range(ROUNDS):
                crowd.wait_for_answers(3)
                time.sleep(random.random())
                fault(unsteady)
                moment = time.monotonic()
                row.times += 1
                row.back_s.append(crowd.wait_for_answers(1) - moment)
                service.wait_ready()
                row.take(auditor.look(crowd.book.answered()))
        assert not crowd.book.odd, crowd.book.odd[:3]
    assert [keeper.pid(name) for name in service.names] == pids, "no process had to be started anew"
    crowd.send_again()
    row.take(auditor.look(crowd.book.answered(), every_blob=True))
    auditor.close()
    service.end()


def test_a_long_writer_of_another_program_holds_up_for_a_bounded_time(
    keeper: Keeper, small: bytes, tmp_path: Path
) -> None:
    """As a backup tool that locks the file does: answers come with 503, reads go on."""
    row = counted("SQLite locked by another program for 18 s")
    data = tmp_path / "data"
    service = Service(keeper, "locked", data)
    auditor = Auditor(f"sqlite:///{data / 'wearvision.sqlite'}", f"file://{data / 'photos'}")
    with Crowd(service.addresses, small, random.randrange(1000)) as crowd:
        crowd.wait_for_answers(5)
        other = sqlite3.connect(data / "wearvision.sqlite", isolation_level=None, timeout=60)
        other.execute("BEGIN EXCLUSIVE")
        begun = time.monotonic()
        row.times += 1
        with httpx.Client(base_url=service.addresses[0], timeout=30, trust_env=False) as http:
            while time.monotonic() - begun < 18:
                for path in ("/healthz", "/readyz", "/api/v1/grades", "/grades"):
                    asked = time.monotonic()
                    assert http.get(path).status_code == 200, path
                    assert time.monotonic() - asked < 10, f"{path} waited for the writer"
                time.sleep(0.5)
        wait_for(crowd, 503, 1)
        other.execute("ROLLBACK")
        other.close()
        moment = time.monotonic()
        row.back_s.append(crowd.wait_for_answers(1) - moment)
    assert not crowd.book.odd, crowd.book.odd[:3]
    crowd.send_again()
    row.take(auditor.look(crowd.book.answered(), every_blob=True))
    auditor.close()
    service.end()
