"""The network, its losses and its augmentation, untrained and small."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import torch

from wearvision.parts import PARTS, region_names
from wearvision.standard import load_limits
from wearvision_training import augment
from wearvision_training.losses import IGNORE, Targets, measure_scales, total_loss
from wearvision_training.network import (
    LEVELS,
    MEASURES,
    PART_NAMES,
    REGIONS,
    VIEW_NAMES,
    Deployed,
    Outputs,
    WearNetwork,
)
from wearvision_training.network import load_imagenet_start as load_start

torch.set_num_threads(1)
SIDE = 64
CELL = {
    "part": "flame_cell",
    "view": "face",
    "measures": {"haze": 0.2, "film_loss": 0.5},
    "grade": "replace",
    "borderline": False,
}
NONE = {"part": "none", "view": "", "measures": {}, "grade": None, "borderline": False}


@pytest.fixture(scope="module")
def network() -> WearNetwork:
    torch.manual_seed(0)
    return WearNetwork(None).eval()


@pytest.fixture(scope="module")
def outputs(network: WearNetwork) -> Outputs:
    with torch.no_grad():
        return network(torch.rand(2, 3, SIDE, SIDE) * 2 - 1)


def test_outputs_have_the_shapes_that_the_library_reads(outputs: Outputs) -> None:
    assert outputs.part.shape == (2, len(PARTS) + 1)
    assert outputs.view.shape == (2, len(VIEW_NAMES))
    assert outputs.grade.shape == (2, 3)
    assert outputs.value.shape == outputs.spread.shape == outputs.presence.shape == (2, len(MEASURES))
    assert outputs.reach.shape == (2, len(MEASURES), len(LEVELS))
    assert outputs.regions.shape == (2, len(region_names()), SIDE // 2, SIDE // 2)
    assert bool((outputs.spread > 0).all())


@pytest.mark.parametrize(
    ("decoder", "heads"), [("full", "plain"), ("light", "shape"), ("light", "plain"), ("light", "ring")]
)
def test_every_choice_keeps_the_shapes_and_the_size(decoder: str, heads: str) -> None:
    network = WearNetwork(None, decoder=decoder, heads=heads).eval()
    with torch.no_grad():
        out = network(torch.zeros(1, 3, 96, 96))
    assert out.regions.shape == (1, len(REGIONS), 48, 48)
    assert out.features.shape == (1, network.pooled)
    assert sum(tensor.numel() for tensor in network.state_dict().values()) < 4.9e6


def test_deployed_takes_bytes_and_answers_in_the_measures_own_units(network: WearNetwork) -> None:
    photo = torch.randint(0, 256, (1, SIDE, SIDE, 3), dtype=torch.uint8)
    scales = measure_scales()
    with torch.no_grad():
        told = Deployed(network, scales)(photo)
        raw = network((photo.permute(0, 3, 1, 2).float() - 127) / 128)
    assert torch.allclose(told[3], raw.value * scales)
    assert torch.allclose(told[4], raw.spread * scales)
    assert torch.allclose(told[8], torch.sigmoid(raw.reach))
    assert bool(((told[6] >= 0) & (told[6] <= 1)).all())


def test_start_weights_of_another_network_are_refused(network: WearNetwork, tmp_path: Path) -> None:
    torch.save({"a": torch.zeros(3)}, tmp_path / "few.pt")
    with pytest.raises(ValueError, match="tensors"):
        load_start(network.backbone, str(tmp_path / "few.pt"))
    wrong = {str(index): torch.zeros(1) for index in range(len(network.backbone.state_dict()))}
    torch.save(wrong, tmp_path / "wrong.pt")
    with pytest.raises(ValueError, match="shape"):
        load_start(network.backbone, str(tmp_path / "wrong.pt"))


def test_scales_are_the_standards_own_limits() -> None:
    scales = measure_scales()
    assert bool((scales > 0).all())
    row = load_limits().row("flame_cell", "haze")
    assert float(scales[MEASURES.index("flame_cell.haze")]) == pytest.approx(row.replace_from or row.clean_from)


def test_targets_mark_what_is_not_known() -> None:
    targets = Targets.of([CELL, NONE, {**CELL, "borderline": True}])
    assert targets.part.tolist() == [PART_NAMES.index("flame_cell"), PART_NAMES.index("none"), 0]
    assert targets.view.tolist()[1] == IGNORE
    assert targets.grade.tolist() == [2, IGNORE, IGNORE]
    haze = MEASURES.index("flame_cell.haze")
    assert float(targets.value[0, haze] * measure_scales()[haze]) == pytest.approx(0.2)
    assert int(torch.isfinite(targets.value).sum()) == 4
    own = {name for name, there in zip(REGIONS, targets.channels[0].tolist(), strict=True) if there}
    assert own == {"part", *PARTS["flame_cell"].regions}
    assert bool((targets.channels[1] == 1).all())
    assert targets.at(torch.tensor([1])).part.tolist() == [PART_NAMES.index("none")]


def perfect(targets: Targets, regions: torch.Tensor) -> Outputs:
    value = torch.nan_to_num(targets.value)
    return Outputs(
        part=torch.nn.functional.one_hot(targets.part, len(PART_NAMES)).float() * 20,
        view=torch.nn.functional.one_hot(targets.view.clamp(min=0), len(VIEW_NAMES)).float() * 20,
        grade=torch.nn.functional.one_hot(targets.grade.clamp(min=0), 3).float() * 20,
        value=value,
        size=value,
        spread=torch.full_like(value, 0.05),
        presence=(value > 0.3).float() * 40 - 20,
        reach=(value[..., None] >= torch.tensor(LEVELS)).float() * 40 - 20,
        regions=regions * 40 - 20,
        features=torch.zeros(len(value), 4),
    )


def test_loss_is_least_where_everything_is_right_and_each_piece_answers_its_own_fault() -> None:
    targets = Targets.of([CELL, NONE])
    regions = torch.zeros(2, len(REGIONS), 32, 32)
    regions[0, :2, 8:24, 8:24] = 1
    right = perfect(targets, regions)
    base, pieces = total_loss(right, targets, regions)
    assert float(base) == pytest.approx(sum(float(piece) for piece in pieces.values()), abs=1e-5)
    faults = {
        "part": right._replace(part=-right.part),
        "view": right._replace(view=-right.view),
        "grade": right._replace(grade=-right.grade),
        "measures": right._replace(size=right.size + 0.5),
        "reach": right._replace(reach=-right.reach),
        "regions": right._replace(regions=-right.regions),
    }
    for name, wrong in faults.items():
        total, parts = total_loss(wrong, targets, regions)
        assert float(total) > float(base) + 0.1
        assert all((parts[piece] > pieces[piece] + 0.1) == (piece == name) for piece in pieces)


def test_loss_without_a_single_part_is_finite() -> None:
    targets = Targets.of([NONE, NONE])
    regions = torch.zeros(2, len(REGIONS), 32, 32)
    total, _ = total_loss(perfect(targets, regions), targets, regions)
    assert bool(torch.isfinite(total))


def test_regions_move_with_their_pictures() -> None:
    picture = torch.full((8, 3, SIDE, SIDE), -1.0)
    picture[:, :, 20:40, 10:30] = 1.0
    regions = torch.nn.functional.avg_pool2d((picture[:, :1] > 0).float(), 2)
    moved, cover = augment.frame(picture, regions, torch.Generator().manual_seed(3))
    seen = torch.nn.functional.avg_pool2d((moved[:, :1] > 0.5).float(), 2)
    for one, two in zip(seen, cover, strict=True):
        both = float(torch.minimum(one, two).sum() / torch.maximum(one, two).sum())
        assert both > 0.8
    assert not torch.equal(moved[0], moved[1])


def test_close_framing_keeps_the_whole_part_at_the_size_of_the_closer_look() -> None:
    count, side = 32, 96
    regions = torch.zeros(count, 1, side // 2, side // 2)
    regions[:, :, 6:20, 8:30] = 1.0  # 22 of 48 cells wide, in a corner
    pictures = regions.repeat_interleave(2, 2).repeat_interleave(2, 3).expand(-1, 3, -1, -1) * 2 - 1
    moved, cover = augment.frame(pictures, regions, torch.Generator().manual_seed(1), size=SIDE, close=1.0)
    assert moved.shape == (count, 3, SIDE, SIDE)
    assert cover.shape == (count, 1, SIDE // 2, SIDE // 2)
    for one in cover[:, 0] > 0.5:
        rows, columns = torch.nonzero(one.any(1)).flatten(), torch.nonzero(one.any(0)).flatten()
        longer = max(int(rows[-1] - rows[0]), int(columns[-1] - columns[0])) + 1
        assert 0.54 * SIDE / 2 < longer < SIDE / 2 + 1  # a little more than ``FILL``: it is turned a little as well
    assert not bool((moved[:, 0] > 0.5).all((1, 2)).any())


def test_pictures_without_a_part_are_framed_anywhere() -> None:
    pictures = torch.linspace(-1, 1, SIDE).expand(16, 3, SIDE, SIDE).contiguous()
    regions = torch.zeros(16, 1, SIDE // 2, SIDE // 2)
    moved, _ = augment.frame(pictures, regions, torch.Generator().manual_seed(2), close=1.0)
    assert bool(torch.isfinite(moved).all())
    assert float(moved.mean((1, 2, 3)).std()) > 0.1


def _all(pictures: torch.Tensor, generator: torch.Generator) -> torch.Tensor:
    regions = torch.zeros(len(pictures), len(REGIONS), SIDE // 2, SIDE // 2)
    strength = augment.Strength(shade=1.0, grey=1.0, rescale=1.0, jpeg=1.0, erase=1.0)
    return augment.change(pictures, regions, strength, generator)[0]


@pytest.mark.parametrize(
    "work",
    [
        lambda x, g: augment.frame(x, x[:, :1, ::2, ::2], g)[0],
        augment.light,
        lambda x, g: augment.shade(x, 1.0, g),
        lambda x, g: augment.grey(x, 1.0, g),
        _all,
    ],
)
def test_augmentation_is_chance_by_its_generator_only(work) -> None:
    picture = torch.rand(3, 3, SIDE, SIDE, generator=torch.Generator().manual_seed(1)) * 2 - 1
    before = picture.clone()
    first, same, other = (work(picture, torch.Generator().manual_seed(seed)) for seed in (5, 5, 6))
    assert torch.equal(first, same)
    assert not torch.equal(first, other)
    assert torch.equal(picture, before)
    assert float(first.abs().max()) <= 1.0


def test_patch_hides_its_regions_too_but_no_thin_wear() -> None:
    pictures, regions = torch.zeros(40, 3, SIDE, SIDE), torch.zeros(40, len(REGIONS), SIDE // 2, SIDE // 2)
    regions[:, 0] = 1
    crack = REGIONS.index("crack")
    regions[:, crack, :, SIDE // 4] = 1
    erased, cover = augment.erase(pictures, regions, 1.0, torch.Generator().manual_seed(4))
    changed = erased.abs().amax((1, 2, 3)) > 0
    assert 0 < int(changed.sum()) < 40  # those that would have lain over the crack were not pasted
    assert torch.equal(cover[:, crack], regions[:, crack])
    patch = torch.nn.functional.max_pool2d(erased.abs().amax(1, keepdim=True), 2) > 0
    assert torch.equal(cover[:, :1] == 0, patch)


def test_rescaled_pictures_lose_detail_and_keep_their_mean() -> None:
    pictures = torch.rand(10, 3, SIDE, SIDE, generator=torch.Generator().manual_seed(1)) * 2 - 1
    out = augment.rescale(pictures, 1.0, torch.Generator().manual_seed(1))
    assert bool((out.std((1, 2, 3)) < pictures.std((1, 2, 3))).all())
    assert torch.allclose(out.mean((1, 2, 3)), pictures.mean((1, 2, 3)), atol=0.03)


def test_no_change_is_made_of_no_share() -> None:
    pictures, regions = torch.rand(4, 3, SIDE, SIDE), torch.zeros(4, len(REGIONS), SIDE // 2, SIDE // 2)
    chance = torch.Generator().manual_seed(0)
    assert torch.equal(augment.shade(pictures, 0.0, chance), pictures)
    assert torch.equal(augment.grey(pictures, 0.0, chance), pictures)
    assert torch.equal(augment.rescale(pictures, 0.0, chance), pictures)
    assert torch.equal(augment.erase(pictures, regions, 0.0, chance)[0], pictures)


def test_light_keeps_what_is_where() -> None:
    picture = torch.full((6, 3, SIDE, SIDE), -0.6)
    picture[:, :, :, SIDE // 2 :] = 0.6
    lit = augment.light(picture, torch.Generator().manual_seed(2))
    assert bool((lit[..., 40:].mean((1, 2, 3)) > lit[..., :24].mean((1, 2, 3)) + 0.5).all())
    assert np.isfinite(lit.numpy()).all()
