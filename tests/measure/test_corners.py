"""Drive sockets of known kind and wear."""

import cv2
import numpy as np
import pytest

from wearvision.measure.corners import corner_rounding, tooth_loss
from wearvision.measure.ellipse import fit_ellipse
from wearvision.measure.profile import frame_of, seen_outline
from wearvision.measure.result import Reason
from wearvision.measure.socket import Kind, read_socket

MEAN_ERROR = 0.05  # the bound for the mean absolute error over worn examples

TURN = np.arange(1440) * 2 * np.pi / 1440


def seen(radii, size, tilt_deg=0.0, towards=0.0, distance=1e6, shift=(0.3, 0.2), z=0.0):
    """Bool mask of an outline r(TURN) in units of ``size`` pixels, under a camera of that tilt and distance."""
    points = np.column_stack([radii * np.cos(TURN), radii * np.sin(TURN)])
    turn = np.array([[np.cos(towards), -np.sin(towards)], [np.sin(towards), np.cos(towards)]])
    flat, tilt = points @ turn, np.radians(tilt_deg)
    deep = flat[:, 1] * np.sin(tilt) + z * np.cos(tilt)
    flat = np.column_stack([flat[:, 0], flat[:, 1] * np.cos(tilt) - z * np.sin(tilt)])
    near = distance / (distance - deep)
    half = 1.8 * size + 8
    at = (flat * near[:, None]) @ turn.T * size + half + np.array(shift)
    fine = np.zeros((int(2 * half) * 4,) * 2, np.uint8)
    cv2.fillPoly(fine, [np.round(((at[:, ::-1] + 0.5) * 4 - 0.5) * 16).astype(np.int32)], 255, shift=4)
    return cv2.resize(fine, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA) > 127



def polygon(count, worn):
    """Regular polygon of centre-to-flat distance 1; corner k has the fillet ``worn[k]``, as its support says."""
    turn = TURN
    half = np.pi / count
    corner = (turn / (2 * half)).astype(int) % count
    fillet = np.minimum(np.asarray(worn, float)[corner], 0.99)
    off = turn - (2 * corner + 1) * half
    middle = (1 - fillet) / np.cos(half)
    tangent = np.arctan(np.tan(half)) - np.arctan((1 - fillet) * np.tan(half))
    arc = middle * np.cos(off) + np.sqrt(np.maximum(fillet**2 - (middle * np.sin(off)) ** 2, 0))
    return np.where(np.abs(off) < tangent, arc, 1 / np.cos(half - np.abs(off)))


def cut_circle(flats, outer, fillet):
    """A D (one flat at distance 1) or double-D in a circle of radius ``outer``, all corners alike."""
    off = np.abs((TURN + np.pi) % (2 * np.pi) - np.pi)
    off = np.minimum(off, np.pi - off) if flats == 2 else off
    x = 1 - fillet
    y = np.sqrt((outer - fillet) ** 2 - x**2)
    turn = off - np.arctan2(y, x)
    arc = np.hypot(x, y) * np.cos(turn) + np.sqrt(np.maximum(fillet**2 - (np.hypot(x, y) * np.sin(turn)) ** 2, 0))
    flat = 1 / np.maximum(np.cos(off), 1e-9)
    return np.where(off <= np.arctan2(y, 1), flat, np.where(off < np.arctan2(y, x), arc, outer))


def splined(count, lost):
    """Inward teeth of height 0.25 in a circle of radius 1; tooth k has lost ``lost[k]`` of it."""
    phase = (TURN * count / (2 * np.pi) + 0.5) % count
    tooth = np.clip(0.5 + (0.25 - np.abs(phase % 1 - 0.5)) / 0.15, 0, 1)
    return 1 - 0.25 * np.minimum(tooth, 1 - np.asarray(lost)[phase.astype(int)])


def posed(radii, size, rng):
    """The socket's mask, and the frame that a round end of twice its size gives."""
    pose = {"tilt_deg": rng.uniform(0, 35), "towards": rng.uniform(0, 6), "distance": rng.uniform(16, 40),
            "shift": rng.uniform(0, 1, 2)}
    end = fit_ellipse(seen_outline(seen(np.full(1440, 1.25), 2 * size, **(pose | {"distance": pose["distance"] / 2}))))
    return seen(radii, size, **pose), frame_of(end, known=False)


