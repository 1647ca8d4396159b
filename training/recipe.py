"""The parameter record of one picture. It says what to draw, never how, and it is the truth."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

Engine = Literal["sketch", "pathtrace"]
"""Who draws a record: flat slices in no time, or solid bodies in a lit room in a second."""
Parameters = Mapping[str, Any]
"""Plain JSON values only, so that a record can be kept beside its picture and drawn again."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """One picture.

    Attributes:
        part: Registered part key, or ``"none"`` for something that is not a part.
        view: ``"face"``, ``"side"`` or ``"end"``; ``""`` for none.
        family: Name of the design family; whole families are held out.
        design: The part when new (sizes in units of the part plane, colours linear RGB 0 to 1).
        wear: What happened to it. All zero means new.
        scene: Bench, clutter, light.
        camera: Tilt, distance, turn, position, blur, exposure, noise, JPEG.
        seed: Seeds everything that is texture rather than parameter.
        engine: Which engine draws it.
    """

    part: str
    view: str
    family: str
    design: Parameters
    wear: Parameters
    scene: Parameters = field(default_factory=dict)
    camera: Parameters = field(default_factory=dict)
    seed: int = 0
    engine: Engine = "sketch"

    def to_json(self) -> str:
        """One line of JSON; ``from_json`` gives back an equal record."""
        return json.dumps(asdict(self), sort_keys=True)

    @classmethod
    def from_json(cls, line: str) -> Recipe:
        """The record of a line that ``to_json`` wrote."""
        return cls(**json.loads(line))
