"""A store of photos elsewhere that hangs, refuses, breaks off or dies: the rest of the service goes on."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import httpx
import pytest

from wearvision_api.settings import Settings

from ..api.object_server import ObjectServer, running_object_server
from . import entry
from .audit import Auditor
from .counts import counted
from .keeper import Keeper, Service
from .line import Line
from .test_disk import wait_for
from .traffic import Crowd

pytestmark = pytest.mark.slow
LASTS_S = 6.0
AT_MOST_S = 5.0
"""In which whatever needs no photo is answered, on a machine that is busy otherwise, too."""


@pytest.fixture(scope="module")
def store() -> Iterator[ObjectServer]:
    yield from running_object_server()


def demand_the_rest(service: Service, token: str) -> None:
    """Log-in, lists, pages and health are answered while photos cannot be had."""
    cookie, seconds = entry.log_in(service.addresses[0])
    assert cookie, "nobody could log in"
    assert seconds < AT_MOST_S
    with httpx.Client(base_url=service.addresses[0], timeout=20, trust_env=False) as http:
        for path in ("/healthz", "/api/v1/grades", "/api/v1/returns"):
            begun = time.monotonic()
            assert http.get(path, headers={"Authorization": f"Bearer {token}"}).status_code == 200, path
            assert time.monotonic() - begun < AT_MOST_S, f"{path} waited for the store"
        assert http.get("/readyz").status_code == 503, "it says that it cannot do all of its work"


def killed(store: ObjectServer, line: Line, pause: Callable[[], None]) -> None:
    store.kill()
    pause()
    store.start()


def via(state: str) -> Callable[[ObjectServer, Line, Callable[[], None]], None]:
    """A fault of the line to the store."""

    def fault(store: ObjectServer, line: Line, pause: Callable[[], None]) -> None:
        line.be(state)
        pause()
        line.cut()
        line.be("whole")

    return fault


FAULTS = {
    "store of photos (S3 style) hangs": (via("held"), True),
    "store of photos refuses connections": (via("refused"), True),
    "store of photos answers nothing and breaks off": (via("deaf"), True),
    "line to the store breaks in the middle": (via("torn"), False),
    "store of photos killed and started": (killed, True),
}
"""With whether nothing gets through meanwhile."""


def test_a_store_that_fails_holds_nothing_else_up(
    keeper: Keeper, store: ObjectServer, small: bytes, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in store.environment.items():
        monkeypatch.setenv(name, value)
    data = tmp_path / "data"
    entry.administrator(Settings(data=data, accounts=True))
    with Line(store.port) as line:
        environment = {**store.environment, "AWS_ENDPOINT_URL_S3": f"http://127.0.0.1:{line.port}"}
        service = Service(
            keeper, "store", data, blobs=store.url, accounts=True, workers=2, order={"environment": environment}
        )
        token = entry.token(service.addresses[0])
        auditor = Auditor(f"sqlite:///{data / 'wearvision.sqlite'}", store.url)
        with Crowd(service.addresses, small, random.randrange(1000), people=6, timeout_s=60, token=token) as crowd:

            def pause(nothing_passes: bool) -> None:
                if nothing_passes:
                    wait_for(crowd, 503, 1)
                    demand_the_rest(service, token)
                time.sleep(LASTS_S)

            for name, (fault, nothing_passes) in FAULTS.items():
                row = counted(name)
                for _ in range(2):
                    crowd.wait_for_answers(3)
                    fault(store, line, partial(pause, nothing_passes))
                    moment = time.monotonic()
                    row.times += 1
                    row.back_s.append(service.wait_ready() - moment)
                    crowd.wait_for_answers(1)
                    row.take(auditor.look(crowd.book.answered()))
            assert not crowd.book.odd, crowd.book.odd[:3]
        crowd.send_again()
        row.take(auditor.look(crowd.book.answered(), every_blob=True))
        auditor.close()
        service.end()


def test_a_service_that_starts_before_its_store_waits_for_it(
    keeper: Keeper, store: ObjectServer, small: bytes, tmp_path: Path
) -> None:
    row = counted("service started while its store is away")
    data = tmp_path / "data"
    assert os.environ.get("AWS_ENDPOINT_URL_S3") is None
    with Line(store.port) as line:
        environment = {**store.environment, "AWS_ENDPOINT_URL_S3": f"http://127.0.0.1:{line.port}"}
        service = Service(keeper, "early", data, blobs=store.url, order={"environment": environment})
        for _ in range(3):
            line.be("refused")
            row.kills += keeper.kill(service.names[0])
            row.times += 1
            time.sleep(4)
            line.be("whole")
            moment = time.monotonic()
            row.back_s.append(service.wait_ready() - moment)
        service.end()
