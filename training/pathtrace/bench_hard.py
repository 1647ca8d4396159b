"""Hard benches: wood, steel, concrete, paint, tile, tray, castings. Relief is height, dirt is colour."""

from __future__ import annotations

import cv2
import numpy as np

from wearvision_training.pathtrace.bench_sheet import Sheet, Surface, mixed, swell


def wood(s: Sheet) -> Surface:
    """Planks with rings, fibres and pores, oiled or bare."""
    width = s.rng.uniform(60, 140)
    planks = s.at() / width
    number = np.floor(planks).astype(int) % 64
    shift = s.rng.uniform(-30, 30, 64).astype(np.float32)[number][:, None]
    across = s.at()[:, None] + shift + s.streaks(120, 25) * 9 + 0.6 * s.streaks(30, 4)
    pitch = float(s.rng.uniform(2.5, 9))
    ring = (across / pitch) % 1.0
    late = np.where(ring < 0.75, ring / 0.75, (1 - ring) / 0.25) ** 2
    fibre, pores = s.streaks(18, 0.5), s.streaks(5, 0.25)
    gap = ((planks % 1.0) * width < 1.2)[:, None] & np.full((1, s.n), s.form < 0.6)
    mix = np.clip(0.8 * late + 0.25 * fibre + 0.3 * s.noise(60, 3), 0, 1).astype(np.float32)
    relief = 0.05 * late + 0.04 * fibre + 0.04 * np.minimum(pores, 0)
    plank = s.rng.uniform(-0.15, 0.15, 64).astype(np.float32)[number][:, None]
    tone = 1 - 0.3 * late + 0.14 * fibre - 0.2 * np.clip(-pores, 0, 1) + plank
    tone = np.where(gap, 0.25, tone).astype(np.float32)
    lacquer = s.form > 0.75
    sunk = np.where(gap, -0.8, relief).astype(np.float32)
    return Surface(mix, tone, sunk, None, 0.35 if lacquer else 0.75, coat=0.6 * lacquer)


def steel(s: Sheet) -> Surface:
    """Brushed sheet, in some forms pierced by holes."""
    brushed = s.streaks(60, 0.3) + 0.5 * s.streaks(15, 0.8)
    rough = np.clip(0.32 + 0.12 * brushed + 0.15 * s.noise(40, 3), 0.2, 0.8)
    bright, pitch = np.ones((s.n, s.n), np.float32), float(s.rng.uniform(5, 14))
    if s.form > 0.75:  # perforated sheet, holes in triangles
        u, v = s.at()[None, :] / pitch, s.at()[:, None] / (pitch * 0.866)
        odd = np.floor(v) % 2
        away = np.hypot((u + odd / 2) % 1 - 0.5, (v % 1 - 0.5) * 0.866)
        # A hole is deep against its width and lets hardly any light back: black and dull does for it.
        bright = np.clip((away - s.rng.uniform(0.22, 0.36)) * 14 + 0.5, 0, 1).astype(np.float32)
    relief = 0.006 * brushed + 0.4 * bright
    rough = rough * bright + 0.95 * (1 - bright)
    return Surface(mixed(s, 50), 0.03 + 0.97 * bright, relief, swell(s, 0.4), rough, 0.95 * bright)


def concrete(s: Sheet) -> Surface:
    """Grainy, pitted."""
    fine, pits = s.noise(0.8, 2), np.clip(3 * (s.noise(5, 2) - 0.6), 0, 1)
    grains = s.noise(2.5, 3)
    tone = 1 + 0.12 * fine + 0.12 * grains - 0.25 * pits
    return Surface(mixed(s, 60), tone.astype(np.float32), 0.15 * fine + 0.1 * grains - 0.7 * pits, swell(s, 0.8), 0.9)


def paint(s: Sheet) -> Surface:
    """Painted metal with orange peel and chips down to what is below."""
    peel = s.noise(3, 2)
    edge = s.noise(18, 5) - float(s.rng.uniform(0.45, 1.3))
    chips = np.clip(12 * edge, 0, 1)
    rough = np.clip(0.25 + 0.4 * s.form + 0.4 * chips + 0.08 * peel, 0.15, 1)
    metal, coat = 0.8 * chips * (s.form > 0.5), 0.3 * (s.form < 0.4)
    return Surface(chips, 1.0, 0.012 * peel - 0.12 * chips, swell(s, 0.5), rough, metal.astype(np.float32), coat)


