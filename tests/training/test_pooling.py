"""Forms of regions by their moments: known figures, and what must not matter."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from wearvision_training.pooling import FORMS, ShapePool, forms

NAMES = ("mass", "long", "short", "away", "out4", "out6", "skew", "three", "four", "five", "six")
SIDE = 80
FINE = 8


def _cover(inside, turn: float = 0.0, squeeze: float = 1.0, at: tuple[float, float] = (0.0, 0.0)) -> torch.Tensor:  # type: ignore[no-untyped-def]
    """Cover of cells by a figure given as a test on plane points, turned, squeezed along one axis, moved."""
    line = (np.arange(SIDE * FINE) + 0.5) / (SIDE * FINE) * 2 - 1
    x, y = np.meshgrid(line - at[0], line - at[1])
    x = x / squeeze
    u, v = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    fine = inside(u, v).reshape(SIDE, FINE, SIDE, FINE).mean((1, 3))
    return torch.from_numpy(fine.astype(np.float32))[None, None]


def _figures(cover: torch.Tensor) -> dict[str, float]:
    return dict(zip(NAMES, forms(cover)[0, 0].tolist(), strict=True))


def disc(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.hypot(x, y) < 0.5


def square(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    return np.maximum(abs(x), abs(y)) < 0.45


def dented(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    angle = np.arctan2(y, x)
    return np.hypot(x, y) < 0.5 * (1 - 0.12 * np.exp(-((angle / 0.35) ** 2)))


def test_there_is_a_name_for_each_figure() -> None:
    assert len(NAMES) == FORMS


def test_disc_has_the_moments_of_a_disc() -> None:
    # A uniform disc of mean square 1 along each axis: mean r^4 = 16/3, mean r^6 = 16, nothing repeats around.
    figures = _figures(_cover(disc))
    assert figures["out4"] == pytest.approx(16 / 3 / 4, abs=0.02)
    assert figures["out6"] == pytest.approx(16 / 16, abs=0.04)
    assert max(figures[name] for name in ("three", "four", "five", "six", "skew")) < 0.02
    assert figures["long"] == pytest.approx(1.0, abs=0.01)


def test_square_repeats_four_times() -> None:
    # Mean of (x + iy)^4 over a square of half side a is a^4 (2/5 - 6/9), over mean square a^2/3: |.| = 9 * 0.2667.
    figures = _figures(_cover(square))
    assert figures["four"] == pytest.approx(2.4, abs=0.05)
    assert max(figures["three"], figures["five"]) < 0.02


@pytest.mark.parametrize("change", [{"turn": 0.5}, {"at": (0.2, -0.1)}, {"squeeze": 0.7}])
def test_form_does_not_depend_on_turn_place_and_tilt(change: dict) -> None:
    plain, changed = _figures(_cover(dented)), _figures(_cover(dented, **change))
    for name in NAMES[4:]:
        assert changed[name] == pytest.approx(plain[name], abs=0.03)


def test_dent_is_seen() -> None:
    assert _figures(_cover(dented))["three"] > _figures(_cover(disc))["three"] + 0.03


def test_faint_doubt_far_away_changes_little() -> None:
    plain, doubted = _figures(_cover(square)), _figures((_cover(square) + 0.03).clamp(max=1))
    assert doubted["four"] == pytest.approx(plain["four"], abs=0.1)


def test_region_that_is_not_there_is_finite_and_so_is_its_slope() -> None:
    cover = torch.zeros(2, 3, 20, 20, requires_grad=True)
    found = forms(cover)
    found.sum().backward()
    assert bool(torch.isfinite(found).all())
    assert bool(torch.isfinite(cover.grad).all())


def test_measures_do_not_bend_the_masks() -> None:
    pool = ShapePool((8, 8, 8, 8), 2, 3).train()
    regions = torch.randn(2, 2, 32, 32, requires_grad=True)
    maps = [torch.randn(2, 8, side, side) for side in (2, 4, 8, 16)]
    told = pool(*maps, regions)
    plain = pool.plain.outputs
    told[:, plain:].square().sum().backward()
    assert float(regions.grad.abs().max()) == 0.0
