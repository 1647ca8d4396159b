"""Designs of flame-sensing cells: what a new one looks like, as plain numbers.

Lengths are in units of the part plane (-1 to 1), angles in radians, colours linear RGB. The form of
the element is given as polylines in units of its radius, so that any renderer can draw it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wearvision_training.designs.flame_cell_element import Design, Range, between, jitter, sample_element

EXTENT = 0.96
"""Nothing of a part reaches farther than this from the middle of its plane."""

HOUSINGS: dict[str, tuple[tuple[float, float, float], float, float]] = {
    "tin": ((0.62, 0.62, 0.60), 0.9, 0.8),
    "steel": ((0.42, 0.42, 0.43), 0.8, 0.6),
    "zinc": ((0.36, 0.37, 0.38), 0.4, 0.3),
    "brass": ((0.62, 0.44, 0.16), 0.85, 0.7),
    "copper": ((0.55, 0.28, 0.16), 0.85, 0.6),
    "black": ((0.018, 0.018, 0.02), 0.0, 0.35),
    "charcoal": ((0.06, 0.06, 0.065), 0.0, 0.25),
    "grey": ((0.20, 0.20, 0.21), 0.0, 0.25),
    "light-grey": ((0.45, 0.45, 0.45), 0.0, 0.25),
    "white": ((0.76, 0.76, 0.74), 0.0, 0.35),
    "cream": ((0.68, 0.60, 0.44), 0.0, 0.3),
    "brown": ((0.10, 0.045, 0.022), 0.0, 0.45),
    "brick": ((0.30, 0.07, 0.04), 0.0, 0.3),
    "blue": ((0.04, 0.09, 0.22), 0.0, 0.3),
    "green": ((0.05, 0.14, 0.08), 0.0, 0.3),
}
"""Name to colour, metal and gloss."""
METALS = ("tin", "steel", "zinc", "brass")
PLASTICS = ("black", "charcoal", "grey", "light-grey", "white", "cream", "brown")
TINTS = ((1.0, 1.0, 1.0), (1.0, 0.97, 0.90), (0.92, 1.0, 0.95), (0.93, 0.96, 1.0), (1.0, 0.90, 0.74))


@dataclass(frozen=True, slots=True)
class _Family:
    """Ranges from which one family's designs come; ``window`` is a share of ``outer``."""

    housings: tuple[str, ...]
    layouts: tuple[str, ...]
    outer: Range = (0.60, 0.78)
    window: Range = (0.68, 0.84)
    depth: Range = (0.10, 0.30)
    recess: Range = (0.01, 0.04)
    dome: Range = (0.0, 0.0)
    taper: Range = (0.95, 1.0)
    profiles: tuple[str, ...] = ("flat", "round", "bevel-out")
    bases: tuple[str, ...] = ("none",)
    notches: tuple[str, ...] = ()
    knurl: float = 0.0
    leads: float = 0.25
    grooves: float = 0.3


