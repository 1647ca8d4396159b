"""Round and plate-like things that are not parts: nuts, washers, gears, coins, caps, tube mouths."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from wearvision_training.designs import shapes as s
from wearvision_training.designs.shapes import Layer, Rng


def _nut(rng: Rng) -> list[Layer]:
    r = float(rng.uniform(0.6, 0.9))
    corners = int(rng.choice([4, 6, 6, 6, 12]))
    bore = r * float(rng.uniform(0.4, 0.65))
    body = s.layer(s.ngon(r, corners), s.metal(rng), z=0.2, thick=0.3, bevel=0.12, holes=[s.circle(bore)])
    inside = [s.circle(bore * 0.85)]
    thread = s.layer(s.circle(bore * 1.02), s.metal(rng, dark=0.5), z=-0.05, holes=inside, texture="rings")
    return [thread, body]


def _washer(rng: Rng) -> list[Layer]:
    r = float(rng.uniform(0.6, 0.95))
    bore = r * float(rng.uniform(0.25, 0.7))
    look = s.metal(rng) if rng.random() < 0.75 else s.plastic(rng)
    layers = [s.layer(s.circle(r), look, z=0.05, thick=0.05, bevel=0.03, holes=[s.circle(bore)], texture="brushed")]
    if rng.random() < 0.3:
        layers[0]["holes"].append(s.box(r * 0.75, 0.0, r * 0.7, 0.07, 0.3, 0.0))
    return layers


def _star_washer(rng: Rng) -> list[Layer]:
    teeth = int(rng.integers(8, 20))
    holes = [s.gear(0.55, teeth, 0.14)] if rng.random() < 0.5 else [s.circle(0.45)]
    return [s.layer(s.gear(0.85, teeth, 0.14), s.metal(rng), z=0.05, thick=0.06, bevel=0.04, holes=holes)]


def _gear(rng: Rng) -> list[Layer]:
    teeth = int(rng.integers(9, 40))
    look = s.metal(rng) if rng.random() < 0.5 else s.plastic(rng)
    hub = float(rng.uniform(0.2, 0.45))
    bore = s.circle(hub * 0.5) if rng.random() < 0.5 else s.ngon(hub * 0.5, int(rng.choice([4, 6])))
    holes = [bore]
    if rng.random() < 0.4:
        holes += [s.circle(0.1, 0.55 * np.cos(a), 0.55 * np.sin(a)) for a in np.arange(5) * 2 * np.pi / 5]
    outline = s.gear(0.92, teeth, float(rng.uniform(0.08, 0.18)))
    wheel = s.layer(outline, look, z=0.1, thick=0.2, bevel=0.03, holes=holes)
    return [wheel, s.layer(s.circle(hub), look, z=0.2, thick=0.1, bevel=0.04, holes=[bore])]


def _bearing(rng: Rng) -> list[Layer]:
    look, dark = s.metal(rng), s.metal(rng, dark=0.6)
    seal = s.plastic(rng) if rng.random() < 0.5 else dark
    bore = float(rng.uniform(0.25, 0.45))
    layers = [
        s.layer(s.circle(0.88), dark, z=0.0, holes=[s.circle(bore)]),
        s.layer(s.circle(0.75), seal, z=0.02, holes=[s.circle(bore + 0.1)], texture="rings"),
        s.layer(s.circle(0.9), look, z=0.1, thick=0.2, bevel=0.03, holes=[s.circle(0.72)]),
        s.layer(s.circle(bore + 0.14), look, z=0.1, thick=0.2, bevel=0.03, holes=[s.circle(bore)]),
    ]
    if seal is dark:
        count = int(rng.integers(7, 12))
        mid = (0.72 + bore + 0.14) / 2
        for a in np.arange(count) * 2 * np.pi / count:
            ball = s.circle(0.13, mid * float(np.cos(a)), mid * float(np.sin(a)))
            layers.append(s.layer(ball, s.metal(rng), z=0.06, bevel=0.13))
    return layers


def _coin(rng: Rng) -> list[Layer]:
    look = s.metal(rng)
    rim = float(rng.uniform(0.03, 0.09))
    disc = s.layer(s.circle(0.9), look, z=0.06, thick=0.1, texture="relief", bevel=0.02)
    disc["amount"] = float(rng.uniform(0.4, 1.0))
    layers = [disc, s.layer(s.circle(0.92), look, z=0.08, bevel=rim / 2, holes=[s.circle(0.92 - rim)])]
    if rng.random() < 0.25:
        layers.append(s.layer(s.circle(0.62), s.metal(rng), z=0.065, texture="relief"))
    return layers


def _bottle_cap(rng: Rng) -> list[Layer]:
    look = s.paint(rng) | {"gloss": 0.6}
    teeth = int(rng.integers(18, 26))
    return [
        s.layer(s.gear(0.95, teeth, 0.07), s.metal(rng), z=0.0, thick=0.15, bevel=0.08),
        s.layer(s.circle(0.78), look, z=0.1, bevel=0.12),
        s.layer(s.box(0, 0, 0.8, 0.22, float(rng.uniform(0, 3)), 0.08), s.paint(rng), z=0.11),
    ]


def _screw_cap(rng: Rng) -> list[Layer]:
    look = s.plastic(rng)
    ribs = int(rng.integers(24, 60))
    top = s.layer(s.circle(0.86), look, z=0.25, bevel=0.06)
    layers = [s.layer(s.gear(0.93, ribs, 0.05), look, z=0.2, thick=0.4, bevel=0.03), top]
    if rng.random() < 0.5:
        layers.append(s.layer(s.circle(0.6), look, z=0.22, bevel=0.03, holes=[s.circle(0.54)]))
    if rng.random() < 0.4:
        layers.append(s.layer(s.box(0, 0, 1.4, 0.2, 0.0, 0.03), look, z=0.4, thick=0.1, bevel=0.05))
    return layers


def _button(rng: Rng) -> list[Layer]:
    look = s.plastic(rng)
    count = int(rng.choice([2, 4]))
    turn = float(rng.uniform(0, 3))
    holes = [s.circle(0.09, 0.22 * float(np.cos(a)), 0.22 * float(np.sin(a)))
             for a in turn + np.arange(count) * 2 * np.pi / count]  # fmt: skip
    return [
        s.layer(s.circle(0.9), look, z=0.06, thick=0.05, bevel=0.12, holes=holes),
        s.layer(s.circle(0.92), look, z=0.1, bevel=0.08, holes=[s.circle(0.72)]),
    ]


def _o_ring(rng: Rng) -> list[Layer]:
    width = float(rng.uniform(0.08, 0.3))
    look = s.colour_of((0.02, 0.02, 0.02)) | {"gloss": 0.35} if rng.random() < 0.6 else s.plastic(rng)
    return [s.layer(s.circle(0.9), look, z=0.08, bevel=width / 2, holes=[s.circle(0.9 - width)])]


def _tube_end(rng: Rng) -> list[Layer]:
    """A plastic or metal tube seen into its mouth: the coupler's look-alike without a drive."""
    look = s.plastic(rng) if rng.random() < 0.7 else s.metal(rng)
    bore = float(rng.uniform(0.45, 0.78))
    deep = s.darker(look, 0.25)
    shape = s.circle(0.85) if rng.random() < 0.75 else s.box(0, 0, 1.6, 1.6, 0, 0.2)
    return [
        s.layer(s.circle(bore), deep, z=-0.5),
        s.layer(shape, look, z=0.0, thick=float(rng.uniform(0.3, 0.9)), bevel=0.03, holes=[s.circle(bore)]),
    ]


