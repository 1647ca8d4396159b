"""The spark gap as a line of a report, where a scale lies in the photo."""

from __future__ import annotations

import numpy as np
import pytest

from wearvision import setting_lines
from wearvision.examine import Examination
from wearvision.look import Look
from wearvision.measure.plane_scale import ScaleFit, fit_scale
from wearvision.measure.settings import Chart
from wearvision.network import Window
from wearvision.parts import PARTS
from wearvision.setting_lines import settings_of
from wearvision.sighting import Sighting

CARD = np.array([(0.0, 0.0), (80.0, 0.0), (80.0, 50.0), (0.0, 50.0)])
PHOTO = np.full((600, 900, 3), 150, np.uint8)
SIDE = 300


def found(part: str = "electrode", *, gap: int = 20, window: Window | None = None, rods: int = 2) -> Examination:
    rod = np.zeros((SIDE, SIDE), bool)
    rod[60:80, 50:200] = True
    if rods > 1:
        rod[80 + gap : 100 + gap, 50:200] = True
    look = Look(
        np.zeros((SIDE, SIDE, 3), np.uint8),
        window or Window(100, 200, SIDE),
        Sighting({}, 0, {}, {}, {}, {}),
        (slice(0, SIDE), slice(0, SIDE)),
    )
    return Examination(look, PARTS[part], "side", {"rod": rod}, {}, {})


@pytest.fixture(autouse=True)
def card_at_ten_pixels_a_millimetre(monkeypatch: pytest.MonkeyPatch) -> None:
    fit = fit_scale(CARD, 50 + 10 * CARD, PHOTO.shape[:2], extent_mm=(80.0, 50.0), source="test")

    def find(image: np.ndarray, markers: object) -> ScaleFit:
        assert image is PHOTO
        assert markers is None
        return fit

    monkeypatch.setattr(setting_lines, "_scale_in", find)


@pytest.mark.parametrize("gap", [20, 34, 50])
def test_gap_is_measured_in_the_cards_millimetres(gap: int) -> None:
    (line,) = settings_of(PHOTO, found(gap=gap))
    assert (line.name, line.unit, line.within) == ("spark_gap", "mm", None)
    assert line.value == pytest.approx(gap / 10, abs=0.1)
    assert line.low < line.value < line.high
    assert "gauge" in line.note


def test_masks_of_a_closer_look_are_laid_back_to_scale() -> None:
    (line,) = settings_of(PHOTO, found(gap=40, window=Window(200, 250, SIDE // 2)))
    assert line.value == pytest.approx(2.0, abs=0.1)


def test_chart_says_whether_it_is_within() -> None:
    assert settings_of(PHOTO, found(gap=34), chart=Chart(3.0, 4.0))[0].within is True
    assert settings_of(PHOTO, found(gap=34), chart=Chart(4.0, 5.0))[0].within is False


def test_nothing_without_two_rods_or_for_a_part_without_settings() -> None:
    assert settings_of(PHOTO, found(rods=1)) == ()
    assert settings_of(PHOTO, found("flame_cell")) == ()
    look = found().look
    assert settings_of(PHOTO, Examination(look, None, "", {}, {}, {})) == ()


def test_gap_that_is_not_resolved_gives_no_line() -> None:
    assert settings_of(PHOTO, found(gap=5)) == ()


def test_nothing_without_a_card(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    assert settings_of(PHOTO, found()) == ()