_FAMILIES: dict[str, _Family] = {
    "domed-metal": _Family(
        METALS, ("serpentine", "wave"), window=(0.80, 0.91), dome=(0.08, 0.22), profiles=("round",), leads=0.4
    ),
    "flat-plastic": _Family(PLASTICS, ("serpentine", "comb"), window=(0.60, 0.78), bases=("none", "round-flange")),
    "brass-bezel": _Family(
        ("brass", "copper"), ("comb", "zigzag"), window=(0.66, 0.82), profiles=("bevel-in", "round"), grooves=0.6
    ),
    "deep-barrel": _Family(
        (*PLASTICS, "tin", "zinc"), ("serpentine", "arcs"), outer=(0.6, 0.74), window=(0.56, 0.74), depth=(0.4, 0.7),
        recess=(0.18, 0.4), taper=(0.9, 1.05),
    ),
    "resin-disc": _Family(
        ("white", "cream", "light-grey"), ("serpentine", "twin", "comb"), outer=(0.62, 0.8), window=(0.90, 0.96),
        depth=(0.05, 0.12), recess=(0.004, 0.01), dome=(0.0, 0.05), profiles=("round",), leads=0.85, grooves=0.0,
    ),
    "oval-flange": _Family(
        PLASTICS, ("serpentine", "zigzag", "radial"), outer=(0.55, 0.64), window=(0.64, 0.82),
        bases=("oval-flange",), leads=0.1,
    ),
    "square-socket": _Family(
        ("black", "charcoal", "white", "brown", "steel"), ("serpentine", "comb", "spiral"), outer=(0.55, 0.66),
        bases=("square-socket",), notches=("notch",), depth=(0.08, 0.3),
    ),
    "knurled-ring": _Family(
        (*PLASTICS, "brass", "steel", "green"), ("zigzag", "serpentine", "twin"), window=(0.60, 0.78), knurl=1.0,
        profiles=("flat", "bevel-out"),
    ),
    "bracket-can": _Family(
        METALS, ("arcs", "serpentine"), outer=(0.55, 0.66), window=(0.72, 0.88), bases=("bracket",),
        dome=(0.0, 0.12), depth=(0.15, 0.4), profiles=("round", "flat"), leads=0.3,
    ),
    "keyed-plug": _Family(
        ("black", "brown", "grey", "brick", "white"), ("comb", "wave", "serpentine"), notches=("notch", "key"),
        window=(0.58, 0.76), bases=("none", "round-flange"), grooves=0.5,
    ),
    "spiral-tin": _Family(
        ("tin", "zinc", "steel"), ("spiral", "arcs"), window=(0.78, 0.9), recess=(0.03, 0.1), leads=0.5
    ),
    "bevel-cup": _Family(
        (*PLASTICS, "tin"), ("serpentine", "radial", "wave"), outer=(0.66, 0.8), window=(0.48, 0.62),
        recess=(0.08, 0.22), profiles=("cup",), depth=(0.2, 0.4), grooves=0.1,
    ),
    "hex-collar": _Family(
        ("brass", "steel", "zinc", "black"), ("serpentine", "comb"), outer=(0.55, 0.66), window=(0.66, 0.84),
        bases=("hex-collar",), depth=(0.15, 0.35),
    ),
    "thin-ring-lens": _Family(
        ("tin", "black", "brass", "charcoal"), ("serpentine", "spiral", "twin"), window=(0.87, 0.94),
        dome=(0.2, 0.38), profiles=("round", "flat"), grooves=0.0,
    ),
    "stepped-turret": _Family(
        (*PLASTICS, "steel"), ("zigzag", "arcs", "comb"), outer=(0.55, 0.66), window=(0.62, 0.8), depth=(0.25, 0.55),
        bases=("steps",), taper=(1.0, 1.0),
    ),
    "ribbed-grip": _Family(
        ("brick", "brown", "blue", "grey", "black"), ("serpentine", "twin", "wave"), knurl=0.6,
        notches=("key",), depth=(0.3, 0.55), window=(0.55, 0.76), taper=(0.86, 1.0),
    ),
    "plate-mount": _Family(
        (*METALS, "black", "white"), ("serpentine", "radial", "comb"), outer=(0.55, 0.66), bases=("plate",),
        recess=(0.01, 0.12), leads=0.1,
    ),
    "slotted-collar": _Family(
        (*PLASTICS, "tin"), ("wave", "comb", "spiral"), notches=("slot",), window=(0.52, 0.7), recess=(0.04, 0.16),
        profiles=("flat", "bevel-in"), depth=(0.2, 0.5),
    ),
}  # fmt: skip

FAMILIES: tuple[str, ...] = tuple(_FAMILIES)


