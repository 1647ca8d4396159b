"""A frozen set: what goes in, that it never changes, and that no part stands in two splits."""

from __future__ import annotations

import hashlib
import io
import json
import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import select, update

from wearvision_api.problems import Problem
from wearvision_api.record.erase import erase
from wearvision_api.record.keys import open_key
from wearvision_api.store.record_tables import LogRow
from wearvision_api.store.tables import now
from wearvision_api.store.teaching_tables import DataSetPhoto, DataSetRow, ExampleRow, LabelRow, Permission
from wearvision_api.teaching import manifest
from wearvision_api.teaching.pieces import person, read_png
from wearvision_api.teaching.seen import seen_by
from wearvision_api.teaching.sets import Choice, freeze, name_of

NONE = {"part": "none", "view": None, "grade": None}


def fill(world: Any, picture: Callable[[int], bytes], count: int = 6) -> list[str]:
    """Examples of as many machines; ids in the order of their making."""
    with world.house.session() as session:
        rows = [world.example(session, picture(seed), machine=f"H-{seed}") for seed in range(count)]
        session.commit()
    return [row.id for row in rows]


@pytest.mark.on_both
def test_frozen_set_gives_the_same_bytes_after_labels_change(world: Any, new_picture: Callable[[int], bytes]) -> None:
    ids = fill(world, new_picture)
    row = world.freeze("Spring")
    before = world.house.blobs.get(row.sha256)
    held = manifest.read(world.house.blobs, row.sha256)
    labels = world.house.blobs.get(held.photos[0].labels)
    with world.house.session() as session:
        example = session.get_one(ExampleRow, ids[0])
        world.label(session, example, {"part": "flame_cell", "view": "face", "grade": "replace"}, turn=2)
        example.truth = {"part": "flame_cell", "grade": "replace", "rank": "agreed"}
        session.execute(update(LabelRow).values(withdrawn_at=now()))
        session.commit()
    with world.house.session(writes=False) as session:
        again = session.scalars(select(DataSetRow)).one()
        assert (again.sha256, again.counts) == (row.sha256, row.counts)
    assert world.house.blobs.get(row.sha256) == before
    assert hashlib.sha256(before).hexdigest() == row.sha256
    assert world.house.blobs.get(held.photos[0].labels) == labels
    other = world.freeze("Summer")
    assert other.sha256 != row.sha256
    assert other.counts["parts"]["flame_cell"].keys() == {"clean-and-reuse", "replace"}


@pytest.mark.on_both
def test_manifest_names_photos_truths_labels_and_masks_by_hash(world: Any, new_picture: Callable[[int], bytes]) -> None:
    fill(world, new_picture, 3)
    row = world.freeze("Spring")
    held = manifest.read(world.house.blobs, row.sha256)
    assert (held.name, held.note, held.limits["id"]) == ("Spring", "a note", world.house.grader.limits.id)
    assert [one.sha256 for one in held.photos] == sorted(one.sha256 for one in held.photos)
    for one in held.photos:
        assert hashlib.sha256(world.house.blobs.get(one.sha256)).hexdigest() == one.sha256
        said = json.loads(world.house.blobs.get(one.labels))
        assert said["photo"] == one.sha256
        assert [(label["turn"], label["seconds"], label["author"]) for label in said["labels"]] == [
            (1, 12.5, person(world.who.id))
        ]
        assert set(one.masks) == {"rim", "scorch"}
        scorch = read_png(world.house.blobs.get(one.masks["scorch"]))
        assert scorch.shape == (one.height, one.width)
        assert scorch.mean() == pytest.approx(0.02, abs=0.003), "half of a fifth by a fifth, give or take a row"
    raw = world.house.blobs.get(row.sha256).decode()
    assert world.who.name not in raw
    assert world.who.id not in raw
    with world.house.session(writes=False) as session:
        rows = session.scalars(select(DataSetPhoto)).all()
        entry = session.scalars(select(LogRow.entry).where(LogRow.what == "frozen")).one()
    assert {one.sha256 for one in rows} == {one.sha256 for one in held.photos}
    assert json.loads(entry)["after"]["manifest"] == row.sha256


