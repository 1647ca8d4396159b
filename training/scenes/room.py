"""The room about a bench as parameters: what only the path tracer needs beside light, bench and clutter.

Stored under ``recipe.scene["room"]``; plain JSON values. Sizes of the room are angles as seen from the part, sizes on
the bench are millimetres, so that a cell and a coupler lie on the same plank.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from wearvision_training.scenes.bench import linear_colour

Rng = np.random.Generator

PLACES: dict[str, dict[str, float]] = {
    "flash": {"hall": 3, "cellar": 3, "dim": 4, "garage": 2, "cab": 2, "night": 2},
    "sun": {"yard": 6, "garage": 1},
    "overcast": {"yard": 5, "garage": 2, "cab": 1},
    "tube": {"hall": 4, "garage": 4, "box": 1.5, "cellar": 1},
    "bulb": {"cellar": 4, "garage": 3, "dim": 2, "hall": 1},
    "cab": {"cab": 1},
    "torch": {"night": 4, "cellar": 3, "cab": 2, "dim": 1},
}
"""Where each light of ``scenes.light.KINDS`` is met, with weights."""

EXTRAS = ("cable", "shaft", "rag", "screw", "block", "sheet", "collar")
"""Things at the edge of the picture that no part's family stands for."""

OPENINGS: dict[str, tuple[int, int]] = {
    "hall": (1, 5), "garage": (1, 3), "cellar": (0, 2), "dim": (0, 2), "cab": (2, 5), "night": (0, 2), "box": (1, 3),
    "yard": (0, 1),
}  # fmt: skip


LEVELS = {
    "hall": 0.35, "garage": 0.3, "cellar": 0.18, "dim": 0.15, "cab": 0.08, "night": 0.02, "box": 0.9, "yard": 0.3,
}  # fmt: skip
"""Radiance of a place's walls against a well lit white wall's."""


def sample_room(rng: Rng, part: str = "none", *, light: str = "tube", photos: int = 0) -> dict[str, Any]:
    """A room, the lamp's form, the bench's surface and what else lies about.

    Args:
        rng: All chance comes from it.
        part: What lies on the bench; a thing that is no part is photographed before a photograph more often.
        light: Kind of the scene's light, one of ``PLACES``.
        photos: How many photographs the caller can lend; 0 leaves them out.
    """
    places = PLACES[light]
    weights = np.array(list(places.values()))
    place = str(rng.choice(list(places), p=weights / weights.sum()))
    return {
        "place": place,
        **_walls(place, rng),
        "openings": [_opening(place, rng) for _ in range(int(rng.integers(*OPENINGS[place], endpoint=True)))],
        "tubes": [_tube(rng) for _ in range(int(rng.integers(1, 5)))] if place in ("hall", "garage") else [],
        "skyline_deg": float(rng.uniform(2, 35)),
        "clouds": float(rng.uniform(0, 1)),
        "observer": _observer(rng),
        "lamp": _lamp(light, rng),
        "shade": _shade(rng) if light not in ("flash", "overcast") and rng.random() < 0.25 else None,
        "second": _second(rng) if rng.random() < 0.35 else None,
        "bench": _surface(rng),
        "hand": _hand(rng),
        "extras": _extras(rng),
        "photo": _photo(part, photos, rng),
    }


def _walls(place: str, rng: Rng) -> dict[str, Any]:
    """Radiance of wall, ceiling and ground against 1 for a well lit white wall."""
    base = LEVELS[place] * float(np.exp(rng.normal(0, 0.35)))

    def tone(low: float, high: float, rich: float = 0.35) -> list[float]:
        colour = linear_colour(float(rng.random()), float(rng.beta(1, 4)) * rich, float(rng.uniform(low, high)))
        return [base * c for c in colour]

    if place == "box":
        return {"wall": tone(0.9, 1.0, 0.05), "ceiling": tone(0.95, 1.0, 0.05), "ground": tone(0.85, 1.0, 0.05)}
    return {"wall": tone(0.45, 1.0), "ceiling": tone(0.4, 1.0, 0.15), "ground": tone(0.2, 0.6)}


def _opening(place: str, rng: Rng) -> dict[str, float | int]:
    """A window, door or bright thing: azimuth, elevation, half width and half height in degrees, strength over 1."""
    high = place in ("hall", "box")
    return {
        "azimuth_deg": float(rng.uniform(0, 360)),
        "elevation_deg": float(rng.uniform(35, 85) if place == "box" else rng.uniform(15, 60 if high else 38)),
        "half_width_deg": float(rng.uniform(20, 50) if place in ("cab", "box") else rng.uniform(4, 28)),
        "half_height_deg": float(rng.uniform(8, 26) if place in ("cab", "box") else rng.uniform(4, 18)),
        "strength": float(np.exp(rng.uniform(np.log(1.5), np.log(12)))) * (0.06 if place == "night" else 1.0),
        "kelvin": float(rng.uniform(4500, 8500)),
        "panes": int(rng.integers(1, 5)),
    }


def _tube(rng: Rng) -> dict[str, float]:
    return {
        "azimuth_deg": float(rng.uniform(0, 360)),
        "elevation_deg": float(rng.uniform(45, 85)),
        "half_length_deg": float(rng.uniform(8, 28)),
        "half_width_deg": float(rng.uniform(1.2, 3.0)),
        "turn_deg": float(rng.uniform(0, 180)),
        "strength": float(np.exp(rng.uniform(np.log(3), np.log(25)))),
    }