def sample_design(family: str, view: str, rng: np.random.Generator) -> Design:
    """A new cell of a family.

    Args:
        family: One of ``FAMILIES``.
        view: ``"face"``, the only one.
        rng: Generator; the same state gives the same design.

    Returns:
        Plain JSON values: ``rim``, ``body``, ``bases``, ``window``, ``element``, ``leads``, ``marks``.

    Raises:
        KeyError: no such family.
    """
    ranges = _FAMILIES[family]
    housing = str(rng.choice(ranges.housings))
    outer = between(rng, ranges.outer)
    radius = outer * between(rng, ranges.window)
    depth = between(rng, ranges.depth)
    dome = between(rng, ranges.dome)
    recess = min(between(rng, ranges.recess), 0.7 * depth)
    slack = 0.25 * min(outer - radius, 0.12)
    return {
        "mm_per_unit": round(float(rng.uniform(6.0, 14.0)), 3),
        "rim": {
            "outer": outer,
            "inner": _opening(radius, outer, recess, ranges),
            "profile": str(rng.choice(ranges.profiles)),
            "relief": between(rng, (0.15, 0.6)),
            "grooves": [between(rng, (0.2, 0.85)) for _ in range(rng.integers(1, 4))]
            if rng.random() < ranges.grooves
            else [],
            "knurl": int(rng.integers(24, 90)) if rng.random() < ranges.knurl else 0,
            "knurl_depth": between(rng, (0.008, 0.022)),
            "notches": _notches(ranges.notches, rng),
            **_surface(housing, rng),
        },
        "body": {"depth": depth, "taper": between(rng, ranges.taper), "darker": between(rng, (0.55, 1.0))},
        "bases": _bases(str(rng.choice(ranges.bases)), housing, outer, depth, rng),
        "window": {
            "radius": radius,
            "offset": [between(rng, (-slack, slack)), between(rng, (-slack, slack))],
            "z": -recess,
            "dome": dome * radius,
            "gloss": between(rng, (0.55, 1.0)),
            "tint": jitter(TINTS[int(rng.integers(len(TINTS)))], 0.02, rng),
            "sheen": between(rng, (0.0, 0.10)),
            "shadow": between(rng, (0.1, 0.6)),
        },
        "element": sample_element(str(rng.choice(ranges.layouts)), dome, rng),
        "leads": _leads(outer, rng) if rng.random() < ranges.leads else [],
        "marks": {
            "stamps": int(rng.integers(3, 9)) if rng.random() < 0.35 else 0,
            "stamp_angle": between(rng, (0.0, 2 * np.pi)),
            "stamp_tone": between(rng, (-0.6, 0.7)),
            "scratches": int(rng.integers(0, 9)),
            "specks": int(rng.integers(0, 14)),
        },
    }


def _opening(radius: float, outer: float, recess: float, ranges: _Family) -> float:
    """Radius of the front rim's opening: the window's, or wider where a cone leads down to the window."""
    if recess <= 0.06:
        return radius
    return round(radius + (0.7 if "cup" in ranges.profiles else 0.3) * (outer - radius), 5)


def _surface(housing: str, rng: np.random.Generator) -> Design:
    colour, metal, gloss = HOUSINGS[housing]
    return {
        "colour": jitter(colour, 0.10, rng),
        "metal": round(metal * float(rng.uniform(0.7, 1.0)), 4),
        "gloss": round(float(np.clip(gloss * rng.uniform(0.4, 1.5), 0.03, 1.0)), 4),
        "grain": between(rng, (0.0, 0.14)),
    }


def _notches(kinds: tuple[str, ...], rng: np.random.Generator) -> list[Design]:
    """Plug notches (cut in), keys (stand out) and slots (cut deep), evenly set or in one place."""
    if not kinds:
        return []
    kind = str(rng.choice(kinds))
    count = int(rng.integers(2, 7)) if kind == "slot" else int(rng.integers(1, 5))
    start, width = rng.uniform(0, 2 * np.pi), rng.uniform(0.08, 0.3)
    depth = {"notch": -rng.uniform(0.04, 0.10), "key": rng.uniform(0.04, 0.12), "slot": -rng.uniform(0.10, 0.18)}[kind]
    return [
        {"angle": round(float(start + 2 * np.pi * k / count), 5), "width": round(width, 5), "depth": round(depth, 5)}
        for k in range(count)
    ]


def _plate(shape: str, half: tuple[float, float], z: float, housing: str, rng: np.random.Generator) -> Design:
    return {
        "shape": shape,
        "half": [round(min(value, EXTENT), 5) for value in half],
        "corner": between(rng, (0.02, 0.14)),
        "centre": [0.0, 0.0],
        "z": round(z, 5),
        "holes": [],
        **_surface(housing, rng),
    }


