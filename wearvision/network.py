"""Runs a released model: a square RGB picture in, a ``Sighting`` out."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.errors import ModelError
from wearvision.finder import FILE as FINDER_FILE
from wearvision.finder import KEYS as FINDER_KEYS
from wearvision.finder import Finder
from wearvision.framing import FILL, Window, square_crop, whole
from wearvision.graph import open_graph
from wearvision.parts import PARTS, measure_keys, region_names
from wearvision.sighting import Estimate, Sighting
from wearvision.standard.grades import GRADES

__all__ = ["FILL", "ModelFolder", "Network", "Window", "released_models", "square_crop", "whole"]

KEYS = ("id", "sha256", "input", "parts", "views", "measures", "regions")
"""What the record of a model must say."""

OUTPUTS = ("part", "view", "grade", "value", "spread", "presence", "regions")
LEVELLED = "reach"
"""Output of later models: how likely each measure reaches each of the record's ``levels``."""


@dataclass(frozen=True)
class ModelFolder:
    """A released model on disk: ``model.onnx``, ``model.json``, ``card.md``."""

    path: Path
    record: Mapping[str, Any]

    @classmethod
    def open(cls, source: str | Path | None = None) -> ModelFolder:
        """Reads ``model.json``; the graph itself is loaded by ``Network``.

        Args:
            source: A folder, the id of a released model, or None for the default release.

        Raises:
            ModelError: there is no such folder or its record cannot be read.
        """
        path = _find(source)
        try:
            record = json.loads((path / "model.json").read_text("utf-8"))
        except OSError as error:
            raise ModelError(f"No model at {path}: {error.strerror}. Give a folder with model.json in it.") from error
        except ValueError as error:
            raise ModelError(f"{path / 'model.json'} is not valid JSON ({error}); release the model again.") from error
        missing = [key for key in KEYS if key not in record] if isinstance(record, dict) else list(KEYS)
        if missing:
            raise ModelError(f"{path / 'model.json'} lacks {', '.join(missing)}; release the model again.")
        return cls(path, record)

    @cached_property
    def sha256(self) -> str:
        """Hash of the graph file as it lies on disk."""
        try:
            return hashlib.sha256((self.path / "model.onnx").read_bytes()).hexdigest()
        except OSError as error:
            raise ModelError(f"{self.path} has no readable model.onnx: {error.strerror}.") from error


def released_models() -> tuple[str, ...]:
    """The ids of the models that come with the program, in order of their names."""
    return tuple(sorted(path.name for path in _released().iterdir() if (path / "model.json").is_file()))


def _released() -> Path:
    return Path(str(files("wearvision_models")))


def _find(source: str | Path | None) -> Path:
    if source is not None and Path(source).is_dir():
        return Path(source)
    import wearvision_models

    path = _released() / (str(source) if source is not None else wearvision_models.DEFAULT)
    if not path.is_dir():
        known = ", ".join(released_models()) or "none"
        raise ModelError(f"There is no model {source!r}; released are {known}, or give a folder.")
    return path


