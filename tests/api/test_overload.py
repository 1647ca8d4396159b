"""More than the service can do at once: told to come back, before the body is read, and nothing lost."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Awaitable, Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
import uvicorn
from fastapi.testclient import TestClient
from sqlalchemy import func, select
from uvicorn.server import ServerState

from wearvision_api.app import create_app
from wearvision_api.overload import Overload
from wearvision_api.patience import Patient
from wearvision_api.settings import Settings
from wearvision_api.store.tables import PhotoRow

PLACES = 2


@pytest.fixture
def narrow(tmp_path: Path) -> Iterator[TestClient]:
    settings = Settings(data=tmp_path / "data", workers=1, waiting=0, requests=PLACES)
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        yield client


def test_requests_beyond_the_places_are_told_to_come_back(
    narrow: TestClient, sample: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The hands are held busy, so that each grading request holds its place until they are let go."""
    photo = narrow.post("/api/v1/photos", files={"file": sample.read_bytes()}).json()["id"]
    house = narrow.app.state.house  # type: ignore[attr-defined]
    gate = threading.Event()
    entered = threading.Semaphore(0)
    plain = house.grader.grade_part

    def held(*given: object) -> object:
        entered.release()
        gate.wait(30)
        return plain(*given)

    held_up = replace(house.current.in_use, grader=_Grader(house.grader, held))
    monkeypatch.setattr(house.current, "_use", held_up)
    with ThreadPoolExecutor(2) as pool:
        first = pool.submit(narrow.post, "/api/v1/grades", json={"photos": [photo]})
        assert entered.acquire(timeout=30)
        busy = narrow.post("/api/v1/grades", json={"photos": [photo]})
        assert (busy.status_code, busy.json()["code"]) == (503, "busy"), "no hand is free and none may wait"
        assert int(busy.headers["retry-after"]) >= 1
        assert narrow.get("/healthz").status_code == 200
        gate.set()
        assert first.result().status_code == 201
    assert len(narrow.get("/api/v1/grades").json()["items"]) == 1, "what was refused left no record"
    assert "wearvision_refused_total 1.0" in narrow.get("/metrics").text


def test_form_that_met_a_full_queue_and_is_sent_again_keeps_its_photo_once(narrow: TestClient, sample: Path) -> None:
    work = narrow.app.state.house.work  # type: ignore[attr-defined]
    form = {"files": {"file": sample.read_bytes()}, "data": {"id": "00000000-0000-4000-8000-0000000000aa"}}
    with work._place():  # the only hand is busy, and none may wait
        assert narrow.post("/grade", **form).status_code == 503
    for _ in range(2):
        assert narrow.post("/grade", **form).url.path == f"/grades/{form['data']['id']}"
    with narrow.app.state.house.session(writes=False) as session:  # type: ignore[attr-defined]
        assert session.scalar(select(func.count(PhotoRow.id))) == 1


def test_body_that_stops_coming_gives_its_place_back() -> None:
    parts = [{"type": "http.request", "body": b"half", "more_body": True}]
    heard: list[str] = []

    async def app(scope: object, receive: Callable[[], Awaitable[dict[str, str]]], send: object) -> None:
        while heard[-1:] != ["http.disconnect"]:
            heard.append((await receive())["type"])

    async def receive() -> dict[str, object]:
        if parts:
            return parts.pop()
        await asyncio.sleep(60)
        raise AssertionError("it waited on")

    overload = Overload(app, most=1, silence_s=0.05)  # type: ignore[arg-type]
    scope = {"type": "http", "path": "/api/v1/photos", "method": "POST"}
    asyncio.run(overload(scope, receive, None))  # type: ignore[arg-type]
    assert heard == ["http.request", "http.disconnect"]
    assert overload.inside == 0


def test_body_that_comes_letter_by_letter_gives_its_place_back() -> None:
    heard: list[str] = []

    async def app(scope: object, receive: Callable[[], Awaitable[dict[str, str]]], send: object) -> None:
        while heard[-1:] != ["http.disconnect"]:
            heard.append((await receive())["type"])

    async def receive() -> dict[str, object]:
        await asyncio.sleep(0.01)
        return {"type": "http.request", "body": b"a", "more_body": True}

    overload = Overload(app, most=1, silence_s=0.2)  # type: ignore[arg-type]
    scope = {"type": "http", "path": "/api/v1/photos", "method": "POST"}
    asyncio.run(asyncio.wait_for(overload(scope, receive, None), 20))  # type: ignore[arg-type]
    assert heard[-2:] == ["http.request", "http.disconnect"]
    assert overload.inside == 0


