"""The end of a drive coupler as curves: r(theta) of outline and socket, new and worn, and its cracks.

Any engine can draw from these; the sketch and the truth of a picture both do. Angles are those of
the part plane (x right, y down), radii in plane units. A curve is sampled at ``ANGLES``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]
Record = Mapping[str, Any]

SAMPLES = 4096
ANGLES: Curve = (np.arange(SAMPLES, dtype=np.float64) + 0.5) * (2 * math.pi / SAMPLES) - math.pi

FLATS = {"d": 1, "double_d": 2, "square": 4, "hexagon": 6}
SPLINED = "splined"
OUTLINE_REACH = 0.985
"""A crack that comes this near to the outline (as a part of its radius) has gone through the wall."""


def wrapped(angle: Curve) -> Curve:
    """The same angle between -pi and pi."""
    return (angle + math.pi) % (2 * math.pi) - math.pi


def smoothed(curve: Curve, samples: int) -> Curve:
    """Circular running mean over an odd number of samples; 1 or less leaves the curve as it is."""
    samples = max(1, samples) | 1
    if samples == 1:
        return curve
    half = samples // 2
    padded = np.concatenate((curve[-half - 1 :], curve, curve[:half]))
    total = np.cumsum(padded)
    return (total[samples:] - total[:-samples]) / samples


def _plateau(angle: Curve, count: int, width: float, flank: float) -> Curve:
    """``count`` trapezoids a turn, 0 to 1, centred on multiples of the pitch.

    Args:
        angle: Radians, any.
        count: Features a turn, >= 1.
        width: Width at half height as a part of the pitch, 0 to 1.
        flank: Width of one flank as a part of the pitch.
    """
    phase = np.abs((angle * count / (2 * math.pi) + 0.5) % 1.0 - 0.5)
    return np.clip(0.5 + (width / 2 - phase) / max(flank, 1e-3), 0.0, 1.0)


def _polygon(angle: Curve, count: int, apothem: float, radii: Curve) -> Curve:
    """Regular polygon with a flat centred at 0; corner k at (2k + 1) pi / count has the fillet ``radii[k]``."""
    half = math.pi / count
    turn = angle % (2 * math.pi)
    corner = np.minimum((turn / (2 * half)).astype(np.intp), count - 1)
    off = turn - (2 * corner + 1) * half
    radius = np.minimum(radii, 0.999 * apothem)[corner]
    centre = (apothem - radius) / math.cos(half)
    tangent = half - np.arctan((apothem - radius) * math.tan(half) / apothem)
    flat = apothem / np.cos(half - np.abs(off))
    inside = np.maximum(radius**2 - (centre * np.sin(off)) ** 2, 0.0)
    return np.where(np.abs(off) < tangent, centre * np.cos(off) + np.sqrt(inside), flat)


def _cut_circle(angle: Curve, flats: int, apothem: float, outer: float, radii: Curve) -> Curve:
    """Circle with one flat (D) or two opposite ones (double-D); two corners a flat, each with its fillet."""
    result = np.full_like(angle, outer)
    for flat in range(flats):
        off = wrapped(angle - flat * math.pi)
        for side, radius in zip((-1, 1), radii[2 * flat : 2 * flat + 2], strict=True):
            x = apothem - radius
            y = math.sqrt(max((outer - radius) ** 2 - x**2, 0.0))
            near = side * off
            on_flat = (near >= 0) & (near <= math.atan2(y, apothem))
            on_arc = (near > math.atan2(y, apothem)) & (near < math.atan2(y, x))
            turn = near - math.atan2(y, x)
            reach = math.hypot(x, y)
            arc = reach * np.cos(turn) + np.sqrt(np.maximum(radius**2 - (reach * np.sin(turn)) ** 2, 0.0))
            result = np.where(on_flat, apothem / np.cos(near), np.where(on_arc, arc, result))
    return result


def outline_curve(outline: Record) -> Curve:
    """The outer outline as designed.

    Args:
        outline: ``kind`` (round, ribs, flutes, flats, polygon, lobes, key), ``radius``, and where the kind
            needs them ``count``, ``height`` (of the radius), ``width`` (of the pitch), ``flank``, ``turn``.
    """
    radius, kind = float(outline["radius"]), outline["kind"]
    angle = ANGLES - float(outline.get("turn", 0.0))
    if kind == "round":
        return np.full(SAMPLES, radius)
    count, height = int(outline["count"]), float(outline["height"])
    if kind == "polygon":
        apothem = radius * math.cos(math.pi / count)
        return _polygon(angle, count, apothem, np.full(count, height * apothem))
    if kind == "lobes":
        return radius * (1 + height * np.cos(count * angle))
    if kind == "flats":
        off = (angle * count / (2 * math.pi) + 0.5) % 1.0 - 0.5
        flat = radius * (1 - height) / np.cos(off * 2 * math.pi / count)
        return smoothed(np.minimum(radius, flat), 21)
    plateau = _plateau(angle, count, float(outline["width"]), float(outline["flank"]))
    if kind == "key":
        plateau = np.where(np.abs(wrapped(angle)) < math.pi / count, plateau, 0.0)
    sign = -1.0 if kind == "flutes" or outline.get("inward", False) else 1.0
    return smoothed(radius * (1 + sign * height * plateau), 15)


def corner_angles(socket: Record) -> Curve:
    """Where the socket's corners (splined: its roots) lie, in drawing order."""
    turn, kind = float(socket["turn"]), socket["kind"]
    if kind == SPLINED:
        count = int(socket["count"])
        return wrapped(turn + (np.arange(count) + 0.5) * 2 * math.pi / count)
    count = FLATS[kind]
    if count > 2:
        return wrapped(turn + (2 * np.arange(count) + 1) * math.pi / count)
    reach = math.acos(float(socket["a"]) / float(socket["outer"]))
    return wrapped(turn + np.array([flat * math.pi + side * reach for flat in range(count) for side in (-1, 1)]))


