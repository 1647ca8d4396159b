"""Long and odd things that are not parts: bolts, plugs, tubes, fuses, springs, tools, cables, boards."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from wearvision_training.designs import shapes as s
from wearvision_training.designs.shapes import Layer, Rng


def _tube_side(rng: Rng) -> list[Layer]:
    look = s.plastic(rng) if rng.random() < 0.7 else s.metal(rng)
    width = float(rng.uniform(0.16, 0.5))
    length = float(rng.uniform(0.7, 0.95))
    bow = float(rng.normal(0, 0.12))
    xs = np.linspace(-length, length, 13)
    pts = [[float(x), float(bow * (1 - (x / length) ** 2))] for x in xs]
    layers = [s.stroke(pts, width, look, z=width / 2, texture="rings" if rng.random() < 0.3 else None, flat=True)]
    if rng.random() < 0.4:
        end = s.box(float(-length + 0.1), float(pts[0][1]), 0.25, width * 1.25, 0, 0.02)
        layers.append(s.layer(end, s.plastic(rng), z=width * 0.65, bevel=width * 0.6))
    return layers


def _bolt_side(rng: Rng) -> list[Layer]:
    look = s.metal(rng)
    width = float(rng.uniform(0.14, 0.36))
    head = width * float(rng.uniform(1.5, 2.1))
    shank = s.box(0.1, 0, 1.6, width, 0, 0.01)
    return [
        s.layer(shank, look, z=width / 2, bevel=width / 2, texture="thread"),
        s.layer(s.box(-0.78, 0, width * 0.8, head, 0, 0.03), look, z=head / 2, thick=0.1, bevel=head * 0.2),
    ]


def _plug_like(rng: Rng) -> list[Layer]:
    """Ceramic, hexagon and thread in a row: an engine's plug or a glow pin, the electrode's look-alike."""
    white = s.colour_of((0.75, 0.73, 0.68)) | {"gloss": 0.8}
    look = s.metal(rng)
    r = float(rng.uniform(0.11, 0.17))
    ribs = [s.layer(s.box(-0.42 + 0.07 * k, 0, 0.03, 2.1 * r, 0, 0.01), white, z=r + 0.01, bevel=0.02)
            for k in range(int(rng.integers(0, 5)))]  # fmt: skip
    parts = [
        s.layer(s.box(-0.82, 0, 0.16, 1.1 * r, 0, 0.02), look, z=r / 2, bevel=0.5 * r),
        s.layer(s.box(-0.4, 0, 0.75, 2 * r, 0, 0.03), white, z=r, bevel=r),
        *ribs,
        s.layer(s.box(0.1, 0, 0.3, 3.8 * r, 0, 0.02), look, z=1.8 * r, thick=0.1, bevel=0.6 * r),
        s.layer(s.box(0.5, 0, 0.55, 2.4 * r, 0, 0.02), look, z=1.2 * r, bevel=1.2 * r, texture="thread"),
    ]
    if rng.random() < 0.7:
        hook = [[0.75, 0.9 * r], [0.93, 0.9 * r], [0.95, -0.1 * r]]
        parts.append(s.stroke([[float(v) for v in p] for p in hook], 0.06, look, z=1.0 * r))
        parts.insert(0, s.layer(s.box(0.82, 0, 0.12, 0.7 * r, 0, 0.01), white, z=0.3 * r, bevel=0.3 * r))
    return parts


def _fuse(rng: Rng) -> list[Layer]:
    r = float(rng.uniform(0.15, 0.28))
    glass = s.colour_of((0.5, 0.55, 0.55)) | {"gloss": 1.0, "alpha": 0.5}
    body = s.layer(s.box(0, 0, 1.3, 2 * r, 0, 0.02), glass, z=r, bevel=r)
    if rng.random() < 0.5:
        body |= s.colour_of((0.8, 0.78, 0.72)) | {"gloss": 0.5, "alpha": 1.0}
    wire = s.stroke([[-0.6, 0.0], [0.6, 0.0]], 0.02, s.metal(rng), z=0.05)
    ends = [s.layer(s.box(x, 0, 0.35, 2.15 * r, 0, 0.02), s.metal(rng), z=r * 1.05, bevel=r) for x in (-0.72, 0.72)]
    leads = [s.stroke([[x, 0.0], [x * 1.15, 0.0]], 0.05, s.metal(rng), z=0.0) for x in (-0.85, 0.85)]
    return [wire, *leads, body, *ends]


def _resistor(rng: Rng) -> list[Layer]:
    r = float(rng.uniform(0.14, 0.25))
    look = s.paint(rng) | {"gloss": 0.4}
    at = (-0.25, -0.08, 0.09, 0.3)
    bands = [s.layer(s.box(x, 0, 0.07, 2 * r, 0, 0), s.paint(rng), z=r + 0.005, bevel=r) for x in at]
    return [
        s.stroke([[-0.97, 0.0], [0.97, 0.0]], 0.045, s.metal(rng), z=0.02),
        s.layer(s.box(0, 0, 0.9, 2 * r, 0, r * 0.8), look, z=r, bevel=r),
        *bands,
    ]


def _spring_side(rng: Rng) -> list[Layer]:
    turns = int(rng.integers(5, 14))
    r = float(rng.uniform(0.15, 0.4))
    wire = float(min(0.1, 0.9 / turns))
    look = s.metal(rng)
    layers = []
    for near in (False, True):
        for k in range(turns):
            x = -0.85 + 1.7 * k / turns
            lean = 0.85 / turns * (1 if near else -1)
            pts = [[x + (0 if near else 0.85 / turns), -r], [x + lean + (0 if near else 0.85 / turns), r]]
            shade = look if near else s.darker(look, 0.4)
            layers.append(s.stroke([[float(v) for v in p] for p in pts], wire, shade, z=r if near else 0.0))
    return layers


def _terminal(rng: Rng) -> list[Layer]:
    look = s.metal(rng)
    sleeve = s.plastic(rng)
    wire = s.stroke([[0.5, 0.0], [0.75, 0.03], [0.98, -0.02]], 0.2, s.plastic(rng), z=0.1)
    ring = s.layer(s.circle(0.32, -0.6, 0.0), look, z=0.05, bevel=0.03, holes=[s.circle(0.18, -0.6, 0.0)])
    if rng.random() < 0.4:
        slot = s.box(-0.7, 0, 0.2, 0.1, 0, 0)
        ring = s.layer(s.box(-0.55, 0, 0.7, 0.4, 0, 0.03), look, z=0.05, bevel=0.06, holes=[slot])
    neck = s.layer(s.box(-0.2, 0, 0.5, 0.2, 0, 0.02), look, z=0.06, bevel=0.05)
    return [wire, ring, neck, s.layer(s.box(0.2, 0, 0.65, 0.32, 0, 0.05), sleeve, z=0.16, bevel=0.15)]


def _spanner(rng: Rng) -> list[Layer]:
    look = s.metal(rng)
    w = float(rng.uniform(0.12, 0.2))
    jaw = s.circle(0.26, -0.7, 0.0)
    return [
        s.layer(s.box(0, 0, 1.3, w, 0, 0.02), look, z=0.08, bevel=0.05),
        s.layer(jaw, look, z=0.09, thick=0.06, bevel=0.06, holes=[s.box(-0.85, 0, 0.4, 0.22, 0.25, 0.0)]),
        s.layer(s.circle(0.22, 0.72, 0.0), look, z=0.09, thick=0.06, bevel=0.06, holes=[s.ngon(0.13, 12, 0.72)]),
    ]


def _screwdriver(rng: Rng) -> list[Layer]:
    r = float(rng.uniform(0.1, 0.18))
    grip = s.plastic(rng)
    return [
        s.layer(s.box(0.35, 0, 1.2, 0.09, 0, 0.01), s.metal(rng), z=0.05, bevel=0.045),
        s.layer(s.box(0.93, 0, 0.12, 0.13, 0, 0.01), s.metal(rng), z=0.04, bevel=0.03),
        s.layer(s.box(-0.5, 0, 0.9, 2 * r, 0, r * 0.6), grip, z=r, bevel=r, texture="ribs"),
    ]


def _cable(rng: Rng) -> list[Layer]:
    look, width = s.plastic(rng), float(rng.uniform(0.05, 0.14))
    if rng.random() < 0.5:
        t = np.linspace(0, 2 * np.pi * 3, 90)
        pts = [[float((0.6 + 0.05 * np.sin(2.3 * a)) * np.cos(a)), float(0.6 * np.sin(a) + 0.02 * a)] for a in t]
    else:
        knots = np.cumsum(rng.normal(0, 0.35, (7, 2)), 0)
        knots = (knots - knots.mean(0)) / max(float(np.abs(knots - knots.mean(0)).max()), 0.3) * 0.85
        grid = np.linspace(0, 6, 60)
        pts = [[float(np.interp(a, range(7), knots[:, 0])), float(np.interp(a, range(7), knots[:, 1]))] for a in grid]
    plug = s.layer(s.box(*pts[-1], 0.3, 0.22, 0.4, 0.03), s.plastic(rng), z=0.15, bevel=0.06)
    return [s.stroke(pts, width, look, z=width / 2), plug]


def _key(rng: Rng) -> list[Layer]:
    look = s.metal(rng, hue=0.12, rich=float(rng.uniform(0, 0.6)))
    edge = [[-0.3, -0.1], [0.92, -0.1], [0.97, 0.0]]
    xs = np.linspace(0.9, -0.2, 9)
    edge += [[float(x), float(0.02 + 0.13 * rng.random())] for x in xs]
    return [
        s.layer({"polygon": [[float(a), float(b)] for a, b in edge]}, look, z=0.05, bevel=0.02),
        s.layer(s.circle(0.36, -0.6, 0.0), look, z=0.06, bevel=0.03, holes=[s.circle(0.11, -0.78, 0.0)]),
    ]


def _relay(rng: Rng) -> list[Layer]:
    look = s.plastic(rng)
    w, h = (float(v) for v in rng.uniform(0.9, 1.7, 2))
    layers = [s.layer(s.box(0, 0, w, h, 0, 0.06), look, z=0.4, thick=0.6, bevel=0.06)]
    for k in range(int(rng.integers(0, 6))):
        row = s.box(-0.05 * w, -0.3 * h + 0.12 * h * k, w * float(rng.uniform(0.3, 0.7)), 0.04, 0, 0)
        layers.append(s.layer(row, s.paint(rng), z=0.405))
    for k in range(int(rng.integers(0, 5))):
        pin = s.box(-0.4 * w + 0.25 * k, h / 2 + 0.1, 0.08, 0.3, 0, 0)
        layers.insert(0, s.layer(pin, s.metal(rng), z=0.0, bevel=0.02))
    return layers


def _leaf(rng: Rng) -> list[Layer]:
    xs = np.linspace(-0.9, 0.9, 20)
    half = float(rng.uniform(0.2, 0.5)) * np.sqrt(np.clip(1 - (xs / 0.9) ** 2, 0, 1)) * (1.1 - 0.4 * xs)
    outline = [[float(x), float(-h)] for x, h in zip(xs, half, strict=True)]
    outline += [[float(x), float(h)] for x, h in zip(xs[::-1], half[::-1], strict=True)]
    look = s.colour_of(tuple(float(v) for v in np.array([0.12, 0.2, 0.03]) * rng.uniform(0.4, 2.0, 3)))
    vein = s.stroke([[-0.95, 0.0], [0.85, 0.02]], 0.03, look, z=0.03)
    return [s.layer({"polygon": outline}, look, z=0.02, bevel=0.1, texture="noise"), vein]


def _paper_scrap(rng: Rng) -> list[Layer]:
    angles = np.sort(rng.uniform(0, 2 * np.pi, 9))
    radii = 0.85 * rng.uniform(0.7, 1, 9)
    pts = np.column_stack([radii * np.cos(angles), radii * np.sin(angles)]).tolist()
    return [s.layer({"polygon": pts}, s.paint(rng), z=0.02, bevel=0.01, texture="noise")]


def _pencil(rng: Rng) -> list[Layer]:
    w = float(rng.uniform(0.08, 0.14))
    wood = s.colour_of((0.55, 0.35, 0.16))
    return [
        s.layer({"polygon": [[0.65, -w / 2], [0.95, 0.0], [0.65, w / 2]]}, wood, z=0.05, bevel=w / 2),
        s.layer(s.box(-0.12, 0, 1.56, w, 0, 0.0), s.paint(rng), z=0.06, bevel=w / 2),
    ]


def _circuit(rng: Rng) -> list[Layer]:
    board = s.colour_of(tuple(float(v) for v in rng.uniform(0.01, 0.15, 3) + np.array([0, 0.06, 0])))
    sheet = s.box(0, 0, 1.8, float(rng.uniform(0.9, 1.8)), 0, 0.03)
    layers = [s.layer(sheet, board | {"gloss": 0.4}, z=0.05, thick=0.05)]
    for _ in range(int(rng.integers(5, 16))):
        x, y, w, h = (float(v) for v in (*rng.uniform(-0.7, 0.7, 2) * [1, 0.6], *rng.uniform(0.05, 0.4, 2)))
        look = s.paint(rng, dark=0.4) if rng.random() < 0.6 else s.metal(rng)
        layers.append(s.layer(s.box(x, y, w, h, 0, 0.01), look, z=0.15, thick=0.1, bevel=0.03))
    for _ in range(6):
        x, y = (float(v) for v in rng.uniform(-0.8, 0.8, 2) * [1, 0.6])
        copper = s.metal(rng, hue=0.1, rich=0.5)
        layers.insert(1, s.stroke([[x, y], [x + 0.3, y], [x + 0.4, y + 0.1]], 0.02, copper, z=0.055))
    return layers


LONG: dict[str, Callable[[Rng], list[Layer]]] = {
    "tube_side": _tube_side, "bolt_side": _bolt_side, "plug_like": _plug_like, "fuse": _fuse, "resistor": _resistor,
    "spring_side": _spring_side, "terminal": _terminal, "spanner": _spanner, "screwdriver": _screwdriver,
    "cable": _cable, "key": _key, "relay": _relay, "leaf": _leaf, "paper_scrap": _paper_scrap, "pencil": _pencil,
    "circuit": _circuit,
}  # fmt: skip
"""Family name to the maker of its layers."""