def _observer(rng: Rng) -> dict[str, float]:
    """Who holds the camera: a dark shape about the lens and down to one side."""
    return {
        "radius_deg": float(rng.uniform(5, 26)),
        "share": float(rng.uniform(0.02, 0.5)),
        "towards_deg": float(rng.uniform(0, 360)),
        "width_deg": float(rng.uniform(10, 40)),
        "stretch": float(rng.uniform(0, 1.5)),
    }


def _lamp(light: str, rng: Rng) -> dict[str, Any]:
    """Distance of the key lamp (camera distances; the sun's is without meaning), length over width, a hood."""
    reach = {"flash": (1, 1), "torch": (0.5, 1.3), "bulb": (1.2, 4), "tube": (1.5, 5), "cab": (1.5, 5)}
    return {
        "reach": float(rng.uniform(*reach.get(light, (3.0, 8.0)))),
        "aspect": float(rng.uniform(3, 12) if light == "tube" else rng.uniform(1, 2.5) if light == "cab" else 1.0),
        "turn_deg": float(rng.uniform(0, 180)),
        "beside_mm": float(rng.uniform(7, 22)),
        "beside_deg": float(rng.uniform(0, 360)),
        "hood": bool(light == "torch" and rng.random() < 0.6),
    }


def _shade(rng: Rng) -> dict[str, Any]:
    """Something between lamp and bench whose shadow falls across the picture; offset in plane units."""
    return {
        "bars": int(rng.choice([1, 2, 3, 5], p=[0.55, 0.15, 0.15, 0.15])),
        "offset": float(rng.uniform(-0.9, 1.4)),
        "width": float(rng.uniform(0.08, 0.6)),
        "gap": float(rng.uniform(0.15, 0.9)),
        "lean_deg": float(rng.normal(0, 25)),
        "near": float(rng.uniform(0.35, 0.7)),
    }


def _second(rng: Rng) -> dict[str, float]:
    """A weaker lamp of another colour from another side."""
    return {
        "share": float(rng.uniform(0.08, 0.5)),
        "kelvin": float(rng.choice([rng.uniform(2500, 3500), rng.uniform(4000, 8000)])),
        "azimuth_deg": float(rng.uniform(0, 360)),
        "elevation_deg": float(rng.uniform(20, 75)),
        "softness": float(rng.uniform(0.1, 1.2)),
        "reach": float(rng.uniform(1.5, 5)),
        "aspect": float(rng.choice([1.0, rng.uniform(2, 8)])),
        "turn_deg": float(rng.uniform(0, 180)),
    }


def _surface(rng: Rng) -> dict[str, Any]:
    """How coarse, rough, wet and uneven the bench is; ``form`` in 0 to 1 chooses among a kind's variants."""
    return {
        "coarse": float(np.exp(rng.normal(0, 0.4))),
        "rough": float(rng.uniform(0, 1)),
        "wet": float(rng.uniform(0.3, 1.0)) if rng.random() < 0.12 else 0.0,
        "uneven": float(rng.uniform(0, 1)),
        "dust": float(rng.uniform(0, 1) ** 2),
        "form": float(rng.random()),
        "seam": float(rng.uniform(-0.9, 0.9)) if rng.random() < 0.12 else None,
        "second_kind": str(rng.choice(["paper", "rag", "steel", "wood", "cardboard", "paint"])),
        "spots": int(rng.integers(1, 9)) if rng.random() < 0.4 else 0,
    }


def _hand(rng: Rng) -> dict[str, Any]:
    """A hand under the part, used where the bench's kind is skin or glove, now and then over any bench."""
    tone = float(rng.uniform(0.25, 0.9))
    return {
        "held": bool(rng.random() < 0.05),
        "open": bool(rng.random() < 0.3),
        "skin": linear_colour(float(rng.uniform(0.03, 0.075)), float(0.3 + 0.3 * (1 - tone)), tone),
        "glove": bool(rng.random() < 0.5),
        "fingers": int(rng.integers(2, 5)),
        "width_mm": float(rng.uniform(14, 21)),
        "tip": float(rng.uniform(0.2, 3.0)),
        "spread": float(rng.uniform(0, 0.25)),
        "thumb": bool(rng.random() < 0.5),
        "below_mm": float(rng.uniform(30, 250)),
    }


def _extras(rng: Rng) -> list[dict[str, Any]]:
    """Up to four things beside the part; ``away`` in plane units beyond the plane's unit circle."""
    return [
        {
            "kind": str(rng.choice(EXTRAS)),
            "azimuth_deg": float(rng.uniform(0, 360)),
            "away": float(rng.uniform(0.05, 1.6)),
            "turn_deg": float(rng.normal(0, 35)),
            "width_mm": float(np.exp(rng.uniform(np.log(2.0), np.log(14)))),
            "hue": float(rng.random()),
            "value": float(rng.uniform(0.05, 0.9)),
            "metal": bool(rng.random() < 0.5),
        }
        for _ in range(int(rng.choice([0, 1, 2, 4], p=[0.5, 0.27, 0.15, 0.08])))
    ]


def _photo(part: str, photos: int, rng: Rng) -> dict[str, Any] | None:
    """Which photograph serves as the room or as the bench, if any."""
    if photos < 1 or rng.random() > (0.5 if part == "none" else 0.22):
        return None
    return {
        "index": int(rng.integers(photos)),
        "use": "bench" if rng.random() < 0.5 else "room",
        "boost": float(rng.uniform(2, 12)),
        "blur": float(rng.uniform(0, 0.03)),
        "zoom": float(rng.uniform(0.25, 1.0)),
    }