def test_mask_is_a_plain_grey_png_of_0_and_255_and_of_one_photo_only(
    world: Any, new_picture: Callable[[int], bytes]
) -> None:
    """Read by Pillow."""
    fill(world, new_picture, 2)
    held = manifest.read(world.house.blobs, world.freeze("Spring").sha256)
    masks = [world.house.blobs.get(one.masks["rim"]) for one in held.photos]
    assert masks[0] != masks[1], "the same outline over another photo is another file, so that it can be erased alone"
    with Image.open(io.BytesIO(masks[0])) as image:
        assert (image.mode, image.size) == ("L", (96, 96))
        assert set(np.unique(np.asarray(image))) == {0, 255}
        assert image.text["Photo"] == held.photos[0].sha256  # type: ignore[attr-defined]


def test_only_settled_examples_with_kept_photo_and_permission_are_frozen(
    world: Any, new_picture: Callable[[int], bytes]
) -> None:
    with world.house.session() as session:
        kept = world.example(session, new_picture(1))
        for seed, state in enumerate(("waiting", "second", "third", "again", "left out"), 2):
            world.example(session, new_picture(seed), state=state)
        withdrawn = world.example(session, new_picture(10))
        session.get_one(Permission, withdrawn.photo_id).withdrawn_at = now()
        never = world.example(session, new_picture(11))
        session.delete(session.get_one(Permission, never.photo_id))
        erased = world.example(session, new_picture(12))
        erased.photo.erased_at = now()
        world.example(session, new_picture(13), truth=None)
        session.commit()
    held = manifest.read(world.house.blobs, world.freeze("Spring").sha256)
    assert [one.example for one in held.photos] == [kept.id]


def test_choice_takes_part_source_rank_and_time(world: Any, new_picture: Callable[[int], bytes]) -> None:
    truth = {"part": "flame_cell", "grade": "replace"}
    with world.house.session() as session:
        for seed, (source, rank, days) in enumerate(
            [("grade", "one", 9), ("return", "agreed", 5), ("return", "reading", 1), ("folder", "agreed", 1)]
        ):
            at = now() - timedelta(days=days)
            world.example(session, new_picture(seed), source=source, truth=truth | {"rank": rank}, settled_at=at)
        world.example(session, new_picture(9), body=NONE)
        session.commit()

    def number(choose: Choice) -> int:
        row = world.freeze(f"set {number.count}", choose)  # type: ignore[attr-defined]
        number.count += 1  # type: ignore[attr-defined]
        return int(row.counts["photos"])

    number.count = 0  # type: ignore[attr-defined]
    assert number(Choice()) == 5
    assert number(Choice(parts=("flame_cell",))) == 4
    assert number(Choice(parts=("none",))) == 1
    assert number(Choice(sources=("return", "folder"))) == 3
    assert number(Choice(least="agreed")) == 3
    assert number(Choice(least="reading")) == 1
    assert number(Choice(until=now() - timedelta(days=3))) == 2


def test_counts_are_by_part_grade_and_split(world: Any, new_picture: Callable[[int], bytes]) -> None:
    with world.house.session() as session:
        world.example(session, new_picture(1), machine="A", group="1", split="train")
        world.example(session, new_picture(2), machine="A", group="1", split="train")
        world.example(session, new_picture(3), machine="B", group="2", split="test")
        world.example(session, new_picture(4), body=NONE, group="3", split="calibrate")
        session.commit()
    counts = world.freeze("Spring").counts
    assert counts["parts"] == {
        "flame_cell": {"clean-and-reuse": {"train": 2, "test": 1}},
        "none": {"no grade": {"calibrate": 1}},
    }
    assert (counts["photos"], counts["groups"], counts["machines"]) == (4, 3, 2)
    assert counts["splits"] == {"train": 2, "test": 1, "calibrate": 1}


