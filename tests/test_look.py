"""The look at the whole and the closer one."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from wearvision.framing import CLOSER, FILL, MARGIN, Window, whole
from wearvision.look import look
from wearvision.network import ModelFolder, Network
from wearvision.sighting import Sighting


class OneDisc:
    """Stands in for the network: sees a bright disc as a part; counts its looks; finds what it is told."""

    size = 160

    def __init__(self, names: tuple[str, ...] = ("flame_cell",), found: Window | None = None) -> None:
        self.names, self.found, self.squares = names, found, []

    def find(self, image: np.ndarray) -> Window | None:
        return self.found

    def __call__(self, square: np.ndarray) -> Sighting:
        name = self.names[min(len(self.squares), len(self.names) - 1)]
        self.squares.append(square)
        bright = (square.min(2) > 200).astype(np.float32)
        return Sighting({name: 0.9, "other": 0.1}, 5.0, {"face": 1.0}, {}, {}, {"part": bright})


def disc(height: int, width: int, centre: tuple[int, int], radius: int) -> np.ndarray:
    image = np.full((height, width, 3), 40, np.uint8)
    cv2.circle(image, centre[::-1], radius, (255, 255, 255), -1)
    return image


def test_small_part_is_looked_at_again_from_close_by() -> None:
    network = OneDisc()
    found = look(network, disc(600, 800, (200, 300), 60))
    assert len(network.squares) == 2
    assert found.window.side == pytest.approx(2 * 60 * MARGIN, abs=8)
    assert found.window.row + found.window.side / 2 == pytest.approx(200, abs=5)
    assert found.window.col + found.window.side / 2 == pytest.approx(300, abs=5)
    assert found.pixels_per_pixel == found.window.side / network.size


def test_part_that_fills_the_picture_is_looked_at_once() -> None:
    network = OneDisc()
    image = disc(400, 400, (200, 200), int(200 * CLOSER / MARGIN) + 12)
    assert look(network, image).window == whole(image.shape)
    assert len(network.squares) == 1


def test_closer_look_that_shows_another_part_is_dropped() -> None:
    image = disc(600, 600, (200, 300), 60)
    assert look(OneDisc(("flame_cell", "coupler")), image).window == whole(image.shape)


def test_no_part_is_not_looked_at_again() -> None:
    network = OneDisc(("none",))
    look(network, disc(600, 600, (200, 300), 60))
    assert len(network.squares) == 1


def test_picture_without_any_part_pixels_stays_whole() -> None:
    image = np.full((300, 300, 3), 40, np.uint8)
    assert look(OneDisc(), image).window == whole(image.shape)


def test_part_that_the_finder_sees_is_looked_at_once() -> None:
    found = Window(120, 220, 160)
    network = OneDisc(found=found)
    assert look(network, disc(600, 800, (200, 300), 60)).window == found
    assert len(network.squares) == 1


@pytest.mark.parametrize("found", [Window(150, 220, 160), Window(120, 180, 160), Window(40, 220, 140)])
def test_part_that_the_finder_cuts_off_is_looked_at_from_the_whole(found: Window) -> None:
    network = OneDisc(found=found)
    seen = look(network, disc(600, 800, (200, 300), 60))
    assert len(network.squares) == 3
    assert seen.window.side == pytest.approx(2 * 60 * MARGIN, abs=8)


def test_part_that_the_photo_itself_cuts_off_is_none_that_the_finder_cut() -> None:
    network = OneDisc(found=Window(-10, 220, 160))
    look(network, disc(600, 800, (20, 300), 60))
    assert len(network.squares) == 1


def test_nothing_where_the_finder_saw_a_part_is_looked_at_from_the_whole() -> None:
    network = OneDisc(("none", "flame_cell"), found=Window(300, 500, 160))
    assert look(network, disc(600, 800, (200, 300), 60)).sighting.part == "flame_cell"
    assert len(network.squares) == 3


@pytest.mark.parametrize(
    ("height", "width", "centre"), [(300, 600, (150, 300)), (600, 300, (60, 60)), (500, 500, (480, 20))]
)
def test_inside_is_what_the_photo_fills(height: int, width: int, centre: tuple[int, int]) -> None:
    found = look(OneDisc(), disc(height, width, centre, 50))
    outside = np.ones(found.square.shape[:2], bool)
    outside[found.inside] = False
    assert np.all(found.square[outside] == FILL)
    assert np.mean(np.all(found.square[found.inside] == FILL, axis=-1)) < 0.02


def test_released_network_comes_closer_to_a_part_that_is_small_in_the_photo(model_folder: Path, drawn_photos) -> None:
    photo = drawn_photos["flame_cell", "face"]
    bench = np.full((1024, 1024, 3), np.median(photo.image, axis=(0, 1)), np.uint8)
    bench[100:500, 500:900] = cv2.resize(photo.image, (400, 400), interpolation=cv2.INTER_AREA)
    found = look(Network(ModelFolder.open(model_folder)), bench)
    assert found.sighting.part == "flame_cell"
    assert found.window.side < 0.75 * 1024
    middle = np.array([found.window.row, found.window.col]) + found.window.side / 2
    assert np.all(np.abs(middle - (300, 700)) < 150)
