"""Cases of known wear with true masks for each measure that is geometry: drawn figures, and studio pictures."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from wearvision.measure.corners import corner_rounding
from wearvision.measure.cracks import crack_ratio
from wearvision.measure.ellipse import fit_ellipse, stretch
from wearvision.measure.profile import Frame, frame_of, profile_deviation, seen_outline
from wearvision.measure.result import Outcome, Reason, Unmeasured
from wearvision.measure.rim import rim_deviation, window_cue
from wearvision.measure.socket import Socket, read_socket
from wearvision.parts import PARTS
from wearvision.parts.spec import Scene
from wearvision_training.example import Example
from wearvision_training.figures import (
    TURN,
    Array,
    Pose,
    bump,
    cut_circle,
    hexagon,
    line_seen,
    notched,
    polygon,
    ribbed,
    seen,
    unpolar,
    waves,
)
from wearvision_training.recipe import Recipe
from wearvision_training.sketch.catalogue import entry
from wearvision_training.sketch.engine import render
from wearvision_training.sketch.sensor import expose
from wearvision_training.studio import draw, sample_recipe
from wearvision_training.wear import electrode, flame_cell

LEAST, MOST = 0.03, 0.12
"""Departures drawn, over the radius: from the serviceable limit to far beyond replace."""

ENDS: dict[str, Array] = {"round": np.ones_like(TURN), "ribbed": ribbed(), "hexagon": hexagon()}

WAVES = [(3, 4), (3, 5), (3, 7), (3, 8), (4, 5), (4, 7), (5, 7), (5, 8), (7, 8)]
"""Pairs of orders of wavy wear. Not 4 with 8: that repeats four times a turn and is by the standard its own nominal."""

DRIVES: dict[str, Callable[[float], Array]] = {
    "square": lambda worn: polygon(4, [worn, 0.4 * worn, 0.8 * worn, 0.6 * worn]),
    "hexagon": lambda worn: polygon(6, [0.5 * worn, worn, 0.4 * worn, 0.9 * worn, 0.7 * worn, 0.3 * worn]),
    "d": lambda worn: cut_circle(1, 1.5, worn),
    "double-D": lambda worn: cut_circle(2, 1.5, worn),
}
"""Sockets with centre to flat 1 whose most worn corner has that fillet."""

METERED_PX = 96
"""Side of the quick picture by which the light is metered."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The truth of one case and what the library said."""

    true: float
    outcome: Outcome


def rim(size: int, rng: np.random.Generator, worn: bool) -> Answer:
    """A front rim with notches, its form a dent, lobes, an oval or a wave; the tilt from the window's mask."""
    kind, amount, at = str(rng.choice(["dent", "lobes", "oval", "wave"])), rng.uniform(LEAST, MOST), rng.uniform(0, 6)
    if kind == "dent":
        form = -bump(at, rng.uniform(20, 60))
    elif kind == "lobes":
        form = bump(at, rng.uniform(30, 60)) - 0.6 * bump(at + 2, rng.uniform(30, 60))
    else:
        form = np.cos((2 if kind == "oval" else rng.integers(3, 9)) * TURN - at)
    radii = 1 + amount * worn * form
    pose = Pose.by_chance(rng)
    mask = seen(notched(radii, rng), size, pose)
    window = seen(np.full_like(TURN, 0.7), size, pose, z=-float(rng.uniform(0, 0.15))) & mask
    return Answer(_off_circle(radii) if worn else 0.0, rim_deviation(mask, window, limit=0.0))


def _off_circle(radii: Array) -> float:
    """Largest departure from the least-squares circle over its radius (ISO 12181-1, by Gauss-Newton)."""
    points, centre, radius = unpolar(radii), np.zeros(2), 1.0
    for _ in range(5):
        away = points - centre
        reach = np.hypot(*away.T)
        rows = np.column_stack([away / reach[:, None], np.ones(len(away))])
        step = np.linalg.lstsq(rows, reach, rcond=None)[0]
        centre, radius = centre + step[:2], float(step[2])
    return float(np.abs(np.hypot(*(points - centre).T) - radius).max() / radius)


def worn_end(shape: str, amount: float, rng: np.random.Generator) -> tuple[Array, float]:
    """An end with a dent, a bulge or wavy wear of that size; outline, and truth over the nominal outer radius."""
    dents = bump(rng.uniform(0, 6), rng.uniform(20, 60)) * rng.choice([-1, 1])
    if rng.random() < 0.4:
        dents = waves(list(WAVES[rng.integers(len(WAVES))]), rng)
    return ENDS[shape] + amount * dents / np.abs(dents).max(), amount / float(ENDS[shape].max())


def profile(size: int, rng: np.random.Generator, worn: bool, *, tilt_known: bool = True) -> Answer:
    """A round, ribbed or hexagonal end; its tilt known, or read from a square drive of 0.45 of its radius."""
    shape = str(rng.choice(list(ENDS)))
    radii, true = worn_end(shape, rng.uniform(LEAST, MOST) * worn, rng) if worn else (ENDS[shape], 0.0)
    pose = Pose.by_chance(rng)
    matrix = stretch(np.cos(np.radians(pose.tilt_deg)), pose.towards)
    frame: Frame | None = Frame(matrix, pose.tilt_deg, True, 0.3 / size)
    if not tilt_known:
        mask = seen(0.45 * polygon(4, [0.1] * 4), size, pose)
        face = seen_outline(seen(radii, size, pose))
        rough = None if isinstance(face, Unmeasured) else frame_of(fit_ellipse(face, robust=True), known=False)
        socket = read_socket(mask, rough)
        frame = socket.frame if isinstance(socket, Socket) else None
    return Answer(true, profile_deviation(seen(radii, size, pose), frame=frame, limit=0.0))


