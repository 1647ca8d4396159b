"""The finder's square on known pictures, and what guards its file. Here it finds what is bright."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import cv2
import numpy as np
import onnx
import pytest
from onnx import TensorProto, helper

from wearvision.errors import ModelError
from wearvision.finder import FILE
from wearvision.framing import MARGIN, Window, surrounds
from wearvision.network import ModelFolder, Network

SIZE = 160


@pytest.fixture
def folder(model_folder: Path, tmp_path: Path) -> Path:
    """The released model with a finder of what is bright."""
    copied = Path(shutil.copytree(model_folder, tmp_path / "model"))
    (copied / FILE).write_bytes(bright_finder())
    noted(copied, {"sha256": hashlib.sha256((copied / FILE).read_bytes()).hexdigest(), "size": SIZE})
    return copied


def noted(folder: Path, finder: dict | None) -> None:
    record = json.loads((folder / "model.json").read_text("utf-8"))
    record.pop("finder", None)
    record |= {} if finder is None else {"finder": finder}
    (folder / "model.json").write_text(json.dumps(record), "utf-8")


def bright_finder() -> bytes:
    """A graph with a finder's input and output: a cell belongs to the part where its mean is over 200."""
    nodes = [
        helper.make_node("Cast", ["photo"], ["plain"], to=TensorProto.FLOAT),
        helper.make_node("Transpose", ["plain"], ["planes"], perm=[0, 3, 1, 2]),
        helper.make_node("ReduceMean", ["planes"], ["grey"], axes=[1], keepdims=1),
        helper.make_node("AveragePool", ["grey"], ["cells"], kernel_shape=[4, 4], strides=[4, 4]),
        helper.make_node("Sub", ["cells", "level"], ["over"]),
        helper.make_node("Sigmoid", ["over"], ["part"]),
    ]
    graph = helper.make_graph(
        nodes,
        "bright",
        [helper.make_tensor_value_info("photo", TensorProto.UINT8, [1, SIZE, SIZE, 3])],
        [helper.make_tensor_value_info("part", TensorProto.FLOAT, [1, 1, SIZE // 4, SIZE // 4])],
        [helper.make_tensor("level", TensorProto.FLOAT, [1], [200.0])],
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 17)], ir_version=8)
    onnx.checker.check_model(model)
    return bytes(model.SerializeToString())


def bench(height: int, width: int, centre: tuple[int, int], radius: int) -> np.ndarray:
    image = np.full((height, width, 3), 40, np.uint8)
    cv2.circle(image, centre[::-1], radius, (255, 255, 255), -1)
    return image


@pytest.mark.parametrize(("height", "width"), [(1500, 2000), (2000, 1500), (300, 400), (900, 900)])
def test_square_lies_about_what_is_found_at_any_size_of_photo(folder: Path, height: int, width: int) -> None:
    row, col, radius = height // 3, width // 2, min(height, width) // 8
    found = Network(ModelFolder.open(folder)).find(bench(height, width, (row, col), radius))
    assert found is not None
    cell = max(height, width) / (SIZE // 4)
    assert found.side == pytest.approx(2 * radius * MARGIN, abs=2.5 * cell)
    assert found.row + found.side / 2 == pytest.approx(row, abs=cell)
    assert found.col + found.side / 2 == pytest.approx(col, abs=cell)


def test_speck_far_away_does_not_widen_the_square(folder: Path) -> None:
    image = bench(1200, 1600, (400, 500), 200)
    alone = Network(ModelFolder.open(folder)).find(image)
    cv2.circle(image, (1500, 1100), 12, (255, 255, 255), -1)
    assert Network(ModelFolder.open(folder)).find(image) == alone


def test_nothing_and_what_fills_the_photo_need_no_closer_look(folder: Path) -> None:
    network = Network(ModelFolder.open(folder))
    assert network.find(bench(900, 1200, (450, 600), 440)) is None
    assert network.find(np.full((900, 1200, 3), 40, np.uint8)) is None


def test_model_without_a_finder_finds_nothing(folder: Path) -> None:
    noted(folder, None)
    (folder / FILE).unlink()
    assert Network(ModelFolder.open(folder)).find(bench(900, 1200, (450, 600), 100)) is None


def test_finder_that_is_another_or_gone_or_not_named_is_refused(folder: Path) -> None:
    (folder / FILE).write_bytes((folder / FILE).read_bytes() + b"0")
    with pytest.raises(ModelError, match="checksum"):
        Network(ModelFolder.open(folder))
    (folder / FILE).unlink()
    with pytest.raises(ModelError, match="no readable"):
        Network(ModelFolder.open(folder))
    noted(folder, {"sha256": "0"})
    with pytest.raises(ModelError, match=r"lacks finder\.size"):
        Network(ModelFolder.open(folder))


def test_square_about_a_part_has_the_margin_and_its_middle() -> None:
    part = np.zeros((100, 100), bool)
    part[20:30, 40:70] = True
    assert surrounds(part, Window(10, 20, 200)) == Window(10 + 50 - 39, 20 + 110 - 39, round(60 * MARGIN))
