"""Finds where the part lies in a whole photo, by a small network, so that grading need look only once, and closely."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.framing import Window, square_crop, surrounds, whole
from wearvision.graph import open_graph

FILE = "finder.onnx"
KEYS = ("sha256", "size")
"""What the record of a model must say of its finder."""
SEEN = 0.1
"""Probability from which a cell may belong to the part: thin ends are seen faintly, and room about the part costs less
than an end that is cut off."""
SPECK_SHARE = 0.02
"""Patches smaller than this share of the largest are no piece of the part."""
FINE = 3
"""The photo is thinned to so many of its pixels for one of the finder's before these are averaged."""


class Finder:
    """ONNX Runtime session of a finder; safe to share between threads.

    Args:
        graph: The file.
        record: The block ``finder`` of ``model.json``.
        threads: Threads that it may use for one photo.

    Raises:
        Exception: the runtime cannot load the graph; its exceptions share no public base.
    """

    def __init__(self, graph: Path, record: Mapping[str, Any], threads: int = 1) -> None:
        self._session = open_graph(graph, threads)
        self.size: int = record["size"]

    def __call__(self, image: NDArray[np.uint8]) -> Window | None:
        """The square in which the part is to be looked at; None where none is found, or it is large in the photo.

        Args:
            image: RGB, (H, W, 3) uint8.
        """
        everything = whole(image.shape)
        step = max(1, everything.side // (FINE * self.size))
        thin = np.ascontiguousarray(image[::step, ::step])
        square = square_crop(thin, whole(thin.shape), self.size)
        cover = self._session.run(None, {"photo": square[None]})[0][0, 0]
        part = cv2.resize(cover, (self.size, self.size), interpolation=cv2.INTER_LINEAR) > SEEN
        return surrounds(_without_specks(part), everything)


def _without_specks(part: NDArray[np.bool_]) -> NDArray[np.bool_]:
    _, labels, stats, _ = cv2.connectedComponentsWithStats(part.astype(np.uint8), connectivity=8)
    areas = stats[:, cv2.CC_STAT_AREA].copy()
    areas[0] = 0
    kept: NDArray[np.bool_] = (areas > SPECK_SHARE * areas.max())[labels]
    return kept
