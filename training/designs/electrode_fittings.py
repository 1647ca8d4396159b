"""What is fitted to an ignition electrode: terminals at the back, hexagon, strap, plate, nozzle."""

from __future__ import annotations

import numpy as np
from numpy.random import Generator

from wearvision_training.designs.electrode_finish import METALS, Json, tint

CLEAR_DIAMETERS = 2.05
"""Diameters of ceramic that no metal hides: the standard wants two in view."""


def _turned(origin: list[float], angle: float, profile: list[list[float]], colour: list[float], layer: str) -> Json:
    """A plain body of revolution that is neither ceramic nor rod."""
    shape = [[float(u), float(r)] for u, r in profile]
    return {"origin": origin, "angle": angle, "profile": shape, "facets": False, "colour": colour, "layer": layer}


def add_backs(design: Json, kind: str, rng: Generator) -> None:
    """What ends each ceramic at the back: a stud, a rubber boot, a wire, a spring or nothing."""
    steel = tint(METALS[str(rng.choice(["steel", "zinc", "brass", "nickel"]))], rng)
    rubber = tint([(0.02, 0.02, 0.02), (0.25, 0.03, 0.02), (0.05, 0.06, 0.08), (0.4, 0.35, 0.28)][rng.integers(4)], rng)
    lengths = rng.uniform(0.3, 0.8, 2)
    for body in design["ceramics"]:
        r = design["insulator_diameter"] / 2
        for shift in (-0.62, 0.62) if design["layout"] == "block" else (0.0,):
            origin = [body["origin"][0], body["origin"][1] + shift * r]
            thin = 0.5 if design["layout"] == "block" else 1.0
            angle = body["angle"] + 180.0
            long = 2 * r * lengths[0] * thin
            if kind == "stud":
                neck, head = r * thin * 0.3, r * thin * rng.uniform(0.35, 0.6)
                shape = [[-r * 0.2, neck], [long * 0.5, neck], [long * 0.5, head], [long, head]]
                shape.append([long * 1.02, head * 0.8])
                design["bodies"].append(_turned(origin, angle, shape, steel, "metal"))
            elif kind == "spring":
                coil, turns = r * thin * rng.uniform(0.3, 0.45), int(rng.integers(4, 8))
                spots = np.linspace(0, long * 1.3, turns * 8)
                wave = coil * (0.86 + 0.14 * np.abs(np.sin(np.arange(turns * 8) * np.pi / 8)))
                design["bodies"].append(_turned(origin, angle, np.c_[spots, wave].tolist(), steel, "metal"))
            elif kind == "boot" and design["layout"] != "block":
                over, wide = r * rng.uniform(0.3, 0.7), r * rng.uniform(1.08, 1.3)
                shape = [[-over, wide], [long * 0.6, wide * 0.95], [long, wide * 0.5], [long * 1.7, wide * 0.36]]
                design["bodies"].append(_turned(origin, angle, shape, rubber, "soft"))
                body["clear"][0] = max(body["clear"][0], over)
            elif kind == "wire":
                shape = [[-r * 0.2, r * thin * 0.42], [long * 0.5, r * thin * 0.42], [long * 0.5, r * thin * 0.26]]
                shape.append([long * 1.6, r * thin * 0.26])
                design["bodies"].append(_turned(origin, angle, shape, rubber, "metal"))


