"""What sets, models and labelled folders keep as blobs is swept never, restored always, and erased with its photo."""

from __future__ import annotations

import json
import os
import tarfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from wearvision_api.house import House
from wearvision_api.record import tombstones
from wearvision_api.record.erase import IDLE_S, erase, remove_bytes
from wearvision_api.settings import Settings
from wearvision_api.store.record_tables import LogRow
from wearvision_api.store.teaching_tables import (
    DataSetPhoto,
    DataSetRow,
    DoubtRow,
    ExampleRow,
    FeatureRow,
    LabelRow,
    PracticeRow,
    SittingRow,
)
from wearvision_api.teaching import manifest
from wearvision_api.teaching.pieces import png
from wearvision_api.upkeep.archive import BadArchive
from wearvision_api.upkeep.backup import backup, restore
from wearvision_api.upkeep.sweep import sweep

LOCAL = "00000000-0000-4000-8000-000000000001"


def age(house: House) -> None:
    """Makes all bytes look as if they had been put a while ago."""
    for path in Path(house.blobs.root).glob("??/*"):
        os.utime(path, (0, path.stat().st_mtime - IDLE_S - 1))


@pytest.fixture
def taught(world: Any, new_picture: Callable[[int], bytes]) -> Any:
    """Two frozen examples, a model with three files, a brought mask, and all that is made of a photo."""
    import numpy as np

    house = world.house
    with house.session() as session:
        rows = [world.example(session, new_picture(seed), machine=f"H-{seed}") for seed in range(2)]
        first = rows[0]
        mask = house.blobs.put(png(np.eye(96, dtype=bool), first.sha256))
        first.brought = {"truth": {}, "labels": [], "masks": {"tip": mask}}
        files = {name: house.blobs.put(name.encode()) for name in ("model.onnx", "model.json", "card.md")}
        session.add(FeatureRow(sha256=first.sha256, model="2" * 64, features=b"\0\0"))
        session.add(DoubtRow(example_id=first.id, quality=0.1, says={}))
        sitting = SittingRow(owner_id=LOCAL, part=None, asked=[first.id])
        session.add(sitting)
        session.flush()
        body = {"part": "flame_cell", "marks": {"rim": {"shape": "outline", "points": []}}, "grade": "replace"}
        session.add(
            PracticeRow(owner_id=LOCAL, example_id=first.id, sitting=sitting.id, body=body, found={}, right=False)
        )
        session.commit()
    world.freeze("Spring")
    with house.session() as session:
        frozen = session.scalars(select(DataSetRow)).one()
        world.model(session, "site-1", "released", frozen.id, files=files)
        session.commit()
    world.first, world.files, world.mask = first, files, mask
    return world


def test_sweep_leaves_all_that_sets_and_models_name(taught: Any) -> None:
    house = taught.house
    stray = house.blobs.put(b"named by nobody")
    before = set(house.blobs.names())
    with house.session(writes=False) as session:
        swept = sweep(session, house.blobs, idle_s=0)
    assert swept.blobs == (stray,)
    assert set(house.blobs.names()) == before - {stray}
    held = manifest.read(house.blobs, _set(taught).sha256)
    for one in held.photos:
        for name in (one.sha256, one.labels, *one.masks.values()):
            assert house.blobs.get(name)
    assert {house.blobs.get(name).decode() for name in taught.files.values()} == set(taught.files)


@pytest.mark.on_both
def test_restore_brings_sets_and_models_back(taught: Any, tmp_path: Path) -> None:
    old = taught.house.settings
    backup(old.database_url, old.blob_url, tmp_path / "backup.tar")
    new = Settings(data=tmp_path / "new", workers=1)
    restore(tmp_path / "backup.tar", new.database_url, new.blob_url)
    house = House.open(new)
    try:
        with house.session(writes=False) as session:
            row = session.scalars(select(DataSetRow)).one()
        assert manifest.read(house.blobs, row.sha256) == manifest.read(taught.house.blobs, row.sha256)
        assert house.blobs.names() == taught.house.blobs.names()
    finally:
        house.close()


@pytest.mark.parametrize("kind", ["manifest", "model", "mask", "brought"])
def test_backup_without_a_manifest_model_or_mask_is_refused(taught: Any, tmp_path: Path, kind: str) -> None:
    held = manifest.read(taught.house.blobs, _set(taught).sha256)
    gone = {
        "manifest": _set(taught).sha256,
        "model": taught.files["model.onnx"],
        "mask": held.photos[0].masks["rim"],
        "brought": taught.mask,
    }[kind]
    (Path(taught.house.blobs.root) / gone[:2] / gone).unlink()
    old = taught.house.settings
    backup(old.database_url, old.blob_url, tmp_path / "backup.tar")
    new = Settings(data=tmp_path / "new", workers=1)
    with pytest.raises(BadArchive, match="recorded, but missing"):
        restore(tmp_path / "backup.tar", new.database_url, new.blob_url)
    assert tarfile.is_tarfile(tmp_path / "backup.tar")


