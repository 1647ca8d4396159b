"""The figures that geometry is judged on, and the table it is judged by."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner

from wearvision.measure.result import Measured, Reason, Unmeasured
from wearvision_training import geometry, geometry_cases
from wearvision_training.__main__ import main
from wearvision_training.figures import TURN, Pose, cut_circle, hexagon, line_seen, polygon, seen


def test_seen_disc_covers_its_area_and_a_tilted_one_less_by_the_cosine():
    area = np.pi * 80**2
    assert seen(np.ones_like(TURN), 80).sum() == pytest.approx(area, rel=0.004)
    assert seen(np.ones_like(TURN), 80, Pose(35, 0.7)).sum() == pytest.approx(area * np.cos(np.radians(35)), rel=0.006)


def test_seen_nearer_plane_is_larger():
    near, far = (seen(np.ones_like(TURN), 60, Pose(distance=10), z=z).sum() for z in (0.0, -0.5))
    assert near / far == pytest.approx((10.5 / 10) ** 2, rel=0.01)


def test_line_seen_covers_length_times_width():
    points = np.column_stack([np.linspace(-0.5, 0.5, 30), np.zeros(30)])
    assert line_seen(points, 3.0, 90, Pose(towards=0.4)).sum() == pytest.approx(270, rel=0.1)


@pytest.mark.parametrize("count", [4, 6])
def test_polygon_flats_lie_at_one_and_corners_at_the_fillet(count):
    """Plane geometry: the middle of a fillet lies at sec - r (sec - 1)."""
    secant = 1 / np.cos(np.pi / count)
    radii = polygon(count, [0.3] * count)
    assert radii.min() == pytest.approx(1.0, abs=1e-4)
    assert radii.max() == pytest.approx(secant - 0.3 * (secant - 1), abs=1e-3)


def test_hexagon_and_cut_circle_meet_their_extremes():
    assert hexagon(0.0).max() == pytest.approx(1.0, abs=1e-9)
    assert cut_circle(2, 1.5, 0.1).max() == pytest.approx(1.5)
    assert cut_circle(1, 1.5, 0.1).min() == pytest.approx(1.0)


@pytest.mark.parametrize("name", list(geometry_cases.DRAWN))
def test_drawn_case_same_seed_same_answer(name):
    case = geometry_cases.DRAWN[name][2]
    one, two = (case(60, np.random.default_rng(5), True) for _ in range(2))
    assert one.true == two.true > 0
    assert one.outcome.value == two.outcome.value
    assert case(60, np.random.default_rng(6), False).true == 0.0


@pytest.mark.parametrize("measure", list(geometry_cases.STUDIO))
def test_studio_cases_hold_worn_and_unworn(measure):
    answers = list(geometry_cases.studio_cases(measure, 128, 2, 0.05, np.random.default_rng(3)))
    assert sum(answer.true > 0.02 for answer in answers) == 2
    assert sum(answer.true == 0 for answer in answers) == 1


def test_score_counts_errors_cover_alarms_and_what_was_not_measured():
    pairs = [
        (0.10, Measured(0.12, 0.09, 0.13)),
        (0.20, Measured(0.16, 0.15, 0.17)),
        (0.30, Unmeasured(Reason.GLARE)),
        (0.0, Measured(0.06, 0.0, 0.1)),
        (0.0, Measured(0.01, 0.0, 0.1)),
    ]
    row = geometry._score("x", 1, pairs, 0.05, 0.01)
    assert (row.worn, row.unmeasured, row.absent) == (2, 1, 2)
    assert row.error == pytest.approx(0.03)
    assert row.constant == pytest.approx(0.05)
    assert (row.covered, row.alarms) == (0.5, 0.5)
    assert geometry.line_of(row).split()[-1] == "no"
    assert geometry.line_of(geometry._score("x, relative", 1, pairs[:2], 0.05, 0.3)).split()[-1] == "yes"


def test_line_of_nothing_measured_has_met_nothing():
    row = geometry._score("x", 1, [(0.3, Unmeasured(Reason.GLARE))], 0.05, 0.01)
    assert geometry.line_of(row).split()[-1] == "no"


def test_geometry_command_prints_a_row_for_each_measure(monkeypatch):
    monkeypatch.setattr(geometry, "SIZES", (50,))
    monkeypatch.setattr(geometry, "STUDIO_PX", dict.fromkeys(geometry_cases.STUDIO, 128))
    result = CliRunner().invoke(main, ["geometry", "--n", "2", "--seed", "4"])
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert len(lines) - 4 == len(geometry_cases.DRAWN) + len(geometry_cases.STUDIO)
    assert CliRunner().invoke(main, ["geometry", "--n", "2", "--seed", "4"]).output == result.output
