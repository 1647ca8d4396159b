"""From photos to a report: the whole way, step by step."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from wearvision.calibration import Calibration
from wearvision.examine import Examination, examine, scene_of
from wearvision.fitness import Fault, assess, assess_frame
from wearvision.inputs import Inputs, inputs_of
from wearvision.look import look
from wearvision.markers import Marker, grey_of, markers_at_hand
from wearvision.network import ModelFolder, Network
from wearvision.parts import PARTS, PartSpec, Scene, part_spec
from wearvision.photo import Photo, read_photo
from wearvision.report import Picture, Report, SettingLine
from wearvision.setting_lines import settings_of
from wearvision.settle import Basis, settle
from wearvision.standard import CAUTIONS, DEFERENCE, Limits, load_limits
from wearvision.steps import Step
from wearvision.verdict import Seen, verdict

Source = Photo | bytes | str | os.PathLike[str]
_Judged = tuple[NDArray[np.uint8], dict[str, NDArray[np.bool_]], float]

NOT_A_PART = "This does not look like a part that can be judged here ({parts}). Photograph one part alone, close up."
UNKNOWN = "This may be a {part}, but it is unlike any that the model has learned. Judge it by hand."


@dataclass(frozen=True, slots=True)
class _Shot:
    """One photo on its way."""

    name: str
    sha256: str
    found: Examination
    faults: tuple[Fault, ...]
    refusal: str | None
    settled: Mapping[str, Basis]
    settings: tuple[SettingLine, ...]
    milliseconds: Mapping[str, float]
    inputs: Inputs


class Grader:
    """Grades photos with one model and one set of limits; made once, safe to share between threads.

    Args:
        model: A model folder, the id of a released model, or None for the default.
        limits: A TOML file that overrides rows of the wear standard, or limits already loaded.
        threads: Threads that the network may use for one photo.

    Raises:
        ModelError: the model cannot be used.
        LimitsError: the limits file is wrong.
    """

    def __init__(
        self, model: str | Path | None = None, limits: str | Path | Limits | None = None, *, threads: int = 1
    ) -> None:
        folder = ModelFolder.open(model)
        self.limits = limits if isinstance(limits, Limits) else load_limits(limits)
        self._network = Network(folder, threads=threads)
        self._calibration = Calibration.read(folder.record.get("calibration", {}))
        self._model = {
            "id": folder.record["id"],
            "sha256": folder.record["sha256"],
            "calibrated_on": self._calibration.source,
            "rate": self._calibration.rate,
        }

    @property
    def model_id(self) -> str:
        """Id of the model in use."""
        return str(self._model["id"])

    @property
    def model_sha256(self) -> str:
        """Hash of its graph."""
        return str(self._model["sha256"])

    def features(self, photo: Source) -> NDArray[np.float32]:
        """(D,) what the model's heads work on, for the square of a photo that grading judges.

        Args:
            photo: A file, its bytes, or a photo already read.

        Raises:
            PhotoError: the file cannot be read.
        """
        return self._network.features(look(self._network, _bare(read_source(photo).image)[0]).square)

    @property
    def least_energy(self) -> float:
        """Below this energy (``Inputs.energy``) a picture is unlike any that the model has learned."""
        return self._calibration.least_energy

    def grade(self, photo: Source, part: str | None = None, reference: Source | None = None) -> Report:
        """Grades one photo.

        Args:
            photo: A file, its bytes, or a photo already read.
            part: The part if you know it; else it is recognised.
            reference: A photo of the same part when new.

        Returns:
            The report; ``usable`` is False, with faults or a refusal, for what cannot be judged.

        Raises:
            PhotoError: a file cannot be read.
            UnknownPart: there is no such part.
        """
        return self.grade_part([photo], part, reference)

    def grade_part(self, photos: Sequence[Source], part: str | None = None, reference: Source | None = None) -> Report:
        """Grades one part from several photos of it: of each mode the worst view counts.

        Args:
            photos: At least one; the same picture twice counts once.
            part: The part if you know it.
            reference: A photo of the same part when new.

        Raises:
            ValueError: no photo at all.
            PhotoError, UnknownPart: as ``grade``.
        """
        if not photos:
            raise ValueError("grade_part needs at least one photo")
        if part is not None:
            part_spec(part)
        known = None if reference is None else read_source(reference)
        shots: dict[str, _Shot] = {}
        for source in photos:
            started = time.perf_counter()
            photo = read_source(source)
            spent = (time.perf_counter() - started) * 1e3
            if photo.sha256 not in shots:
                shots[photo.sha256] = self._shoot(photo.name, photo.sha256, photo.image, part, known, spent)
        return self._report(list(shots.values()))

    def grade_image(self, image: NDArray[np.uint8], part: str | None = None, *, name: str = "image") -> Report:
        """Grades a picture that is already in memory: RGB, (H, W, 3) uint8, upright."""
        digest = hashlib.sha256(np.ascontiguousarray(image).tobytes()).hexdigest()
        return self._report([self._shoot(name, digest, image, part, None, 0.0)])

    def _shoot(
        self,
        name: str,
        sha256: str,
        image: NDArray[np.uint8],
        part: str | None,
        reference: Photo | None,
        read_ms: float,
    ) -> _Shot:
        clock = [time.perf_counter()]
        with Step("tags"):
            bare, markers = _bare(image)
        seen = look(self._network, bare)
        clock.append(time.perf_counter())
        found = examine(seen, part=part, reference=lambda spec: self._reference(reference, spec))
        refusal = self._refusal(found, forced=part is not None)
        judged = _judged(found)
        with Step("fitness"):
            faults = assess_frame(image) if refusal else _faults(found, judged)
        fit = not refusal and not faults
        with Step("settle"):
            settled = settle(found, self._calibration) if fit else {}
        with Step("settings"):
            settings = settings_of(image, found, markers=markers) if fit else ()
        with Step("inputs"):
            inputs = _inputs(found, judged)
        clock.append(time.perf_counter())
        spent = {"read": read_ms, "find": (clock[1] - clock[0]) * 1e3, "measure": (clock[2] - clock[1]) * 1e3}
        return _Shot(name, sha256, found, tuple(faults), refusal, settled, settings, spent, inputs)

    def _reference(self, photo: Photo | None, spec: PartSpec) -> Scene | None:
        """The reference photo as a scene of the part; None if there is none or it shows something else."""
        if photo is None:
            return None
        seen = look(self._network, _bare(photo.image)[0])
        return scene_of(seen, spec, spec.views[0]) if seen.sighting.part == spec.key else None

    def _refusal(self, found: Examination, *, forced: bool) -> str | None:
        sighting = found.look.sighting
        none = NOT_A_PART.format(parts=", ".join(spec.title for spec in PARTS.values()))
        if found.spec is None or not found.masks["part"].any():
            return none
        if forced:
            return None
        if sighting.parts["none"] > self._calibration.most_none:
            return none
        if sighting.energy < self._calibration.least_energy:
            return UNKNOWN.format(part=found.spec.title)
        return None

    def _report(self, shots: list[_Shot]) -> Report:
        started = time.perf_counter()
        refusal = _joint_refusal(shots)
        common: dict[str, Any] = {
            "photo": ", ".join(shot.name for shot in shots),
            "sha256": _joint_hash(shots),
            "faults": tuple(fault for shot in shots for fault in shot.faults),
            "refusal": refusal,
            "part": _part(shots, refused=refusal is not None),
            "cautions": (DEFERENCE, *CAUTIONS),
            "model": self._model,
            "limits": {"id": self.limits.id, "sha256": self.limits.sha256},
            "inputs": tuple(shot.inputs for shot in shots),
            "pictures": tuple(_picture(shot) for shot in shots),
        }
        spec = shots[0].found.spec
        usable = spec is not None and not refusal and not common["faults"]
        said: dict[str, Any] = {}
        if usable and spec is not None:
            seen = tuple(Seen(shot.found.view, shot.settled) for shot in shots)
            with Step("judge"):
                said = verdict(spec, seen, self._calibration, self.limits)
            said |= {"settings": tuple(line for shot in shots for line in shot.settings), "basis": seen}
        spent = {step: sum(shot.milliseconds[step] for shot in shots) for step in shots[0].milliseconds}
        spent["total"] = sum(spent.values()) + (time.perf_counter() - started) * 1e3
        return Report(usable=usable, milliseconds=spent, **common, **said)


def read_source(source: Source) -> Photo:
    """The photo itself, or read from a file or bytes. Raises PhotoError."""
    return source if isinstance(source, Photo) else read_photo(source)


def _bare(image: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], list[Marker]]:
    """The image without clear return tags, and its markers; what reads tags is loaded once there are markers of one."""
    markers = markers_at_hand(grey_of(image))
    if len(markers) < 4:
        return image, markers
    from wearvision.return_tag_cover import without_tags

    return without_tags(image, markers), markers


def _faults(found: Examination, judged: _Judged) -> tuple[Fault, ...]:
    """Faults of the photo around the part, as it was judged."""
    return assess(judged[0], found.spec, found.view, judged[1]) if found.spec is not None else ()


def _inputs(found: Examination, judged: _Judged) -> Inputs:
    square, masks, scale = judged
    sighting = found.look.sighting
    return inputs_of(square, masks, scale, energy=sighting.energy, none=sighting.parts["none"])


def _judged(found: Examination) -> _Judged:
    """Picture and regions at the resolution that was judged, without what lies outside the photo, and the photo's
    pixels to one of them."""
    inside = found.look.inside
    square, masks = found.look.square[inside], {name: mask[inside] for name, mask in found.masks.items()}
    shrink = found.look.pixels_per_pixel
    if shrink >= 1.0:
        return square, masks, shrink
    size = (max(8, round(square.shape[1] * shrink)), max(8, round(square.shape[0] * shrink)))
    square = cv2.resize(square, size, interpolation=cv2.INTER_AREA).astype(np.uint8)
    masks = {
        name: cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST).astype(bool)
        for name, mask in masks.items()
    }
    return square, masks, 1.0


def _joint_refusal(shots: list[_Shot]) -> str | None:
    refusal = next((shot.refusal for shot in shots if shot.refusal), None)
    names = {shot.found.spec.title for shot in shots if shot.found.spec is not None}
    if refusal is None and len(names) > 1:
        return f"The photos show different parts ({', '.join(sorted(names))}); grade each part by itself."
    return refusal


def _joint_hash(shots: list[_Shot]) -> str:
    if len(shots) == 1:
        return shots[0].sha256
    return hashlib.sha256("".join(shot.sha256 for shot in shots).encode()).hexdigest()


def _part(shots: list[_Shot], *, refused: bool) -> dict[str, Any]:
    found = shots[0].found
    if found.spec is None or refused:
        return {"name": None, "probability": round(found.look.sighting.parts["none"], 4), "view": None}
    views = list(dict.fromkeys(shot.found.view for shot in shots))
    probability = min(shot.found.look.sighting.parts[found.spec.key] for shot in shots)
    return {"name": found.spec.key, "probability": round(probability, 4), "view": ", ".join(views)}


def _picture(shot: _Shot) -> Picture:
    found = shot.found
    names = ("part", *found.spec.regions) if found.spec is not None else ()
    regions = {name: found.look.sighting.regions[name] for name in names}
    return Picture(found.look.square, regions, found.traces, shot.name)
