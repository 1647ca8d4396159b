"""The comparison series: the layer equation forwards, held against the library's own measuring of film and haze."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from wearvision.labels.series import DEPOSIT, STEPS, VEIL, comparison_series
from wearvision.measure.clouding import film_and_haze
from wearvision.measure.colour import luminance, srgb_decode
from wearvision.measure.result import Measured
from wearvision_training.studio import draw, sample_recipe

SIZE = 160


@pytest.fixture(scope="module")
def photo() -> tuple[np.ndarray, np.ndarray]:
    example = draw(sample_recipe("flame_cell", np.random.default_rng(4)), 320)
    return example.image, example.masks["window"]


def disc() -> np.ndarray:
    at = np.arange(SIZE) + 0.5 - SIZE / 2
    return np.hypot(at[:, None], at[None, :]) <= 0.97 * SIZE / 2


@pytest.mark.parametrize("measure", ["film_loss", "haze"])
def test_measured_against_its_first_picture_each_shows_its_step(
    photo: tuple[np.ndarray, np.ndarray], measure: str
) -> None:
    pictures = comparison_series(*photo, measure, side=SIZE)
    assert len(pictures) == len(STEPS) == 10
    window = disc()
    for step, picture in zip(STEPS[1:8], pictures[1:8], strict=True):
        found = film_and_haze(picture, window, pictures[0], window)
        outcome = found[measure]
        assert isinstance(outcome, Measured), (step, outcome)
        assert outcome.low - 0.02 <= step <= outcome.high + 0.02, (step, outcome)


def test_it_is_the_standards_layer_equation(photo: tuple[np.ndarray, np.ndarray]) -> None:
    new = srgb_decode(comparison_series(*photo, "haze", side=SIZE)[0])[disc()]
    white = np.asarray(srgb_decode(comparison_series(*photo, "haze", beside=1.0, side=SIZE)[0])[disc()][0]) / DEPOSIT
    for step, picture in zip(STEPS, comparison_series(*photo, "haze", beside=0.3, side=SIZE), strict=True):
        seen = srgb_decode(picture)[disc()]
        wanted = 0.7 * ((1 - step) * new + step * VEIL * white) + 0.3 * DEPOSIT * white
        assert np.abs(seen - wanted).max() < 0.03, "codes and the white read back are rounded"


def test_contrast_falls_step_by_step(photo: tuple[np.ndarray, np.ndarray]) -> None:
    window = disc()
    for measure, sign in (("film_loss", -1), ("haze", 1)):
        lights = [luminance(picture)[window] for picture in comparison_series(*photo, measure, side=SIZE)]
        spreads = [float(light.std()) for light in lights]
        assert all(one > other for one, other in pairwise(spreads))
        means = [float(light.mean()) for light in lights]
        assert all(sign * (other - one) > 0 for one, other in pairwise(means))


def test_a_clear_photo_of_the_part_takes_the_plain_windows_place(photo: tuple[np.ndarray, np.ndarray]) -> None:
    image, window = photo
    own = comparison_series(image, window, "film_loss", clear=(image, window), side=SIZE)[0]
    rows, columns = np.nonzero(window)
    cut = image[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
    assert abs(float(luminance(own)[disc()].mean()) - float(luminance(cut).mean())) < 0.12
    assert not np.array_equal(own, comparison_series(image, window, "film_loss", side=SIZE)[0])


def test_what_can_not_be_rendered_is_refused(photo: tuple[np.ndarray, np.ndarray]) -> None:
    image, window = photo
    for wrong in (
        lambda: comparison_series(image, window, "rim_deviation"),
        lambda: comparison_series(image, np.zeros_like(window), "haze"),
        lambda: comparison_series(image[..., 0], window, "haze"),
        lambda: comparison_series(image, window[:5], "haze"),
        lambda: comparison_series(image, window, "haze", beside=1.5),
    ):
        with pytest.raises(ValueError, match=r"series|empty|RGB|bool|layer"):
            wrong()