def _splined(socket: Record, losses: list[Record]) -> Curve:
    """Root circle with inward teeth; each loss cuts one tooth down to ``1 - ratio`` of its height at most."""
    count, outer = int(socket["count"]), float(socket["outer"])
    height = outer - float(socket["tip"])
    angle = ANGLES - float(socket["turn"])
    tooth = _plateau(angle, count, float(socket["width"]), float(socket["flank"]))
    position = angle * count / (2 * math.pi)
    number = np.floor(position + 0.5).astype(np.intp) % count
    # Across the flat of the tip, so that the highest edge that a slant leaves is 1 - ratio of the height.
    tip = float(socket["width"]) - float(socket["flank"])
    across = np.clip(((position + 0.5) % 1.0 - 0.5) / tip + 0.5, 0.0, 1.0)
    for loss in losses:
        slant = float(loss["slant"])
        fall = across if slant >= 0 else 1.0 - across
        cap = (1.0 - float(loss["ratio"])) * (1.0 - abs(slant) * fall)
        tooth = np.where(number == int(loss["tooth"]) % count, np.minimum(tooth, cap), tooth)
    pitch = SAMPLES / count
    return smoothed(outer - height * tooth, min(31, int(pitch * 0.12)))


def socket_curve(socket: Record, wear: Record) -> Curve:
    """The opening of the drive socket at the front face; an empty ``wear`` gives it as moulded.

    Args:
        socket: ``kind``, ``turn``; ``a`` (centre to flat), ``outer`` (D kinds: circle) and ``fillet`` (moulded,
            a part of ``a``), or for splines ``outer`` (roots), ``tip``, ``count``, ``width``, ``flank``.
        wear: ``corners``: r / a beyond the moulded fillet for each corner; ``teeth``: list of tooth, ratio, slant.
    """
    if socket["kind"] == SPLINED:
        return _splined(socket, list(wear.get("teeth", ())))
    apothem, corners = float(socket["a"]), len(corner_angles(socket))
    worn = np.zeros(corners)
    given = np.asarray(wear.get("corners", ()), dtype=np.float64)
    worn[: len(given)] = given[:corners]
    radii = (worn + float(socket["fillet"])) * apothem
    angle = ANGLES - float(socket["turn"])
    flats = FLATS[socket["kind"]]
    if flats > 2:
        return _polygon(angle, flats, apothem, radii)
    return _cut_circle(angle, flats, apothem, float(socket["outer"]), radii)


def deformation_curve(wear: Record) -> Curve:
    """Radial departure of the melted outline as a part of the outer radius; its largest size is ``deform.ratio``."""
    deform = wear.get("deform")
    if not deform or not deform["ratio"]:
        return np.zeros(SAMPLES)
    total = np.zeros(SAMPLES)
    for wave in deform.get("waves", ()):
        total += float(wave["amount"]) * np.cos(int(wave["order"]) * ANGLES - float(wave["phase"]))
    for bump in deform.get("bumps", ()):
        off = wrapped(ANGLES - float(bump["at"])) / float(bump["width"])
        total += float(bump["amount"]) * np.exp(-0.5 * off**2)
    peak = float(np.abs(total).max())
    return total * (float(deform["ratio"]) / peak) if peak > 0 else total


