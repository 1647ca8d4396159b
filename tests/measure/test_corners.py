"""Drive sockets of known kind and wear."""

from dataclasses import replace

import numpy as np
import pytest

from wearvision.measure.corners import corner_rounding, tooth_loss, worst_of
from wearvision.measure.ellipse import fit_ellipse
from wearvision.measure.profile import frame_of, seen_outline
from wearvision.measure.result import Reason
from wearvision.measure.socket import Kind, read_socket
from wearvision_training import figures
from wearvision_training.figures import TURN, Pose, cut_circle, polygon

MEAN_ERROR = 0.05  # the bound for the mean absolute error over worn examples

def seen(radii, size, pose=None):
    """The mask with room for the corners of a square."""
    return figures.seen(radii, size, pose, room=1.8)


def splined(count, lost):
    """Inward teeth of height 0.25 in a circle of radius 1; tooth k has lost ``lost[k]`` of it."""
    phase = (TURN * count / (2 * np.pi) + 0.5) % count
    tooth = np.clip(0.5 + (0.25 - np.abs(phase % 1 - 0.5)) / 0.15, 0, 1)
    return 1 - 0.25 * np.minimum(tooth, 1 - np.asarray(lost)[phase.astype(int)])


def posed(radii, size, rng):
    """The socket's mask, and the frame that a round end of two and a half times its size gives."""
    pose = Pose.by_chance(rng, near=16, far=40)
    end = fit_ellipse(seen_outline(seen(np.full(1440, 1.25), 2 * size, replace(pose, distance=pose.distance / 2))))
    return seen(radii, size, pose), frame_of(end, known=False)


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


def test_worst_of_like_corners_is_not_their_noisiest():
    """Six like corners read with noise: the plain maximum is too large by 1.27 deviations (order statistics)."""
    rng = np.random.default_rng(8)
    read = 0.3 + 0.05 * rng.normal(size=(400, 6))
    assert read.max(axis=1).mean() > 0.35
    assert np.mean([worst_of(values, 0.05)[0] for values in read]) == pytest.approx(0.3, abs=0.03)


def test_worst_of_one_that_stands_out_keeps_its_value():
    assert worst_of(np.array([0.1, 0.1, 0.6, 0.1]), 0.01)[0] == pytest.approx(0.6, abs=0.01)


def test_read_socket_shape_of_two_parallel_edges_is_no_polygon():
    """A slot: neighbouring sides of the hexagon tried on it are parallel and have no corner."""
    slot = np.zeros((80, 200), bool)
    slot[20:60, 20:180] = True
    assert read_socket(slot).kind is not Kind.HEXAGON


@pytest.mark.parametrize("kind", list(SOCKETS))
def test_corner_rounding_more_wear_measures_more_and_sharp_is_no_alarm(kind):
    rng = np.random.default_rng(1)
    values = [corner_rounding(*posed(SOCKETS[kind](worn), 80, rng)).value for worn in (0.0, 0.15, 0.3, 0.45)]
    # A D's corner is blunt: a pixel there is worth more fillet than in a square's.
    assert values[0] < (0.2 if kind in (Kind.D, Kind.DOUBLE_D) else 0.15)
    assert np.all(np.diff(values) > 0.03)


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
    mask = seen(SOCKETS[kind](0.2), 70, Pose(25, 0.9))
    assert read_socket(mask).frame.tilt_deg == pytest.approx(25, abs=2)
