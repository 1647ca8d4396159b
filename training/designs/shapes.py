"""Shapes and materials from which the things that are not parts are put together; plain JSON values."""

from __future__ import annotations

from typing import Any

import numpy as np

from wearvision_training.scenes.bench import linear_colour

Rng = np.random.Generator
Shape = dict[str, Any]
Look = dict[str, Any]
Layer = dict[str, Any]


def circle(r: float, x: float = 0.0, y: float = 0.0) -> Shape:
    """A disc."""
    return {"circle": [float(x), float(y), float(r)]}


def ngon(r: float, corners: int, x: float = 0.0, y: float = 0.0) -> Shape:
    """A regular polygon of circumscribed radius ``r``."""
    return {"ngon": [float(x), float(y), float(r), int(corners), 0.0]}


def gear(r: float, teeth: int, depth: float) -> Shape:
    """A toothed outline of outer radius ``r``; ``depth`` is the tooth's height as a share of it."""
    return {"gear": [0.0, 0.0, float(r), int(teeth), float(depth), 0.0]}


def box(x: float, y: float, width: float, height: float, turn: float, corner: float) -> Shape:
    """A rectangle about (x, y), turned by radians, its corners rounded."""
    return {"box": [float(x), float(y), float(width), float(height), float(turn), float(corner)]}


def layer(
    shape: Shape,
    look: Look,
    *,
    z: float,
    thick: float = 0.0,
    bevel: float = 0.0,
    holes: list[Shape] | None = None,
    texture: str | None = None,
) -> Layer:
    """One flat piece: outline, material, height of its top, thickness below it, rounding of its edge."""
    form = {"shape": shape, "holes": list(holes or []), "z": z, "thick": thick, "bevel": bevel}
    return {**form, "texture": texture, **look}


def stroke(
    points: list[list[float]], width: float, look: Look, *, z: float, texture: str | None = None, flat: bool = False
) -> Layer:
    """A round bar along a line; ``flat`` cuts its ends square."""
    shape = {"stroke": points, "width": float(width), "flat": flat}
    return layer(shape, look, z=z, bevel=width / 2, texture=texture)


def colour_of(rgb: tuple[float, ...]) -> Look:
    """Matt material of a linear colour."""
    return {"colour": [float(np.clip(v, 0, 1)) for v in rgb], "gloss": 0.15, "metal": 0.0}


def darker(look: Look, factor: float) -> Look:
    """The material in a recess, where little light arrives."""
    return look | {"colour": [v * factor for v in look["colour"]], "gloss": 0.1, "metal": 0.0}


def metal(rng: Rng, *, dark: float = 1.0, hue: float | None = None, rich: float | None = None) -> Look:
    """Steel, zinc, brass, copper, blackened or rusty metal."""
    kind = str(rng.choice(["steel", "zinc", "brass", "copper", "black", "rust"], p=[0.35, 0.2, 0.17, 0.1, 0.1, 0.08]))
    table = {
        "steel": (0.6, 0.04, 0.75), "zinc": (0.14, 0.12, 0.75), "brass": (0.12, 0.5, 0.8),
        "copper": (0.055, 0.55, 0.75), "black": (0.6, 0.1, 0.25), "rust": (0.05, 0.6, 0.45),
    }  # fmt: skip
    h, s, v = table[kind]
    h, s = (hue if hue is not None else h), (rich if rich is not None else s)
    colour = linear_colour(h + float(rng.normal(0, 0.01)), float(np.clip(s * rng.uniform(0.6, 1.3), 0, 1)), v)
    shine = float(rng.uniform(0.0, 0.25) if kind == "rust" else rng.uniform(0.25, 1.0))
    return {"colour": [float(c * dark) for c in colour], "gloss": shine, "metal": 0.2 if kind == "rust" else 1.0}


def plastic(rng: Rng) -> Look:
    """A moulded plastic of any colour; black, white and grey more often."""
    plain = rng.random() < 0.5
    value = float(rng.choice([0.08, 0.3, 0.6, 0.92]) if plain else rng.uniform(0.3, 0.95))
    colour = linear_colour(float(rng.random()), 0.05 if plain else float(rng.uniform(0.3, 0.95)), value)
    return {"colour": colour, "gloss": float(rng.uniform(0.1, 0.8)), "metal": 0.0}


def paint(rng: Rng, *, dark: float = 1.0) -> Look:
    """Any colour, matt to satin."""
    colour = linear_colour(float(rng.random()), float(rng.uniform(0, 0.9)), float(rng.uniform(0.05, 0.95)))
    return {"colour": [c * dark for c in colour], "gloss": float(rng.uniform(0, 0.5)), "metal": 0.0}
