"""Which hand check is asked for: the draw, that it cannot be repeated, and what page, answer and sheet say of it."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from fastapi.testclient import TestClient
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binomtest, kstest

from wearvision_api.record.keys import RecordKey
from wearvision_api.store.tables import GradeRow
from wearvision_api.store.teaching_tables import AskedRow
from wearvision_api.trust import asking

KEY = RecordKey(Ed25519PrivateKey.from_private_bytes(bytes(range(32))))
OTHER = RecordKey(Ed25519PrivateKey.from_private_bytes(bytes(32)))
HASH = st.binary(min_size=32, max_size=32).map(bytes.hex)
PHOTOS = [f"{number:064x}" for number in range(20_000)]


def test_lots_are_even_and_one_in_five_is_drawn() -> None:
    """Kolmogorov-Smirnov against the uniform law and an exact binomial test, by SciPy; key and hashes are fixed."""
    lots = [asking.lot(KEY, photo) for photo in PHOTOS]
    assert kstest(lots, "uniform").pvalue > 0.001
    assert binomtest(sum(one < 0.2 for one in lots), len(lots), 0.2).pvalue > 0.001


@settings(deadline=None)
@given(HASH)
def test_a_photo_draws_the_same_lot_again_and_another_key_another_one(photo: str) -> None:
    assert asking.lot(KEY, photo) == asking.lot(KEY, photo)
    assert 0 <= asking.lot(KEY, photo) < 1
    assert asking.lot(KEY, photo) != asking.lot(OTHER, photo)


@pytest.mark.parametrize(
    ("share", "words"),
    [(0.2, "one in five"), (0.1, "one in ten"), (1.0, "every one"), (0.05, "one in 20"), (0.3, "30 in a hundred")],
)
def test_odds_in_words(share: float, words: str) -> None:
    assert asking.odds(share) == words


Grade = Callable[..., dict[str, Any]]


@pytest.fixture
def grade(client: TestClient, samples: Path) -> Grade:
    def made(*names: str, photos: list[str] | None = None, **more: Any) -> dict[str, Any]:
        ids = list(photos or [])
        for name in names:
            sent = client.post("/api/v1/photos", files={"file": (samples / f"{name}.jpg").read_bytes()})
            ids.append(sent.json()["id"])
        answer = client.post("/api/v1/grades", json={"photos": ids, **more})
        assert answer.status_code == 201, answer.text
        return dict(answer.json())

    return made


@pytest.fixture
def asked(client: TestClient) -> Callable[[str], AskedRow | None]:
    def found(grade_id: str) -> AskedRow | None:
        with client.app.state.house.session(writes=False) as session:  # type: ignore[attr-defined]
            return session.get(AskedRow, grade_id)

    return found


@pytest.mark.on_both
def test_a_worn_part_is_always_asked_for(grade: Grade, asked: Any, client: TestClient) -> None:
    made = grade("flame_cell-face-replace-2")
    row = asked(made["id"])
    assert (row.chance, row.asked) == (1.0, True)
    assert row.why == ("doubt" if len(made["report"]["possible_grades"]) > 1 else "worn")
    assert row.facts["possible"] == made["report"]["possible_grades"]
    assert row.facts["model"]["sha256"] == made["report"]["model"]["sha256"]
    assert set(row.facts["inputs"]) == {"softness", "brightness", "clipped", "size_px", "energy", "none"}
    assert made["asked"]["why"] == row.why
    assert made["asked"]["checks"] == row.facts["checks"] != []
    page = client.get(f"/grades/{made['id']}", headers={"Accept": "text/html"}).text
    assert made["asked"]["reason"] in page


def _kept(client: TestClient, grade_id: str, lots: dict[str, float], monkeypatch: pytest.MonkeyPatch) -> AskedRow:
    """Asks anew for a grade made sure and serviceable, with lots by the photo's hash."""
    monkeypatch.setattr(asking, "lot", lambda key, photo: lots[photo])
    with client.app.state.house.session() as session:  # type: ignore[attr-defined]
        row = session.get(GradeRow, grade_id)
        assert row is not None
        if row.asked is not None:
            session.delete(row.asked)
            session.flush()
            session.expire(row)
        row.grade = "serviceable"
        row.report = row.report | {"grade": "serviceable", "possible_grades": ["serviceable"]}
        found = asking.ask(client.app.state.house, session, row)  # type: ignore[attr-defined]
        session.commit()
        return found


