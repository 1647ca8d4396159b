"""The studio's two doors: draw a recipe by chance, draw the picture of a recipe."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from wearvision.parts import PARTS, region_names
from wearvision_training.example import Example
from wearvision_training.pathtrace.solid import Model
from wearvision_training.recipe import Engine, Parameters, Recipe
from wearvision_training.scenes.bench import sample_bench
from wearvision_training.scenes.camera import FAULTS, sample_fill, sample_lens, sample_pose, sample_sensor
from wearvision_training.scenes.clutter import sample_clutter, sample_glass
from wearvision_training.scenes.light import sample_light
from wearvision_training.scenes.room import sample_room
from wearvision_training.sketch.catalogue import NONE, entry
from wearvision_training.sketch.drawing import Drawing
from wearvision_training.sketch.engine import Picture, as_mask, render, visible_ratio, window_mean
from wearvision_training.sketch.warp import homography, plane_raster_size, project

WHOLE_OUTLINE = 0.88  # share of pictures that are framed so that the outline to be measured is whole
ROUGH = 96  # raster of the quick drawing that tells how large the subject is

VIEW_ODDS = {"end": 2.0}
"""How often a view is drawn, against 1: an end shows four kinds of wear that a side does not."""
AREA_RATIOS: dict[str, tuple[str, tuple[str, ...]]] = {
    "scorch_ratio": ("scorch", ("window",)),
    "residue_ratio": ("residue", ("rod", "ceramic")),
    "grime_ratio": ("grime", ("part",)),
}
"""Measures that the wear standard defines as one visible area over another."""

OUTLINES: dict[str, str] = {"rim_deviation": "rim", "profile_deviation": "face", "bow_ratio": "part"}
"""Measures of a whole outline, and the region that it bounds: cut off by the frame, it is not in view."""


def sample_recipe(
    part: str,
    rng: np.random.Generator,
    *,
    families: Sequence[str] | None = None,
    view: str | None = None,
    fault: str | None = None,
    design: Parameters | None = None,
    engine: Engine = "sketch",
) -> Recipe:
    """A recipe by chance: family, design, wear, scene, camera.

    Args:
        part: Registered part key, or ``"none"``.
        rng: All chance comes from it.
        families: Families to choose from; all by default.
        view: One of the part's views; by chance by default.
        fault: One of ``scenes.camera.FAULTS`` to make a photo that is unfit to judge.
        design: The part when new, of one family and view that are named too; by chance by default.
        engine: Who is to draw it; the path tracer's records say more of the room and the lens.

    Raises:
        UnknownPart: the part is not known.
        ValueError: an unknown family, view or fault.
    """
    known = entry(part)
    chosen = list(families) if families is not None else list(known.families)
    if unknown := [name for name in chosen if name not in known.families]:
        raise ValueError(f"{part} has no families {unknown}; it has {sorted(known.families)}")
    if view is not None and view not in known.views:
        raise ValueError(f"{part} has no view {view!r}; it has {known.views}")
    if fault is not None and fault not in FAULTS:
        raise ValueError(f"there is no fault {fault!r}; choose from {FAULTS}")
    weights = np.array([known.weights.get(name, 1.0) for name in chosen])
    family = str(rng.choice(chosen, p=weights / weights.sum()))
    seen = view if view is not None else _any_view(known.views, rng)
    made = design if design is not None else known.sample_design(family, seen, rng)
    wear = known.sample_wear(made, seen, rng)
    recipe = Recipe(part, seen, family, made, wear, seed=int(rng.integers(0, 2**31)))
    staged = _set_scene(recipe, rng, fault)
    return _set_room(staged, rng) if engine == "pathtrace" else staged


def _any_view(views: Sequence[str], rng: np.random.Generator) -> str:
    """A view by chance; those with more to measure come more often."""
    odds = np.array([VIEW_ODDS.get(view, 1.0) for view in views])
    return str(rng.choice(list(views), p=odds / odds.sum()))


def _set_scene(recipe: Recipe, rng: np.random.Generator, fault: str | None) -> Recipe:
    """The recipe with a camera that frames its subject, and a scene around it."""
    camera: dict[str, Any] = {**sample_pose(rng, fault=fault), **sample_sensor(rng, fault=fault)}
    rough = entry(recipe.part).draw(recipe, ROUGH)
    room = 0.6
    if recipe.design.get("fills_frame"):
        camera |= {"tilt_deg": 0.0, "scale": float(rng.uniform(1.5, 2.2)), "shift": [0.0, 0.0]}
        clutter = []
    else:
        subject, whole, outline = _outlines(rough)
        fill = sample_fill(rough.veil is not None, rng, fault=fault)
        if rng.random() < WHOLE_OUTLINE and fault != "cut_off":
            fill = min(fill, 0.94 * _extent(camera, subject) / _extent(camera, outline))
        camera |= _frame(camera, subject, outline, fill, rng, cut=fault == "cut_off")
        room = _reach(camera, whole)
        clutter = sample_clutter(rng, room)
    scene = {
        "light": sample_light(rng),
        "bench": sample_bench(rng),
        "clutter": clutter,
        "glass": sample_glass(rng, fault=fault) if rough.veil is not None else {},
        "lift": float(rng.choice([0.0, rng.uniform(0.0, 0.6)], p=[0.6, 0.4])),
    }
    return replace(recipe, scene=scene, camera=camera)


def _set_room(recipe: Recipe, rng: np.random.Generator) -> Recipe:
    """The recipe for the path tracer: a room about the bench, and a lens with an aperture."""
    from wearvision_training.pathtrace.shoot import photographs

    room = sample_room(rng, recipe.part, light=str(recipe.scene["light"]["kind"]), photos=len(photographs()))
    scene, camera = {**recipe.scene, "room": room}, {**recipe.camera, **sample_lens(rng)}
    return replace(recipe, engine="pathtrace", scene=scene, camera=camera)


def _outlines(drawing: Drawing) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Plane points x, y of the subject (the window where there is one), of the whole part, of what is measured."""
    if drawing.slices:
        whole = np.maximum.reduce([piece.alpha for piece in drawing.slices]) > 0.3
    else:
        whole = np.ones((4, 4), bool)
    subject = whole if drawing.veil is None else drawing.veil.window
    marked = [mask for piece in drawing.slices for name, mask in piece.masks.items() if name in OUTLINES.values()]
    return _points(subject), _points(whole), _points(np.logical_or.reduce([subject, *marked]))


