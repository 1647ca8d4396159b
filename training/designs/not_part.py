"""Things that are not parts, as stacks of plain shapes. Look-alikes of the three parts count most.

A design is ``{"family", "layers", "mm_per_unit"}``; a layer is one outline with holes, a height, a material
and a texture, all plain values, so that any renderer can cut or extrude it. Shapes, in plane units:
``circle`` [x, y, r], ``ngon`` [x, y, r, corners, turn], ``box`` [x, y, w, h, turn, corner radius],
``gear`` [x, y, r, teeth, depth, turn], ``sector`` [x, y, r, from, to], ``stroke`` [[x, y], …] with ``width``,
``polygon`` [[x, y], …].
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from wearvision_training.designs import shapes as s
from wearvision_training.designs.not_part_long import LONG
from wearvision_training.designs.not_part_round import ROUND
from wearvision_training.designs.shapes import Layer, Rng


def _cell_like(rng: Rng) -> list[Layer]:
    """Discs that mimic a photocell: a lens, an LED, a buzzer, a grille, a dial, a battery, a printed badge."""
    kind = str(rng.choice(["lens", "led", "buzzer", "grille", "dial", "battery", "badge", "headlamp"]))
    look = s.metal(rng) if rng.random() < 0.5 else s.plastic(rng)
    inner = float(rng.uniform(0.55, 0.8))
    face = s.paint(rng)
    layers = [s.layer(s.circle(inner + 0.02), face, z=0.0)]
    if kind in ("lens", "led", "headlamp"):
        layers[0] |= {"gloss": 1.0, "bevel": inner if rng.random() < 0.6 else 0.1}
        if kind == "led":
            layers.append(s.layer(s.box(0, 0, 0.4, 0.4, 0.4, 0.02), s.colour_of((0.9, 0.6, 0.05)), z=0.03))
        if kind == "headlamp":
            layers[0]["texture"] = "rings"
    elif kind == "buzzer":
        layers.append(s.layer(s.circle(0.12), s.paint(rng, dark=0.3), z=0.01))
    elif kind == "grille":
        step = float(rng.uniform(0.12, 0.2))
        at = np.arange(-inner, inner, step)
        for x, y in [(x, y) for x in at for y in at if np.hypot(x, y) < inner - 0.08]:
            layers.append(s.layer(s.circle(step * 0.3, float(x), float(y)), s.colour_of((0.01, 0.01, 0.01)), z=0.005))
    elif kind == "dial":
        layers[0]["colour"] = [0.8, 0.8, 0.78]
        for a in np.linspace(-2.2, 2.2, int(rng.integers(9, 26))):
            x, y = float(np.sin(a)), -float(np.cos(a))
            ends = [[x * inner * 0.75, y * inner * 0.75], [x * inner * 0.9, y * inner * 0.9]]
            layers.append(s.stroke(ends, 0.02, s.colour_of((0.01, 0.01, 0.01)), z=0.005))
        a = float(rng.uniform(-2.2, 2.2))
        hand = [[0, 0], [0.7 * inner * np.sin(a), -0.7 * inner * np.cos(a)]]
        layers.append(s.stroke([[float(v) for v in p] for p in hand], 0.035, s.colour_of((0.6, 0.02, 0.02)), z=0.03))
    elif kind == "badge":
        waves = int(rng.integers(2, 5))
        for k in range(waves):
            y = inner * 0.8 * (2 * (k + 0.5) / waves - 1)
            half = float(np.sqrt(max(inner**2 - y**2, 0.01))) * 0.85
            ends = [[-half * float(rng.uniform(0.3, 1)), y], [half * float(rng.uniform(0.3, 1)), y]]
            layers.append(s.stroke(ends, float(rng.uniform(0.04, 0.16)), s.paint(rng), z=0.01))
    rim = s.layer(s.circle(0.92), look, z=0.15, thick=0.25, bevel=0.05, holes=[s.circle(inner)])
    return layers + ([rim] if kind != "battery" else [s.layer(s.circle(0.92), look, z=0.01, bevel=0.08)])


def _empty(rng: Rng) -> list[Layer]:
    return []


def _picture(rng: Rng) -> list[Layer]:
    """Fills the frame: gradients, noise, stripes, blobs, landscapes; colours of its own."""
    kinds = ("gradient", "clouds", "stripes", "landscape", "blobs", "checks", "foliage", "rings", "tangle")
    kind = str(rng.choice(kinds))
    colours = [s.paint(rng)["colour"] for _ in range(4)]
    return [{**s.layer(s.box(0, 0, 2, 2, 0, 0), s.paint(rng), z=0.0), "texture": kind, "colours": colours}]


FAMILIES: dict[str, Callable[[Rng], list[Layer]]] = {
    **ROUND,
    **LONG,
    "cell_like": _cell_like,
    "empty": _empty,
    "picture": _picture,
}
"""Family name to the maker of its layers."""

WEIGHTS: dict[str, float] = {
    "cell_like": 4.0, "coin": 3.0, "plug_like": 3.5, "tube_end": 3.0, "tube_side": 3.0, "gear": 2.5, "screw_cap": 2.0,
    "bearing": 1.5, "fuse": 1.5, "fitting": 1.5, "picture": 3.0, "empty": 3.0,
}  # fmt: skip
"""How much oftener than the rest (1) a family is drawn when any will do: look-alikes count most."""

THINGS: tuple[str, ...] = tuple(name for name in FAMILIES if name not in ("empty", "picture"))
"""Families that can lie on a bench as clutter."""


def sample_design(family: str, view: str, rng: Rng) -> dict[str, Any]:
    """One thing of a family; ``view`` has no meaning here and is ignored."""
    return {
        "family": family,
        "layers": FAMILIES[family](rng),
        "fills_frame": family == "picture",
        "mm_per_unit": float(rng.uniform(5, 40)),
        "rough": float(rng.uniform(0, 1) ** 2),
    }