def _bolt_head(rng: Rng) -> list[Layer]:
    look = s.metal(rng)
    drive = str(rng.choice(["hex", "slot", "cross", "star", "none"]))
    corner = s.ngon(0.75, 6) if rng.random() < 0.5 else s.circle(0.78)
    layers = [s.layer(corner, look, z=0.3, thick=0.3, bevel=float(rng.uniform(0.05, 0.14)))]
    if rng.random() < 0.5:
        layers.insert(0, s.layer(s.circle(0.95), s.metal(rng), z=0.05, thick=0.05, bevel=0.03))
    dark = s.darker(look, 0.12)
    if drive == "hex":
        layers.append(s.layer(s.ngon(0.36, 6), dark, z=0.31, bevel=0.05))
    elif drive == "star":
        layers.append(s.layer(s.gear(0.38, 6, 0.14), dark, z=0.31, bevel=0.05))
    elif drive in ("slot", "cross"):
        layers.append(s.layer(s.box(0, 0, 1.1, 0.16, 0, 0.02), dark, z=0.31))
        if drive == "cross":
            layers.append(s.layer(s.box(0, 0, 0.16, 1.1, 0, 0.02), dark, z=0.31))
    return layers


def _spring_end(rng: Rng) -> list[Layer]:
    t = np.linspace(0, 2 * np.pi * float(rng.uniform(2, 5)), 120)
    wide = float(rng.uniform(0.5, 1.0))
    r = 0.85 * (wide + (1 - wide) * t / t[-1])
    pts = [[float(a * np.cos(b)), float(a * np.sin(b))] for a, b in zip(r, t, strict=True)]
    return [s.stroke(pts, float(rng.uniform(0.06, 0.12)), s.metal(rng), z=0.1)]


