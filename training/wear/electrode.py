"""Wear of an ignition electrode: what may happen to it, and the analytic forms whose truth needs no picture.

Each mode comes and goes by itself and spans values far below, near and far above the wear standard's limits. Lengths
are in part-plane units, or in rod radii where said.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

Json = dict[str, Any]
Curve = NDArray[np.float64]

TIP_REACH = 8.0
"""How far back from the end a worn tip may change the rod, in rod radii."""
TIP_KINDS = ("taper", "round", "thin", "oblique", "notch")
NO_TIP: Json = {"kind": "taper", "severity": 0.0, "reach": 2.0, "side": 1.0, "rough": 0.0, "seed": 0, "loss": 0.0}
NEW: Json = {"residue": None, "growth": None, "cracks": [], "chip": None, "tips": [], "dust": 0.0}
"""Wear of a part as new."""


def sample_wear(design: Mapping[str, Any], view: str, rng: Generator) -> Json:
    """What happened to one electrode; about three in ten are as new or nearly so.

    Args:
        design: From ``wearvision_training.designs.electrode.sample_design``.
        view: ``"side"``.
        rng: Source of all choices.
    """
    wear: Json = {**NEW, "dust": float(rng.uniform(0, 0.12)), "cracks": []}
    fresh = rng.random() < 0.3
    wear["tips"] = [dict(NO_TIP) for _ in design["rods"]]
    if fresh:
        if rng.random() < 0.6:
            wear["residue"] = sample_residue(float(rng.uniform(0.003, 0.045)), rng)
        if rng.random() < 0.6:
            wear["tips"] = [sample_tip(float(rng.uniform(0.0, 0.11)), rng) for _ in design["rods"]]
        return wear
    if rng.random() < 0.68:
        wear["residue"] = sample_residue(_spread(rng, 0.05, 0.10, 0.9), rng)
    if design["partner"] is not None and rng.random() < 0.5:
        wear["growth"] = _growth(rng)
    # A quarter of the rest is dirty only, so that a grade between the extremes is not rare.
    if rng.random() < 0.25:
        return wear
    if rng.random() < 0.6:
        losses = [_spread(rng, 0.15, 0.35, 0.68)]
        losses += [float(losses[0] * rng.uniform(0, 1)) for _ in design["rods"][1:]]
        rng.shuffle(losses)
        wear["tips"] = [sample_tip(loss, rng) for loss in losses]
    if rng.random() < 0.45:
        wear["cracks"] = _cracks(design, rng)
    if rng.random() < 0.5:
        wear["chip"] = _chip(design, _spread(rng, 0.01, 0.02, 0.07), rng)
    return wear


def _spread(rng: Generator, low: float, high: float, top: float) -> float:
    """A value with mass below both limits, between them, near them and far above."""
    kind = rng.choice(5, p=[0.22, 0.25, 0.13, 0.2, 0.2])
    ranges = [(0.15 * low, 0.9 * low), (0.8 * low, 1.1 * high), (high, 1.5 * high), (high, 0.5 * (high + top))]
    ranges.append((high * 1.2, top))
    return float(rng.uniform(*ranges[kind]))


# Residue -------------------------------------------------------------------------------------------------------------


def sample_residue(cover: float, rng: Generator) -> Json:
    """Carbon over about ``cover`` of rod and ceramic: soot film, crust, oil varnish, or a mixture."""
    kind = str(rng.choice(["film", "crust", "varnish", "mixed"], p=[0.4, 0.25, 0.15, 0.2]))
    shade = rng.uniform(0.012, 0.05)
    warm = [1.0, rng.uniform(0.75, 1.0), rng.uniform(0.55, 1.0)]
    if kind == "varnish":
        shade, warm = rng.uniform(0.05, 0.14), [1.0, rng.uniform(0.38, 0.55), rng.uniform(0.08, 0.25)]
    return {
        "kind": kind,
        "cover": cover,
        "colour": [float(shade * w) for w in warm],
        "opacity": float(rng.uniform(0.74, 0.9) if kind in ("varnish", "film") else rng.uniform(0.9, 1.0)),
        "lean": float(rng.choice([rng.uniform(0.8, 4.0), rng.uniform(-0.5, 0.8)], p=[0.8, 0.2])),
        "grain": float(rng.uniform(3, 14)),
        "stretch": float(rng.uniform(0.5, 2.2)),
        "soft": float(rng.uniform(0.05, 0.45) if kind == "film" else rng.uniform(0.04, 0.2)),
        "fray": float(rng.uniform(0.0, 0.22)),
        "relief": float(rng.uniform(0.006, 0.022)) if kind in ("crust", "mixed") else 0.0,
        "streak": float(rng.choice([0.0, rng.uniform(0.1, 0.35)], p=[0.7, 0.3])),
    }


def _growth(rng: Generator) -> Json:
    """Carbon across the gap: ``fraction`` of the gap that it takes; 0.17 to 0.32 is left out as undecidable by eye."""
    low = rng.random() < 0.3
    fraction = rng.uniform(0.04, 0.17) if low else rng.choice([rng.uniform(0.32, 0.95), 1.0], p=[0.45, 0.55])
    return {
        "fraction": float(fraction),
        "girth": float(rng.uniform(0.4, 1.3)),
        "lumps": int(rng.integers(6, 16)),
        "wander": float(rng.uniform(0.05, 0.4)),
        "start": int(rng.integers(2)),
        "shade": float(rng.uniform(0.012, 0.05)),
    }


BRIDGES_FROM = 0.25
"""The wear standard: a deposit that narrows the gap by a quarter counts as a bridge."""


# Tip -----------------------------------------------------------------------------------------------------------------


def sample_tip(loss: float, rng: Generator) -> Json:
    """A worn end that loses ``loss`` of its width, as near as its kind reaches; solved by bisection."""
    tip: Json = {
        "kind": str(rng.choice(TIP_KINDS, p=[0.26, 0.26, 0.16, 0.18, 0.14])),
        "reach": float(rng.uniform(1.2, 6.0)),
        "side": float(rng.choice([-1.0, 1.0])),
        "rough": float(rng.choice([0.0, rng.uniform(0.02, 0.12)])) * min(1.0, 6 * loss),
        "seed": int(rng.integers(1 << 30)),
    }
    low, high = 0.0, 1.0
    for _ in range(18):
        middle = (low + high) / 2
        if width_loss({**tip, "severity": middle}) < loss:
            low = middle
        else:
            high = middle
    tip["severity"] = (low + high) / 2
    tip["loss"] = width_loss(tip)
    tip["setback"] = float(tip["loss"] * rng.uniform(0, 2.5))
    return tip


def tip_edges(tip: Mapping[str, Any], chamfer: float = 0.0) -> tuple[Curve, Curve, Curve]:
    """Outline of a rod's end in rod radii.

    Args:
        tip: Kind, severity 0 to 1, reach (radii), side, roughness and its seed.
        chamfer: Bevel of the new rod, in radii.
    Returns:
        Distance back from the actual end (0 to ``TIP_REACH``), and the lower and upper edge across the axis
        (-1 and 1 where the rod is whole).
    """
    t = np.linspace(0.0, TIP_REACH, 1601)
    q, reach = float(tip["severity"]), float(tip["reach"])
    low, high = np.full_like(t, -1.0), np.full_like(t, 1.0)
    ramp = np.clip(t / reach, 0, 1)
    if q <= 0:
        pass  # whatever the kind, nothing is lost yet
    elif tip["kind"] == "taper":
        high = np.minimum(1.0, (1 - q) + q * ramp)
        low = -high
    elif tip["kind"] == "round":
        nose = np.clip(t / max(q * reach, 1e-9), 0, 1)
        high = np.sqrt(np.clip(1 - (1 - nose) ** 2, 0, None))
        low = -high
    elif tip["kind"] == "thin":
        high = 1 - q * (1 - ramp**2 * (3 - 2 * ramp))
        low = -high
    elif tip["kind"] == "oblique":
        low = 1 - 2 * np.clip(t / max(q * reach, 1e-9), 0, 1)
    elif tip["kind"] == "notch":
        low = -1 + 1.8 * q * np.exp(-((t / (0.55 * reach)) ** 2))
    if tip["rough"] > 0:
        low, high = _roughened(t, low, high, tip)
    if chamfer > 0:
        bevel = 1 - np.clip(chamfer - t, 0, None)
        low, high = np.maximum(low, -bevel), np.minimum(high, bevel)
    if tip["side"] < 0:
        low, high = -high, -low
    return t, low, np.maximum(high, low)


def _roughened(t: Curve, low: Curve, high: Curve, tip: Mapping[str, Any]) -> tuple[Curve, Curve]:
    """Both edges eaten inwards by smooth random pits that fade out towards the sound rod."""
    rng = np.random.default_rng(int(tip["seed"]))
    fade = np.clip(1.5 - t / 3.0, 0, 1)
    knots = np.linspace(0, TIP_REACH, 21)
    eaten = [float(tip["rough"]) * 2 * fade * np.interp(t, knots, rng.random(21) ** 2) for _ in range(2)]
    middle = (low + high) / 2
    return np.minimum(low + eaten[0], middle), np.maximum(high - eaten[1], middle)


def width_loss(tip: Mapping[str, Any]) -> float:
    """``tip_loss`` of the wear standard: 1 - mean metal width over the last half rod diameter / rod diameter.

    Half a rod diameter is one radius, taken back from the actual worn end; a rod cut square loses nothing.
    """
    t, low, high = tip_edges(tip)
    last = t <= 1.0 + 1e-9
    return float(1 - np.trapezoid((high - low)[last], t[last]) / 2.0)


# Cracks --------------------------------------------------------------------------------------------------------------


def _cracks(design: Mapping[str, Any], rng: Generator) -> list[Json]:
    """One crack, sometimes a shorter second one."""
    aim = rng.uniform(0.25, 0.6) if rng.random() < 0.4 else rng.uniform(0.5, 2.2)
    if rng.random() < 0.12:
        aim = rng.uniform(0.10, 0.25)
    cracks = [_crack(design, float(aim), rng)]
    if rng.random() < 0.2:
        cracks.append(_crack(design, float(aim * rng.uniform(0.2, 0.8)), rng))
    return cracks


def _crack(design: Mapping[str, Any], ratio: float, rng: Generator) -> Json:
    """A crack of about ``ratio`` insulator diameters in the part of a ceramic that nothing hides."""
    index = int(rng.integers(len(design["ceramics"])))
    body = design["ceramics"][index]
    (low, high), d = body["clear"], design["insulator_diameter"]
    length = ratio * d
    kind = str(rng.choice(["ring", "along", "oblique"], p=[0.3, 0.4, 0.3]))
    if kind == "ring" and ratio > 0.95:
        kind = "oblique"
    angle = {"ring": rng.uniform(78, 102), "along": rng.normal(0, 6), "oblique": rng.uniform(20, 70)}[kind]
    turn = np.deg2rad(angle * rng.choice([-1, 1]))
    if kind != "ring":
        # An oblique crack that would run round the barrel turns along it instead.
        turn = np.sign(turn) * min(abs(turn), np.arcsin(min(1.0, 0.8 * d / length)))
    along, across = abs(np.cos(turn)) * length, abs(np.sin(turn)) * length
    start = rng.uniform(low + 0.05 * d, max(low + 0.06 * d, high - along - 0.05 * d))
    if kind == "along" and rng.random() < 0.6:
        start = high - along - (0.0 if rng.random() < 0.7 else 0.1 * d)
    start = max(start, low + 0.02 * d)
    room = max(0.46 * d - across / 2, 0.0)
    centre = float(np.clip(rng.uniform(-room, room), -0.4 * d, 0.4 * d))
    points = _wander(np.array([start, centre - np.sign(turn) * across / 2]), turn, length, rng)
    if kind == "ring":
        sag = rng.uniform(-0.18, 0.18)
        points[:, 0] += sag * d * (1 - (2 * points[:, 1] / d) ** 2)
    branch: list[list[float]] = []
    if rng.random() < 0.25:
        fork = points[int(rng.integers(8, len(points) - 8))]
        away = turn + rng.choice([-1, 1]) * np.deg2rad(rng.uniform(25, 55))
        branch = _wander(fork, float(away), length * rng.uniform(0.12, 0.35), rng).tolist()
    return {
        "ceramic": index,
        "points": points.tolist(),
        "branch": branch,
        "width": float(np.clip(d * rng.uniform(0.015, 0.04), 0.005, 0.011)),
        "dark": float(rng.uniform(0.0, 0.25)),
        "stain": float(rng.choice([0.0, rng.uniform(0.2, 0.8)])),
        "light": float(rng.choice([0.0, rng.uniform(0.15, 0.6)])),
        "clear": bool(rng.random() < 0.8),
    }


def _wander(start: NDArray[np.float64], turn: float, length: float, rng: Generator) -> NDArray[np.float64]:
    """A line of 33 points that strays smoothly to both sides; (33, 2) in the ceramic's frame."""
    s = np.linspace(0, 1, 33)
    stray = sum(rng.normal(0, 0.022 / np.sqrt(k)) * np.sin(np.pi * k * s + rng.uniform(0, 6)) for k in (1, 2, 3, 5, 9))
    stray = (stray - stray[0]) * length
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    course: NDArray[np.float64] = start + s[:, None] * length * along + stray[:, None] * across
    return course


