"""Puts a trained finder into a model folder, and refuses to if the two runtimes disagree."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray

from wearvision.finder import FILE
from wearvision_training.export import PARITY_LIMIT, ParityError, parity
from wearvision_training.finding.network import DeployedFinder, FinderNetwork


def load_finder(weights: Path) -> tuple[FinderNetwork, int]:
    """The network of a ``finder.safetensors``, in evaluation mode, and the side of its input.

    Raises:
        RuntimeError: the file holds another network.
    """
    from safetensors.torch import load_file

    from wearvision_training.school.weights import weights_record

    network = FinderNetwork()
    network.load_state_dict(load_file(weights))
    return network.eval(), int(weights_record(weights)["size"])


def export_finder(network: FinderNetwork, folder: Path, *, size: int, pictures: NDArray[np.uint8]) -> float:
    """Writes ``finder.onnx`` and the block ``finder`` of ``model.json``.

    Args:
        network: Trained, in evaluation mode.
        folder: The model folder, as ``export`` wrote it.
        size: Side of the finder's input.
        pictures: (N, size, size, 3) uint8, for the check of parity.

    Returns:
        The largest difference seen between the runtimes.

    Raises:
        ParityError: that difference is over ``PARITY_LIMIT``.
    """
    deployed, draft = DeployedFinder(network.cpu().float()).eval(), folder / f"{FILE}.part"
    program = torch.onnx.export(
        deployed,
        (torch.from_numpy(np.ascontiguousarray(pictures[:1])),),
        input_names=["photo"],
        output_names=["part"],
        opset_version=18,
        dynamo=True,
        verbose=False,
    )
    if program is None:
        raise RuntimeError("the exporter gave no graph")
    program.save(str(draft), external_data=False)
    difference = parity(_AsTuple(deployed), draft, pictures)
    if difference > PARITY_LIMIT:
        draft.unlink()
        raise ParityError(f"PyTorch and ONNX Runtime differ by {difference:.2e}, allowed is {PARITY_LIMIT:.0e}.")
    graph = draft.replace(folder / FILE)
    path = folder / "model.json"
    record = json.loads(path.read_text("utf-8"))
    record["finder"] = {"sha256": hashlib.sha256(graph.read_bytes()).hexdigest(), "size": size}
    path.write_text(json.dumps(record, indent=1), "utf-8")
    return difference


def take_finder(base: Path, folder: Path) -> None:
    """Gives a model the finder of another one, if that has one: where a part lies need not be learned anew.

    Args:
        base: The model folder that is read.
        folder: The model folder that is changed.
    """
    found = json.loads((base / "model.json").read_text("utf-8")).get("finder")
    if found is None:
        return
    shutil.copyfile(base / FILE, folder / FILE)
    path = folder / "model.json"
    path.write_text(json.dumps(json.loads(path.read_text("utf-8")) | {"finder": found}, indent=1), "utf-8")


class _AsTuple(torch.nn.Module):
    """One output as ``parity`` compares them."""

    def __init__(self, deployed: DeployedFinder) -> None:
        super().__init__()
        self.deployed = deployed

    def forward(self, photo: torch.Tensor) -> tuple[torch.Tensor, ...]:
        """Args: photo (1, S, S, 3) uint8 RGB."""
        return (self.deployed(photo),)
