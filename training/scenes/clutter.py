"""Harmless surroundings as parameters: things that lie about, and what lies on a window without being wear."""

from __future__ import annotations

from typing import Any

import numpy as np

from wearvision_training.designs import not_part


def sample_clutter(rng: np.random.Generator, room: float) -> list[dict[str, Any]]:
    """Up to five small things towards the picture's edges.

    Args:
        rng: Draws them.
        room: How far the part reaches from the picture's centre, half sides; things keep outside of most of it.
    """
    items = []
    for _ in range(int(rng.choice([0, 1, 2, 3, 5], p=[0.45, 0.25, 0.15, 0.1, 0.05]))):
        size = float(rng.uniform(0.10, 0.5))
        reach = float(max(room * 0.8 + size * 0.6, rng.uniform(0.5, 1.2)))
        angle = float(rng.uniform(0, 2 * np.pi))
        if reach > 1.25 + size:
            continue
        family = str(rng.choice(not_part.THINGS))
        items.append(
            {
                "design": not_part.sample_design(family, "", rng),
                "at": [reach * float(np.cos(angle)), reach * float(np.sin(angle))],
                "size": size,
                "turn_deg": float(rng.uniform(0, 360)),
            }
        )
    return items


def sample_glass(rng: np.random.Generator, *, fault: str | None = None) -> dict[str, Any]:
    """Mirrored lamps and water drops on a window, positions from -1 to 1 across it."""
    glints = int(rng.choice([0, 1, 2], p=[0.55, 0.33, 0.12]))
    drops = int(rng.integers(1, 6)) if rng.random() < 0.12 else 0
    if fault == "glare":
        return {"glints": [_glint(rng, size=(0.35, 0.8), strength=(2.5, 6.0)) for _ in range(2)], "drops": []}
    low, high = (-0.75, -0.75, 0.04), (0.75, 0.75, 0.16)
    return {
        "glints": [_glint(rng, size=(0.04, 0.16), strength=(0.15, 2.0)) for _ in range(glints)],
        "drops": [[float(v) for v in rng.uniform(low, high)] for _ in range(drops)],
    }


def _glint(rng: np.random.Generator, *, size: tuple[float, float], strength: tuple[float, float]) -> dict[str, Any]:
    return {
        "shape": str(rng.choice(["spot", "tube", "frame"])),
        "at": [float(v) for v in rng.uniform(-0.7, 0.7, 2)],
        "size": float(rng.uniform(*size)),
        "turn_deg": float(rng.uniform(0, 180)),
        "blur": float(rng.uniform(0.1, 0.5)),
        "strength": float(rng.uniform(*strength)),
    }
