"""The electrode's geometry on a whole part drawn from boxes, each mode alone."""

from __future__ import annotations

import numpy as np
import pytest

from wearvision.measure.result import Measured, Unmeasured
from wearvision.parts.electrode import ELECTRODE, measure
from wearvision.parts.spec import Scene

SHAPE = (300, 420)


def box(top: int, bottom: int, left: int, right: int) -> np.ndarray:
    mask = np.zeros(SHAPE, bool)
    mask[top:bottom, left:right] = True
    return mask


def scene(**changes: np.ndarray) -> Scene:
    """Two insulators 50 px thick to the left, a rod 16 px thick in each to the right, 64 px of gap."""
    masks = {
        "ceramic": box(60, 110, 30, 200) | box(140, 190, 30, 200),
        "rod": box(77, 93, 200, 340) | box(157, 173, 200, 340),
        **changes,
    }
    return Scene(image=np.zeros((*SHAPE, 3), np.uint8), masks=masks, view="side")


def test_sound_electrode_has_no_wear_and_every_measure():
    found = measure(scene())
    assert set(found) == {mode.measure for mode in ELECTRODE.modes}
    for name, outcome in found.items():
        assert isinstance(outcome, Measured)
        assert outcome.value == pytest.approx(0, abs=0.04), name


@pytest.mark.parametrize(
    ("measure_name", "changes", "expected"),
    [
        ("residue_ratio", {"residue": box(60, 110, 100, 150)}, 2500 / (2 * 50 * 170 + 2 * 16 * 140)),
        ("bridge", {"bridge": box(93, 157, 320, 335)}, 1.0),
        ("crack_ratio", {"crack": box(84, 86, 60, 111)}, 1.0),
        ("chip_ratio", {"chip": box(50, 60, 150, 200)}, 500 / (2 * 50 * 170 + 500)),
        ("tip_loss", {"rod": box(77, 93, 200, 340) | box(157, 173, 200, 320) | box(161, 169, 320, 340)}, 0.5),
    ],
)
def test_one_mode_shows_in_its_measure_alone(measure_name, changes, expected):
    found = measure(scene(**changes))
    assert found[measure_name].value == pytest.approx(expected, abs=0.05)
    for name, outcome in found.items():
        if name != measure_name:
            assert outcome.value == pytest.approx(0, abs=0.04), name


def test_reference_says_what_form_the_tip_had():
    slim = box(77, 93, 200, 320) | box(81, 89, 320, 340) | box(157, 173, 200, 320) | box(161, 169, 320, 340)
    worn = scene(rod=slim)
    known = Scene(image=worn.image, masks=worn.masks, view="side", reference=scene(rod=slim))
    assert measure(worn)["tip_loss"].value > 0.4
    assert measure(known)["tip_loss"].value == pytest.approx(0, abs=0.02)


def test_empty_picture_measures_nothing():
    empty = np.zeros(SHAPE, bool)
    found = measure(scene(ceramic=empty, rod=empty))
    assert all(isinstance(outcome, Unmeasured) for outcome in found.values())
