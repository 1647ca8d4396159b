"""Unrolling of round parts: where rays go, and that turn, size, place and tilt leave the answer."""

from __future__ import annotations

import math

import numpy as np
import pytest
import torch

from wearvision.parts import region_names
from wearvision_training.unroll import ANGLES, FARTHEST, NEAREST, RADII, Unroll, ring_of

torch.set_num_threads(1)
SIDE = 80
RADIUS = 0.6
FACE = region_names().index("face")


def wheel(
    turn: float = 0.0,
    radius: float = 0.6,
    at: tuple[float, float] = (0.0, 0.0),
    lobes: float = 0.0,
    squeeze: float = 1.0,
) -> torch.Tensor:
    """Cover (1, R, SIDE, SIDE) of a face with an outline of five lobes, soft at its edge."""
    y, x = np.mgrid[:SIDE, :SIDE] * 2.0 / SIDE - 1 + 1 / SIDE
    u, v = x - at[0], (y - at[1]) / squeeze
    edge = RADIUS * (1 + lobes * np.cos(5 * (np.arctan2(v, u) - turn)))
    cover = np.clip((edge - np.hypot(u, v)) * SIDE / 2 + 0.5, 0, 1)
    planes = np.zeros((1, len(region_names()), SIDE, SIDE), np.float32)
    planes[0, 0] = planes[0, FACE] = cover
    return torch.from_numpy(planes)


def edges(cover: torch.Tensor) -> np.ndarray:
    """Radius at which the cover falls to a half along each ray, in radii of the disc."""
    ring = ring_of(cover, cover)[0, FACE].numpy()
    assert ring.shape == (RADII, ANGLES)
    return NEAREST + ring.sum(0) * (FARTHEST - NEAREST) / (RADII - 1)


@pytest.mark.parametrize("squeeze", [1.0, 0.8])
@pytest.mark.parametrize("at", [(0.0, 0.0), (0.15, -0.2)])
def test_disc_becomes_a_straight_band_wherever_it_lies_and_however_tilted(
    at: tuple[float, float], squeeze: float
) -> None:
    found = edges(wheel(at=at, squeeze=squeeze))
    assert found.mean() == pytest.approx(1.0, abs=0.04)
    assert found.std() < 0.02


def test_lobes_become_a_wave_with_as_many_crests() -> None:
    found = edges(wheel(lobes=0.1))
    wave = np.abs(np.fft.rfft(found - found.mean()))
    assert int(wave.argmax()) == 5
    assert wave[5] * 2 / ANGLES == pytest.approx(0.1, abs=0.015)


def test_rays_begin_at_the_middle_and_their_angle_is_that_of_the_picture() -> None:
    cover = wheel()
    x = torch.linspace(-1, 1, SIDE).expand(1, 1, SIDE, SIDE)
    ring = ring_of(x * (1 - 1 / SIDE), cover)[0, 0]
    angles = torch.arange(ANGLES) * (2 * math.pi / ANGLES)
    wanted = RADIUS * torch.linspace(NEAREST, FARTHEST, RADII)[:, None] * torch.cos(angles)
    assert float((ring - wanted).abs().max()) < 0.02


def test_figures_do_not_depend_on_the_turn() -> None:
    torch.manual_seed(0)
    unroll = Unroll(len(region_names())).eval()
    with torch.no_grad():
        steps = 2 * math.pi / ANGLES
        first, turned, other = (
            unroll(one, one) for one in (wheel(lobes=0.1), wheel(lobes=0.1, turn=7 * steps), wheel(lobes=0.02))
        )
    assert first.shape == (1, unroll.outputs)
    scale = float(first.abs().max())
    assert float((first - turned).abs().max()) < 0.05 * scale
    assert float((first - other).abs().max()) > 2 * float((first - turned).abs().max())


def test_nothing_round_or_nothing_at_all_still_gives_finite_figures() -> None:
    unroll = Unroll(len(region_names())).eval()
    with torch.no_grad():
        assert bool(torch.isfinite(unroll(wheel() * 0, wheel() * 0)).all())
