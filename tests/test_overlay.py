"""The picture that shows why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from wearvision.fitness import Fault, FaultKind
from wearvision.overlay import GRADE_COLOURS, OUTLINE, PANEL, SIDE, WEAR, overlay
from wearvision.report import MeasureLine, Picture, Report
from wearvision.standard import load_limits

LIMITS = load_limits()
GREY = np.full((160, 160, 3), 127, np.uint8)


def square(first: int, last: int) -> np.ndarray:
    plane = np.zeros((160, 160), np.float32)
    plane[first:last, first:last] = 1.0
    return plane


def report(*, grade: str = "replace", trace: bool = False, **regions: np.ndarray) -> Report:
    traces = {"rim_deviation": np.array([[20.0, 20.0], [20.0, 140.0]])} if trace else {}
    return Report(
        "a.jpg",
        "00",
        True,
        part={"name": "flame_cell", "probability": 0.9, "view": "face"},
        grade=grade,
        possible_grades=(grade,),
        measures=(
            MeasureLine("haze", "clouding", 0.5, 0.4, 0.6, grade=grade),
            MeasureLine("crack_ratio", "crack", None, reason="not_resolvable"),
        ),
        not_seen=("crack",),
        pictures=(Picture(GREY, regions, traces, "a.jpg"),),
    )


def count(picture: np.ndarray, colour: tuple[int, int, int]) -> int:
    return int((np.abs(picture.astype(int) - colour).max(2) < 40).sum())


def test_overlay_is_photo_and_panel_side_by_side() -> None:
    picture = overlay(report(part=square(20, 140)), LIMITS)
    assert picture.shape == (SIDE, SIDE + PANEL, 3)
    assert picture.dtype == np.uint8
    assert np.all(picture[SIDE // 2, SIDE // 2] == 127)


def test_wear_and_outlines_have_their_own_colours() -> None:
    plain = overlay(report(), LIMITS)[:, :SIDE]
    assert count(plain, OUTLINE) == count(plain, WEAR) == 0
    outlined = overlay(report(part=square(20, 140)), LIMITS)[:, :SIDE]
    assert count(outlined, OUTLINE) > 1000
    assert count(outlined, WEAR) == 0
    assert count(overlay(report(scorch=square(60, 90)), LIMITS)[:, :SIDE], WEAR) > 300


def test_outline_lies_on_the_regions_edge() -> None:
    rows, cols = np.nonzero(
        np.abs(overlay(report(part=square(40, 120)), LIMITS)[:, :SIDE].astype(int) - OUTLINE).max(2) < 40
    )
    scale = SIDE / 160
    assert (rows.min(), cols.min()) == pytest.approx((40 * scale, 40 * scale), abs=4)
    assert (rows.max(), cols.max()) == pytest.approx((120 * scale, 120 * scale), abs=4)


def test_trace_is_drawn_where_it_was_measured() -> None:
    drawn = overlay(report(trace=True), LIMITS)[:, :SIDE]
    changed = np.nonzero((drawn != 127).any(2))[0]
    assert changed.mean() == pytest.approx(20.5 * SIDE / 160, abs=2)


@pytest.mark.parametrize("grade", list(GRADE_COLOURS))
def test_headline_has_the_colour_of_its_grade(grade: str) -> None:
    panel = overlay(report(grade=grade), LIMITS)[:120, SIDE:]
    assert count(panel, GRADE_COLOURS[grade]) > 50


def test_faults_change_the_panel_and_nothing_of_the_report() -> None:
    fault = Fault(FaultKind.GLARE, 0.3, 0.1, "Move the lamp to the side. " * 6)
    unfit = replace(report(part=square(20, 140)), usable=False, grade=None, faults=(fault,), measures=())
    picture = overlay(unfit, LIMITS)
    assert count(picture[:, SIDE:], (28, 32, 38)) > 500
    assert np.all(unfit.pictures[0].image == 127)


def test_refused_photo_is_shown_without_regions() -> None:
    bare = Report("a.jpg", "00", False, refusal="No part.", pictures=(Picture(GREY, {}, {}, "a.jpg"),))
    assert np.all(overlay(bare, LIMITS)[:, :SIDE] == 127)


def test_number_picks_the_picture() -> None:
    other = Picture(np.full((160, 160, 3), 30, np.uint8), {}, {}, "b.jpg")
    two = replace(report(), pictures=(*report().pictures, other))
    assert np.all(overlay(two, LIMITS, number=1)[:, :SIDE] == 30)
