"""The light of a scene as parameters: where it stands, its colour, how it falls off."""

from __future__ import annotations

from typing import Any

import numpy as np

# Colour temperature in kelvin, share of light from all around, penumbra, falloff over the picture:
# common values of such lamps, no published source.
KINDS: dict[str, dict[str, tuple[float, float]]] = {
    "flash": {"kelvin": (5000, 6200), "ambient": (0.15, 0.45), "softness": (0.2, 0.6), "falloff": (0.1, 0.6)},
    "sun": {"kelvin": (4800, 6500), "ambient": (0.2, 0.45), "softness": (0.05, 0.3), "falloff": (0.0, 0.1)},
    "overcast": {"kelvin": (6000, 8000), "ambient": (0.6, 0.9), "softness": (0.8, 1.5), "falloff": (0.0, 0.2)},
    "tube": {"kelvin": (3500, 6500), "ambient": (0.4, 0.75), "softness": (0.5, 1.2), "falloff": (0.0, 0.35)},
    "bulb": {"kelvin": (2500, 3200), "ambient": (0.2, 0.55), "softness": (0.2, 0.7), "falloff": (0.1, 0.7)},
    "cab": {"kelvin": (2700, 5500), "ambient": (0.35, 0.7), "softness": (0.3, 1.0), "falloff": (0.2, 0.8)},
    "torch": {"kelvin": (4500, 7500), "ambient": (0.12, 0.35), "softness": (0.1, 0.5), "falloff": (0.4, 1.1)},
}


def sample_light(rng: np.random.Generator) -> dict[str, Any]:
    """One light: kind, colour of key and surroundings (kelvin, green tint), direction, softness, falloff."""
    kind = str(rng.choice(list(KINDS)))
    ranges = KINDS[kind]
    drawn = {name: float(rng.uniform(low, high)) for name, (low, high) in ranges.items()}
    high = kind == "flash"
    return {
        "kind": kind,
        **drawn,
        "ambient_kelvin": float(rng.uniform(3200, 8500)),
        "tint": float(rng.normal(0.0, 0.03 if kind != "tube" else 0.06)),
        "azimuth_deg": float(rng.uniform(0, 360)),
        "elevation_deg": float(rng.uniform(65, 88) if high else rng.uniform(22, 75)),
        "centre": [float(rng.normal(0, 0.5)), float(rng.normal(0, 0.5))],
        "slope": float(rng.uniform(0.0, 0.35)),
        "vignette": float(rng.uniform(0.0, 0.35)),
        "windows": int(rng.integers(1, 5)),
        "surround": float(rng.uniform(0.25, 0.9)),
    }


def kelvin_to_rgb(kelvin: float) -> np.ndarray:
    """Linear RGB of a black body at 2000 to 10000 K, scaled to luminance 1.

    Source: CIE daylight/Planckian chromaticity as Kim et al. (2002) approximate it by cubics, turned
    into linear sRGB by the matrix of IEC 61966-2-1 (coefficients from memory).
    """
    t = float(np.clip(kelvin, 2000.0, 10000.0))
    if t <= 4000:
        x = -0.2661239e9 / t**3 - 0.2343589e6 / t**2 + 0.8776956e3 / t + 0.179910
    else:
        x = -3.0258469e9 / t**3 + 2.1070379e6 / t**2 + 0.2226347e3 / t + 0.240390
    if t <= 2222:
        y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    elif t <= 4000:
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    xyz = np.array([x / y, 1.0, (1 - x - y) / y])
    matrix = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
    return np.asarray(np.clip(matrix @ xyz, 0.02, None), np.float32)
