"""Colours and surfaces of an ignition electrode: glaze, metal, and marks that are no wear."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.random import Generator

Json = dict[str, Any]

GLAZES: dict[str, tuple[float, float, float]] = {
    "white": (0.82, 0.82, 0.79),
    "ivory": (0.78, 0.70, 0.55),
    "cream": (0.72, 0.60, 0.40),
    "grey": (0.42, 0.43, 0.43),
    "pink": (0.74, 0.52, 0.46),
    "tan": (0.50, 0.32, 0.17),
    "brown": (0.20, 0.085, 0.035),
    "chestnut": (0.26, 0.075, 0.035),
    "sage": (0.45, 0.50, 0.38),
    "slate": (0.16, 0.18, 0.21),
    "blue": (0.38, 0.47, 0.60),
}
METALS: dict[str, tuple[float, float, float]] = {
    "steel": (0.56, 0.55, 0.53),
    "oxide": (0.24, 0.23, 0.22),
    "nickel": (0.64, 0.60, 0.54),
    "warm": (0.50, 0.44, 0.37),
    "zinc": (0.60, 0.62, 0.64),
    "brass": (0.68, 0.50, 0.20),
    "copper": (0.70, 0.38, 0.24),
}


def tint(colour: tuple[float, float, float], rng: Generator, spread: float = 0.08) -> list[float]:
    """A colour near another: lightness and hue moved a little, kept within 0.01 to 0.95."""
    shift = rng.normal(0, spread) + rng.normal(0, spread / 3, 3)
    return [float(v) for v in np.clip(np.asarray(colour) * (1 + shift), 0.01, 0.95)]


def glaze(name: str, design: Json, rng: Generator) -> Json:
    """Colour and gloss of the ceramic, and marks that are no wear: seam, bands, stamped strokes, flow lines."""
    colour = tint(GLAZES[name], rng, 0.1)
    low, high = design["ceramics"][0]["clear"]
    d = design["insulator_diameter"]
    inks = [(0.02, 0.02, 0.03), (0.02, 0.05, 0.3), (0.35, 0.02, 0.02), (0.02, 0.2, 0.08), (0.6, 0.6, 0.6)]
    ink = tint(inks[int(rng.integers(len(inks)))], rng)
    bands = []
    for _ in range(int(rng.choice([0, 0, 0, 1, 2]))):
        at = rng.uniform(low + 0.1 * d, high - 0.3 * d)
        bands.append([float(at), float(at + d * rng.uniform(0.04, 0.2))])
    return {
        "colour": colour,
        "gloss": float(rng.choice([rng.uniform(0.05, 0.25), rng.uniform(0.4, 0.9)])),
        "bare": float(d * rng.choice([0.0, 0.0, rng.uniform(0.1, 0.9)])),
        "bare_colour": tint((0.74, 0.71, 0.65), rng),
        "flow": float(rng.uniform(0, 0.045)),
        "speck": float(rng.choice([0.0, rng.uniform(0, 0.08)])),
        "seam": float(rng.uniform(-0.6, 0.6)) if rng.random() < 0.2 else None,
        "bands": bands,
        "ink": ink,
        "stamp": _stamp(low + 0.15 * d, high - 0.15 * d, d, rng) if rng.random() < 0.35 else [],
    }


def _stamp(low: float, high: float, d: float, rng: Generator) -> list[list[list[float]]]:
    """Invented letters: a row of glyphs, each a few strokes on a small lattice; ``[u, v]`` in the ceramic's frame."""
    tall = d * rng.uniform(0.12, 0.28)
    count = int(rng.integers(2, 6))
    pitch = tall * rng.uniform(0.75, 1.0)
    start = rng.uniform(low, max(low + 1e-6, high - count * pitch))
    off = d * rng.uniform(-0.15, 0.05)
    strokes = []
    for k in range(count):
        for _ in range(int(rng.integers(2, 4))):
            nodes = rng.integers(0, 3, (2, 2)) / 2
            if np.array_equal(nodes[0], nodes[1]):
                nodes[1] = 1 - nodes[1] if nodes[1].tolist() != [0.5, 0.5] else [0.0, 0.5]
            strokes.append([[float(start + pitch * (k + 0.65 * a)), float(off + tall * (b - 0.3))] for a, b in nodes])
    return strokes


def rod_metal(rng: Generator) -> Json:
    """Colour and finish of the rods; heat tint and turning rings are no wear."""
    name = str(rng.choice(["steel", "steel", "oxide", "nickel", "warm"]))
    return {
        "colour": tint(METALS[name], rng),
        "gloss": float(rng.uniform(0.25, 0.9)),
        "metal": float(rng.uniform(0.45, 1.0)),
        "heat": float(rng.choice([0.0, rng.uniform(0.2, 0.9)])),
        "heat_reach": float(rng.uniform(3, 10)),
        "rings": float(rng.choice([0.0, 0.0, rng.uniform(0.03, 0.09)])),
        "brushed": float(rng.uniform(0, 0.12)),
    }
