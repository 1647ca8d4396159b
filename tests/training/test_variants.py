"""Smaller variants of an exported model: they are smaller, load in the library, and say nearly the same."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import torch

from wearvision.network import ModelFolder, Network
from wearvision_training.export import export
from wearvision_training.network import WearNetwork
from wearvision_training.variants import shrink

SIDE = 64


@pytest.fixture(scope="module")
def pictures() -> np.ndarray:
    rng = np.random.default_rng(1)
    smooth = rng.integers(0, 255, (6, 8, 8, 3)).astype(np.uint8)
    return smooth.repeat(8, 1).repeat(8, 2)


@pytest.fixture(scope="module")
def model(tmp_path_factory: pytest.TempPathFactory, pictures: np.ndarray) -> Path:
    torch.manual_seed(3)
    folder = tmp_path_factory.mktemp("model")
    network = WearNetwork(None, decoder="light").eval()
    export(network, folder, model_id="t", size=SIDE, pictures=pictures[:1])
    return folder


@pytest.mark.parametrize(
    ("variant", "share", "off"), [("float16", 0.55, 0.01), ("int8", 0.45, 0.5), ("int8-weights", 0.35, 0.1)]
)
def test_variant_is_smaller_and_says_nearly_the_same(
    model: Path, pictures: np.ndarray, tmp_path: Path, variant: str, share: float, off: float
) -> None:
    folder = Path(shutil.copytree(model, tmp_path / variant))
    told = shrink(folder, variant, pictures)
    assert told["bytes"] == (folder / "model.onnx").stat().st_size
    assert told["bytes"] < share * told["float32_bytes"]
    assert 0 < told["difference"]["value"]["max"] < off
    assert json.loads((folder / "model.json").read_text("utf-8"))["reduced"] == told
    seen = Network(ModelFolder.open(folder))(pictures[0])
    plain = Network(ModelFolder.open(model))(pictures[0])
    assert seen.part == plain.part


def test_unknown_variant_changes_nothing(model: Path, pictures: np.ndarray, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(model, tmp_path / "m"))
    with pytest.raises(KeyError):
        shrink(folder, "int2", pictures)
    assert Network(ModelFolder.open(folder)).size == SIDE
