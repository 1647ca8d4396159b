"""Doubted labels from the search to their answer; the search itself is held against flipped digits in tests/outside."""

from __future__ import annotations

import numpy as np
import pytest
from bs4 import BeautifulSoup
from click.testing import CliRunner

from wearvision.cli import main
from wearvision_api.problems import Problem
from wearvision_api.record.ledger import about
from wearvision_api.store.teaching_tables import DataSetPhoto, DataSetRow, DoubtRow, ExampleRow, FeatureRow, ModelRow
from wearvision_api.teaching import doubts, labelling
from wearvision_api.teaching.doubts import find, open_doubts, stands
from wearvision_api.teaching.examples import find as find_example
from wearvision_api.teaching.features import make

from .conftest import BAD, CLEAN, GOOD, Site, label, truth

CENTRES = {GOOD: (0.0, 0.0), CLEAN: (3.0, 0.0), BAD: (0.0, 3.0)}


def with_features(site: Site, count: int = 36, wrong: int = 1, **more: object) -> list[str]:
    """Settled couplers whose features lie about the centre of their true grade; the first ones are labelled wrongly."""
    rng = np.random.default_rng(3)
    grader, made = site.house.grader, []
    for place in range(count):
        true = (BAD, GOOD, CLEAN)[place % 3]
        said = GOOD if place < wrong and true == BAD else true
        example = site.settled(truth("coupler", said, **more))  # type: ignore[arg-type]
        with site.house.session() as session:
            features = rng.normal(CENTRES[true] * 8, 0.5).astype("<f2")
            sha256 = session.get_one(ExampleRow, example).sha256
            session.add(FeatureRow(sha256=sha256, model=grader.model_sha256, features=features.tobytes()))
            session.commit()
        made.append(example)
    return made


def state_of(site: Site, example: str) -> str:
    with site.house.session(writes=False) as session:
        return session.get_one(ExampleRow, example).state


@pytest.mark.on_both
def test_a_wrong_grade_is_doubted_once_and_answered(site: Site) -> None:
    made = with_features(site)
    found = find(site.house, site.local)
    assert found.doubts == (made[0],)
    coupler = next(one for one in found.parts if one.part == "coupler")
    assert (coupler.of, coupler.doubted) == (36, 1)
    assert state_of(site, made[0]) == "again"
    assert find(site.house, site.local).doubts == ()  # it is asked already
    with site.house.session() as session:
        (doubt, row), *others = open_doubts(session)
        assert (row.id, others) == (made[0], [])
        assert (doubt.says["label"], doubt.says["likelier"]) == (GOOD, BAD)
        assert doubt.quality < 0.3
        stands(session, site.local, made[0])
        session.commit()
    assert state_of(site, made[0]) == "settled"
    assert find(site.house, site.local).doubts == ()  # somebody looked: it is not doubted again
    with site.house.session() as session:
        with pytest.raises(Problem, match="answered already"):
            stands(session, site.local, made[0])
        with pytest.raises(Problem, match="not doubted"):
            stands(session, site.local, made[1])
        assert [one.what for one in about(session, subject=made[0])][-2:] == ["doubted", "label stands"]


def test_a_new_label_answers_the_doubt_and_settles(site: Site) -> None:
    made = with_features(site)
    anna = site.person("anna")
    site.label(made[0], anna, label("coupler", GOOD))
    find(site.house, site.local)
    with site.house.session() as session:
        row = labelling.save_label(
            site.house, session, site.person("ben"), find_example(session, made[0]), label("coupler", BAD), 9.0
        )
        session.commit()
        assert row.turn == 4
    with site.house.session(writes=False) as session:
        example = session.get_one(ExampleRow, made[0])
        assert (example.state, (example.truth or {})["grade"]) == ("settled", BAD)
        assert session.get_one(DoubtRow, made[0]).answered_at is not None
        assert open_doubts(session) == []
    assert find(site.house, site.local).doubts == ()


