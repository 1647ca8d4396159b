"""Form of a coupler's body about its axis: radius by place and turn, and where its mesh needs points."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision_training.designs.coupler_axis import STATIONS, SideForm
from wearvision_training.pathtrace.mesh import Points
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.noise import generator

Record = Mapping[str, Any]
Table = NDArray[np.float64]
BASE_TURNS, BASE_STATIONS = 120, 110


@dataclass(frozen=True, slots=True)
class Body:
    """Form of the body: radius by place and turn, and the way from there to the part frame.

    Attributes:
        form: Curves. design: Record of the design.
        ribs, dogs: Their phases, radians.
        bore: Radius of the hole in the ends over that of the end.
    """

    form: SideForm
    design: Record
    ribs: float
    dogs: float
    bore: float

    @property
    def span(self) -> tuple[float, float]:
        """First and last place on the axis."""
        return float(self.design["knots"][0][0]), float(self.design["knots"][-1][0])

    def round_radius(self, s: Points) -> Table:
        """Radius without what is cut into it."""
        inside = self.form.radius > 0
        return np.asarray(np.interp(s, STATIONS[inside], self.form.radius[inside]))

    def radius(self, s: Points, around: Points) -> Table:
        """Radius at places and turns that broadcast against each other."""
        whole = self.round_radius(s)
        texture = self.design["texture"]
        start, stop = (float(v) for v in texture["barrel"])
        along = gate(s - start, 0.012) * gate(stop - s, 0.012)
        radius = whole * np.ones_like(around)
        if texture["ribs"]:
            rib = _wave(texture["ribs"], self.ribs, around, 0.07)
            radius = radius - along * (1 - rib) * float(texture["ribs"]["height"]) * whole
        if texture["flats"]:
            radius = radius - along * (1 - self._facet(around)) * whole
        for slot in texture["slots"]:
            across = (float(slot["width"]) - np.abs(around - float(slot["around"]))) * whole
            ends = float(slot["length"]) / 2 - np.abs(s - float(slot["at"]))
            hole = gate(np.minimum(across, ends), 0.012)
            radius = radius - hole * (0.75 if slot["through"] else 0.3) * whole
        dogs = texture["dogs"]
        if dogs:
            into = s - self.span[0] if int(dogs["side"]) < 0 else self.span[1] - s
            gap = (1 - _wave(dogs, self.dogs, around, 0.04)) * gate(float(dogs["depth"]) - into, 0.012)
            radius = radius - gap * (1 - max(self.bore + 0.06, 0.5)) * whole
        return np.asarray(radius)

    def _facet(self, around: Points) -> Table:
        count = int(self.design["texture"]["flats"])
        pitch, phase = 2 * math.pi / count, float(self.design["texture"]["flats_phase"])
        off = around + phase - np.round((around + phase) / pitch) * pitch
        return np.asarray(math.cos(math.pi / count) / np.cos(off))

    def placed(self, s: Points, around: Points, radius: Points) -> Table:
        """Points (…, 3) of the part frame."""
        form = self.form
        bend, lean = np.interp(s, STATIONS, form.bend), np.interp(s, STATIONS, form.slope)
        norm = np.sqrt(1 + lean**2)
        n = radius * np.sin(around)
        parts = np.broadcast_arrays(s - n * lean / norm, bend + n / norm, radius * np.cos(around))
        return np.asarray(np.stack(parts, -1) * form.scale)


def gate(distance: Points, soft: float) -> Table:
    """0 to 1 over a width about 0, with rounded shoulders."""
    share = np.clip(distance / soft + 0.5, 0, 1)
    return np.asarray(share * share * (3 - 2 * share))


def _wave(record: Record, phase: float, around: Points, soft: float) -> Table:
    """1 on ribs (or dogs), 0 between them."""
    turn = (around + phase) * int(record["count"]) / (2 * math.pi)
    off = np.abs((turn + 0.5) % 1.0 - 0.5)
    return gate(float(record["width"]) / 2 - off, soft)


def _even(record: Record | None) -> float:
    """The record's phase, moved to the next one that looks alike from above and below.

    With few ribs the silhouette's middle would else leave the axis, and the part would look bent.
    """
    if not record:
        return 0.0
    half = math.pi / int(record["count"])
    return round(float(record["phase"]) / half) * half


def body_of(recipe: Recipe, form: SideForm) -> Body:
    """The body of a recipe whose curves are ``form``."""
    texture, shaft = recipe.design["texture"], recipe.design["shaft"]
    bore = float(shaft[0]) if shaft is not None else generator(recipe.seed, "bore").uniform(0.3, 0.6)
    return Body(form, recipe.design, _even(texture["ribs"]), _even(texture["dogs"]), bore)


def stations(body: Body) -> Table:
    """Places along the axis: evenly, and close together where the radius steps."""
    design, texture = body.design, body.design["texture"]
    first, last = body.span
    marks = [float(k[0]) for k in design["knots"]] + [float(v) for v in texture["barrel"]]
    for ring in design["rings"]:
        at, wide, soft = (float(ring[k]) for k in ("at", "width", "soft"))
        marks += [at + side * (wide + k * soft) / 2 for side in (-1, 1) for k in (-1, 0, 1)]
    marks += [float(slot["at"]) + side * float(slot["length"]) / 2 for slot in texture["slots"] for side in (-1, 1)]
    if texture["dogs"]:
        depth = float(texture["dogs"]["depth"])
        marks += [first + depth if int(texture["dogs"]["side"]) < 0 else last - depth]
    close = (np.asarray(marks)[:, None] + np.array([-0.009, -0.006, -0.003, 0, 0.003, 0.006, 0.009])).ravel()
    even = np.linspace(first, last, BASE_STATIONS)
    bellows = design["bellows"]
    if bellows:
        even = np.append(even, np.linspace(bellows["start"], bellows["stop"], 12 * int(bellows["count"])))
    edge = float(design["edge"]) * (1 - np.cos(np.linspace(0, math.pi / 2, 7)))
    made = np.unique(np.round(np.concatenate([close, even, first + edge, last - edge]), 5))
    return np.asarray(made[(made >= first) & (made <= last)])


def turns(body: Body) -> Table:
    """Angles about the axis from -pi to pi, close together at the edges of ribs, slots and dogs."""
    texture = body.design["texture"]
    around = [np.linspace(-math.pi, math.pi, BASE_TURNS + 1)]
    for record, phase, soft in ((texture["ribs"], body.ribs, 0.07), (texture["dogs"], body.dogs, 0.04)):
        if record:
            count, half = int(record["count"]), float(record["width"]) / 2
            for off in (half - soft / 2, half, half + soft / 2):
                for side in (-off, off):
                    around.append((np.arange(count) + side) * 2 * math.pi / count - phase)
    if texture["flats"]:
        count = int(texture["flats"])
        corners = (np.arange(count) + 0.5) * 2 * math.pi / count - float(texture["flats_phase"])
        around += [corners - 0.02, corners, corners + 0.02]
    for slot in texture["slots"]:
        for side in (-1, 1):
            at = float(slot["around"]) + side * float(slot["width"])
            around.append(at + np.array([-0.03, -0.01, 0.01, 0.03]))
    wrapped = (np.concatenate(around)[BASE_TURNS + 1 :] + math.pi) % (2 * math.pi) - math.pi
    made = np.unique(np.round(np.concatenate([around[0], wrapped]), 4))
    return np.concatenate([[-math.pi], made[(made > -math.pi + 1e-3) & (made < math.pi - 1e-3)], [math.pi]])
