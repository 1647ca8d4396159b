"""Smaller variants of an exported model: weights kept as float16 or int8, or convolutions in whole numbers."""

from __future__ import annotations

import hashlib
import json
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.losses import measure_scales

SMALLEST = 256
"""Weights of fewer numbers stay as they are: nothing is saved, and biases and limits keep their accuracy."""
LARGE = 8192
"""Weights of fewer numbers are not kept as int8: convolutions by channel, which suffer most, have few."""
VARIANTS: dict[str, Callable[[Path, NDArray[np.uint8]], None]] = {}


def shrink(folder: Path, variant: str, pictures: NDArray[np.uint8]) -> dict[str, Any]:
    """Turns a float32 model folder into a variant of it, in place.

    Args:
        folder: As ``export`` wrote it.
        variant: ``"float16"`` or ``"int8-weights"``, computed in float32, or ``"int8"``, computed in whole numbers.
        pictures: (N, size, size, 3) uint8: to fit the ranges of whole numbers, and to compare.

    Returns:
        What is also noted in ``model.json``: bytes before and after, and for each output the mean and the largest
        difference from float32 (measures in units of their worst limits).

    Raises:
        KeyError: there is no such variant.
    """
    make, graph = VARIANTS[variant], folder / "model.onnx"
    before, size = _answers(graph, pictures), graph.stat().st_size
    make(graph, pictures)
    after = _answers(graph, pictures)
    differences = {}
    for name in before:
        unit = measure_scales().numpy() if name in ("value", "spread") else 1.0
        off = np.abs(after[name] - before[name]) / unit
        differences[name] = {"mean": round(float(off.mean()), 5), "max": round(float(off.max()), 4)}
    told = {
        "variant": variant,
        "bytes": graph.stat().st_size,
        "float32_bytes": size,
        "pictures": len(pictures),
        "difference": differences,
        "same_part": float((after["part"].argmax(1) == before["part"].argmax(1)).mean()),
    }
    path = folder / "model.json"
    record = json.loads(path.read_text("utf-8"))
    record |= {"sha256": hashlib.sha256(graph.read_bytes()).hexdigest(), "reduced": told}
    path.write_text(json.dumps(record, indent=1), "utf-8")
    return told


def _answers(graph: Path, pictures: NDArray[np.uint8]) -> dict[str, NDArray[np.float32]]:
    import onnxruntime

    session = onnxruntime.InferenceSession(str(graph), providers=["CPUExecutionProvider"])
    names = [output.name for output in session.get_outputs()]
    rows = [session.run(names, {"photo": picture[None]}) for picture in pictures]
    return {name: np.concatenate([row[index] for row in rows]) for index, name in enumerate(names)}


def _half(graph: Path, pictures: NDArray[np.uint8]) -> None:
    """Keeps large weights as float16; the runtime widens them once, while it loads, and computes as before."""
    del pictures
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.load(str(graph))
    casts = []
    for tensor in model.graph.initializer:
        array = numpy_helper.to_array(tensor)
        if tensor.data_type != TensorProto.FLOAT or array.size < SMALLEST or np.abs(array).max() > 6e4:
            continue
        name, narrow = tensor.name, f"{tensor.name}.half"
        casts.append(helper.make_node("Cast", [narrow], [name], to=TensorProto.FLOAT))
        tensor.CopyFrom(numpy_helper.from_array(array.astype(np.float16), narrow))
    for place, node in enumerate(casts):
        model.graph.node.insert(place, node)
    onnx.save(model, str(graph))


def _whole_numbers(graph: Path, pictures: NDArray[np.uint8]) -> None:
    """Convolutions in int8 with ranges fitted on pictures; the heads, whose numbers range far, as float16."""
    from onnxruntime import quantization as q
    from onnxruntime.quantization.shape_inference import quant_pre_process

    class Reader(q.CalibrationDataReader):  # type: ignore[misc]  # the runtime ships no types
        def __init__(self) -> None:
            self.rows: Iterator[dict[str, Any]] = iter([{"photo": picture[None]} for picture in pictures])

        def get_next(self) -> dict[str, Any] | None:
            return next(self.rows, None)

    with tempfile.TemporaryDirectory() as scratch:
        ready = Path(scratch) / "ready.onnx"
        quant_pre_process(str(graph), str(ready), skip_symbolic_shape=True)
        q.quantize_static(
            str(ready),
            str(graph),
            Reader(),
            quant_format=q.QuantFormat.QDQ,
            op_types_to_quantize=["Conv"],
            per_channel=True,
            activation_type=q.QuantType.QUInt8,
            weight_type=q.QuantType.QInt8,
        )
    _half(graph, pictures)


def _eight(graph: Path, pictures: NDArray[np.uint8]) -> None:
    """Keeps large weights as int8 with a scale for each output channel, the rest as ``_half``; widened once at load."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.load(str(graph))
    nodes, scales = [], []
    for tensor in model.graph.initializer:
        array = numpy_helper.to_array(tensor)
        if tensor.data_type != TensorProto.FLOAT or array.size < LARGE or array.ndim < 2:
            continue
        name = tensor.name
        step = np.abs(array).max(axis=tuple(range(1, array.ndim)), keepdims=True) / 127
        step = np.maximum(step, np.float32(1e-12)).astype(np.float32)
        nodes.append(helper.make_node("Cast", [f"{name}.eight"], [f"{name}.wide"], to=TensorProto.FLOAT))
        nodes.append(helper.make_node("Mul", [f"{name}.wide", f"{name}.step"], [name]))
        scales.append(numpy_helper.from_array(step, f"{name}.step"))
        tensor.CopyFrom(numpy_helper.from_array(np.round(array / step).astype(np.int8), f"{name}.eight"))
    model.graph.initializer.extend(scales)
    for place, node in enumerate(nodes):
        model.graph.node.insert(place, node)
    onnx.save(model, str(graph))
    _half(graph, pictures)


VARIANTS |= {"float16": _half, "int8": _whole_numbers, "int8-weights": _eight}