def test_a_grade_that_is_a_right_answer_too_is_not_doubted(site: Site) -> None:
    with_features(site, acceptable_grades=[GOOD, CLEAN, BAD])
    found = find(site.house, site.local)
    assert found.doubts == ()
    assert sum(one.doubted for one in found.parts) == 0


def test_the_opinion_of_a_model_that_was_taught_with_the_photo_is_not_asked(
    site: Site, sample_bytes: dict[str, bytes]
) -> None:
    photo = next(data for name, data in sample_bytes.items() if name.startswith("coupler-end-replace"))
    grader = site.house.grader
    shown = site.settled(truth("coupler", GOOD), photo)
    with site.house.session() as session:
        row = session.get_one(ExampleRow, shown)
        suspect = doubts.Suspect(0, 0.1, {GOOD: 0.1, BAD: 0.9})
        told = doubts.says(site.house, session, grader, row, suspect)
        assert told["opinion"]["model"] == grader.model_id
        assert told["likelier"] == BAD
        session.add(DataSetRow(id="s", owner_id=site.local.id, name="first", sha256="0" * 64, counts={}))
        session.flush()
        session.add(DataSetPhoto(set_id="s", photo_id=row.photo_id, sha256=row.sha256, split="train", pieces={}))
        session.add(
            ModelRow(
                id=grader.model_id,
                sha256=grader.model_sha256,
                owner_id=site.local.id,
                base="",
                set_id="s",
                files={},
                report={},
                gate={},
            )
        )
        session.flush()
        assert doubts.says(site.house, session, grader, row, suspect)["opinion"] is None


def test_features_are_made_once_and_what_cannot_be_read_is_named(site: Site, sample_bytes: dict[str, bytes]) -> None:
    names = [name for name in sample_bytes if name.startswith("electrode")][:2]
    rows = []
    for name in names:
        with site.house.session(writes=False) as session:
            rows.append(session.get_one(ExampleRow, site.settled(truth("electrode", GOOD), sample_bytes[name])).sha256)
    broken = site.house.blobs.put(b"no photo")
    grader = site.house.grader
    first = make(site.house, grader, [*rows, broken, rows[0]], seconds=None)
    assert (first.looked_at, first.left, first.unreadable) == (3, 0, (broken,))
    again = make(site.house, grader, [*rows, broken])
    assert again.looked_at == 1  # only what has none
    later = make(site.house, grader, [broken], seconds=-1.0)
    assert (later.looked_at, later.left) == (0, 1)
    with site.house.session(writes=False) as session:
        kept = session.get_one(FeatureRow, (rows[0], grader.model_sha256))
        direct = grader.features(sample_bytes[names[0]])
        assert np.frombuffer(kept.features, "<f2") == pytest.approx(direct, rel=2e-3, abs=2e-3)


def test_routes_and_page(site: Site) -> None:
    made = with_features(site)
    answer = site.http.post("/api/v1/doubts/search")
    assert answer.status_code == 200
    assert answer.json()["doubts"] == [made[0]]
    assert [one["example"] for one in site.http.get("/api/v1/doubts").json()["items"]] == [made[0]]
    page = BeautifulSoup(site.http.get("/teaching/doubts").text, "html.parser")
    assert page.select_one(f'a[href="/teaching/label/{made[0]}"]')
    assert "Waiting for an answer: 1" in page.get_text(" ", strip=True)
    said = site.http.post(f"/api/v1/doubts/{made[0]}/stands").json()
    assert said["answered_at"]
    assert site.http.get("/api/v1/doubts").json()["items"] == []
    assert site.http.post(f"/api/v1/doubts/{made[0]}/stands").status_code == 409
    told = site.http.post("/teaching/doubts/search")  # follows to the page
    assert "0 labels are doubted anew. Flame-sensing cell: 0 of 0 grades doubted." in told.text


def test_the_command_says_what_it_found(site: Site, settings: object) -> None:
    with_features(site)
    done = CliRunner().invoke(main, ["find-doubts", "--data", str(settings.data)])  # type: ignore[attr-defined]
    assert done.exit_code == 0, done.output
    assert "1 labels are doubted anew." in done.output
    assert "Drive coupler: 1 of 36 grades doubted." in done.output
