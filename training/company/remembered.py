"""Grades the same photos again and again under other heads, without running the network again.

Backbone and regions of a retrained model are those of its base as long as only the heads were trained. What they gave
for each square that grading looks at is kept once; only the heads' numbers are put in anew. All else is the library's
own way from the look to the report.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from wearvision.grade import Grader
from wearvision.look import look
from wearvision.network import ModelFolder, Network
from wearvision.return_tag_cover import without_tags
from wearvision.sighting import Estimate, Sighting
from wearvision.standard.grades import GRADES
from wearvision_training.losses import measure_scales
from wearvision_training.network import MEASURES, PART_NAMES, VIEW_NAMES, WearNetwork

Square = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Kept:
    """What the unchanged part of a model gave for the squares of N photos.

    Attributes:
        images: The photos, RGB uint8.
        rows: Digest of a square to its row in ``features`` and ``regions``.
        features: (R, D) float32, what the heads work on.
        regions: (R, C, S/2, S/2) uint8, probability times 255.
        judged: (N,) row of the square that grading judges in each photo.
        size: Side of a square.
        names: Of the regions.
    """

    images: Sequence[Square]
    rows: Mapping[str, int]
    features: NDArray[np.float32]
    regions: NDArray[np.uint8]
    judged: NDArray[np.int64]
    size: int
    names: tuple[str, ...]


class _Recorder(Network):
    """A network that writes down what it saw."""

    def __init__(self, folder: ModelFolder) -> None:
        super().__init__(folder)
        self.seen: list[tuple[str, NDArray[np.float32], NDArray[np.uint8]]] = []

    def __call__(self, square: Square) -> Sighting:
        found = super().__call__(square)
        self.seen.append((_digest(square), self.features(square), self._raw))
        return found

    def _upsample(self, maps: NDArray[np.float32]) -> NDArray[np.float32]:
        self._raw = np.round(maps * 255).astype(np.uint8)
        return super()._upsample(maps)


def _digest(square: Square) -> str:
    return hashlib.blake2b(square.tobytes(), digest_size=16).hexdigest()


_recorder: _Recorder | None = None


def _start(folder: str) -> None:
    global _recorder  # one session a process
    cv2.setNumThreads(1)
    _recorder = _Recorder(ModelFolder.open(folder))


def _record(image: Square) -> tuple[list[tuple[str, NDArray[np.float32], NDArray[np.uint8]]], str]:
    if _recorder is None:
        raise RuntimeError("the worker was not started with a model")
    _recorder.seen = []
    judged = look(_recorder, without_tags(image)).square
    return _recorder.seen, _digest(judged)


def keep(model: Path, images: Sequence[Square], *, workers: int) -> Kept:
    """Looks at photos once with a model and keeps what its unchanged part gives."""
    rows: dict[str, int] = {}
    features, regions, judged = [], [], []
    with ProcessPoolExecutor(workers, get_context("spawn"), initializer=_start, initargs=(str(model),)) as pool:
        for seen, digest in pool.map(_record, images, chunksize=8):
            for key, vector, maps in seen:
                if key not in rows:
                    rows[key] = len(rows)
                    features.append(vector)
                    regions.append(maps)
            judged.append(rows[digest])
    record = ModelFolder.open(model).record
    size, names = int(record["input"]["size"]), tuple(record["regions"])
    return Kept(images, rows, np.stack(features), np.stack(regions), np.array(judged), size, names)


class _Remembered:
    """Stands in for a network: remembered regions, and the heads' numbers of the moment."""

    def __init__(
        self, kept: Kept, told: Mapping[str, NDArray[np.float64]], levels: Sequence[tuple[float, ...]]
    ) -> None:
        self.size = kept.size
        self._kept, self._told, self._levels = kept, told, levels

    def __call__(self, square: Square) -> Sighting:
        row = self._kept.rows[_digest(square)]
        told = {name: values[row] for name, values in self._told.items()}
        side = (self.size, self.size)
        maps = self._kept.regions[row].astype(np.float32) / 255
        return Sighting(
            parts=dict(zip(PART_NAMES, _softmax(told["part"]), strict=True)),
            energy=float(np.logaddexp.reduce(told["part"])),
            views=dict(zip(VIEW_NAMES, _softmax(told["view"]), strict=True)),
            grades=dict(zip(GRADES, _softmax(told["grade"]), strict=True)),
            estimates={
                key: Estimate(
                    max(float(value), 0.0), max(float(spread), 1e-6), float(presence), levels, tuple(reach.tolist())
                )
                for key, value, spread, presence, levels, reach in zip(
                    MEASURES, told["value"], told["spread"], told["presence"], self._levels, told["reach"], strict=True
                )
            },
            regions={
                name: np.asarray(cv2.resize(plane, side, interpolation=cv2.INTER_LINEAR), np.float32)
                for name, plane in zip(self._kept.names, maps, strict=True)
            },
        )


def _softmax(logits: NDArray[np.float64]) -> list[float]:
    shifted = np.exp(logits - logits.max())
    return [float(p) for p in shifted / shifted.sum()]


@torch.no_grad()
def told_by(network: WearNetwork, features: NDArray[np.float32]) -> dict[str, NDArray[np.float64]]:
    """What a network's heads say of features: logits of part, view and grade; measures in their own units."""
    device = next(network.parameters()).device
    hidden_in: Tensor = torch.from_numpy(features).to(device)
    network.eval()
    hidden = network.trunk(hidden_in)
    size, spread, presence, reach = network.measure_heads(hidden_in)
    scales = measure_scales().to(device)
    worn = torch.sigmoid(presence)
    found = {
        "part": network.part(hidden),
        "view": network.view(hidden),
        "grade": network.grade(hidden),
        "value": worn * size * scales,
        "spread": spread * scales,
        "presence": worn,
        "reach": torch.sigmoid(reach),
    }
    return {name: values.double().cpu().numpy() for name, values in found.items()}


class _Grader(Grader):
    """The library's grader over remembered squares."""

    def __init__(self, folder: Path, network: Any) -> None:
        super().__init__(folder)
        self._network = network


_grading: tuple[_Grader, Kept] | None = None


def _grade(index: int) -> dict[str, Any]:
    if _grading is None:
        raise RuntimeError("nothing is remembered in this process")
    grader, kept = _grading
    return grader.grade_image(kept.images[index]).to_dict()


@contextmanager
def _remembering(grader: _Grader, kept: Kept) -> Iterator[None]:
    global _grading  # forked workers find it here: the arrays are shared, not copied
    _grading = grader, kept
    try:
        yield
    finally:
        _grading = None


def grade_again(
    folder: Path, kept: Kept, network: WearNetwork, photos: Sequence[int], *, workers: int
) -> list[dict[str, Any]]:
    """Reports of some photos under a network whose heads alone were trained.

    Args:
        folder: A model folder with the calibration to grade by; its graph is not run.
        kept: What the unchanged part gave.
        network: Whose heads speak.
        photos: Indices into ``kept.images``.
        workers: Processes.
    """
    levels = [tuple(own) for own in ModelFolder.open(folder).record["levels"]]
    grader = _Grader(folder, _Remembered(kept, told_by(network, kept.features), levels))
    with _remembering(grader, kept), ProcessPoolExecutor(workers, get_context("fork")) as pool:
        return list(pool.map(_grade, photos, chunksize=8))