@pytest.mark.on_both
def test_erased_photo_takes_masks_drawings_and_features_along_and_leaves_words(taught: Any) -> None:
    house, first = taught.house, taught.first
    held = manifest.read(house.blobs, _set(taught).sha256)
    frozen = next(one for one in held.photos if one.sha256 == first.sha256)
    other = next(one for one in held.photos if one.sha256 != first.sha256)
    assert "tip" in frozen.masks, "a mask that came with a folder is frozen, too"
    age(house)
    with house.session() as session:
        stone = erase(session, house.key, "office", first.photo_id, "asked for")
        assert set(tombstones.read(stone).pictures) >= {frozen.labels, taught.mask, *frozen.masks.values()}
        session.commit()
    trainings = house.settings.data / "trainings"
    written = (
        f"with/set/photos/{first.sha256}.png",
        "with/set/examples.jsonl",
        "with/out/work/features.npz",
        "with/out/model/model.onnx",
        f"without/set/photos/{other.sha256}.png",
        f"cache/looks/base/{first.sha256}-0.npz",
        f"cache/looks/base/{other.sha256}-0.npz",
    )
    for name in written:
        (trainings / name).parent.mkdir(parents=True, exist_ok=True)
        (trainings / name).write_bytes(b"copy")
    with house.session(writes=False) as session:
        gone = set(remove_bytes(session, house.blobs, trainings=trainings))
        example = session.get_one(ExampleRow, first.id)
        label = session.scalars(select(LabelRow).where(LabelRow.example_id == first.id)).one()
        answer = session.scalars(select(PracticeRow)).one()
        assert session.scalars(select(FeatureRow)).all() == []
        assert session.scalars(select(DoubtRow)).one().answered_at is not None
        pieces = {one.photo_id: one.pieces for one in session.scalars(select(DataSetPhoto))}
        entry = json.loads(session.scalars(select(LogRow.entry).where(LogRow.what == "erased")).one())
    assert gone == {first.sha256, frozen.labels, taught.mask, *frozen.masks.values()}
    left = {path.relative_to(trainings).as_posix() for path in trainings.rglob("*") if path.is_file()}
    assert left == {written[3], written[4], written[6], "with/out/stop"}
    assert (example.state, (example.left_out or {})["why"]) == ("left out", "erased")
    assert (example.brought or {})["masks"] == {}
    assert (example.truth or {})["grade"] == "clean-and-reuse", "what was settled stays in words"
    assert label.body["grade"] == "clean-and-reuse"
    assert not {"marks", "regions"} & label.body.keys()
    assert answer.body == {"part": "flame_cell", "grade": "replace"}
    assert pieces[first.photo_id] == {}
    assert (entry["before"]["sets"], entry["before"]["models"]) == (["Spring"], ["site-1"])
    assert manifest.read(house.blobs, _set(taught).sha256) == held, "the manifest goes on naming it"
    assert house.blobs.get(other.masks["rim"])
    assert taught.freeze("Summer").counts["photos"] == 1


def test_set_keeps_its_pieces_while_another_record_of_the_same_photo_lives(
    taught: Any, new_picture: Callable[[int], bytes]
) -> None:
    house, first = taught.house, taught.first
    with house.session() as session:
        twin = taught.photo(session, new_picture(0))
        frozen = session.scalars(select(DataSetPhoto).where(DataSetPhoto.photo_id == first.photo_id)).one()
        kept = dict(frozen.pieces)
        session.add(
            DataSetPhoto(set_id=frozen.set_id, photo_id=twin.id, sha256=twin.sha256, split="train", pieces=kept)
        )
        session.commit()
    age(house)
    with house.session() as session:
        erase(session, house.key, "office", first.photo_id, "asked for")
        session.commit()
    with house.session(writes=False) as session:
        gone = remove_bytes(session, house.blobs)
    assert not set(gone) & {*kept.values(), first.sha256}
    with house.session() as session:
        assert session.scalars(select(FeatureRow)).all() != []
        erase(session, house.key, "office", twin.id, "asked for")
        session.commit()
    with house.session(writes=False) as session:
        assert set(remove_bytes(session, house.blobs)) >= {*kept.values(), first.sha256}


def _set(world: Any) -> DataSetRow:
    with world.house.session(writes=False) as session:
        row: DataSetRow = session.scalars(select(DataSetRow)).one()
    return row
