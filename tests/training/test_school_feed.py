"""Sets in memory and batches from them: right pictures, right shares, whole families held back."""

from __future__ import annotations

import json
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from wearvision.parts import region_names
from wearvision_training.augment import Strength
from wearvision_training.dataset import PictureSet, Plan, build
from wearvision_training.network import DEVIATION, MEAN, MEASURES, PART_NAMES
from wearvision_training.school import feed
from wearvision_training.school.config import Config, SetChoice
from wearvision_training.school.material import Listing, gather, held_back_families, read
from wearvision_training.school.photos import crops

SIDE = 64
CPU = torch.device("cpu")
STILL = Strength(light=0.0, shade=0.0, grey=0.0, rescale=0.0, jpeg=0.0, erase=0.0)


def make_set(folder: Path, level: int, *, counts: tuple[int, ...] = (5, 4), side: int = SIDE) -> Path:
    """Plain pictures: the grey level tells the set, the first pixel which picture it is."""
    folder.mkdir()
    number = 0
    for shard, count in enumerate(counts):
        images = np.full((count, side, side, 3), level, np.uint8)
        images[:, 0, 0, 0] = np.arange(number, number + count)
        np.save(folder / f"{shard:05d}.images.npy", images)
        cover = np.zeros((count, len(region_names()), side // 2, side // 2), np.uint8)
        cover[:, 0] = np.arange(number, number + count)[:, None, None]
        np.save(folder / f"{shard:05d}.regions.npy", cover)
        lines = [
            json.dumps(
                {"truth": {"part": "flame_cell", "view": "face", "family": f"f{(number + index) % 3}",
                           "measures": {"haze": 0.01 * (number + index)}, "grade": "replace", "borderline": False}}
            )
            for index in range(count)
        ]  # fmt: skip
        (folder / f"{shard:05d}.jsonl").write_text("\n".join(lines) + "\n", "utf-8")
        number += count
    return folder


@pytest.fixture
def bright(tmp_path: Path) -> Path:
    return make_set(tmp_path / "bright", 200)


@pytest.fixture
def dark(tmp_path: Path) -> Path:
    return make_set(tmp_path / "dark", 50, counts=(3,), side=96)


def test_rows_come_in_order_across_shards(bright: Path) -> None:
    rows = np.array([1, 4, 5, 8])
    held = read(Listing.of(bright), rows, CPU, regions=True, threads=2)
    assert held.images[:, 0, 0, 0].tolist() == rows.tolist()
    assert held.regions[:, 0, 3, 3].tolist() == rows.tolist()
    haze = held.targets.value[:, MEASURES.index("flame_cell.haze")]
    assert torch.allclose(haze / haze[0], torch.tensor(rows / rows[0], dtype=torch.float32))


def test_limit_takes_the_first_pictures(bright: Path) -> None:
    listing = Listing.of(bright, 7)
    assert listing.shards == (("00000", 5), ("00001", 2))
    assert len(listing.truths) == 7


def test_processes_share_a_set_without_overlap(bright: Path) -> None:
    config = Config(sets=(SetChoice(str(bright)),))
    parts = [gather(config, CPU, rank, 2).sets[0].images[:, 0, 0, 0].tolist() for rank in (0, 1)]
    assert sorted(parts[0] + parts[1]) == list(range(9))
    with pytest.raises(ValueError, match="processes"):
        gather(config, CPU, 0, 10)


def test_set_without_regions_cannot_be_learned_from(bright: Path) -> None:
    (bright / "00001.regions.npy").unlink()
    with pytest.raises(ValueError, match="no regions"):
        gather(Config(sets=(SetChoice(str(bright)),)), CPU)


def test_held_back_families_are_watched_and_never_learned_from(bright: Path) -> None:
    config = Config(sets=(SetChoice(str(bright)),), held_back=0.2)
    material = gather(config, CPU)
    learned = {int(number) % 3 for number in material.sets[0].images[:, 0, 0, 0]}
    assert material.watched is not None
    watched = {int(number) % 3 for number in material.watched.images[:, 0, 0, 0]}
    assert len(watched) == 1
    assert learned | watched == {0, 1, 2}
    assert not learned & watched
    assert material.told["held_back"] == [f"flame_cell/f{watched.pop()}"]


def test_no_family_is_held_back_of_one_or_of_no_share() -> None:
    truths = [{"part": "flame_cell", "family": "a"}, {"part": "coupler", "family": "b"}]
    assert held_back_families(truths, 0.5, 1) == set()
    assert held_back_families([*truths, {"part": "coupler", "family": "c"}], 0.0, 1) == set()


@pytest.mark.parametrize(("share", "least", "most"), [(0.5, 0.45, 0.55), (None, 0.2, 0.3)])
def test_sets_of_two_sizes_mix_by_their_shares(
    bright: Path, dark: Path, share: float | None, least: float, most: float
) -> None:
    config = Config(sets=(SetChoice(str(bright)), SetChoice(str(dark), share)), size=SIDE, augment=STILL)
    batches = feed.batches(gather(config, CPU), None, config, CPU, count=40, seed=1)
    levels = []
    for _ in range(25):
        pictures, targets, cover = next(batches)
        assert pictures.shape == (40, 3, SIDE, SIDE)
        assert cover.shape == (40, len(region_names()), SIDE // 2, SIDE // 2)
        assert len(targets.part) == 40
        levels.append(pictures[:, 1, SIDE // 2, SIDE // 2] * DEVIATION + MEAN < 125)
    found = float(torch.cat(levels).float().mean())
    assert least < found < most


def test_every_picture_comes_once_before_any_comes_again(bright: Path) -> None:
    config = Config(sets=(SetChoice(str(bright)),), size=SIDE)
    source = feed._pieces(gather(config, CPU), 3, CPU, 5)
    seen = [int(number) for _ in range(3) for number in next(source)[0][0][:, 0, 0, 0]]
    assert sorted(seen) == list(range(9))


def test_strangers_are_no_part_and_have_no_measures(bright: Path) -> None:
    config = Config(sets=(SetChoice(str(bright)),), size=SIDE, photo_share=0.25, augment=STILL)
    photos = torch.zeros((2, SIDE, SIDE, 3), dtype=torch.uint8)
    _, targets, cover = next(feed.batches(gather(config, CPU), photos, config, CPU, count=8, seed=1))
    strange = targets.part == PART_NAMES.index("none")
    assert int(strange.sum()) == 2
    assert not bool(torch.isfinite(targets.value[strange]).any())
    assert float(cover[strange].max()) == 0.0


def test_batches_fetched_ahead_are_the_same_and_their_thread_ends() -> None:
    before = threading.active_count()
    source = feed._ahead(iter(range(100)))
    assert [next(source) for _ in range(5)] == [0, 1, 2, 3, 4]
    source.close()
    for thread in threading.enumerate()[before:]:
        thread.join(5)
    assert threading.active_count() == before


def test_fault_while_fetching_ahead_reaches_the_consumer() -> None:
    def broken():  # type: ignore[no-untyped-def]
        yield 1
        raise ValueError("torn")

    source = feed._ahead(broken())
    assert next(source) == 1
    with pytest.raises(ValueError, match="torn"):
        next(source)


def test_scaling_keeps_a_plain_picture_plain() -> None:
    images = torch.full((1, 96, 96, 3), 190, dtype=torch.uint8)
    assert torch.allclose(feed.scaled(images, SIDE), torch.full((1, 3, SIDE, SIDE), (190 - MEAN) / DEVIATION))


def test_crops_are_of_every_readable_photograph(tmp_path: Path) -> None:
    for name, colour in (("a.png", (200, 0, 0)), ("b.jpg", (0, 200, 0))):
        Image.new("RGB", (300, 200), colour).save(tmp_path / name)
    (tmp_path / "c.png").write_bytes(b"no picture")
    found = crops(tmp_path, 6, 32, 1, threads=1)
    assert found.shape == (4, 32, 32, 3)  # two of each that can be read
    assert {int(crop[16, 16].argmax()) for crop in found} == {0, 1}
    assert torch.equal(found, crops(tmp_path, 6, 32, 1, threads=2))


def test_folder_without_photographs_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no photograph"):
        crops(tmp_path, 3, 32, 1)


def test_named_shares_over_one_are_scaled_and_senseless_ones_refused(bright: Path, dark: Path) -> None:
    config = Config(sets=(SetChoice(str(bright), 3.0), SetChoice(str(dark), 1.0)))
    assert gather(config, CPU).shares == (0.75, 0.25)
    with pytest.raises(ValueError, match="positive"):
        gather(replace(config, sets=(SetChoice(str(bright), -1.0), SetChoice(str(dark), 1.0))), CPU)


def test_set_kept_as_encoded_photos_is_read_as_well(tmp_path: Path) -> None:
    build(tmp_path, Plan(3, "train", 5, SIDE, photos=True), workers=1, progress=False)
    held = read(Listing.of(tmp_path), np.array([0, 2]), CPU, regions=True, threads=1)
    assert np.array_equal(held.images.numpy(), PictureSet.load(tmp_path).images[[0, 2]])