@pytest.mark.on_both
def test_a_sure_serviceable_is_drawn_and_its_chance_kept(
    client: TestClient, grade: Grade, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = grade("coupler-end-serviceable-1")
    sha = client.get(f"/api/v1/photos/{made['photos'][0]}").json()["sha256"]
    missed = _kept(client, made["id"], {sha: 0.2}, monkeypatch)
    assert (missed.why, missed.asked, missed.chance) == ("not drawn", False, 0.2)
    assert client.get(f"/api/v1/grades/{made['id']}").json()["asked"] is None
    drawn = _kept(client, made["id"], {sha: 0.1999}, monkeypatch)
    assert (drawn.why, drawn.asked, drawn.chance) == ("drawn", True, 0.2)
    said = client.get(f"/api/v1/grades/{made['id']}").json()["asked"]
    assert said["reason"] == "Drawn by chance, one in five, to know how often the photo is right."
    page = client.get(f"/grades/{made['id']}", headers={"Accept": "text/html"}).text
    assert said["reason"] in page
    checks = client.app.state.house.checks.rows  # type: ignore[attr-defined]
    for name in said["checks"]:  # its steps and cautions stand among those shown first
        check = checks[name]
        assert page.index('<h2 id="hand">') < page.index(f'id="check-{name}"') < page.index("Grade by eye")
        assert check.reading is not None


@pytest.mark.on_both
def test_the_draw_is_not_repeated_by_grading_again(
    client: TestClient, grade: Grade, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = grade("coupler-end-serviceable-1")
    one = client.get(f"/api/v1/photos/{first['photos'][0]}").json()["sha256"]
    again = grade("coupler-end-serviceable-1", id=str(uuid.uuid4()))  # the same picture, uploaded again
    more = grade("coupler-side-serviceable-1", photos=[])
    two = client.get(f"/api/v1/photos/{more['photos'][0]}").json()["sha256"]
    both = grade(photos=[more["photos"][0], again["photos"][0]])
    lots = {one: 0.1, two: 0.9}
    for made in (first, again, both):
        assert _kept(client, made["id"], lots, monkeypatch).why == "drawn", made["id"]
    kept = _kept(client, both["id"], lots, monkeypatch)
    assert set(kept.facts["after"]) == {first["id"], again["id"], more["id"]}
    assert _kept(client, more["id"], lots, monkeypatch).why == "not drawn"  # it came by itself, before


@pytest.mark.on_both
def test_no_check_is_asked_for_after_wiping(client: TestClient, grade: Grade, asked: Any, samples: Path) -> None:
    made = grade("flame_cell-face-clean-and-reuse-1")
    after = client.post("/api/v1/photos", files={"file": (samples / "flame_cell-face-serviceable-1.jpg").read_bytes()})
    etag = client.get(f"/api/v1/grades/{made['id']}").headers["ETag"]
    client.put(f"/api/v1/grades/{made['id']}/wiping", json={"after": after.json()["id"]}, headers={"If-Match": etag})
    with client.app.state.house.session(writes=False) as session:  # type: ignore[attr-defined]
        rows = {row.grade_id for row in session.query(AskedRow)}
    assert rows == {made["id"]}


def test_nothing_is_asked_for_where_nothing_was_graded(grade: Grade, asked: Any) -> None:
    made = grade("not-a-part-1")
    row = asked(made["id"])
    assert (row.why, row.asked, made["asked"]) == ("no grade", False, None)


def test_what_is_asked_for_ends_with_a_verdict(client: TestClient, grade: Grade) -> None:
    made = grade("flame_cell-face-replace-2")
    carrying = made["asked"]["checks"][0]
    check = client.app.state.house.checks.rows[carrying]  # type: ignore[attr-defined]
    word = next(one.word for one in check.reading.answers if one.says == "replace")
    read = client.post(f"/api/v1/grades/{made['id']}/readings", json={"check": carrying, "value": word}).json()
    assert read["standing"] == "confirmed"
    assert read["asked"]["checks"] == []


def test_the_sheet_says_which_check_is_asked_for(client: TestClient, grade: Grade) -> None:
    machine = client.post("/api/v1/machines", json={"identifier": "H-07"}).json()["id"]
    visit = client.post("/api/v1/inspections", json={"machine": machine, "hours": 100}).json()["id"]
    made = grade("flame_cell-face-replace-2", inspection=visit)
    page = client.get(f"/inspections/{visit}/sheet", headers={"Accept": "text/html"}).text
    title = client.app.state.house.checks.rows[made["asked"]["checks"][0]].title  # type: ignore[attr-defined]
    assert "Hand check asked for" in page
    assert title in page
    assert made["asked"]["reason"].replace("'", "&#39;") in page


@pytest.mark.parametrize("part", ["flame_cell", "electrode", "coupler"])
def test_every_mode_that_can_give_a_grade_has_a_check_that_decides_it(part: str) -> None:
    from wearvision.parts import PARTS
    from wearvision.standard.checks import load_checks
    from wearvision_api.trust.facts import wanted

    for mode in PARTS[part].modes:
        for worn in ("clean-and-reuse", "replace"):
            report = {
                "part": {"name": part},
                "grade": worn,
                "possible_grades": [worn],
                "measures": [{"name": mode.measure, "mode": mode.key, "grade": worn, "value": 1.0}],
            }
            checks = load_checks()
            names = wanted(report, checks)
            assert names, (mode.key, worn)
            assert any(mode.key in checks.rows[name].modes for name in names)
