"""Tip wear of rods drawn from their form: exact losses by integral over the last half diameter."""

from __future__ import annotations

import numpy as np
import pytest

from wearvision.measure.result import Measured, Reason, Unmeasured
from wearvision.measure.rod import find_tips, tip_loss

SIZE = 260
HALF_ROUND = 1 - np.pi / 4  # a half disc's mean width over its radius


def frame(degrees: float, shift=(0.0, 0.0), fine: int = 3):
    row, column = (np.mgrid[: SIZE * fine, : SIZE * fine] + 0.5) / fine - SIZE / 2
    row, column, a = row - shift[0], column - shift[1], np.radians(degrees)
    return column * np.cos(a) + row * np.sin(a), row * np.cos(a) - column * np.sin(a)


def pooled(solid: np.ndarray, fine: int = 3) -> np.ndarray:
    return solid.reshape(SIZE, fine, SIZE, fine).mean(axis=(1, 3)).astype(np.float32)


def electrode(diameter: float, shape: str, degrees: float, *, length: float = 130, shift=(0.0, 0.0), power=1.0):
    """A straight rod and its ceramic, as cover of each pixel, and the tip's true loss."""
    along, across = frame(degrees, shift)
    back = length / 2 - along  # distance from the tip inwards
    t = np.clip(back, 0, None) / diameter
    if shape == "round":
        half, loss = np.sqrt(np.clip(0.25 - np.clip(0.5 - t, 0, None) ** 2, 0, None)), HALF_ROUND
    elif shape == "taper":  # from ``power`` of the width at the tip to all of it two diameters in
        half = 0.5 * np.minimum(1, power + (1 - power) * t / 2)
        loss = 1 - (power + (1 - power) * 0.125)
    else:
        half, loss = np.full_like(t, 0.5), 0.0
    rod = pooled((np.abs(across) <= half * diameter) & (back >= 0) & (back <= length))
    ceramic = pooled((np.abs(across) <= 1.6 * diameter) & (back > length) & (back <= length + 2.2 * diameter))
    return rod, ceramic >= 0.5, loss


@pytest.mark.parametrize(("shape", "power"), [("square", 1.0), ("round", 1.0), ("taper", 0.5), ("taper", 0.7)])
@pytest.mark.parametrize("diameter", [12, 18, 28])
def test_loss_is_measured_at_any_turn(diameter, shape, power):
    errors = []
    for degrees in (0, 33, 118, 245):
        rod, ceramic, loss = electrode(diameter, shape, degrees, power=power, shift=(0.3, 0.2))
        outcome = tip_loss(find_tips(rod >= 0.5, ceramic))
        assert isinstance(outcome, Measured)
        assert outcome.low <= loss <= outcome.high
        errors.append(abs(outcome.value - loss))
    assert np.mean(errors) < 0.045
    assert max(errors) < 0.07


def test_probabilities_are_surer_than_pixels():
    rod, ceramic, loss = electrode(14, "square", 33)
    assert tip_loss(find_tips(rod, ceramic)).value == pytest.approx(loss, abs=0.03)


def test_diameter_and_axis_are_found():
    rod, ceramic, _ = electrode(20, "square", 30)
    (tip,) = find_tips(rod, ceramic)
    assert tip.diameter_px == pytest.approx(20, abs=0.5)
    assert np.degrees(np.arctan2(tip.axis[0], tip.axis[1])) == pytest.approx(30, abs=1.5)


def test_loss_grows_with_wear():
    values = [
        tip_loss(find_tips(*electrode(20, "taper", 20, power=power)[:2])).value for power in (1.0, 0.8, 0.6, 0.4)
    ]
    assert values == sorted(values)


def bent(diameter: float, degrees: float):
    """A rod that bends two and a half diameters behind its square end."""
    knee = np.array([0.0, 20.0])
    a = np.radians(degrees)
    row, column = (np.mgrid[: SIZE * 3, : SIZE * 3] + 0.5) / 3 - SIZE / 2
    solid = np.zeros(row.shape, bool)
    shaft = (np.array([0.0, -80.0]), np.array([0.0, 1.0]), 100.0)
    for start, way, reach in (shaft, (knee, np.array([np.sin(a), np.cos(a)]), 2.5 * diameter)):
        along = (row - start[0]) * way[0] + (column - start[1]) * way[1]
        across = (row - start[0]) * way[1] - (column - start[1]) * way[0]
        solid |= (along >= 0) & (along <= reach) & (np.abs(across) <= diameter / 2)
    solid |= np.hypot(row - knee[0], column - knee[1]) <= diameter / 2
    ceramic = (column < -80) & (column > -120) & (np.abs(row) < 1.6 * diameter)
    return pooled(solid), pooled(ceramic) >= 0.5


@pytest.mark.parametrize("degrees", [20, 45, 70])
def test_bend_near_the_tip_is_no_wear(degrees):
    outcome = tip_loss(find_tips(*bent(18, degrees)))
    assert isinstance(outcome, Measured)
    assert outcome.value < 0.07


def test_worse_rod_of_a_pair_counts():
    sound, ceramic, _ = electrode(16, "square", 0, shift=(-40, 0))
    worn, other, loss = electrode(16, "taper", 0, shift=(40, 0), power=0.4)
    outcome = tip_loss(find_tips(np.maximum(sound, worn), ceramic | other))
    assert outcome.value == pytest.approx(loss, abs=0.06)


def test_tip_that_was_round_when_new_has_lost_nothing():
    tips = find_tips(*electrode(20, "round", 15)[:2])
    assert tip_loss(tips, new_loss=HALF_ROUND).value < 0.05


def test_deposit_round_the_tip_hides_its_form():
    rod, ceramic, _ = electrode(18, "square", 0)
    along, across = frame(0)
    lump = pooled(np.hypot(along - 65, across) < 16) >= 0.5
    outcome = tip_loss(find_tips(rod, ceramic), deposit=lump)
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is Reason.CLEAN_FIRST


@pytest.mark.parametrize(
    ("case", "reason"), [("none", Reason.NOT_IN_VIEW), ("cut", Reason.NOT_IN_VIEW), ("thin", Reason.NOT_RESOLVABLE)]
)
def test_loss_that_cannot_be_had_says_why(case, reason):
    length = 120 if case == "thin" else 240
    diameter, aside = 5 if case == "thin" else 18, 40 if case == "cut" else 0
    rod, ceramic, _ = electrode(diameter, "square", 0, length=length, shift=(0, aside))
    if case == "none":
        rod = np.zeros_like(rod)
    outcome = tip_loss(find_tips(rod, ceramic))
    assert isinstance(outcome, Unmeasured)
    assert outcome.reason is reason


def test_wrong_arguments_raise():
    with pytest.raises(ValueError, match="new_loss"):
        tip_loss([], new_loss=1.0)
    with pytest.raises(ValueError, match="different shapes"):
        find_tips(np.zeros((5, 5), bool), np.zeros((6, 5), bool))


def test_inputs_stay_as_they_are():
    rod, ceramic, _ = electrode(18, "square", 10)
    copies = rod.copy(), ceramic.copy()
    tip_loss(find_tips(rod, ceramic), deposit=ceramic)
    assert np.array_equal(rod, copies[0])
    assert np.array_equal(ceramic, copies[1])