def corners(size: int, rng: np.random.Generator, worn: bool) -> Answer:
    """A drive with centre to flat half the face's radius; its tilt from the round face about it."""
    kind = str(rng.choice(list(DRIVES)))
    true = float(rng.uniform(0.15, 0.5)) * worn
    pose = Pose.by_chance(rng)
    face = seen_outline(seen(np.ones_like(TURN), size, pose))
    frame = None if isinstance(face, Unmeasured) else frame_of(fit_ellipse(face), known=False)
    return Answer(true, corner_rounding(seen(0.5 * DRIVES[kind](true), size, pose), frame, limit=0.0))


def crack(size: int, rng: np.random.Generator, worn: bool) -> Answer:
    """A bent crack of 0.15 to 0.9 window diameters, 1.5 to 4 pixels wide, over the diameter of the window's mask."""
    pose = Pose.by_chance(rng)
    window = window_cue(seen(np.ones_like(TURN), size, pose))
    if window is None:
        return Answer(0.0, Unmeasured(Reason.NOT_IN_VIEW))
    across = 2 * float(np.sqrt(window.major * window.minor))
    true, width = float(rng.uniform(0.15, 0.9)), float(rng.uniform(1.5, 4.0))
    if not worn:
        return Answer(0.0, crack_ratio(np.zeros((8, 8), bool), across, floor=0.0, plain=0.0))
    bend, lean, aside = rng.uniform(-1.2, 1.2), rng.uniform(0, 6), rng.uniform(-0.3, 0.3, 2)
    heading = lean + bend * np.linspace(-0.5, 0.5, 121)
    course = np.cumsum(np.column_stack([np.cos(heading), np.sin(heading)])[:-1], axis=0) * 2 * true / 120
    course = np.vstack([np.zeros(2), course])
    mask = line_seen(course - course.mean(axis=0) + aside, width, size, pose)
    return Answer(true, crack_ratio(mask, across, floor=0.0, plain=0.0))


DRAWN: dict[str, tuple[str, str, Callable[[int, np.random.Generator, bool], Answer]]] = {
    "rim_deviation": ("flame_cell", "rim_deviation", rim),
    "profile_deviation, tilt known": ("coupler", "profile_deviation", profile),
    "profile_deviation, tilt by drive": (
        "coupler", "profile_deviation", lambda size, rng, worn: profile(size, rng, worn, tilt_known=False)
    ),
    "corner_rounding": ("coupler", "corner_rounding", corners),
    "crack_ratio, relative": ("flame_cell", "crack_ratio", crack),
}  # fmt: skip
"""Row of the table to part, measure and what draws a case of it."""


def _loss(wear: Mapping[str, Any]) -> float:
    return max((float(tip["loss"]) for tip in wear["tips"]), default=0.0)


STUDIO: dict[str, tuple[str, str, Callable[[Mapping[str, Any]], float]]] = {
    "tip_loss": ("electrode", "side", _loss),
    "bow_ratio": ("coupler", "side", lambda wear: float(wear.get("bow", {}).get("ratio", 0.0))),
    "film_loss": ("flame_cell", "face", lambda wear: float(wear["film"]["mean"])),
    "haze": ("flame_cell", "face", lambda wear: float(wear["haze"]["mean"])),
}
"""Measure to part, view and how a recipe's wear tells, before drawing, how much of it there is."""


def studio_cases(measure: str, size: int, count: int, limit: float, rng: np.random.Generator) -> Iterator[Answer]:
    """Pictures by chance: ``count`` worn by the measure beyond the limit, and half as many without that wear.

    Flame cells and electrodes are measured against the same design unworn, in the same light and pose.
    """
    part, view, level = STUDIO[measure]
    left = {True: count, False: count // 2}
    for _ in range(40 * count):
        if not any(left.values()):
            return
        recipe = sample_recipe(part, rng, view=view)
        there = level(recipe.wear)
        if 0 < there < limit or not left[there > 0]:
            continue
        answer = studio_case(recipe, measure, size)
        if answer is not None:
            left[there > 0] -= 1
            yield answer


def studio_case(recipe: Recipe, measure: str, size: int) -> Answer | None:
    """One picture measured from its true masks; None where this picture can't show the measure."""
    reference = None
    if recipe.part != "coupler":
        new = unworn(recipe)
        new = replace(new, camera={**new.camera, "gain": _gain(new)})
        recipe = replace(recipe, camera=new.camera)
        reference = scene_of(draw(new, size))
    example = draw(recipe, size)
    true = example.measures[measure]
    if true is None:
        return None
    scene = replace(scene_of(example), reference=reference)
    return Answer(true, PARTS[recipe.part].measure(scene)[measure])


def unworn(recipe: Recipe) -> Recipe:
    """The same design, light and camera, without wear."""
    if recipe.part == "electrode":
        wear = {**electrode.NEW, "tips": [dict(electrode.NO_TIP) for _ in recipe.design["rods"]]}
        return replace(recipe, wear=wear)
    return replace(recipe, wear=flame_cell.NO_WEAR)


def _gain(recipe: Recipe) -> float:
    """The gain that the camera would set by itself, so that two pictures can be given the same."""
    picture = render(entry(recipe.part).draw(recipe, METERED_PX), recipe, METERED_PX)
    return float(expose(picture.linear, {**recipe.camera, "gain": None}))


def scene_of(example: Example) -> Scene:
    """What a perfect network would hand on: the picture and its true masks as bool."""
    return Scene(example.image, example.masks, example.view)
