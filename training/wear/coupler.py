"""What happens to a drive coupler: severities near the limits and far from them, alone and together."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from wearvision_training.designs import coupler_form
from wearvision_training.designs.coupler_form import SPLINED, corner_angles, end_form

Json = dict[str, Any]

GRIME, DEFORMATION, ROUNDING, TOOTH, CRACK, BOW = (
    (0.05, 0.10, 0.8),
    (0.03, 0.06, 0.22),
    (0.15, 0.30, 0.6),
    (0.15, 0.30, 1.0),
    (0.10, 0.30, 1.5),
    (0.01, 0.03, 0.11),
)
"""The standard's two limits and the worst that is drawn; used to spread severities, never to grade."""


def severity(rng: np.random.Generator, span: tuple[float, float, float]) -> float:
    """A severity below, between or above two limits; a third of each close to its limit."""
    low, high, worst = span
    where = rng.choice(3, p=(0.27, 0.18, 0.55))
    if where == 0:
        return float(rng.uniform(0.6 * low, low) if rng.random() < 0.4 else rng.uniform(0.1 * low, 0.6 * low))
    if where == 1:
        return float(rng.uniform(low, high))
    near = min(worst, 1.7 * high)
    return float(rng.uniform(high, near) if rng.random() < 0.4 else rng.uniform(near, worst))


END_MODES = {"grime": 0.16, "deform": 0.24, "drive": 0.42, "crack": 0.18}
SIDE_MODES = {"grime": 0.34, "crack": 0.33, "bow": 0.33}
"""How often each mode is the first to be chosen; a drive shows one of two kinds of wear, so it comes more often."""


def _modes(rng: np.random.Generator, odds: Mapping[str, float]) -> set[str]:
    """Which modes happen: none 24 %, one 38 %, several 38 %."""
    chance = rng.random()
    if chance < 0.24:
        return set()
    chosen = {str(rng.choice(list(odds), p=list(odds.values())))}
    if chance < 0.62:
        return chosen
    return chosen | {name for name in odds if rng.random() < 0.4}


def _seed(rng: np.random.Generator) -> int:
    return int(rng.integers(1, 2**31))


def _grime(rng: np.random.Generator, colour: list[float], area: float) -> Json:
    """A deposit that shows on a part of this colour."""
    level = float(np.mean(colour))
    kinds, odds = ("soot", "oil", "dust"), (0.45, 0.3, 0.25)
    if level < 0.08:
        odds = (0.03, 0.12, 0.85)
    elif level > 0.45:
        odds = (0.5, 0.42, 0.08)
    kind = str(rng.choice(kinds, p=odds))
    tint = {
        "soot": np.array([0.02, 0.019, 0.018]) * rng.uniform(0.6, 2.2),
        "oil": np.array([0.085, 0.045, 0.016]) * rng.uniform(0.3, 1.5) * rng.uniform(0.85, 1.15, 3),
        "dust": np.array([0.36, 0.32, 0.26]) * rng.uniform(0.5, 1.25) * rng.uniform(0.9, 1.1, 3),
    }[kind]
    return {
        "kind": kind,
        "area": area,
        "tint": [float(v) for v in tint],
        "style": str(rng.choice(["patches", "smear", "edges", "side", "spots"])),
        "opacity": float(rng.uniform(0.7, 0.9) if kind == "oil" else rng.uniform(0.78, 1.0)),
        "soft": float(rng.uniform(0.4, 1.4) if kind == "dust" else rng.uniform(0.1, 0.9)),
        "turn": float(rng.uniform(-math.pi, math.pi)),
        "cells": int(rng.integers(3, 9)),
        "gloss": float(rng.uniform(0.35, 0.8) if kind == "oil" else rng.uniform(0.0, 0.08)),
        "seed": _seed(rng),
    }


def _deform(rng: np.random.Generator, design: Mapping[str, Any], ratio: float) -> Json:
    """A melted outline that stays on the plane and outside the socket."""
    style = str(rng.choice(["waves", "dents", "sag", "drips", "mixed"]))
    waves, bumps = [], []
    if style in ("waves", "mixed"):
        for order in rng.choice(np.arange(2, 9), int(rng.integers(1, 4)), replace=False):
            waves.append({"order": int(order), "amount": float(rng.uniform(0.3, 1.0) / order**0.5),
                          "phase": float(rng.uniform(-math.pi, math.pi))})
    if style == "sag":
        at = float(rng.uniform(-math.pi, math.pi))
        bumps.append({"at": at, "width": float(rng.uniform(0.4, 0.9)), "amount": float(rng.uniform(0.5, 1.0))})
        width, amount = float(rng.uniform(0.5, 1.2)), -float(rng.uniform(0.3, 0.9))
        bumps.append({"at": at + math.pi, "width": width, "amount": amount})
    widths = (0.07, 0.2) if style == "drips" else (0.12, 0.6)
    if style in ("dents", "drips", "mixed"):
        for _ in range(int(rng.integers(1, 4))):
            sign = 1.0 if style == "drips" and rng.random() < 0.8 else float(rng.choice([-1.0, -1.0, 1.0]))
            bumps.append({"at": float(rng.uniform(-math.pi, math.pi)), "width": float(rng.uniform(*widths)),
                          "amount": sign * float(rng.uniform(0.4, 1.0))})
    made: Json = {"ratio": ratio, "waves": waves, "bumps": bumps}
    form = end_form(design, {})
    for _ in range(24):
        outline = form.nominal + form.radius * coupler_form.deformation_curve({"deform": made})
        if outline.max() < 0.97 and (outline - form.moulded).min() > 0.05:
            break
        made["ratio"] *= 0.85
    browning = float(rng.uniform(0.0, 1.0)) if rng.random() < 0.6 else 0.0
    return made | {"browning": browning, "reach": float(rng.uniform(0.3, 2.0))}


