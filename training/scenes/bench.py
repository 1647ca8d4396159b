"""What the part lies on, as parameters."""

from __future__ import annotations

import colorsys
from typing import Any

import numpy as np

# Hue, saturation and value (as sRGB) from which the two colours of a bench come; wide on purpose.
KINDS: dict[str, tuple[tuple[float, float], tuple[float, float], tuple[float, float]]] = {
    "wood": ((0.04, 0.12), (0.25, 0.65), (0.25, 0.85)),
    "steel": ((0.5, 0.7), (0.0, 0.08), (0.3, 0.85)),
    "rag": ((0.0, 1.0), (0.0, 0.7), (0.2, 0.95)),
    "cardboard": ((0.06, 0.11), (0.25, 0.5), (0.45, 0.8)),
    "concrete": ((0.05, 0.6), (0.0, 0.1), (0.3, 0.8)),
    "paint": ((0.0, 1.0), (0.0, 0.8), (0.12, 0.9)),
    "paper": ((0.08, 0.6), (0.0, 0.1), (0.7, 0.98)),
    "print": ((0.08, 0.6), (0.0, 0.15), (0.7, 0.95)),
    "glove": ((0.0, 1.0), (0.1, 0.8), (0.1, 0.85)),
    "skin": ((0.02, 0.08), (0.25, 0.6), (0.3, 0.9)),
    "tray": ((0.0, 1.0), (0.0, 0.8), (0.06, 0.85)),
    "rubber": ((0.0, 1.0), (0.0, 0.15), (0.05, 0.3)),
    "tile": ((0.0, 1.0), (0.0, 0.35), (0.4, 0.95)),
    "plate": ((0.5, 0.7), (0.0, 0.06), (0.35, 0.75)),
    "foil": ((0.1, 0.6), (0.0, 0.08), (0.5, 0.95)),
    "gravel": ((0.03, 0.15), (0.0, 0.3), (0.3, 0.7)),
    "burner": ((0.0, 1.0), (0.0, 0.6), (0.08, 0.5)),
    "plain": ((0.0, 1.0), (0.0, 0.5), (0.05, 1.0)),
}


def linear_colour(hue: float, saturation: float, value: float) -> list[float]:
    """Linear RGB of a hue, saturation and value that are meant as sRGB."""
    encoded = colorsys.hsv_to_rgb(hue % 1.0, saturation, value)
    return [round(c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4, 5) for c in encoded]


def sample_bench(rng: np.random.Generator) -> dict[str, Any]:
    """One bench: kind, two colours, how coarse its texture is, how dirty it is, how it is turned."""
    kind = str(rng.choice(list(KINDS)))
    hues, saturations, values = KINDS[kind]
    hue, value = float(rng.uniform(*hues)), float(rng.uniform(*values))
    # Most workshop surfaces are dull: strong colours are possible, not usual.
    saturation = float(saturations[0] + (saturations[1] - saturations[0]) * rng.beta(1.1, 2.2))
    other = np.clip(value * rng.uniform(0.55, 1.35), 0.02, 1.0)
    return {
        "kind": kind,
        "colour": linear_colour(hue, saturation, value),
        "second": linear_colour(hue + rng.normal(0, 0.03), saturation * rng.uniform(0.6, 1.2), float(other)),
        "turn_deg": float(rng.uniform(0, 360)),
        "grain": float(np.exp(rng.uniform(np.log(0.4), np.log(2.5)))),
        "contrast": float(rng.uniform(0.15, 1.0)),
        "stains": float(rng.uniform(0, 1) ** 2),
        "scratches": int(rng.integers(0, 14) * (rng.random() < 0.5)),
        "specks": int(rng.integers(0, 120) * (rng.random() < 0.5)),
        "gloss": float(rng.uniform(0, 0.5)),
        "edge": float(rng.uniform(-0.9, 0.9)) if rng.random() < 0.15 else None,
    }