def test_head_that_comes_letter_by_letter_is_cut_off() -> None:
    """On a real socket; a request that comes whole, and one after it on the same line, are answered."""

    class Soon(Patient):
        head_s = 0.3

    async def app(scope: dict[str, str], receive: object, send: Callable[[dict[str, object]], Awaitable[None]]) -> None:
        await send({"type": "http.response.start", "status": 204, "headers": []})
        await send({"type": "http.response.body", "body": b""})

    async def ends(reader: asyncio.StreamReader) -> bool:
        return await asyncio.wait_for(reader.read(1), 10) == b""

    async def drip(writer: asyncio.StreamWriter) -> None:
        while True:
            writer.write(b"a")
            await asyncio.sleep(0.05)

    async def try_it() -> None:
        config = uvicorn.Config(app, http=Soon, lifespan="off", log_config=None)  # type: ignore[arg-type]
        config.load()
        state = ServerState()
        loop = asyncio.get_running_loop()
        server = await loop.create_server(lambda: Soon(config, state, {}), "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        for said in (b"", b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: "):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(said)
            assert await ends(reader), "it waited on"
            writer.close()
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        for _ in range(2):
            writer.write(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
            assert (await reader.readuntil(b"\r\n\r\n")).startswith(b"HTTP/1.1 204")
        writer.write(b"GET / HT")
        assert await ends(reader), "half a second head was waited for"
        writer.close()
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"POST / HTTP/1.1\r\nHost: x\r\nContent-Length: 9999\r\n\r\n")
        assert (await reader.readuntil(b"\r\n\r\n")).startswith(b"HTTP/1.1 204"), "as a refusal comes"
        dripping = asyncio.create_task(drip(writer))
        assert await ends(reader), "a body that nobody wants any more was waited for"
        dripping.cancel()
        writer.close()
        server.close()
        await server.wait_closed()

    asyncio.run(try_it())


class _Grader:
    """The real grader behind a gate."""

    def __init__(self, grader: object, grade_part: object) -> None:
        self._grader, self.grade_part = grader, grade_part

    def __getattr__(self, name: str) -> object:
        return getattr(self._grader, name)


def test_overload_turns_away_without_reading_the_body_but_not_health() -> None:
    async def scenario() -> None:
        inside, gate = asyncio.Event(), asyncio.Event()

        async def app(scope: dict[str, object], receive: object, send: object) -> None:
            if scope["path"] == "/slow":
                inside.set()
                await gate.wait()

        sent: list[dict[str, object]] = []

        async def send(message: dict[str, object]) -> None:
            sent.append(message)

        async def receive() -> dict[str, object]:
            raise AssertionError("the body was read")

        def scope(path: str) -> dict[str, object]:
            return {"type": "http", "path": path, "method": "POST", "headers": [], "query_string": b""}

        overload = Overload(app, most=1)  # type: ignore[arg-type]
        slow = asyncio.create_task(overload(scope("/slow"), receive, send))  # type: ignore[arg-type]
        await inside.wait()
        await overload(scope("/other"), receive, send)  # type: ignore[arg-type]
        assert sent[0]["status"] == 503
        assert (b"retry-after", b"2") in sent[0]["headers"]  # type: ignore[operator]
        sent.clear()
        await overload(scope("/healthz"), receive, send)  # type: ignore[arg-type]
        assert sent == [], "it went through"
        gate.set()
        await slow
        await overload(scope("/other"), receive, send)  # type: ignore[arg-type]
        assert sent == [], "the place is free again"

    asyncio.run(scenario())


def test_figures_are_reckoned_one_at_a_time_and_hold_nobody_else_up(narrow: TestClient) -> None:
    house = narrow.app.state.house  # type: ignore[attr-defined]
    gate, begun = threading.Event(), threading.Semaphore(0)

    def hold() -> None:
        begun.release()
        gate.wait(30)

    asked = "/api/v1/figures/life?part=flame_cell"
    with ThreadPoolExecutor(4) as pool:
        held = [pool.submit(house.figuring.run, hold) for _ in range(4)]
        try:
            assert begun.acquire(timeout=30)
            while house.figuring.inside < 4:
                assert not gate.wait(0.01)
            busy = narrow.get(asked)
            assert (busy.status_code, busy.json()["code"]) == (503, "busy")
            assert not begun.acquire(blocking=False), "the others wait"
            assert narrow.get("/api/v1/grades").status_code == 200
        finally:
            gate.set()
        for one in held:
            one.result()
    assert narrow.get(asked).status_code == 200
