"""Soft and loose benches: rag, cardboard, paper, rubber, foil, gravel, skin. Relief is height, dirt is colour."""

from __future__ import annotations

import cv2
import numpy as np

from wearvision_training.pathtrace.bench_sheet import Sheet, Surface, cellular, mixed, swell
from wearvision_training.sketch.noise import Plane


def rag(s: Sheet) -> Surface:
    """Woven cloth in folds, oily in places."""
    folds = s.noise(float(s.rng.uniform(25, 60)), 3)
    sharp = 1 - np.abs(s.noise(float(s.rng.uniform(30, 80)), 2)) * 1.5
    pitch = float(s.rng.uniform(0.6, 1.4))
    u = (s.at()[None, :] + 2 * folds) * 2 * np.pi / pitch
    v = (s.at()[:, None] + 2 * folds) * 2 * np.pi / pitch
    weave = np.sin(u) * np.sin(v) * s.fine(pitch)
    height = (4 + 12 * s.uneven) * (0.6 * folds + 0.6 * np.clip(sharp, 0, 1) ** 3)
    check = (np.sin(s.at() / 7.0) > 0.4)[:, None].astype(np.float32) + (np.sin(s.at() / 7.0) > 0.4)[None, :]
    mix = np.clip(0.5 * check, 0, 1) if s.form > 0.7 else mixed(s, 40)
    oil = 1 - 0.55 * np.clip(2 * s.noise(30, 3) - 0.3, 0, 1)
    tone = (1 + 0.1 * weave) * oil
    return Surface(mix.astype(np.float32), tone.astype(np.float32), (0.12 * weave).astype(np.float32), height, 0.95)


def cardboard(s: Sheet) -> Surface:
    """Flutes under or without their paper."""
    flute = np.sin(s.at() * 2 * np.pi / 7.5)[:, None] * np.ones((1, s.n), np.float32)
    fibre = s.streaks(4, 0.4)
    if s.form > 0.8:  # single-faced: the flutes lie open
        return Surface(mixed(s, 30), 1 + 0.06 * fibre, 0.03 * fibre, 1.6 * flute, 0.9)
    return Surface(mixed(s, 30), 1 + 0.06 * fibre, 0.05 * flute + 0.03 * fibre, swell(s, 1.5), 0.9)


def paper(s: Sheet) -> Surface:
    """Creased; plain, ruled or squared."""
    crease = -np.abs(s.noise(70, 2)) ** 0.7
    rows = np.zeros((s.n, s.n), np.float32)
    if s.form > 0.6:  # squared or ruled
        pitch = 5.0 if s.form > 0.8 else 8.0
        line = ((s.at() % pitch) < max(0.35, s.span / s.n)).astype(np.float32)
        rows = np.maximum(line[:, None], line[None, :] if s.form > 0.8 else 0.0) * np.ones((s.n, s.n), np.float32)
    tone = 1 - 0.3 * rows
    height = crease * (1 + 4 * s.uneven) if s.uneven > 0.5 else None
    return Surface(mixed(s, 60) * 0.5, tone, 0.02 * s.noise(0.7, 2), height, 0.85)