class Network:
    """ONNX Runtime session of one model; safe to share between threads.

    Raises:
        ModelError: checksum or channels do not fit, or the runtime refuses the graph.
    """

    def __init__(self, folder: ModelFolder, *, threads: int = 1) -> None:
        record = folder.record
        if record["sha256"] != folder.sha256:
            raise ModelError(
                f"{folder.path / 'model.onnx'} does not match the checksum in model.json; copy the release again."
            )
        unknown = set(record["parts"]) - set(PARTS) - {"none"}
        if unknown:
            raise ModelError(f"The model knows parts this program does not: {', '.join(sorted(unknown))}.")
        wanted = {"parts": {*PARTS, "none"}, "measures": set(measure_keys()), "regions": set(region_names())}
        for kind, names in wanted.items():
            if lacking := names - set(record[kind]):
                raise ModelError(
                    f"The model lacks {kind} of this program: {', '.join(sorted(lacking))}; train it anew."
                )
        try:
            self._session = open_graph(folder.path / "model.onnx", threads)
            self._finder = _finder(folder, threads)
        except ModelError:
            raise
        except Exception as error:  # the runtime's own exceptions share no public base
            raise ModelError(f"ONNX Runtime cannot load a graph of {folder.path}: {error}") from error
        self.size: int = record["input"]["size"]
        self._record = record
        given = {output.name for output in self._session.get_outputs()}
        self._outputs = [*OUTPUTS, *([LEVELLED] if LEVELLED in given and record.get("levels") else [])]

    def find(self, image: NDArray[np.uint8]) -> Window | None:
        """Where a closer look at the part is to lie; None where none is found, it is large, or there is no finder.

        Args:
            image: RGB, (H, W, 3) uint8, the working image.
        """
        return None if self._finder is None else self._finder(image)

    def __call__(self, square: NDArray[np.uint8]) -> Sighting:
        """Looks at one picture.

        Args:
            square: RGB, (size, size, 3) uint8; see ``square_crop``.
        """
        return self._sighting(self._run(square, self._outputs))

    def with_features(self, square: NDArray[np.uint8]) -> tuple[Sighting, NDArray[np.float32]]:
        """What it sees, and (D,) what its heads work on, at the cost of one look."""
        raw = self._run(square, [*self._outputs, "features"])
        return self._sighting(raw), np.asarray(raw["features"][0], np.float32)

    def _run(self, square: NDArray[np.uint8], outputs: list[str]) -> dict[str, Any]:
        expected = (self.size, self.size, 3)
        if square.shape != expected or square.dtype != np.uint8:
            raise ValueError(f"expected uint8 {expected}, got {square.dtype} {square.shape}")
        return dict(zip(outputs, self._session.run(outputs, {"photo": square[None]}), strict=True))

    def _sighting(self, raw: Mapping[str, Any]) -> Sighting:
        record = self._record
        levels = record.get("levels") or [()] * len(record["measures"])
        reach = raw[LEVELLED][0] if LEVELLED in raw else np.zeros((len(levels), 0))
        part_logits = raw["part"][0].astype(np.float64)
        estimates = {
            key: Estimate(
                max(float(value), 0.0), max(float(spread), 1e-6), float(presence), tuple(own), tuple(reached.tolist())
            )
            for key, value, spread, presence, own, reached in zip(
                record["measures"], raw["value"][0], raw["spread"][0], raw["presence"][0], levels, reach, strict=True
            )
        }
        return Sighting(
            parts=dict(zip(record["parts"], _softmax(part_logits), strict=True)),
            energy=float(np.logaddexp.reduce(part_logits)),
            views=dict(zip(record["views"], _softmax(raw["view"][0]), strict=True)),
            grades=dict(zip(GRADES, _softmax(raw["grade"][0]), strict=True)),
            estimates=estimates,
            regions=_Raised(dict(zip(record["regions"], raw["regions"][0], strict=True)), self.size),
        )

    def features(self, square: NDArray[np.uint8]) -> NDArray[np.float32]:
        """(D,) what the heads of the network work on; for training them again."""
        found: NDArray[np.float32] = self._session.run(["features"], {"photo": square[None]})[0][0]
        return found


def _finder(folder: ModelFolder, threads: int) -> Finder | None:
    """The finder of a model; None of a model without one, which then looks at the whole photo itself.

    Raises:
        ModelError: it is not the one that the record names.
    """
    record = folder.record.get("finder")
    if record is None:
        return None
    graph = folder.path / FINDER_FILE
    if missing := [key for key in FINDER_KEYS if key not in record]:
        raise ModelError(f"{folder.path / 'model.json'} lacks finder.{missing[0]}; release the model again.")
    try:
        found = hashlib.sha256(graph.read_bytes()).hexdigest()
    except OSError as error:
        raise ModelError(f"{folder.path} has no readable {FINDER_FILE}: {error.strerror}.") from error
    if found != record["sha256"]:
        raise ModelError(f"{graph} does not match the checksum in model.json; copy the release again.")
    return Finder(graph, record, threads)


class _Raised(Mapping[str, NDArray[np.float32]]):
    """Probability maps, brought to the size of the picture when they are first asked for: most never are.

    Args:
        maps: Region name to map as the network gave it, (S/2, S/2) float32.
        size: S.
    """

    def __init__(self, maps: Mapping[str, NDArray[np.float32]], size: int) -> None:
        self._maps, self._size = maps, size
        self._raised: dict[str, NDArray[np.float32]] = {}

    def __getitem__(self, name: str) -> NDArray[np.float32]:
        if name not in self._raised:
            size = (self._size, self._size)
            raised = cv2.resize(self._maps[name], size, interpolation=cv2.INTER_LINEAR)
            self._raised[name] = np.asarray(raised, np.float32)
        return self._raised[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._maps)

    def __len__(self) -> int:
        return len(self._maps)


def _softmax(logits: NDArray[np.floating[Any]]) -> list[float]:
    shifted = np.exp(logits - np.max(logits), dtype=np.float64)
    return [float(p) for p in shifted / shifted.sum()]