def _points(mask: NDArray[np.bool_]) -> NDArray[np.float64]:
    return np.asarray((np.argwhere(mask)[:, ::-1] + 0.5) * 2 / mask.shape[0] - 1, np.float64)


def _box(camera: dict[str, Any], points: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Corners of the box about plane points, half sides, seen at scale 1 and unshifted."""
    unit = {**camera, "scale": 1.0, "shift": [0.0, 0.0]}
    at = project(homography(unit, 2), points) - 0.5  # a picture of two pixels: one pixel is a half side
    return at.min(0), at.max(0)


def _extent(camera: dict[str, Any], points: NDArray[np.float64]) -> float:
    low, high = _box(camera, points)
    return max(float((high - low).max()), 1e-3)


def _frame(
    camera: dict[str, Any],
    subject: NDArray[np.float64],
    outline: NDArray[np.float64],
    fill: float,
    rng: np.random.Generator,
    *,
    cut: bool,
) -> dict[str, Any]:
    """Scale and shift that let the subject take ``fill`` of the side; in the picture, unless ``cut``.

    The outline is kept in as well where it fits, else the subject alone.
    """
    scale = 2 * fill / _extent(camera, subject)
    fits = scale * _extent(camera, outline) < 1.94
    low, high = _box(camera, outline if fits else subject)
    middle = (low + high) / 2 * scale
    slack = np.array([0.6, 0.6]) if cut else np.maximum(0.97 - (high - low) / 2 * scale, 0.0)
    wanted = np.clip(rng.normal(0, 0.22, 2), -1, 1) * np.minimum(slack * 1.6, 0.5)
    wanted = np.clip(wanted, -slack, slack)
    return {"scale": float(scale), "shift": [float(v) for v in wanted - middle]}


def _reach(camera: dict[str, Any], whole: NDArray[np.float64]) -> float:
    at = project(homography(camera, 2), whole) - 0.5
    return float(np.hypot(*at.T).mean() * 1.3)


def draw(recipe: Recipe, size: int = 320, *, samples: int = 64) -> Example:
    """The picture of a recipe with its truth, by the recipe's engine; the same bytes each time on the same device.

    Args:
        recipe: As ``sample_recipe`` made it or a file kept it.
        size: Side of the picture in pixels, ≥ 64.
        samples: Paths per pixel, where they are traced.
    """
    source: Drawing | Model
    if recipe.engine == "pathtrace":
        from wearvision_training.pathtrace.shoot import shoot

        source, picture = shoot(recipe, size, samples)
    else:
        source = entry(recipe.part).draw(recipe, plane_raster_size(recipe.camera, size))
        picture = render(source, recipe, size)
    empty = np.zeros((size, size), bool)
    masks = {name: as_mask(picture.cover[name]) if name in picture.cover else empty for name in region_names()}
    if recipe.part == NONE:
        masks = dict.fromkeys(masks, empty)
    weights = {"film": picture.film, "clouding": picture.haze}
    for name, weight in weights.items():
        masks[name] = weight > 0.05
    notes = {
        "homography": homography(recipe.camera, size).tolist(),
        "mm_per_unit": source.mm_per_unit,
        "measures_of_drawing": {name: float(value) for name, value in source.measures.items()},
        **source.notes,
    }
    measures = truth(source.measures, picture, recipe)
    return Example(picture.image, masks, weights, recipe.part, recipe.view, measures, recipe, notes)


def truth(of_form: Mapping[str, float], picture: Picture, recipe: Recipe) -> dict[str, float | None]:
    """Each of the part's measures as the wear standard defines it; None where this view can't show it.

    Args:
        of_form: Truth of the form measures, which no picture shows exactly.
        picture: The areas are taken from it.
        recipe: Part and view.
    """
    if recipe.part == NONE:
        return {}
    found: dict[str, float | None] = {}
    for mode in PARTS[recipe.part].modes:
        if recipe.view not in mode.views:
            found[mode.measure] = None
        elif mode.measure in AREA_RATIOS:
            found[mode.measure] = visible_ratio(picture, *AREA_RATIOS[mode.measure])
        elif mode.region in ("film", "clouding"):
            found[mode.measure] = window_mean(picture, picture.film if mode.region == "film" else picture.haze)
        else:
            value = of_form.get(mode.measure)
            hidden = mode.measure in OUTLINES and _cut_off(picture.cover.get(OUTLINES[mode.measure]))
            found[mode.measure] = None if value is None or hidden else float(value)
    return found


def _cut_off(cover: NDArray[np.float32] | None) -> bool:
    """Whether a region reaches the picture's edge."""
    if cover is None:
        return False
    return bool(max(cover[0].max(), cover[-1].max(), cover[:, 0].max(), cover[:, -1].max()) > 0.5)
