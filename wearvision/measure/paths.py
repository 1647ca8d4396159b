"""The longest way through a thinned line, and its smooth course."""

from __future__ import annotations

import heapq
from collections.abc import Mapping

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.measure.regions import Points

Links = Mapping[int, list[tuple[int, float]]]
_STEPS = tuple((row, column) for row in (-1, 0, 1) for column in (-1, 0, 1) if (row, column) != (0, 0))


def end_points(skeleton: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Row, column of the skeleton's pixels with at most one neighbour, (N, 2)."""
    kernel = np.ones((3, 3), np.float32)
    around = cv2.filter2D(skeleton.astype(np.float32), -1, kernel, borderType=cv2.BORDER_CONSTANT) - skeleton
    return np.argwhere(skeleton & (around < 1.5))


def longest_path(pixels: NDArray[np.intp], links: list[tuple[int, int]] | None = None) -> NDArray[np.intp]:
    """The longest of the shortest ways between any two pixels of a thin line.

    Args:
        pixels: (N, 2) row, column of the line's pixels, each once, N >= 1.
        links: Pairs of indices into ``pixels`` that are joined although they don't touch.
    Returns:
        Indices into ``pixels``, in walking order. Exact on a tree; on a line with loops a lower bound
        that two sweeps find.
    """
    graph = _graph(pixels, links or [])
    far, _, _ = _sweep(graph, 0)
    other, before, _ = _sweep(graph, far)
    way = [other]
    while way[-1] != far:
        way.append(before[way[-1]])
    return np.array(way, np.intp)


def _graph(pixels: NDArray[np.intp], links: list[tuple[int, int]]) -> list[list[tuple[int, float]]]:
    low = pixels.min(axis=0) - 1
    shape = pixels.max(axis=0) - low + 2
    index = np.full(shape, -1, np.intp)
    local = pixels - low
    index[local[:, 0], local[:, 1]] = np.arange(len(pixels))
    graph: list[list[tuple[int, float]]] = [[] for _ in range(len(pixels))]
    for row, column in _STEPS:
        to = index[local[:, 0] + row, local[:, 1] + column]
        length = float(np.hypot(row, column))
        for here in np.flatnonzero(to >= 0).tolist():
            graph[here].append((int(to[here]), length))
    for a, b in links:
        length = float(np.hypot(*(pixels[a] - pixels[b])))
        graph[a].append((b, length))
        graph[b].append((a, length))
    return graph


def _sweep(graph: list[list[tuple[int, float]]], start: int) -> tuple[int, dict[int, int], float]:
    """Dijkstra from ``start``: the farthest node reached, each node's predecessor, the distance."""
    distance = {start: 0.0}
    before: dict[int, int] = {}
    done: set[int] = set()
    queue = [(0.0, start)]
    last = (0.0, start)
    while queue:
        reached, here = heapq.heappop(queue)
        if here in done:
            continue
        done.add(here)
        last = (reached, here)
        for there, length in graph[here]:
            total = reached + length
            if total < distance.get(there, np.inf):
                distance[there] = total
                before[there] = here
                heapq.heappush(queue, (total, there))
    return last[1], before, last[0]


def resample(points: Points, spacing: float = 1.0) -> Points:
    """The polyline with vertices ``spacing`` pixels apart along it, both ends kept."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(2, round(float(along[-1]) / spacing) + 1)
    at = np.linspace(0.0, float(along[-1]), count)
    return np.stack([np.interp(at, along, points[:, axis]) for axis in (0, 1)], axis=1)


def smooth(points: Points, sigma: float) -> Points:
    """Gaussian smoothing of an evenly spaced polyline; odd reflection keeps its two ends in place."""
    reach = min(int(4 * sigma + 0.5), len(points) - 1)
    if reach < 1:
        return points.copy()
    head = 2 * points[0] - points[reach:0:-1]
    tail = 2 * points[-1] - points[-2 : -reach - 2 : -1]
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    weights /= weights.sum()
    padded = np.concatenate([head, points, tail])
    return np.stack([np.convolve(padded[:, axis], weights, "valid") for axis in (0, 1)], axis=1)


def arc_length(points: Points) -> float:
    """Length of a polyline, in pixels."""
    return float(np.hypot(*np.diff(points, axis=0).T).sum()) if len(points) > 1 else 0.0