def _bases(kind: str, housing: str, outer: float, depth: float, rng: np.random.Generator) -> list[Design]:
    """What the cell sits in or on, from the farthest plate to the nearest."""
    other = housing if rng.random() < 0.5 else str(rng.choice(list(HOUSINGS)))
    grown = outer * rng.uniform(1.08, 1.25)
    if kind == "round-flange":
        return [_plate("ellipse", (grown, grown), -depth * rng.uniform(0.3, 1.0), other, rng)]
    if kind == "hex-collar":
        return [_plate("hexagon", (grown, grown), -depth * rng.uniform(0.5, 1.0), other, rng)]
    if kind == "square-socket":
        side = outer * rng.uniform(1.04, 1.2)
        plate = _plate("box", (side, side * rng.uniform(0.95, 1.1)), -depth * rng.uniform(0.4, 1.0), other, rng)
        if rng.random() < 0.5:
            at = 0.86 * side
            plate["holes"] = [[sx * at, sy * at, 0.05] for sx in (-1, 1) for sy in (-1, 1)]
        return [plate]
    if kind == "oval-flange":
        plate = _plate("ellipse", (EXTENT, outer * rng.uniform(0.86, 1.1)), -depth * rng.uniform(0.3, 1.0), other, rng)
        hole = rng.uniform(0.04, 0.08)
        at = outer + 0.5 * (EXTENT - outer)
        plate["holes"] = [[-at, 0.0, hole], [at, 0.0, hole]] if rng.random() < 0.85 else []
        return [plate]
    if kind == "bracket":
        plate = _plate("box", (EXTENT, outer * rng.uniform(0.45, 1.1)), -depth, other, rng)
        plate["centre"] = [round(float(rng.uniform(0.0, 0.25)), 5), round(float(rng.uniform(-0.2, 0.2)), 5)]
        plate["half"][0] = round(EXTENT - plate["centre"][0], 5)
        plate["holes"] = [[0.84, plate["centre"][1], between(rng, (0.04, 0.08))]]
        return [plate]
    if kind == "plate":
        plate = _plate("box", (EXTENT * rng.uniform(0.85, 1.0), EXTENT * rng.uniform(0.7, 1.0)), -depth, other, rng)
        return [plate]
    if kind == "steps":
        steps = np.linspace(1.3, 1.08, int(rng.integers(2, 4)))
        heights = np.linspace(-depth, -0.35 * depth, len(steps))
        return [
            _plate("ellipse", (outer * s, outer * s), float(z), housing, rng)
            for s, z in zip(steps, heights, strict=True)
        ]
    return []


def _leads(outer: float, rng: np.random.Generator) -> list[Design]:
    """Two wires that leave the cell side by side, bare or insulated."""
    heading, spread = rng.uniform(0, 2 * np.pi), rng.uniform(0.10, 0.3)
    bare = rng.random() < 0.5
    sleeves = [HOUSINGS[str(name)][0] for name in rng.choice(["white", "brick", "black", "blue", "cream"], 2)]
    colours = [(0.6, 0.6, 0.58)] * 2 if bare else sleeves
    along = np.array([np.cos(heading), np.sin(heading)])
    across = np.array([-along[1], along[0]])
    bow = rng.uniform(-0.12, 0.12)
    width = rng.uniform(0.025, 0.05) if bare else rng.uniform(0.06, 0.11)
    reach, wires = EXTENT - 0.5 * width, []
    for side, colour in zip((-1, 1), colours, strict=True):
        steps = np.linspace(0.5 * outer, 0.92, 12)
        offset = side * spread * (0.6 + 0.4 * steps) + bow * (steps - 0.5) ** 2
        points = np.clip(steps[:, None] * along + offset[:, None] * across, -reach, reach)
        wires.append({"points": points.round(5).tolist(), "colour": jitter(colour, 0.08, rng), "metal": 0.8 * bare})
    return [{**wire, "width": round(width, 5)} for wire in wires]