def polyline_length(points: NDArray[np.float64]) -> float:
    """Arc length of a line through (N, 2) points, in their unit."""
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


# Chip ----------------------------------------------------------------------------------------------------------------


def ceramic_area(design: Mapping[str, Any]) -> float:
    """Area of all ceramic in side view, hidden parts left out, in square plane units."""
    total = 0.0
    for body in design["ceramics"]:
        low, high = body["clear"]
        u = np.linspace(low, high, 400)
        profile = np.asarray(body["profile"])
        total += 2 * float(np.trapezoid(np.interp(u, profile[:, 0], profile[:, 1]), u))
    return total


def _chip(design: Mapping[str, Any], ratio: float, rng: Generator) -> Json:
    """A bite out of the outline, of about ``ratio`` of the ceramic: at the front corner or along a side."""
    index = int(rng.integers(len(design["ceramics"])))
    body = design["ceramics"][index]
    (low, high), d = body["clear"], design["insulator_diameter"]
    profile = np.asarray(body["profile"])
    area = ratio * ceramic_area(design)
    corner = rng.random() < 0.6
    at = high if corner else float(rng.uniform(low + 0.3 * d, high - 0.3 * d))
    radius = float(np.interp(min(at, high - 0.08 * d), profile[:, 0], profile[:, 1]))
    # The core of the rod stays in: a bite never reaches it.
    deepest = 0.8 * (radius - design["rods"][0]["radius"]) if not body["flat"] else 0.25 * radius
    quarter = np.pi / (4 if corner else 2)
    depth = float(min(np.sqrt(area / quarter) * rng.uniform(0.6, 1.1), deepest))
    return {
        "ceramic": index,
        "at": at,
        "side": float(rng.choice([-1.0, 1.0])),
        "length": float(min(area / quarter / depth, 0.9 * d)),
        "depth": depth,
        "ragged": float(rng.uniform(0.05, 0.22)),
        "bevel": float(rng.uniform(0.1, 0.45)),
        "colour": [float(v) for v in rng.uniform(0.62, 0.85) * np.array([1.0, 0.98, rng.uniform(0.86, 0.97)])],
    }