def printed(s: Sheet) -> Surface:
    """Rows of ink that read as lines of text, headings and boxes, without letters."""
    n, line = s.n, max(3, round(float(np.exp(s.rng.uniform(np.log(2.5), np.log(9)))) / s.span * s.n))
    ink = np.zeros((n, n), np.float32)
    for top in range(int(s.rng.integers(0, line)), n - line, line):
        if s.rng.random() < 0.15:
            continue
        _write(ink, top, line, s.rng)
    for _ in range(int(s.rng.integers(0, 4))):
        x, y, w, h = (int(v) for v in s.rng.uniform([0, 0, 0.1, 0.05], [0.9, 0.9, 0.5, 0.3]) * n)
        cv2.rectangle(ink, (x, y), (x + w, y + h), 0.0, -1)
        cv2.rectangle(ink, (x, y), (x + w, y + h), 1.0, max(1, line // 9))
    ink = cv2.GaussianBlur(ink, (0, 0), 0.8)
    shine = 0.35 if s.form > 0.6 else 0.8
    return Surface(mixed(s, 60) * 0.3, 1 - 0.85 * ink, None, swell(s, 1.5), shine)


def _write(ink: Plane, top: int, line: int, rng: np.random.Generator) -> None:
    """A row of marks of invented letters, into ``ink`` in place: stems, bars and bows, spaces between words."""
    n, high = ink.shape[0], max(2.0, line * 0.5)
    x, end = float(rng.uniform(0, 0.12) * n), n * float(rng.uniform(0.5, 1.0))
    thick = max(1, round(high / 8))
    while x < end:
        if rng.random() < 0.17:
            x += high * 0.6
            continue
        wide, kind, low = high * float(rng.uniform(0.35, 0.6)), int(rng.integers(4)), top + high
        a, b = (int(x), int(top + high * rng.choice([0.0, 0.3]))), (int(x + wide), int(low))
        if kind == 0:
            cv2.ellipse(ink, ((a[0] + b[0]) // 2, (a[1] + b[1]) // 2), (int(wide / 2), (b[1] - a[1]) // 2), 0, 0, 360,
                        1.0, thick, cv2.LINE_AA)  # fmt: skip
        else:
            cv2.line(ink, a, (a[0], b[1]), 1.0, thick, cv2.LINE_AA)
        if kind == 2:
            cv2.line(ink, (b[0], a[1]), b, 1.0, thick, cv2.LINE_AA)
        if kind in (2, 3):
            y = int(rng.integers(a[1], b[1] + 1))
            cv2.line(ink, (a[0], y), (b[0], y), 1.0, thick, cv2.LINE_AA)
        x += wide + high * 0.22


def rubber(s: Sheet) -> Surface:
    """Ribbed or studded, dusty in the hollows."""
    pitch = float(s.rng.uniform(3, 12))
    if s.form > 0.5:
        w = 2 * np.pi / pitch
        dots = np.clip(np.sin(s.at() * w)[:, None] * np.sin(s.at() * w)[None, :] * 2, -1, 1)
    else:
        dots = np.clip(2 * np.sin(s.at() * 2 * np.pi / pitch), -1, 1)[:, None] * np.ones((1, s.n), np.float32)
    dusty = np.clip(0.5 + 0.5 * s.noise(20, 4) - 0.25 * dots, 0, 1)
    return Surface(dusty.astype(np.float32), 1.0, 0.04 * s.noise(0.6, 2), (0.07 * pitch * dots).astype(np.float32), 0.8)


def foil(s: Sheet) -> Surface:
    """Crumpled facets."""
    label, _ = cellular(s, float(s.rng.uniform(6, 18)))
    slope = s.rng.normal(0, 0.25, (2, int(label.max()) + 1)).astype(np.float32)
    along = np.broadcast_to(np.linspace(0, s.span, s.n), (s.n, s.n))
    count = np.maximum(np.bincount(label.ravel()), 1)
    # Each facet tilts about its own middle.
    facets = np.zeros((s.n, s.n))
    for tilt, at in zip(slope, (along, along.T), strict=True):
        facets += tilt[label] * (at - (np.bincount(label.ravel(), at.ravel()) / count)[label])
    crinkle = cv2.GaussianBlur(facets.astype(np.float32), (0, 0), max(0.8, 0.4 / s.span * s.n))
    return Surface(mixed(s, 50), 1.0, 0.35 * crinkle, None, 0.22 + 0.2 * s.form, 1.0)


def gravel(s: Sheet) -> Surface:
    """Stones that touch, sand in the gaps."""
    size = float(np.exp(s.rng.uniform(np.log(3), np.log(14))))
    label, _ = cellular(s, size)
    count = int(label.max()) + 1
    stone = s.rng.uniform(0, 1, count).astype(np.float32)[label]
    tone = s.rng.uniform(0.55, 1.35, count).astype(np.float32)[label] * (1 + 0.2 * s.noise(0.7, 2))
    lift = s.rng.uniform(-0.25, 0.1, count).astype(np.float32)[label]
    # Stones touch along the cells' borders and are rounded towards them.
    border = (label != np.roll(label, 1, 0)) | (label != np.roll(label, 1, 1))
    inward = cv2.distanceTransform(1 - border.astype(np.uint8), cv2.DIST_L2, 3) * np.float32(s.span / s.n)
    dome = np.sqrt(1 - (1 - np.clip(inward / (0.38 * size), 0, 1)) ** 2) * 0.6 + lift
    height = cv2.GaussianBlur((size * dome).astype(np.float32), (0, 0), 1.5)
    gap = np.clip(1 - inward / (0.07 * size), 0, 1)
    fine = 0.12 * s.noise(0.7, 2) + 0.1 * s.noise(3, 2) + 0.4 * size * dome
    tone = (tone * (1 - 0.6 * gap)).astype(np.float32)
    return Surface(stone * (1 - gap), tone, fine.astype(np.float32), height, 0.9)


def leather(s: Sheet) -> Surface:
    """A glove's or a palm's skin, for what little of it the fingers leave."""
    _, far = cellular(s, 1.5)
    lines = np.clip(far / 1.0, 0, 1)
    relief = -0.08 * lines - 0.15 * np.abs(s.noise(12, 2))
    return Surface(0.5 * mixed(s, 12), 1 - 0.12 * lines, relief, swell(s, 4), 0.6)