def at_angle(curve: Curve, angle: float) -> float:
    """The curve's radius at one angle."""
    return float(curve[int((angle + math.pi) / (2 * math.pi) * SAMPLES) % SAMPLES])


def crack_path(crack: Record, socket: Record, opening: Curve, outline: Curve, wall: float) -> Curve:
    """One crack from a socket corner outwards, (n, 2) x, y.

    Its arc length is ``ratio`` times the wall, or less where it comes out at the outline first. A crack
    longer than the wall is thick runs slantwise, as a twisted coupler tears.
    """
    rng = np.random.default_rng(int(crack["seed"]))
    corners = corner_angles(socket)
    angle = float(corners[int(crack["corner"]) % len(corners)]) + float(crack.get("aside", 0.0))
    start = at_angle(opening, angle)
    target, room = float(crack["ratio"]) * wall, max(at_angle(outline, angle) - start, 1e-3)
    lean = math.acos(min(1.0, max(0.3, room / max(target, 1e-6)))) * (1 if int(crack["seed"]) % 2 else -1)
    step = max(target / 40, 1e-4)
    point = np.array([start * math.cos(angle), start * math.sin(angle)])
    path, drift = [point], 0.0
    for _ in range(40):
        drift = 0.8 * drift + float(crack["wander"]) * rng.normal()
        heading = math.atan2(point[1], point[0]) + lean + drift
        point = point + step * np.array([math.cos(heading), math.sin(heading)])
        here = math.atan2(point[1], point[0])
        radius = math.hypot(point[0], point[1])
        if radius > OUTLINE_REACH * at_angle(outline, here) or radius < at_angle(opening, here):
            break
        path.append(point)
    return np.asarray(path)


def path_length(path: Curve) -> float:
    """Arc length of a polyline (n, 2)."""
    return float(np.hypot(*np.diff(path, axis=0).T).sum()) if len(path) > 1 else 0.0


@dataclass(frozen=True, slots=True)
class EndForm:
    """Everything about an end that has a shape.

    Attributes:
        nominal, outline: Outer outline as designed and as it is.
        moulded, opening: Socket likewise.
        radius: Nominal outer radius, the circle between the features (polygon: through its corners).
        wall: Outer radius less the mean radius of the moulded socket.
        cracks: Polylines, the order of the wear record; branches after them.
        branches: Polylines, drawn but not counted.
    """

    nominal: Curve
    outline: Curve
    moulded: Curve
    opening: Curve
    radius: float
    wall: float
    cracks: tuple[Curve, ...]
    branches: tuple[Curve, ...]


def _branch(path: Curve, crack: Record) -> Curve | None:
    """A side branch of a crack, straight, at most 0.6 of the rest of its length."""
    part = float(crack.get("branch", 0.0))
    if part <= 0 or len(path) < 12:
        return None
    root = path[len(path) // 2]
    heading = math.atan2(*(path[-1] - root)[::-1]) + (0.7 if int(crack["seed"]) % 3 else -0.7)
    length = min(part, 0.6) * path_length(path[len(path) // 2 :])
    return np.asarray([root, root + length * np.array([math.cos(heading), math.sin(heading)])])


def end_form(design: Record, wear: Record) -> EndForm:
    """Curves of one end from its records."""
    nominal = outline_curve(design["outline"])
    radius = float(design["outline"]["radius"])
    outline = nominal + radius * deformation_curve(wear)
    moulded, opening = socket_curve(design["socket"], {}), socket_curve(design["socket"], wear)
    wall = radius - float(moulded.mean())
    paths = [crack_path(c, design["socket"], opening, outline, wall) for c in wear.get("cracks", ())]
    branches = [_branch(p, c) for p, c in zip(paths, wear.get("cracks", ()), strict=True)]
    kept = tuple(b for b in branches if b is not None)
    return EndForm(nominal, outline, moulded, opening, radius, wall, tuple(paths), kept)


def end_measures(form: EndForm, design: Record, wear: Record) -> dict[str, float]:
    """Truth of the wear standard's form measures; one that the socket cannot have is left out."""
    measures = {
        "profile_deviation": float(np.abs(form.outline - form.nominal).max()) / form.radius,
        "crack_ratio": max((path_length(p) for p in form.cracks), default=0.0) / form.wall,
    }
    if design["socket"]["kind"] == SPLINED:
        measures["tooth_loss"] = max((float(t["ratio"]) for t in wear.get("teeth", ())), default=0.0)
    else:
        measures["corner_rounding"] = max((float(c) for c in wear.get("corners", ())), default=0.0)
    return measures
