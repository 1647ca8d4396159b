"""Keys and signed heads: files that only their owner reads, one head a day, written once whoever comes first."""

from __future__ import annotations

import json
import stat
import threading
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ec import SECP256R1, generate_private_key
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from fastapi.testclient import TestClient
from sqlalchemy.orm import Session

from wearvision.errors import SetupError
from wearvision_api.app import create_app
from wearvision_api.record import daily, heads, ledger
from wearvision_api.record.heads import introduce, known_keys, read_head, sign, write_days
from wearvision_api.record.keys import RecordKey, open_key, renew
from wearvision_api.record.ledger import Head, append, lines
from wearvision_api.record.verify import verify
from wearvision_api.settings import Settings


@pytest.fixture
def on(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Sets the clock of the record."""

    def set_clock(moment: str) -> None:
        at = datetime.fromisoformat(moment).replace(tzinfo=UTC)
        monkeypatch.setattr(ledger, "now", lambda: at)
        monkeypatch.setattr(heads, "now", lambda: at)
        monkeypatch.setattr(daily, "now", lambda: at)

    return set_clock


def test_key_is_made_once_and_for_its_owner_only(tmp_path: Path) -> None:
    path = tmp_path / "new" / "key.pem"
    found: list[str] = []
    together = [threading.Thread(target=lambda: found.append(open_key(path).public)) for _ in range(8)]
    for one in together:
        one.start()
    for one in together:
        one.join()
    assert len(found) == 8
    assert len(set(found)) == 1
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [one.name for one in path.parent.iterdir()] == ["key.pem"], "no draft is left"
    assert "private" not in repr(open_key(path))


@pytest.mark.parametrize("rights", [0o640, 0o604, 0o660])
def test_key_that_others_may_read_is_refused(tmp_path: Path, rights: int) -> None:
    path = tmp_path / "key.pem"
    open_key(path)
    path.chmod(rights)
    with pytest.raises(SetupError, match="chmod 600"):
        open_key(path)


def test_file_that_is_no_such_key_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "key.pem"
    path.touch(0o600)
    path.write_text("not a key")
    with pytest.raises(SetupError, match="PEM"):
        open_key(path)
    other = generate_private_key(SECP256R1())
    path.write_bytes(other.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    with pytest.raises(SetupError, match="Ed25519"):
        open_key(path)


def test_new_key_takes_its_place_only_when_all_went_well(tmp_path: Path) -> None:
    path = tmp_path / "key.pem"
    old = open_key(path).public

    def fail() -> None:
        with renew(path):
            raise RuntimeError("the record was not written")

    with pytest.raises(RuntimeError):
        fail()
    assert open_key(path).public == old
    with renew(path) as new:
        pass
    assert open_key(path).public == new.public != old
    assert [one.name for one in tmp_path.iterdir()] == ["key.pem"]


@pytest.mark.on_both
def test_service_names_its_key_once(settings: Settings) -> None:
    for _ in range(2):
        with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
            house = client.app.state.house  # type: ignore[attr-defined]
            with house.session(writes=False) as session:
                assert known_keys(session) == (house.key.public,)
                verdict = verify(lines(session))
    assert (verdict.entries, verdict.keys) == (1, (house.key.public,))


def test_head_comes_back_from_its_file(tmp_path: Path, key: RecordKey) -> None:
    made = sign(Head(3, "ab" * 32), key)
    (tmp_path / "head.json").write_text(made.text())
    assert read_head(tmp_path / "head.json") == made
    assert made.is_signed


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        "null",
        '{"place": 1}',
        "\x00",
        '{"place":"1","digest":"","at":"","public_key":"","signature":""}',
    ],
)
def test_what_is_no_head_is_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "head.json").write_text(text)
    with pytest.raises(SetupError, match="no signed head"):
        read_head(tmp_path / "head.json")


@pytest.mark.on_both
def test_each_day_that_is_over_gets_a_head_days_without_entries_too(
    session: Session, key: RecordKey, tmp_path: Path, on: Callable[[str], None]
) -> None:
    folder = tmp_path / "heads"
    assert write_days(session, key, folder, date(2026, 3, 2)) == (), "nothing is on record"
    on("2026-03-02T09:00")
    introduce(session, key)
    on("2026-03-02T23:59:59.999999")
    append(session, "anna", "opened", "return", "r")
    on("2026-03-03T00:00:00")
    append(session, "anna", "changed", "return", "r")
    session.commit()
    on("2026-03-05T07:00")
    written = write_days(session, key, folder, date(2026, 3, 5))
    assert [one.name for one in written] == ["2026-03-02.json", "2026-03-03.json", "2026-03-04.json"]
    kept = [read_head(one) for one in written]
    assert [one.place for one in kept] == [2, 3, 3]
    assert {one.at[:10] for one in kept} == {"2026-03-05"}, "they say when they were signed"
    assert verify(lines(session), heads=kept).heads == 3
    session.rollback()
    before = {one: one.read_bytes() for one in written}
    on("2026-03-06T07:00")
    assert [one.name for one in write_days(session, key, folder, date(2026, 3, 6))] == ["2026-03-05.json"]
    assert {one: one.read_bytes() for one in written} == before, "never written again"
    assert len(list(folder.iterdir())) == 4


def test_processes_that_come_together_write_a_day_once(
    session: Session, key: RecordKey, tmp_path: Path, on: Callable[[str], None]
) -> None:
    on("2026-03-02T09:00")
    introduce(session, key)
    session.commit()
    folder, written = tmp_path / "heads", []
    engine = session.get_bind()

    def write() -> None:
        with Session(engine) as own:
            written.extend(write_days(own, key, folder, date(2026, 3, 4)))

    together = [threading.Thread(target=write) for _ in range(6)]
    for one in together:
        one.start()
    for one in together:
        one.join()
    assert sorted(one.name for one in written) == ["2026-03-02.json", "2026-03-03.json"]


def test_running_service_writes_the_heads_and_goes_on_after_a_failure(
    settings: Settings, on: Callable[[str], None]
) -> None:
    on("2026-03-02T09:00")
    with TestClient(create_app(settings), base_url="http://127.0.0.1"):
        pass
    folder = settings.data / "heads"
    assert not folder.exists(), "the day of the first entry is not over"
    folder.write_text("in the way")
    on("2026-03-03T00:01")
    with TestClient(create_app(settings), base_url="http://127.0.0.1") as client:
        house = client.app.state.house  # type: ignore[attr-defined]
        folder.unlink()
        first = folder / "2026-03-02.json"
        with daily.daily(house, every_s=0.01):
            for _ in range(500):
                if first.exists():
                    break
                threading.Event().wait(0.01)
    said = json.loads(first.read_text())
    assert (said["place"], said["public_key"]) == (1, house.key.public)
