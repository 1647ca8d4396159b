"""The model in use changes in running processes; what cannot be loaded leaves the old one working.

Checked against the contract of issue 6, outcome 7: running processes pick a release up without restart, every grade
keeps the model that made it.
"""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from wearvision.errors import InputError, ModelError
from wearvision.grade import Grader
from wearvision_api.accounts.gate import LOCAL_ID
from wearvision_api.accounts.roles import Caller
from wearvision_api.house import House
from wearvision_api.problems import Problem
from wearvision_api.record import ledger
from wearvision_api.settings import Settings
from wearvision_api.store.blobs import Blobs
from wearvision_api.store.teaching_tables import ModelRow, ModelTurn
from wearvision_api.teaching import models, release
from wearvision_api.teaching.models import ModelFiles

from .conftest import WHO, copied, report

API = "/api/v1"


def graded(client: TestClient, sample: Path) -> dict[str, Any]:
    photo = client.post(f"{API}/photos", files={"file": sample.read_bytes()}).json()["id"]
    answer = client.post(f"{API}/grades", json={"photos": [photo], "part": "flame_cell"})
    assert answer.status_code == 201, answer.text
    made: dict[str, Any] = answer.json()
    return made


def until(done: Callable[[], bool], seconds: float = 20.0) -> bool:
    end = time.monotonic() + seconds
    while not done():
        if time.monotonic() > end:
            return False
        time.sleep(0.02)
    return True


@pytest.mark.on_both
def test_release_and_take_back_change_the_grader_and_stand_in_the_record(
    client: TestClient, house: House, taken_in: Callable[..., str], sample: Path
) -> None:
    before = graded(client, sample)
    assert before["report"]["model"]["id"] == "mixed-2" == client.get("/readyz").json()["model"]
    key = taken_in()
    with house.session() as session:
        release.release(house, session, WHO, key)
    after = graded(client, sample)
    assert after["report"]["model"]["id"] == key == client.get("/readyz").json()["model"]
    widths = [
        [line["high"] - line["low"] for line in one["report"]["measures"] if line.get("high") is not None]
        for one in (before, after)
    ]
    assert sum(widths[1]) > sum(widths[0])
    with house.session() as session:
        release.take_back(house, session, WHO, key, "too wide")
    assert graded(client, sample)["report"]["model"]["id"] == "mixed-2"
    assert client.get(f"{API}/grades/{after['id']}").json()["report"]["model"]["id"] == key
    with house.session(writes=False) as session:
        said = [(row.what, json.loads(row.entry)["after"]) for row in ledger.about(session, subject=key)]
    assert [what for what, _ in said] == ["released", "taken back"]
    assert said[0][1]["gate"]["passed"] is True
    assert said[1][1] == {"model": "mixed-2", "reason": "too wide"}


def test_two_steps_back_go_to_the_first_model(house: House, taken_in: Callable[..., str]) -> None:
    one, two = taken_in("site-one"), taken_in("site-two")
    with house.session() as session:
        for key in (one, two):
            release.release(house, session, WHO, key)
        assert release.standing(session).before == one
        release.take_back(house, session, WHO, two)
        assert (release.standing(session).use, release.standing(session).before) == (one, "")
        release.take_back(house, session, WHO, one)
        assert house.grader.model_id == "mixed-2"
        with pytest.raises(Problem, match="not in use by a release"):
            release.take_back(house, session, WHO, one)
        release.release(house, session, WHO, two)
        release.release(house, session, WHO, one)
        assert release.standing(session).before == two


def test_a_released_model_of_the_program_can_be_brought_back(house: House, taken_in: Callable[..., str]) -> None:
    with house.session() as session:
        release.release(house, session, WHO, taken_in())
        release.release(house, session, WHO, "mixed-2")
        with pytest.raises(Problem, match="in use already"):
            release.release(house, session, WHO, "mixed-2")
        with pytest.raises(Problem, match="no model"):
            release.release(house, session, WHO, "site-nothing")
    assert house.grader.model_id == "mixed-2"


@pytest.mark.on_both
def test_another_process_follows_by_itself(
    client: TestClient, house: House, settings: Settings, taken_in: Callable[..., str]
) -> None:
    key = taken_in()
    other = House.open(
        settings.model_copy(
            update={"data": settings.data / "elsewhere", "blobs": settings.blob_url}
            | ({} if settings.database else {"database": settings.database_url})
        )
    )
    try:
        with other.current.watched(every_s=0.1):
            with house.session() as session:
                release.release(house, session, WHO, key)
            assert until(lambda: other.grader.model_id == key)
            assert (other.settings.data / "models").is_dir()
            with house.session() as session:
                release.take_back(house, session, WHO, key)
            assert until(lambda: other.grader.model_id == "mixed-2")
    finally:
        other.close()