def tray(s: Sheet) -> Surface:
    """Moulded with grooves one way or both."""
    pitch = float(s.rng.uniform(8, 30))
    u = (s.at() / pitch) % 1.0
    groove = np.exp(-(((u - 0.5) / 0.07) ** 2)).astype(np.float32)
    both = groove[:, None] + (groove[None, :] if s.form > 0.5 else 0.0) * np.ones((s.n, 1), np.float32)
    both = np.broadcast_to(np.clip(both, 0, 1), (s.n, s.n)).astype(np.float32)
    grain = s.noise(0.8, 2)
    return Surface(mixed(s, 60) * 0.4, 1 - 0.25 * both, 0.03 * grain, -0.12 * pitch * both, 0.3 + 0.45 * s.form)


def tile(s: Sheet) -> Surface:
    """Glazed tiles and their joints."""
    size = float(s.rng.choice([20.0, 50.0, 100.0, 150.0]))
    joint = ((s.at() % size) < max(3.0 if size > 30 else 1.8, 2 * s.span / s.n)).astype(np.float32)
    lines = cv2.GaussianBlur(np.maximum(joint[:, None], joint[None, :]), (0, 0), 1.2)
    rough = 0.15 + 0.2 * s.form + 0.6 * lines
    return Surface(mixed(s, 80) * (1 - lines), 1 - 0.4 * lines, 0.02 * s.noise(15, 2), -1.5 * lines, rough, coat=0.5)


def plate(s: Sheet) -> Surface:
    """Steel with raised lozenges in turn."""
    pitch = float(s.rng.uniform(16, 32))
    u, v = s.at()[None, :] / pitch, s.at()[:, None] / pitch
    even = (np.floor(u) + np.floor(v)) % 2 > 0
    a, b = u % 1 - 0.5, v % 1 - 0.5
    along, across = np.where(even, a + b, a - b), np.where(even, a - b, a + b)
    lens = np.clip(1 - (along / 0.6) ** 2 - (across / 0.2) ** 2, 0, 1)
    raised = np.sqrt(lens)
    rust = np.clip(2 * s.noise(35, 4) - 0.4, 0, 1) * (s.form > 0.5)
    rough = np.clip(0.5 - 0.2 * raised + 0.4 * rust + 0.1 * s.noise(3, 2), 0.2, 1)
    mix = np.maximum(0.3 * mixed(s, 30), rust)
    return Surface(mix, 1.0, 0.02 * s.noise(1.0, 2), 1.3 * raised, rough, 0.9 * (1 - rust))


def burner(s: Sheet) -> Surface:
    """Inside of an appliance: cast steps, a seam, bores, bosses."""
    steps = np.floor(1.6 * s.noise(float(s.rng.uniform(45, 90)), 2))
    steps = cv2.GaussianBlur(steps.astype(np.float32), (0, 0), max(1.0, 0.7 / s.span * s.n))
    height, dark = steps * float(s.rng.uniform(3, 8)), np.zeros((s.n, s.n), np.float32)
    for _ in range(int(s.rng.integers(1, 6))):
        x, y = (int(v) for v in s.rng.integers(0, s.n, 2))
        radius = max(3, int(s.rng.uniform(3, 12) / s.span * s.n))
        cv2.circle(height, (x, y), int(radius * 1.7), float(height[y, x]) + 2.0, -1, cv2.LINE_AA)
        cv2.circle(height, (x, y), radius, float(height[y, x]) - 9.0, -1, cv2.LINE_AA)
        cv2.circle(dark, (x, y), radius, 1.0, -1, cv2.LINE_AA)
    cast = s.noise(1.2, 2)
    soot = np.clip(s.noise(60, 4) + 0.3, 0, 1)
    rough = 0.55 + 0.3 * soot
    tone = (1 - 0.6 * soot) * (1 - 0.6 * dark)
    metal = 0.6 * (1 - soot) * (s.form > 0.4)
    return Surface(mixed(s, 40), tone, 0.12 * cast, height.astype(np.float32), rough, metal)


def plain(s: Sheet) -> Surface:
    """One colour, matt to glossy."""
    return Surface(mixed(s, 120), 1.0, 0.01 * s.noise(0.8, 2), None, 0.15 + 0.8 * s.form, coat=0.4 * (s.form < 0.25))