def _fitting(rng: Rng) -> list[Layer]:
    """A brass pipe fitting, end-on: hexagon, thread and bore."""
    look = s.metal(rng, hue=float(rng.uniform(0.09, 0.13)), rich=0.6)
    bore = float(rng.uniform(0.25, 0.45))
    return [
        s.layer(s.ngon(0.92, 6), look, z=0.0, thick=0.35, bevel=0.06),
        s.layer(s.circle(0.7), look, z=0.3, thick=0.3, bevel=0.04, texture="rings"),
        s.layer(s.circle(bore), s.darker(look, 0.08), z=0.305, bevel=0.03),
    ]


def _hose_clamp(rng: Rng) -> list[Layer]:
    look = s.metal(rng)
    return [
        s.layer(s.circle(0.78), look, z=0.1, thick=0.25, bevel=0.02, holes=[s.circle(0.72)]),
        s.layer(s.box(0, -0.8, 0.6, 0.3, 0, 0.04), look, z=0.15, thick=0.25, bevel=0.08),
        s.layer(s.circle(0.13, 0.42, -0.8), look, z=0.12, thick=0.2, bevel=0.04),
    ]


def _ball(rng: Rng) -> list[Layer]:
    look = s.metal(rng) if rng.random() < 0.5 else s.plastic(rng)
    return [s.layer(s.circle(0.8), look, z=0.5, bevel=0.8, texture="relief" if rng.random() < 0.2 else None)]


def _knob(rng: Rng) -> list[Layer]:
    look = s.plastic(rng)
    return [
        s.layer(s.circle(0.92), look, z=0.05, thick=0.1, bevel=0.05),
        s.layer(s.gear(0.72, int(rng.integers(10, 40)), 0.06), look, z=0.4, thick=0.4, bevel=0.1),
        s.stroke([[0.0, -0.2], [0.0, -0.62]], 0.06, s.colour_of((0.85, 0.85, 0.85)), z=0.41),
    ]


def _pulley(rng: Rng) -> list[Layer]:
    look = s.metal(rng) if rng.random() < 0.5 else s.plastic(rng)
    count = int(rng.integers(3, 7))
    holes = [s.circle(0.16, 0.45 * np.cos(a), 0.45 * np.sin(a)) for a in np.arange(count) * 2 * np.pi / count]
    bore = s.circle(0.14)
    return [
        s.layer(s.circle(0.92), look, z=0.15, thick=0.3, bevel=0.06, holes=[s.circle(0.78)]),
        s.layer(s.circle(0.8), look, z=0.05, thick=0.1, holes=[*holes, bore]),
        s.layer(s.circle(0.26), look, z=0.2, thick=0.2, bevel=0.04, holes=[bore]),
    ]


ROUND: dict[str, Callable[[Rng], list[Layer]]] = {
    "nut": _nut, "washer": _washer, "star_washer": _star_washer, "gear": _gear, "bearing": _bearing, "coin": _coin,
    "bottle_cap": _bottle_cap, "screw_cap": _screw_cap, "button": _button, "o_ring": _o_ring, "tube_end": _tube_end,
    "bolt_head": _bolt_head, "spring_end": _spring_end, "fitting": _fitting, "hose_clamp": _hose_clamp, "ball": _ball,
    "knob": _knob, "pulley": _pulley,
}  # fmt: skip
"""Family name to the maker of its layers."""