SOCKETS = {
    Kind.SQUARE: lambda worn: polygon(4, worn * np.array([1, 0.4, 0.8, 0.6])),
    Kind.HEXAGON: lambda worn: polygon(6, worn * np.array([0.5, 1, 0.4, 0.9, 0.7, 0.3])),
    Kind.D: lambda worn: cut_circle(1, 1.5, worn),
    Kind.DOUBLE_D: lambda worn: cut_circle(2, 1.5, worn),
}


def worn_errors(size):
    """Errors and truths over square, hexagon, D and double-D, tilts to 35 degrees."""
    rng = np.random.default_rng(3)
    errors, true = [], []
    for kind, shape in SOCKETS.items():
        for _ in range(5):
            worn = rng.uniform(0.1, 0.5)
            mask, frame = posed(shape(worn), size, rng)
            socket = read_socket(mask, frame)
            assert socket.kind is kind
            errors.append(corner_rounding(socket, limit=0.0).value - worn)
            true.append(worn)
    return np.abs(errors), np.array(true)


def test_corner_rounding_worn_sockets_mean_error_within_bound():
    """Centre to flat of 30, 50 and 100 pixels together; the smallest alone is over the bound."""
    errors, true = (np.concatenate(found) for found in zip(*map(worn_errors, (30, 50, 100)), strict=True))
    assert errors.mean() <= MEAN_ERROR
    assert errors.mean() < 0.6 * np.abs(true - np.median(true)).mean()


@pytest.mark.parametrize("kind", list(SOCKETS))
def test_corner_rounding_more_wear_measures_more_and_sharp_is_no_alarm(kind):
    rng = np.random.default_rng(1)
    values = [corner_rounding(*posed(SOCKETS[kind](worn), 80, rng)).value for worn in (0.0, 0.15, 0.3, 0.45)]
    # A D's corner is blunt: a pixel there is worth more fillet than in a square's.
    assert values[0] < (0.2 if kind in (Kind.D, Kind.DOUBLE_D) else 0.15)
    assert np.all(np.diff(values) > 0.05)


def test_corner_rounding_moulded_fillet_is_taken_off():
    mask = seen(polygon(4, [0.3] * 4), 80)
    plain = corner_rounding(mask).value
    assert plain == pytest.approx(0.3, abs=0.02)
    assert corner_rounding(mask, moulded=0.1).value == pytest.approx(plain - 0.1)


def test_corner_rounding_small_socket_is_not_resolvable_unless_plain():
    assert corner_rounding(seen(polygon(4, [0.0] * 4), 15)).reason is Reason.NOT_RESOLVABLE
    assert corner_rounding(seen(polygon(4, [0.6] * 4), 17)).value > 0.4


@pytest.mark.parametrize("size", [60, 110])
def test_tooth_loss_worst_tooth_is_found(size):
    rng = np.random.default_rng(2)
    for count in (8, 12):
        for worst in (0.2, 0.5, 0.9):
            lost = np.zeros(count)
            lost[[1, 4]] = worst, worst / 2
            mask, frame = posed(splined(count, lost), size, rng)
            assert read_socket(mask, frame).count == count
            assert tooth_loss(mask, frame, limit=0.0).value == pytest.approx(worst, abs=0.12)


def test_tooth_loss_even_wear_needs_a_reference():
    new, worn = (read_socket(seen(splined(10, [lost] * 10), 90)) for lost in (0.0, 0.4))
    assert tooth_loss(worn, limit=0.0).value < 0.05
    assert tooth_loss(worn, reference=new, limit=0.0).value == pytest.approx(0.4, abs=0.05)


def test_socket_round_or_missing_has_no_value():
    hole = seen(np.ones(1440), 50)
    assert read_socket(hole).kind is Kind.ROUND
    assert corner_rounding(hole).reason is Reason.NO_NOMINAL
    assert tooth_loss(hole).reason is Reason.NO_NOMINAL
    assert corner_rounding(np.zeros((40, 40), bool)).reason is Reason.NOT_IN_VIEW


@pytest.mark.parametrize("kind", [Kind.SQUARE, Kind.HEXAGON])
def test_read_socket_polygon_tells_the_tilt(kind):
    """The regular form of the socket gives the tilt by itself, with no other cue."""
    mask = seen(SOCKETS[kind](0.2), 70, tilt_deg=25, towards=0.9)
    assert read_socket(mask).frame.tilt_deg == pytest.approx(25, abs=2)
