"""Turns trained weights into a model folder, and refuses to if the two runtimes disagree."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray

from wearvision.network import LEVELLED, OUTPUTS
from wearvision.standard.grades import GRADES
from wearvision_training.losses import measure_scales
from wearvision_training.network import LEVELS, MEASURES, PART_NAMES, REGIONS, VIEW_NAMES, Deployed, WearNetwork

PARITY_LIMIT = 1e-3
"""Largest difference allowed between PyTorch and ONNX Runtime on any output, as ``parity`` counts it."""


def exported(network: WearNetwork) -> list[str]:
    """Names of a network's outputs; ``features`` serve to train the heads again and to tell strangers."""
    return [*OUTPUTS, "features", *([LEVELLED] if network.levels else [])]


class ParityError(RuntimeError):
    """PyTorch and ONNX Runtime give different answers; nothing was written."""


def export(network: WearNetwork, folder: Path, *, model_id: str, size: int, pictures: NDArray[np.uint8]) -> float:
    """Writes ``model.onnx`` and ``model.json`` (without calibration, which ``calibrate`` adds).

    Args:
        network: Trained, in evaluation mode.
        folder: The model folder.
        model_id: Its id.
        size: Side of the input picture.
        pictures: (N, size, size, 3) uint8, for the check of parity.

    Returns:
        The largest difference seen between the runtimes.

    Raises:
        ParityError: that difference is over ``PARITY_LIMIT``.
        ValueError: there is no picture, or they have another size.
    """
    if len(pictures) == 0 or pictures.shape[1:] != (size, size, 3):
        raise ValueError(f"parity needs pictures of {size} by {size} pixels, got shape {pictures.shape}")
    folder.mkdir(parents=True, exist_ok=True)
    names, scales = exported(network), measure_scales()
    deployed = Deployed(network.cpu().float(), scales).eval()
    draft = folder / "model.onnx.part"
    sample = torch.from_numpy(np.ascontiguousarray(pictures[:1]))
    program = torch.onnx.export(
        deployed,
        (sample,),
        input_names=["photo"],
        output_names=names,
        opset_version=18,
        dynamo=True,
        verbose=False,
    )
    if program is None:
        raise RuntimeError("the exporter gave no graph")
    _keep_names_apart(program.model.graph, names)
    program.save(str(draft), external_data=False)
    difference = parity(deployed, draft, pictures)
    if difference > PARITY_LIMIT:
        draft.unlink()
        raise ParityError(f"PyTorch and ONNX Runtime differ by {difference:.2e}, allowed is {PARITY_LIMIT:.0e}.")
    draft.replace(folder / "model.onnx")
    record: dict[str, Any] = {
        "id": model_id,
        "sha256": hashlib.sha256((folder / "model.onnx").read_bytes()).hexdigest(),
        "input": {"name": "photo", "size": size, "colour": "RGB", "dtype": "uint8", "layout": "NHWC", "fill": 127},
        "normalisation": {"mean": 127.0, "deviation": 128.0, "where": "inside the graph"},
        "outputs": names,
        "parts": list(PART_NAMES),
        "views": list(VIEW_NAMES),
        "grades": list(GRADES),
        "measures": list(MEASURES),
        "regions": list(REGIONS),
        "levels": _levels(scales.tolist()) if network.levels else [],
        "parity": {"pictures": len(pictures), "max_difference": difference},
    }
    (folder / "model.json").write_text(json.dumps(record, indent=1), "utf-8")
    return difference


def _levels(scales: list[float]) -> list[list[float]]:
    """The values of each measure, in its own unit, for which the network says how likely they are reached."""
    return [[round(level * scale, 6) for level in LEVELS] for scale in scales]


def _keep_names_apart(graph: Any, names: list[str]) -> None:
    """Renames inner values that the exporter called like an output, such as ``view`` after the operation."""
    ends = {id(value) for value in graph.outputs}
    for node in graph:
        for value in node.outputs:
            if value.name in names and id(value) not in ends:
                value.name = f"inner_{value.name}"


def parity(deployed: torch.nn.Module, graph: Path, pictures: NDArray[np.uint8]) -> float:
    """Largest difference of any output between PyTorch and ONNX Runtime over some pictures.

    Over the largest number of that output where it is over 1: logits of a network sure of itself reach some tens, and
    single precision keeps as many digits of them as of a probability, not as many decimals.
    """
    import onnxruntime

    session = onnxruntime.InferenceSession(str(graph), providers=["CPUExecutionProvider"])
    names = [output.name for output in session.get_outputs()]
    worst = 0.0
    for picture in pictures:
        batch = np.ascontiguousarray(picture[None])
        with torch.no_grad():
            expected = deployed(torch.from_numpy(batch))
        for ours, theirs in zip(expected, session.run(names, {"photo": batch}), strict=True):
            worst = max(worst, float(np.abs(ours.numpy() - theirs).max()) / max(1.0, float(np.abs(theirs).max())))
    return worst
