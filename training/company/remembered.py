"""Grades photos under one network after another, without exporting any.

A network looks at the squares of many photos in batches, on an accelerator where there is one. All else is the
library's own way from the look to the report; it takes what the network gives from memory, in forked processes that
share the arrays.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from wearvision.framing import Window, square_crop, whole
from wearvision.grade import Grader
from wearvision.look import Look, closer_window
from wearvision.network import ModelFolder, Network
from wearvision.sighting import Sighting
from wearvision_training.calibrate import Seen, seen_in
from wearvision_training.losses import measure_scales
from wearvision_training.network import REGIONS, Deployed, WearNetwork

Square = NDArray[np.uint8]
OUTPUTS = ("part", "view", "grade", "value", "spread", "presence", "regions", "features", "reach")
"""Of ``Deployed``, in its order."""
BATCH = 128


@dataclass(frozen=True, slots=True)
class Kept:
    """What a network gives for all squares of N photos that grading may look at.

    Attributes:
        images: The photos, RGB uint8, as grading sees them.
        windows: Where a grade's square lies: of the closer look, or of the only one.
        rows: Digest of a square to its row.
        told: Output to (R, ...); ``regions`` as uint8, probability times 255.
    """

    images: Sequence[Square]
    windows: Sequence[Window]
    rows: Mapping[str, int]
    told: Mapping[str, NDArray[Any]]


def look_with(network: WearNetwork, images: Sequence[Square], size: int, device: torch.device, threads: int) -> Kept:
    """Looks at the whole of each photo, and closer where grading would: whatever part the network takes it for.

    Args:
        network: With levels.
        images: RGB uint8, as grading sees them.
        size: Side of the network's input.
        device: Where it runs.
        threads: That cut squares.
    """
    cv2.setNumThreads(1)  # threads of its own would be missing in a forked process, which would wait for them
    deployed = Deployed(network, measure_scales()).to(device).eval()
    with ThreadPoolExecutor(threads) as pool:
        firsts = list(pool.map(lambda image: square_crop(image, whole(image.shape), size), images))
        told = _told(deployed, firsts, device)
        part = told["regions"][:, REGIONS.index("part")]
        near = list(pool.map(_closer, images, firsts, part))
        closer = [at for at, window in enumerate(near) if window is not None]
        seconds = list(pool.map(lambda at: square_crop(images[at], near[at] or whole(images[at].shape), size), closer))
        digests = list(pool.map(_digest, [*firsts, *seconds]))
    if seconds:
        again = _told(deployed, seconds, device)
        told = {name: np.concatenate([values, again[name]]) for name, values in told.items()}
    windows = [window or whole(image.shape) for window, image in zip(near, images, strict=True)]
    return Kept(images, windows, {digest: row for row, digest in enumerate(digests)}, told)


@torch.no_grad()
def _told(deployed: Deployed, squares: Sequence[Square], device: torch.device) -> dict[str, NDArray[Any]]:
    found: dict[str, list[NDArray[Any]]] = {name: [] for name in OUTPUTS}
    for start in range(0, len(squares), BATCH):
        batch = torch.from_numpy(np.stack(squares[start : start + BATCH])).to(device)
        for name, values in zip(OUTPUTS, deployed(batch), strict=True):
            # Regions as they will be remembered: a closer look's frame hangs on them to the pixel.
            whole_numbers = torch.round(values * 255).to(torch.uint8) if name == "regions" else values
            found[name].append(whole_numbers.cpu().numpy())
    return {name: np.concatenate(values) for name, values in found.items()}


def _closer(image: Square, square: Square, part: NDArray[np.uint8]) -> Window | None:
    """Where grading would look closer; as ``wearvision.look`` has it, from the one region that it goes by."""
    size = len(square)
    seen = cv2.resize(part.astype(np.float32) / 255, (size, size), interpolation=cv2.INTER_LINEAR)
    sighting = Sighting({}, 0.0, {}, {}, {}, {"part": np.asarray(seen, np.float32)})
    return closer_window(Look(square, whole(image.shape), sighting, (slice(0, size), slice(0, size))))


def _digest(square: Square) -> str:
    return hashlib.blake2b(square.tobytes(), digest_size=16).hexdigest()


class _Remembered(Network):
    """A network that remembers what another one gave.

    Args:
        folder: Says what the outputs mean; its graph is not run.
        kept: What is remembered.
    """

    def __init__(self, folder: ModelFolder, kept: Kept) -> None:
        super().__init__(folder)
        self._kept = kept

    def find(self, image: Square) -> None:
        """Nothing: the squares that are remembered are those which the network itself finds."""

    def _run(self, square: Square, outputs: list[str]) -> dict[str, Any]:
        row = self._kept.rows[_digest(square)]
        found = {name: self._kept.told[name][row : row + 1] for name in outputs}
        return found | {"regions": found["regions"].astype(np.float32) / 255}


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
    """Examines and grades the photos of ``kept``, in forked processes that share the arrays.

    Args:
        kept: What a network gave for them.
        folder: Of a model with the same outputs; its graph is not run.
        workers: Processes.
    """

    def __init__(self, kept: Kept, folder: Path, *, workers: int) -> None:
        self._kept, self._workers = kept, workers
        self._network = _Remembered(ModelFolder.open(folder), kept)

    def seen(self, folder: Path, truths: Sequence[Mapping[str, Any]]) -> list[Seen]:
        """Examinations of all photos before calibration, with their true parts; one truth a photo."""
        with self._pool(folder) as pool:
            return list(pool.map(_see, zip(range(len(self._kept.images)), truths, strict=True), chunksize=4))

    def graded(self, folder: Path) -> list[dict[str, Any]]:
        """Reports of all photos under the calibration in ``folder``."""
        with self._pool(folder) as pool:
            return list(pool.map(_grade, range(len(self._kept.images)), chunksize=4))

    @contextmanager
    def _pool(self, folder: Path) -> Iterator[ProcessPoolExecutor]:
        global _at_work  # forked workers find it here
        _at_work = _Grader(folder, self._network), self._network, self._kept
        try:
            with ProcessPoolExecutor(self._workers, get_context("fork")) as pool:
                yield pool
        finally:
            _at_work = None
