"""The camera as parameters: where it stands, what its lens and electronics do to the picture."""

from __future__ import annotations

from typing import Any

import numpy as np

FAULTS = ("blurred", "shaken", "dark", "bright", "noisy", "tilted", "small", "cut_off", "glare")
"""Ways in which a photo can be unfit; ``sample_camera`` makes one on request."""


def sample_pose(rng: np.random.Generator, *, fault: str | None = None) -> dict[str, Any]:
    """Tilt (mostly under 20 degrees, to 35), turn, distance in plane units (a phone at 8 to 40 cm)."""
    tilt = min(abs(float(rng.normal(0, 11))), 35.0)
    if fault == "tilted":
        tilt = float(rng.uniform(48, 65))
    return {
        "tilt_deg": tilt,
        "tilt_towards_deg": float(rng.uniform(0, 360)),
        "turn_deg": float(rng.uniform(0, 360)),
        "distance": float(np.exp(rng.uniform(np.log(5.0), np.log(25.0)))),
    }


def sample_sensor(rng: np.random.Generator, *, fault: str | None = None) -> dict[str, Any]:
    """Focus, exposure, noise, colour and file, as phones and messengers leave them; mild unless ``fault``.

    Blurs are in pixels of a 320 pixel picture, exposure in stops, ``gain`` None for a metered exposure.
    """
    made = {
        "defocus_px": float(rng.gamma(1.5, 0.25)),
        "motion_px": float(rng.uniform(0.5, 2.0)) if rng.random() < 0.15 else 0.0,
        "motion_deg": float(rng.uniform(0, 180)),
        "exposure_ev": float(np.clip(rng.normal(0.0, 0.4), -1.2, 1.0)),
        "gain": None,
        "iso": float(np.exp(rng.uniform(np.log(0.002), np.log(0.03)))),
        "white_error": [float(v) for v in np.exp(rng.normal(0, 0.06, 2))],
        "adaptation": float(rng.uniform(0.4, 1.0)),
        "sharpen": float(rng.uniform(0, 1.0) * (rng.random() < 0.7)),
        "sharpen_px": float(rng.uniform(0.6, 1.6)),
        "contrast": float(rng.uniform(0.0, 0.8)),
        "saturation": float(rng.uniform(0.7, 1.25)),
        "black": float(rng.uniform(0.0, 0.02) * (rng.random() < 0.5)),
        "rescale": float(rng.uniform(0.55, 0.95)) if rng.random() < 0.3 else 1.0,
        "jpeg": int(rng.integers(40, 96)),
        "jpeg_again": int(rng.integers(50, 90)) if rng.random() < 0.25 else None,
    }
    made.update(_faulty(fault, rng))
    return made


def sample_lens(rng: np.random.Generator) -> dict[str, Any]:
    """Depth of field for the path tracer, plane units: radius of the entrance pupil and how far the focus is off.

    A phone's pupil is one to two millimetres in radius (common values, no published source), a tenth of a unit.
    """
    return {
        "aperture": 0.0 if rng.random() < 0.35 else float(np.exp(rng.uniform(np.log(0.02), np.log(0.22)))),
        "focus_shift": float(rng.normal(0, 0.12)),
    }


def _faulty(fault: str | None, rng: np.random.Generator) -> dict[str, Any]:
    if fault == "blurred":
        return {"defocus_px": float(rng.uniform(5, 12)), "sharpen": 0.0}
    if fault == "shaken":
        return {"motion_px": float(rng.uniform(14, 35))}
    if fault == "dark":
        return {"exposure_ev": float(rng.uniform(-5.5, -3.5))}
    if fault == "bright":
        return {"exposure_ev": float(rng.uniform(2.5, 4.5))}
    if fault == "noisy":
        return {"iso": float(rng.uniform(0.15, 0.4)), "exposure_ev": -1.5}
    return {}


def sample_fill(part_has_window: bool, rng: np.random.Generator, *, fault: str | None = None) -> float:
    """Share of the picture's side that the subject takes: a window 0.2 to 0.9, a whole part 0.45 to 0.97."""
    if fault == "small":
        return float(rng.uniform(0.05, 0.11))
    if fault == "cut_off":
        return float(rng.uniform(1.6, 2.4))
    if part_has_window:
        return float(0.2 + 0.7 * rng.beta(1.6, 1.7))
    return float(0.45 + 0.52 * rng.beta(1.8, 1.3))
