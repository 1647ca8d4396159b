"""Grades the same photos again and again under other heads, without running the network again.

Backbone and regions of a model whose heads alone were trained are those of its base. What they gave for each square
that grading may look at is kept once; only the heads' numbers are put in anew. All else is the library's own way from
the look to the report.
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

from wearvision.grade import Grader
from wearvision.look import closer_window, look, whole
from wearvision.network import ModelFolder, Network, square_crop
from wearvision.return_tag_cover import without_tags
from wearvision_training.calibrate import Seen, seen_in
from wearvision_training.losses import measure_scales
from wearvision_training.network import WearNetwork

Square = NDArray[np.uint8]
Noted = tuple[str, NDArray[np.float32], NDArray[np.uint8]]


@dataclass(frozen=True, slots=True)
class Kept:
    """What the unchanged part of a model gave for the squares of N photos.

    Attributes:
        images: The photos, RGB uint8, as grading sees them.
        rows: Digest of a square to its row.
        features: (R, D) float32, what the heads work on.
        regions: (R, C, S/2, S/2) uint8, probability times 255.
    """

    images: Sequence[Square]
    rows: Mapping[str, int]
    features: NDArray[np.float32]
    regions: NDArray[np.uint8]


def _digest(square: Square) -> str:
    return hashlib.blake2b(square.tobytes(), digest_size=16).hexdigest()


class _Recorder(Network):
    """A network that notes what its unchanged part gave."""

    def __init__(self, folder: ModelFolder) -> None:
        super().__init__(folder)
        self.noted: list[Noted] = []

    def _run(self, square: Square, outputs: list[str]) -> dict[str, Any]:
        raw = super()._run(square, [*outputs, "features"])
        coarse = np.round(raw["regions"] * 255).astype(np.uint8)
        self.noted.append((_digest(square), raw["features"][0], coarse[0]))
        # As it will be remembered: a closer look's frame hangs on it to the pixel.
        return raw | {"regions": coarse.astype(np.float32) / 255}


_recorder: _Recorder | None = None


def _start(folder: str) -> None:
    global _recorder  # one session a process
    cv2.setNumThreads(1)
    _recorder = _Recorder(ModelFolder.open(folder))


def _note(image: Square) -> list[Noted]:
    """Both squares that grading may look at; the closer one whatever the base takes the part for."""
    if _recorder is None:
        raise RuntimeError("the worker was not started with a model")
    _recorder.noted = []
    first = look(_recorder, image)
    start = whole(image.shape)
    if first.window == start and (near := closer_window(first)) is not None:
        _recorder(square_crop(image, near, _recorder.size))
    return _recorder.noted


def keep(model: Path, images: Sequence[Square], *, workers: int) -> Kept:
    """Looks at photos once with a model and keeps what its unchanged part gives."""
    clear = [without_tags(image) for image in images]
    rows: dict[str, int] = {}
    features, regions = [], []
    with ProcessPoolExecutor(workers, get_context("spawn"), initializer=_start, initargs=(str(model),)) as pool:
        for noted in pool.map(_note, clear, chunksize=8):
            for digest, vector, maps in noted:
                if digest not in rows:
                    rows[digest] = len(rows)
                    features.append(vector)
                    regions.append(maps)
    return Kept(clear, rows, np.stack(features), np.stack(regions))


@torch.no_grad()
def told_by(network: WearNetwork, features: NDArray[np.float32]) -> dict[str, NDArray[np.float32]]:
    """What a network's heads say of features, as its exported graph would."""
    device = next(network.parameters()).device
    network.eval()
    pooled = torch.from_numpy(features).to(device)
    hidden, scales = network.trunk(pooled), measure_scales().to(device)
    size, spread, presence, reach = network.measure_heads(pooled)
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
    return {name: values.float().cpu().numpy() for name, values in found.items()}


class _Remembered(Network):
    """A network that remembers its unchanged part, and whose heads are those of the moment."""

    def __init__(self, folder: ModelFolder, kept: Kept, told: Mapping[str, NDArray[np.float32]]) -> None:
        super().__init__(folder)
        self._kept, self._told = kept, told

    def _run(self, square: Square, outputs: list[str]) -> dict[str, Any]:
        row = self._kept.rows[_digest(square)]
        own = {name: values[row : row + 1] for name, values in self._told.items()}
        raw = own | {"regions": self._kept.regions[row : row + 1].astype(np.float32) / 255}
        return {name: raw[name] for name in outputs}


class _Grader(Grader):
    """The library's grader with another network."""

    def __init__(self, folder: Path, network: Network) -> None:
        super().__init__(folder)
        self._network = network


_at_work: tuple[_Grader, Network, Kept] | None = None


def _grade(index: int) -> dict[str, Any]:
    grader, _, kept = _remembered()
    return grader.grade_image(kept.images[index]).to_dict()


def _see(task: tuple[int, Mapping[str, Any]]) -> Seen:
    _, network, kept = _remembered()
    return seen_in(network, kept.images[task[0]], task[1])


def _remembered() -> tuple[_Grader, Network, Kept]:
    if _at_work is None:
        raise RuntimeError("nothing is remembered in this process")
    return _at_work


class Again:
    """Examines and grades the photos of ``kept`` under a network's heads, in forked processes that share the arrays.

    Args:
        kept: What the unchanged part gave.
        folder: The base's model folder; its graph is not run.
        network: Whose heads speak.
        workers: Processes.
    """

    def __init__(self, kept: Kept, folder: Path, network: WearNetwork, *, workers: int) -> None:
        self._kept, self._workers = kept, workers
        self._network = _Remembered(ModelFolder.open(folder), kept, told_by(network, kept.features))

    def seen(self, folder: Path, photos: Sequence[int], truths: Sequence[Mapping[str, Any]]) -> list[Seen]:
        """Examinations of some photos, by their indices, before calibration."""
        with self._pool(folder) as pool:
            return list(pool.map(_see, zip(photos, truths, strict=True), chunksize=4))

    def graded(self, folder: Path, photos: Sequence[int]) -> list[dict[str, Any]]:
        """Reports of some photos under the calibration in ``folder``."""
        with self._pool(folder) as pool:
            return list(pool.map(_grade, photos, chunksize=4))

    @contextmanager
    def _pool(self, folder: Path) -> Iterator[ProcessPoolExecutor]:
        global _at_work  # forked workers find it here
        _at_work = _Grader(folder, self._network), self._network, self._kept
        try:
            with ProcessPoolExecutor(self._workers, get_context("fork")) as pool:
                yield pool
        finally:
            _at_work = None