def _corners(rng: np.random.Generator, count: int, worst: float) -> list[float]:
    """All corners worn alike, unevenly, or only some."""
    style = rng.choice(3)
    worn = worst * np.ones(count) if style == 0 else worst * rng.uniform(0.3, 1.0, count)
    if style == 2:
        worn *= rng.random(count) < 0.5
    worn[int(rng.integers(count))] = worst
    return [float(v) for v in worn]


def _teeth(rng: np.random.Generator, count: int, worst: float) -> list[Json]:
    """All teeth worn down, a few chipped, or a row of them."""
    style = rng.choice(3)
    if style == 0:
        struck = np.arange(count)
    elif style == 1:
        struck = rng.choice(count, int(rng.integers(1, max(2, count // 3) + 1)), replace=False)
    else:
        struck = (int(rng.integers(count)) + np.arange(int(rng.integers(2, count // 2 + 1)))) % count
    ratios = worst * (rng.uniform(0.85, 1.0, len(struck)) if style == 0 else rng.uniform(0.3, 1.0, len(struck)))
    ratios[int(rng.integers(len(struck)))] = worst
    slant = 0.0 if style == 0 else 0.6
    return [{"tooth": int(t), "ratio": float(r), "slant": float(rng.uniform(-slant, slant))}
            for t, r in zip(struck, ratios, strict=True)]


def _end_cracks(rng: np.random.Generator, worst: float) -> list[Json]:
    """One crack, sometimes with shorter fellows; a long one rarely outgrows the wall."""
    if worst > 0.95:
        worst = float(rng.uniform(0.85, 1.0) if rng.random() < 0.6 else rng.uniform(1.0, 1.5))
    made = []
    for number in range(int(rng.choice([1, 1, 1, 2, 3]))):
        made.append({"ratio": worst * (1.0 if number == 0 else float(rng.uniform(0.2, 0.9))),
                     "corner": int(rng.integers(24)), "aside": float(rng.normal(0, 0.03)),
                     "wander": float(rng.uniform(0.05, 0.3)), "width": float(rng.uniform(0.005, 0.02)),
                     "contrast": float(rng.uniform(0.6, 1.0)),
                     "branch": float(rng.uniform(0.2, 0.6)) if rng.random() < 0.25 else 0.0, "seed": _seed(rng)})
    return made


def _side_cracks(rng: np.random.Generator, worst: float) -> list[Json]:
    """Ring, longitudinal or helical cracks."""
    made = []
    for number in range(int(rng.choice([1, 1, 1, 2]))):
        kind = str(rng.choice(["ring", "long", "helix"]))
        at = float(rng.uniform(0.06, 0.94))
        ratio = worst * (1.0 if number == 0 else float(rng.uniform(0.2, 0.9)))
        around = float(rng.uniform(-0.8, 0.8))
        lean = {"ring": math.pi / 2, "long": 0.0, "helix": float(rng.uniform(0.35, 1.1))}[kind]
        if kind != "long":
            around = float(np.clip(-ratio * math.sin(lean) * rng.uniform(0.7, 1.1), -1.15, 1.15))
            if rng.random() < 0.5:
                around, lean = -around, -lean
        if at > 0.5:
            lean = math.pi - lean
        made.append({"ratio": ratio, "at": at, "around": around, "lean": lean + float(rng.normal(0, 0.08)),
                     "wander": float(rng.uniform(0.03, 0.2)), "width": float(rng.uniform(0.004, 0.014)),
                     "contrast": float(rng.uniform(0.6, 1.0)), "seed": _seed(rng)})
    return made


def _harmless(rng: np.random.Generator) -> Json:
    """What looks like wear and is none."""
    return {
        "scratches": int(rng.integers(1, 9)) if rng.random() < 0.35 else 0,
        "specks": float(rng.uniform(0.0005, 0.006)) if rng.random() < 0.35 else 0.0,
        "drops": int(rng.integers(2, 12)) if rng.random() < 0.1 else 0,
        "stress": float(rng.uniform(0.03, 0.12)) if rng.random() < 0.15 else 0.0,
    }


def sample_wear(design: Mapping[str, Any], view: str, rng: np.random.Generator) -> Json:
    """Wear of one part; absent modes are absent keys.

    Args:
        design: What ``sample_design`` gave for the same view.
        view: ``"end"`` or ``"side"``.
        rng: Source of all chance.
    """
    wear: Json = {"harmless": _harmless(rng)}
    modes = _modes(rng, END_MODES if view == "end" else SIDE_MODES)
    if "grime" in modes or rng.random() < 0.1:
        area = severity(rng, GRIME) if "grime" in modes else float(rng.uniform(0.003, 0.03))
        colour = design["material"]["ends"][0] if view == "end" else design["material"]["body"]
        wear["grime"] = _grime(rng, colour, area)
    if "deform" in modes:
        wear["deform"] = _deform(rng, design, severity(rng, DEFORMATION))
    if "drive" in modes:
        socket = design["socket"]
        if socket["kind"] == SPLINED:
            wear["teeth"] = _teeth(rng, int(socket["count"]), severity(rng, TOOTH))
        else:
            wear["corners"] = _corners(rng, len(corner_angles(socket)), severity(rng, ROUNDING))
    if "crack" in modes:
        made = _end_cracks if view == "end" else _side_cracks
        wear["cracks"] = made(rng, severity(rng, CRACK))
    if "bow" in modes:
        wear["bow"] = {"kind": str(rng.choice(["arc", "arc", "wave", "kink"])), "ratio": severity(rng, BOW),
                       "sign": float(rng.choice([-1.0, 1.0])), "at": float(rng.uniform(0.3, 0.7))}
    return wear