def add_hardware(design: Json, kind: str, rng: Generator) -> None:
    """Metal around or behind: a hexagon with thread, a strap with a screw, a plate behind, a nozzle."""
    first = design["ceramics"][0]
    length, diameter = first["clear"][1], design["insulator_diameter"]
    room = length - first["clear"][0] - CLEAR_DIAMETERS * diameter
    steel = tint(METALS[str(rng.choice(["steel", "zinc", "oxide", "nickel"]))], rng)
    widest = max(r for _, r in first["profile"])
    if kind == "hex" and room > 0.35 * diameter:
        at, wide = first["clear"][0], min(room, diameter * rng.uniform(0.4, 1.0))
        flat, neck = widest * rng.uniform(1.25, 1.6), widest * rng.uniform(1.08, 1.2)
        threads = int(rng.integers(4, 9))
        spots = np.linspace(wide * 0.5, wide, threads * 2)
        zigzag = [[u, neck * (1.0 if k % 2 else 1.08)] for k, u in enumerate(spots)]
        start = [first["origin"][0] + at, first["origin"][1]]
        shell = _turned(start, 0.0, [[0, flat], [wide * 0.5, flat]], steel, "front")
        shell["facets"] = True
        screw = _turned(list(start), 0.0, zigzag, steel, "front")
        design["bodies"] += [screw, shell]
        first["clear"][0] = at + wide
    elif kind == "strap" and room > 0.2 * diameter:
        wide = min(room, diameter * rng.uniform(0.3, 0.8))
        _strap(design, first["clear"][0] + 0.5 * wide, wide, widest * 1.06, steel, rng)
        for body in design["ceramics"]:
            body["clear"][0] += wide
    elif kind in ("plate", "strap"):
        across = max(abs(c["origin"][1]) for c in design["ceramics"]) + widest * rng.uniform(0.6, 1.5)
        at = length * rng.uniform(0.2, 0.5)
        plate = _plate([at, 0.0], [diameter * rng.uniform(0.25, 0.6), across], steel, "behind", rng)
        design["plates"].append(plate)
    elif kind == "nozzle":
        _nozzle(design, rng)


def _plate(centre: list[float], half: list[float], colour: list[float], layer: str, rng: Generator) -> Json:
    corner = min(half) * rng.uniform(0.05, 0.5)
    plate: Json = {"centre": centre, "half": half, "corner": corner, "colour": colour, "layer": layer}
    return {**plate, "humps": [], "screws": []}


def _strap(design: Json, at: float, wide: float, over: float, colour: list[float], rng: Generator) -> None:
    """A sheet strap across the insulators with a screw between or beside them."""
    lines = [c["origin"][1] + at * np.sin(np.deg2rad(c["angle"])) for c in design["ceramics"]]
    ear = design["insulator_diameter"] * rng.uniform(0.15, 0.6)
    low, high = min(lines) - over - ear * 0.3, max(lines) + over + ear
    plate = _plate([at, (low + high) / 2], [wide / 2, (high - low) / 2], colour, "front", rng)
    plate["humps"] = [[line, over] for line in lines]
    between = lines[-1] - lines[0] - 2 * over
    size = min(wide * 0.35, ear * 0.45)
    spot = high - ear * 0.5
    if len(lines) == 2 and between > 0.3 * wide:
        spot, size = (lines[0] + lines[1]) / 2, min(wide * 0.35, between * 0.45)
    plate["screws"] = [[at, spot, size, float(rng.uniform(0, 180))]]
    design["plates"].append(plate)


def _nozzle(design: Json, rng: Generator) -> None:
    """A hexagonal brass or steel nozzle behind the tips; a lone rod sparks to it."""
    tips = np.array([rod["points"][-1] for rod in design["rods"]])
    d, radius = design["insulator_diameter"], design["rods"][0]["radius"]
    colour = tint(METALS[str(rng.choice(["brass", "brass", "steel"]))], rng)
    half, long = d * rng.uniform(0.4, 0.6), d * rng.uniform(1.0, 1.6)
    if len(tips) == 2:
        front, y = float(tips[:, 0].min() - radius * rng.uniform(1.0, 3.0)), float(tips[:, 1].mean())
    else:
        side = 1.0 if tips[0, 1] > 0 else -1.0
        y = float(tips[0, 1] + side * (radius * rng.uniform(2.6, 4.0) + half * 0.3))
        y = side * max(abs(y), d * 0.55 + half)
        front = float(tips[0, 0] - radius * rng.uniform(0, 2))
    shape = [[0, half], [long * 0.55, half], [long * 0.6, half * 0.75], [long * 0.9, half * 0.7], [long, half * 0.3]]
    body = _turned([front - long, y], 0.0, shape, colour, "behind")
    body["facets"] = True
    design["bodies"].append(body)
    if len(tips) == 1 or rng.random() < 0.5:
        # A holder joins nozzle and insulator, as the burner's nozzle line does.
        steel = tint(METALS[str(rng.choice(["steel", "zinc", "oxide"]))], rng)
        middle = [front - long * rng.uniform(0.8, 1.1), y / 2]
        across = max(abs(y) / 2 + half * 0.5, d * 0.7)
        design["plates"].append(_plate(middle, [d * rng.uniform(0.15, 0.35), across], steel, "behind", rng))
    if len(tips) == 1:
        design["partner"] = "nozzle"
