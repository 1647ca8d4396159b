"""Designs of the ignition electrode: named families of form, and one electrode drawn from a family.

A design is built in millimetres (common proportions of the trade, no published source) with the tips towards +x, then
scaled to the part plane. It holds bodies of revolution (``origin``, ``angle``, ``profile`` of radius over the
distance along the axis), rods (``points`` of the centre line, ``radius``), and plates; nothing in it says how to draw.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from wearvision_training.designs.electrode_finish import GLAZES, Json, glaze, rod_metal
from wearvision_training.designs.electrode_fittings import add_backs, add_hardware

Range = tuple[float, float]

PALE = ("white", "ivory", "cream", "pink")
ANY = tuple(GLAZES)


@dataclass(frozen=True, slots=True)
class Form:
    """What a family has in common.

    Attributes:
        layout: ``"single"``, ``"twin"`` (two insulators) or ``"block"`` (one insulator, two rods).
        profile: Outline of the ceramic.
        rod: Course of the rod.
        backs: Choice of what ends the ceramic at the back.
        hardware: Choice of the metal around or behind it.
        slender: Length of the ceramic over its diameter.
        ratio: Diameter of the ceramic over that of the rod.
        glazes: Choice of glaze.
    """

    layout: str
    profile: str
    rod: str
    backs: tuple[str, ...]
    hardware: tuple[str, ...]
    slender: Range
    ratio: Range
    glazes: tuple[str, ...] = ANY


FORMS: dict[str, Form] = {
    "lone_straight": Form("single", "plain", "straight", ("stud", "none", "boot"), ("none",), (3.0, 5.5), (2.6, 4.5)),
    "lone_bent": Form("single", "plain", "bent", ("stud", "wire", "none"), ("none", "strap"), (2.8, 5.0), (2.4, 4.2)),
    "lone_hooked": Form("single", "tapered", "hooked", ("boot", "stud"), ("none", "strap"), (2.6, 4.2), (2.8, 4.5)),
    "lone_cranked": Form("single", "collared", "cranked", ("wire", "stud"), ("none",), (2.8, 4.6), (2.6, 4.4), PALE),
    "stepped_lance": Form("single", "stepped", "bent", ("stud", "spring"), ("none", "hex"), (3.4, 5.5), (2.6, 4.5)),
    "ribbed_post": Form("single", "ribbed", "straight", ("boot", "stud"), ("none", "hex"), (3.0, 4.8), (2.6, 4.5)),
    "squat_stub": Form("single", "plain", "bent", ("none", "spring"), ("hex", "strap"), (2.2, 2.9), (2.0, 3.2)),
    "hex_socketed": Form("single", "stepped", "straight", ("stud", "boot"), ("hex",), (3.2, 5.0), (2.4, 4.0), PALE),
    "fluted_column": Form("single", "fluted", "cranked", ("spring", "wire"), ("none", "strap"), (2.8, 4.6), (2.5, 4.2)),
    "waisted_spindle": Form("single", "waisted", "bent", ("stud", "none"), ("none",), (3.0, 4.6), (2.6, 4.2)),
    "lone_over_nozzle": Form("single", "plain", "bent", ("boot", "wire"), ("nozzle",), (2.8, 4.2), (2.4, 3.8)),
    "twin_parallel": Form("twin", "plain", "bent", ("stud", "none"), ("none", "strap"), (3.2, 5.0), (2.2, 3.6)),
    "twin_splayed": Form("twin", "tapered", "bent", ("stud", "spring"), ("plate", "strap"), (3.0, 4.6), (2.2, 3.6)),
    "twin_strapped": Form("twin", "collared", "cranked", ("wire", "stud"), ("strap",), (3.2, 5.0), (2.2, 3.4)),
    "twin_nozzle": Form("twin", "plain", "bent", ("boot", "stud"), ("nozzle",), (3.2, 4.8), (2.2, 3.4)),
    "twin_ribbed": Form("twin", "ribbed", "bent", ("boot", "none"), ("plate", "none"), (3.2, 4.6), (2.2, 3.4)),
    "block_twin": Form("block", "plain", "bent", ("stud", "none"), ("none", "strap"), (2.1, 3.0), (4.8, 6.5)),
    "block_shouldered": Form("block", "collared", "cranked", ("stud", "wire"), ("none",), (2.1, 3.0), (4.8, 6.5)),
}
FAMILIES: tuple[str, ...] = tuple(FORMS)

def sample_design(family: str, view: str, rng: Generator) -> Json:
    """One electrode of a family, as new, in part-plane units.

    Args:
        family: One of ``FAMILIES``.
        view: ``"side"``, the only view of this part.
        rng: Source of all choices.
    Raises:
        ValueError: unknown family or view.
    """
    if family not in FORMS:
        raise ValueError(f"no electrode family {family!r}; known are {', '.join(FORMS)}")
    if view != "side":
        raise ValueError(f"an electrode has the view 'side' only, not {view!r}")
    form = FORMS[family]
    diameter = rng.uniform(9.0, 16.0) * (1.5 if form.layout == "block" else 1.0)
    rod_radius = diameter / rng.uniform(*form.ratio) / 2
    ceramics, length = _ceramics(form, diameter, rng)
    rods = _rods(form, ceramics, diameter, rod_radius, length, rng)
    design: Json = {
        "layout": form.layout,
        "insulator_diameter": diameter,
        "ceramics": ceramics,
        "rods": rods,
        "bodies": [],
        "plates": [],
        "partner": "rod" if len(rods) == 2 else None,
    }
    add_backs(design, str(rng.choice(form.backs)), rng)
    add_hardware(design, str(rng.choice(form.hardware)), rng)
    design["glaze"] = glaze(str(rng.choice(form.glazes)), design, rng)
    design["metal"] = rod_metal(rng)
    return _fit_plane(design, rng.uniform(0.80, 0.95) * 2)


def profile_points(form: str, length: float, radius: float, rng: Generator) -> list[list[float]]:
    """Radius over distance from the back for one ceramic; the first and last points close its ends."""
    bevel = radius * rng.uniform(0.04, 0.25)
    front, back = radius, radius
    middle: list[list[float]] = []
    if form == "stepped":
        front = radius * rng.uniform(0.6, 0.85)
        step = length * rng.uniform(0.35, 0.6)
        slope = radius * rng.uniform(0.03, 0.5)
        middle = [[step, radius], [step + slope, front]]
        if rng.random() < 0.4:
            back = radius * rng.uniform(0.65, 0.9)
            middle = [[length * 0.15, back], [length * 0.15 + slope, radius], *middle]
    elif form == "collared":
        at, width = length * rng.uniform(0.2, 0.45), radius * rng.uniform(0.25, 0.8)
        high, slope = radius * rng.uniform(1.12, 1.4), radius * rng.uniform(0.03, 0.2)
        middle = [[at - slope, radius], [at, high], [at + width, high], [at + width + slope, radius]]
    elif form == "ribbed":
        count, pitch = int(rng.integers(3, 8)), radius * rng.uniform(0.34, 0.55)
        low, start = radius * rng.uniform(0.76, 0.9), length * rng.uniform(0.1, 0.25)
        for k in range(count):
            phase = np.linspace(0, 2 * np.pi, 9)[:-1]
            rib = radius - (radius - low) * (0.5 - 0.5 * np.cos(phase))
            middle += [[start + pitch * (k + p / (2 * np.pi)), float(r)] for p, r in zip(phase, rib, strict=True)]
        middle.append([start + pitch * count, radius])
    elif form == "tapered":
        front = radius * rng.uniform(0.62, 0.85)
        middle = [[length * rng.uniform(0.2, 0.5), radius]]
    elif form == "waisted":
        low, centre = radius * rng.uniform(0.72, 0.88), rng.uniform(0.35, 0.65)
        spots = np.linspace(0.1, 0.9, 17)
        dip = np.exp(-(((spots - centre) / rng.uniform(0.12, 0.25)) ** 2))
        middle = [[length * s, float(radius - (radius - low) * d)] for s, d in zip(spots, dip, strict=True)]
    return [[0.0, back - bevel], [bevel, back], *middle, [length - bevel, front], [length, front - bevel]]


def _ceramics(form: Form, diameter: float, rng: Generator) -> tuple[list[Json], float]:
    """The insulators in millimetres, backs at x = 0, and their length."""
    length = diameter * rng.uniform(*form.slender)
    profile = profile_points(form.profile, length, diameter / 2, rng)
    flutes = int(rng.integers(5, 10)) if form.profile == "fluted" else 0
    flat = form.layout == "block"
    spots = [(0.0, 0.0)]
    if form.layout == "twin":
        reach = max(r for _, r in profile)
        apart = 2 * reach * rng.uniform(1.06, 1.6)
        lean = rng.uniform(3, 11) if form.profile == "tapered" else 0.0
        apart += 2 * length * np.sin(np.deg2rad(lean))
        spots = [(-apart / 2, lean), (apart / 2, -lean)]
    made = [
        {"origin": [0.0, y], "angle": lean, "profile": profile, "flat": flat, "flutes": flutes, "clear": [0.0, length]}
        for y, lean in spots
    ]
    return made, length


def _rods(
    form: Form, ceramics: list[Json], diameter: float, radius: float, length: float, rng: Generator
) -> list[Json]:
    """The rods in millimetres: one straight on or bent, or two that come near one another."""
    chamfer = radius * rng.uniform(0, 0.1)
    bend = float(np.deg2rad(rng.uniform(12, 60)))
    first = max(rng.uniform(0.3, 1.1) * diameter, 3 * radius)
    if form.layout == "single":
        return [_rod(_lone_course(form.rod, diameter, radius, length, first, bend, rng), radius, chamfer)]
    gap = rng.uniform(0.9, 2.2) * 2 * radius
    rods = []
    for side, body in zip((-1.0, 1.0), ceramics * (2 if form.layout == "block" else 1), strict=False):
        beside = side * diameter * 0.31 if form.layout == "block" else 0.0
        course = _paired_course(form.rod, body, beside, side, radius, length, first, bend, gap)
        rods.append(_rod(course, radius, chamfer))
    if form.rod == "cranked":
        ahead = float(rng.uniform(4, 7)) * radius
        for rod in rods:
            tip = rod["points"][-1]
            rod["points"].append([tip[0] + ahead, tip[1]])
    if rng.random() < 0.4:
        rods[1]["points"][-1] = _pulled(rods[1]["points"][-2:], radius * rng.uniform(0, 1.2))
    return rods


def _lone_course(
    kind: str, diameter: float, radius: float, length: float, first: float, bend: float, rng: Generator
) -> list[list[float]]:
    """Course of a single rod: straight, bent once, cranked (offset) or hooked (bent twice the same way)."""
    side = float(rng.choice([-1.0, 1.0]))
    last = max(rng.uniform(0.5, 1.2) * diameter, 5 * radius)
    points = [[length * 0.2, 0.0], [length + first, 0.0]]
    if kind == "straight":
        points[-1][0] += last
        return points
    if kind == "bent":
        return [*points, [points[-1][0] + last * np.cos(bend), side * last * np.sin(bend)]]
    turn = np.deg2rad(rng.uniform(35, 65 if kind == "cranked" else 100))
    rise = max(rng.uniform(0.35, 0.8) * diameter, 3 * radius)
    knee = [points[-1][0] + rise * np.cos(turn), side * rise * np.sin(turn)]
    then = 0.0 if kind == "cranked" else turn + np.deg2rad(rng.uniform(30, 75))
    return [*points, knee, [knee[0] + last * np.cos(then), knee[1] + side * last * np.sin(then)]]


def _paired_course(
    kind: str,
    body: Json,
    beside: float,
    side: float,
    radius: float,
    length: float,
    first: float,
    bend: float,
    gap: float,
) -> list[list[float]]:
    """Course of one rod of a pair, bent towards the middle so far that its end stands half a gap from it."""
    lean = float(np.deg2rad(body["angle"]))
    ahead = np.array([np.cos(lean), np.sin(lean)])
    start = np.asarray(body["origin"], np.float64) + 0.2 * length * ahead + np.array([0.0, beside])
    knee = start + (0.8 * length + first) * ahead
    angle = max(bend, abs(lean) + float(np.deg2rad(8)))
    level = kind == "cranked"
    drop = abs(float(knee[1])) - gap / 2 - radius * (1.0 if level else float(np.cos(angle)))
    # Rods that stand close already are bent slightly all the same.
    drop = max(drop, 0.2 * radius)
    if not level:
        # Little room to come in: a slighter bend, so that the last leg stays long enough to judge the tip on.
        angle = min(angle, float(np.arcsin(min(1.0, drop / (4 * radius)))))
    tip = knee + np.array([drop / np.tan(angle), -side * drop])
    return [[float(v) for v in point] for point in (start, knee, tip)]


def _pulled(last: list[list[float]], by: float) -> list[float]:
    """The end of a rod cut shorter: pairs are seldom set level."""
    a, b = np.asarray(last[0]), np.asarray(last[1])
    return [float(v) for v in b - (b - a) / np.hypot(*(b - a)) * by]


def _rod(points: list[list[float]], radius: float, chamfer: float) -> Json:
    return {"points": [[float(x), float(y)] for x, y in points], "radius": radius, "chamfer": chamfer}


def _extent(design: Json) -> NDArray[np.float64]:
    """Lowest and highest x and y of the whole part, shape (2, 2)."""
    corners = []
    for body in [*design["ceramics"], *design["bodies"]]:
        turn = np.deg2rad(body["angle"])
        along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
        for u, r in body["profile"]:
            corners += [np.asarray(body["origin"]) + u * along + s * r * across for s in (-1, 1)]
    for rod in design["rods"]:
        corners += [np.asarray(p) + s * rod["radius"] for p in rod["points"] for s in (-1, 1)]
    for plate in design["plates"]:
        corners += [np.asarray(plate["centre"]) + s * np.asarray(plate["half"]) for s in (-1, 1)]
    return np.array([np.min(corners, axis=0), np.max(corners, axis=0)])


def _fit_plane(design: Json, span: float) -> Json:
    """The design in plane units: centred, its longer side as long as ``span``."""
    low, high = _extent(design)
    scale = span / float((high - low).max())
    middle = (low + high) / 2

    def place(point: list[float]) -> list[float]:
        return [float((point[0] - middle[0]) * scale), float((point[1] - middle[1]) * scale)]

    def size(rows: list[list[float]]) -> list[list[float]]:
        return [[float(v * scale) for v in row] for row in rows]

    for body in [*design["ceramics"], *design["bodies"]]:
        body.update(origin=place(body["origin"]), angle=float(body["angle"]), profile=size(body["profile"]))
    for body in design["ceramics"]:
        body["clear"] = [float(v * scale) for v in body["clear"]]
    for rod in design["rods"]:
        rod.update(
            points=[place(p) for p in rod["points"]],
            radius=float(rod["radius"] * scale),
            chamfer=float(rod["chamfer"] * scale),
        )
    for plate in design["plates"]:
        humps = [[float((y - middle[1]) * scale), float(r * scale)] for y, r in plate["humps"]]
        screws = [[*place([x, y]), float(r * scale), turn] for x, y, r, turn in plate["screws"]]
        plate.update(centre=place(plate["centre"]), humps=humps, screws=screws)
        plate.update(half=[float(v * scale) for v in plate["half"]], corner=float(plate["corner"] * scale))
    glaze = design["glaze"]
    glaze.update(bare=glaze["bare"] * scale, bands=size(glaze["bands"]), stamp=[size(s) for s in glaze["stamp"]])
    design.update(insulator_diameter=float(design["insulator_diameter"] * scale), mm_per_unit=float(1 / scale))
    return design
