"""Model folders, squares cut from photos, and the network's answer."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearvision.errors import ModelError
from wearvision.network import FILL, ModelFolder, Network, Window, square_crop, whole
from wearvision.parts import PARTS, measure_keys, region_names
from wearvision.standard.grades import GRADES


@pytest.fixture(scope="module")
def network(model_folder: Path) -> Network:
    return Network(ModelFolder.open(model_folder))


@pytest.fixture
def copied(model_folder: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(model_folder, tmp_path / "model"))


def rewrite(folder: Path, **changes: Any) -> None:
    record = json.loads((folder / "model.json").read_text("utf-8"))
    (folder / "model.json").write_text(json.dumps({**record, **changes}), "utf-8")


def test_default_release_opens_by_none_and_by_its_id() -> None:
    default = ModelFolder.open()
    assert default.record["id"] == default.path.name
    assert ModelFolder.open(default.record["id"]).path == default.path


def test_missing_folder_is_named_with_the_releases_there_are() -> None:
    with pytest.raises(ModelError, match=r"no model 'nowhere-9'.*mixed-2"):
        ModelFolder.open("nowhere-9")


def test_folder_without_a_record_is_a_model_error(tmp_path: Path) -> None:
    with pytest.raises(ModelError, match=r"model\.json"):
        ModelFolder.open(tmp_path)


@pytest.mark.parametrize("content", [b"{", b"", b"\xff\xfe\x00", b"[]", b"3", b"null", b'"x"', b"{}", b'{"id": "a"}'])
def test_broken_record_is_a_model_error(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "model.json").write_bytes(content)
    with pytest.raises(ModelError, match=r"model\.json"):
        ModelFolder.open(tmp_path)


def test_altered_graph_fails_its_checksum(copied: Path) -> None:
    with (copied / "model.onnx").open("ab") as file:
        file.write(b"\0")
    with pytest.raises(ModelError, match="checksum"):
        Network(ModelFolder.open(copied))


def test_missing_graph_is_a_model_error(copied: Path) -> None:
    (copied / "model.onnx").unlink()
    with pytest.raises(ModelError, match=r"model\.onnx"):
        Network(ModelFolder.open(copied))


def test_graph_that_is_no_graph_is_refused_by_the_runtime_as_a_model_error(copied: Path) -> None:
    (copied / "model.onnx").write_bytes(b"no graph")
    rewrite(copied, sha256=ModelFolder.open(copied).sha256)
    with pytest.raises(ModelError, match="cannot load"):
        Network(ModelFolder.open(copied))


def test_model_of_an_unknown_part_is_refused(copied: Path) -> None:
    rewrite(copied, parts=[*PARTS, "none", "gasket"])
    with pytest.raises(ModelError, match="gasket"):
        Network(ModelFolder.open(copied))


@pytest.mark.parametrize(("kind", "names"), [("regions", region_names()[:-1]), ("measures", measure_keys()[1:])])
def test_model_that_lacks_a_channel_is_refused(copied: Path, kind: str, names: tuple[str, ...]) -> None:
    rewrite(copied, **{kind: list(names)})
    with pytest.raises(ModelError, match=f"lacks {kind}"):
        Network(ModelFolder.open(copied))


def test_sighting_holds_every_channel_within_its_range(network: Network) -> None:
    square = np.random.default_rng(3).integers(0, 256, (network.size, network.size, 3)).astype(np.uint8)
    before = square.copy()
    seen = network(square)
    assert set(seen.parts) == {*PARTS, "none"}
    assert set(seen.grades) == set(GRADES)
    for shares in (seen.parts, seen.views, seen.grades):
        assert sum(shares.values()) == pytest.approx(1.0)
    assert tuple(seen.estimates) == measure_keys()
    assert all(one.value >= 0 and one.spread > 0 and 0 <= one.presence <= 1 for one in seen.estimates.values())
    assert tuple(seen.regions) == region_names()
    assert all(plane.shape == (network.size,) * 2 and plane.dtype == np.float32 for plane in seen.regions.values())
    assert all(plane.min() >= 0 and plane.max() <= 1 for plane in seen.regions.values())
    assert np.array_equal(square, before)


def test_same_square_gives_the_same_sighting(network: Network) -> None:
    square = np.full((network.size, network.size, 3), 90, np.uint8)
    first, second = network(square), network(square)
    assert first.parts == second.parts
    assert first.estimates == second.estimates


@pytest.mark.parametrize(
    "wrong", [np.zeros((64, 64, 3), np.uint8), np.zeros((320, 320), np.uint8), np.zeros((320, 320, 3))]
)
def test_square_of_another_form_is_refused(network: Network, wrong: np.ndarray) -> None:
    with pytest.raises(ValueError, match="expected uint8"):
        network(wrong)


@pytest.mark.parametrize(
    ("shape", "window"),
    [((40, 100, 3), Window(-30, 0, 100)), ((100, 40, 3), Window(0, -30, 100)), ((64, 64, 3), Window(0, 0, 64))],
)
def test_whole_is_the_smallest_centred_square(shape: tuple[int, ...], window: Window) -> None:
    assert whole(shape) == window


def test_crop_inside_at_its_own_size_is_the_pixels_themselves() -> None:
    image = np.random.default_rng(1).integers(0, 256, (90, 120, 3)).astype(np.uint8)
    assert np.array_equal(square_crop(image, Window(10, 20, 64), 64), image[10:74, 20:84])


def test_crop_of_a_wide_image_is_filled_above_and_below() -> None:
    image = np.full((50, 100, 3), 200, np.uint8)
    square = square_crop(image, whole(image.shape), 64)
    assert np.all(square[:16] == FILL)
    assert np.all(square[48:] == FILL)
    assert np.all(square[16:48] == 200)


def test_crop_beside_the_image_is_all_fill() -> None:
    assert np.all(square_crop(np.zeros((50, 50, 3), np.uint8), Window(200, 0, 40), 32) == FILL)


@settings(max_examples=60, deadline=None)
@given(
    row=st.integers(-400, 400), col=st.integers(-400, 400), side=st.integers(1, 700),
    height=st.integers(1, 90), width=st.integers(1, 90), size=st.integers(8, 96),
)  # fmt: skip
def test_crop_has_its_size_wherever_the_window_lies(
    row: int, col: int, side: int, height: int, width: int, size: int
) -> None:
    image = np.full((height, width, 3), 250, np.uint8)
    square = square_crop(image, Window(row, col, side), size)
    assert square.shape == (size, size, 3)
    overlaps = row < height and col < width and row + side > 0 and col + side > 0
    assert bool((square == 250).any()) == overlaps
    assert set(np.unique(square)) <= {FILL, 250}