def test_a_process_begins_with_the_model_in_use(client: TestClient, house: House, taken_in: Callable[..., str]) -> None:
    key = taken_in()
    with house.session() as session:
        release.release(house, session, WHO, key)
    other = House.open(house.settings)
    try:
        assert other.grader.model_id == key
        assert other.grader.limits is other.current.limits
    finally:
        other.close()


def test_work_in_hand_finishes_with_the_grader_it_began_with(
    house: House, taken_in: Callable[..., str], sample: Path
) -> None:
    held = house.grader
    key = taken_in()
    with house.session() as session:
        release.release(house, session, WHO, key)
    assert held.grade(sample).model["id"] == "mixed-2"
    assert house.grader.grade(sample).model["id"] == key


def test_a_model_that_is_damaged_is_not_released(house: House, taken_in: Callable[..., str]) -> None:
    key = taken_in()
    with house.session() as session:
        blob = session.get_one(ModelRow, key).files["model.onnx"]
    path = Path(house.blobs.root) / blob[:2] / blob
    path.write_bytes(path.read_bytes()[:-1] + b"\0")
    with house.session() as session, pytest.raises(Problem, match="damaged"):
        release.release(house, session, WHO, key)
    assert house.grader.model_id == "mixed-2"


def test_a_model_gone_elsewhere_leaves_the_old_one_working_and_says_so(
    client: TestClient, house: House, taken_in: Callable[..., str], sample: Path
) -> None:
    key = taken_in()
    with house.session() as session:
        for blob in session.get_one(ModelRow, key).files.values():
            (Path(house.blobs.root) / blob[:2] / blob).unlink()
        session.add(ModelTurn(kind="use", model=key, by_id=LOCAL_ID))  # as another process, which has the files, would
        session.commit()
    house.current.look()
    assert house.grader.model_id == "mixed-2"
    assert graded(client, sample)["report"]["model"]["id"] == "mixed-2"
    assert key in house.current.faults["use"].model
    assert 'wearvision_model_not_loaded{kind="use"} 1.0' in client.get("/metrics").text
    other = House.open(house.settings)
    try:
        assert other.grader.model_id == "mixed-2"
        assert other.current.faults["use"].model == key
    finally:
        other.close()


def test_files_on_disk_are_made_again_from_the_blobs(house: House, taken_in: Callable[..., str]) -> None:
    key = taken_in()
    with house.session() as session:
        files = session.get_one(ModelRow, key).files
    folder = house.current.files.materialise(files)
    (folder / "model.json").write_text("{}", "utf-8")
    (folder / "model.onnx").unlink()
    assert house.current.files.materialise(files) == folder
    assert Grader(folder).model_id == key
    assert not list(folder.glob(".part-*"))


def test_file_names_never_leave_the_folder(tmp_path: Path) -> None:
    blobs = Blobs(f"file://{tmp_path / 'blobs'}")
    blobs.check()
    digest = blobs.put(b"x")
    for name in ("../model.onnx", "/tmp/model.onnx", ".hidden", "a/b"):
        with pytest.raises(ModelError, match="no name"):
            ModelFiles(blobs, tmp_path / "models").materialise({name: digest})


def test_ids_of_site_models_cannot_be_those_of_released_ones(house: House, tmp_path: Path) -> None:
    given = {"owner_id": LOCAL_ID, "base": "mixed-2", "report": report(), "gate": {}}
    with house.session() as session:
        for number, key in enumerate(("mixed-2", "mixed-3", "site-", "site-Ä", "site-a/b")):
            folder = copied(tmp_path / str(number), key)
            with pytest.raises(InputError, match="no id of a site's model"):
                models.keep(session, house.blobs, folder, **given)
        models.keep(session, house.blobs, copied(tmp_path / "a", "site-a"), **given)
        with pytest.raises(InputError, match="already"):
            models.keep(session, house.blobs, copied(tmp_path / "b", "site-a"), **given)
        assert models.free_id(session, "A") == "site-a-1"
        assert models.free_id(session, "../Ünder 7") == "site-nder-7-1"


def test_against_the_gate_only_an_administrator_with_a_reason(house: House, taken_in: Callable[..., str]) -> None:
    key = taken_in("site-worse", report(misses=(1, 2)))
    trainer = Caller(LOCAL_ID, "trainer", "trainer")
    with house.session() as session:
        with pytest.raises(Problem, match="Only an administrator"):
            release.release(house, session, trainer, key, "because I believe in it")
        with pytest.raises(Problem, match="Say why"):
            release.release(house, session, WHO, key, " short ")
        release.release(house, session, WHO, key, "the one miss is a wrong label, seen again")
        entry = json.loads(list(ledger.about(session, subject=key))[-1].entry)
    assert entry["after"]["gate"] == {**entry["after"]["gate"], "passed": False, "failed": ["dangerous-misses"]}
    assert entry["after"]["reason"].startswith("the one miss")
    assert house.grader.model_id == key