@pytest.mark.on_both
def test_machine_in_two_groups_is_refused_and_nothing_is_frozen(
    world: Any, new_picture: Callable[[int], bytes]
) -> None:
    with world.house.session() as session:
        one = world.example(session, new_picture(1), machine="H-7")
        two = world.example(session, new_picture(2), machine="h-7 ", group="another", split="test")
        session.commit()
    with pytest.raises(Problem, match="One machine stands in two groups") as caught:
        world.freeze("Spring")
    assert (caught.value.code, caught.value.extra["reason"]) == ("conflict", "not_apart")
    assert sorted(name[-8:] for name in caught.value.extra["names"]) == sorted(row.id[:8] for row in (one, two))
    with world.house.session(writes=False) as session:
        assert session.scalars(select(DataSetRow)).all() == []


@pytest.mark.parametrize("name", ["", " ", "../x", "a/b", ".x", "x" * 81, "a\nb/", "ä.", "-x"])
def test_name_that_is_none_is_refused(name: str) -> None:
    with pytest.raises(Problem, match="A name begins with"):
        name_of(name)


@pytest.mark.parametrize(("given", "name"), [("  Spring  2026 ", "Spring 2026"), ("Öfen (3)", "Öfen (3)"), ("7", "7")])
def test_name_is_kept_without_needless_spaces(given: str, name: str) -> None:
    assert name_of(given) == name


@pytest.mark.on_both
def test_two_who_freeze_under_one_name_at_once_make_one_set(world: Any, new_picture: Callable[[int], bytes]) -> None:
    fill(world, new_picture)
    answers: list[str] = []

    def run() -> None:
        try:
            world.freeze("Spring")
            answers.append("made")
        except Problem as problem:
            answers.append(problem.code)

    threads = [threading.Thread(target=run) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == ["conflict", "conflict", "conflict", "made"]


def test_nothing_chosen_and_a_name_taken_are_refused(world: Any, new_picture: Callable[[int], bytes]) -> None:
    with pytest.raises(Problem, match="No settled example"):
        world.freeze("Spring")
    fill(world, new_picture, 1)
    world.freeze("Spring")
    with pytest.raises(Problem, match="already"):
        world.freeze(" Spring ")


@pytest.mark.on_both
def test_photo_erased_while_it_is_frozen_is_told_or_left_out(
    world: Any, new_picture: Callable[[int], bytes], tmp_path: Any
) -> None:
    """Whichever comes first: never is a photo in a set of which its erasure knew nothing."""
    ids = fill(world, new_picture, 8)
    with world.house.session(writes=False) as session:
        photos = {one.id: one.photo_id for one in session.scalars(select(ExampleRow))}
    key = open_key(tmp_path / "key.pem")
    told: dict[str, tuple[str, ...]] = {}
    faults: list[Exception] = []

    def freezing() -> None:
        for number in range(3):
            try:
                world.freeze(f"set {number}")
            except Exception as error:
                faults.append(error)

    def erasing() -> None:
        for example in ids[:4]:
            with world.house.session() as session:
                try:
                    erase(session, key, "office", photos[example], "asked for")
                    told[photos[example]] = seen_by(session, photos[example]).sets
                    session.commit()
                except Exception as error:
                    faults.append(error)

    threads = [threading.Thread(target=freezing), threading.Thread(target=erasing)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    with world.house.session(writes=False) as session:
        for photo, sets in told.items():
            assert seen_by(session, photo).sets == sets


def test_freeze_in_a_transaction_that_is_taken_back_leaves_nothing(
    world: Any, new_picture: Callable[[int], bytes]
) -> None:
    fill(world, new_picture, 1)
    with world.house.session() as session:
        freeze(world.house, session, world.who, "Spring", "", Choice())
        session.rollback()
    with world.house.session(writes=False) as session:
        assert session.scalars(select(DataSetRow)).all() == []
        assert session.scalars(select(LogRow).where(LogRow.what == "frozen")).all() == []
    world.freeze("Spring")
