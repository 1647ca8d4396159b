"""Design families of the drive coupler: what a moulded coupler can look like when new."""

from __future__ import annotations

import math
import string
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from wearvision_training.designs.coupler_side import sample_side

Json = dict[str, Any]

COLOURS: dict[str, tuple[float, float, float]] = {
    "white": (0.78, 0.77, 0.73),
    "natural": (0.66, 0.60, 0.47),
    "ivory": (0.70, 0.62, 0.44),
    "black": (0.022, 0.022, 0.024),
    "charcoal": (0.055, 0.057, 0.06),
    "grey": (0.22, 0.23, 0.24),
    "pale grey": (0.45, 0.46, 0.46),
    "red": (0.46, 0.03, 0.025),
    "brick": (0.28, 0.06, 0.03),
    "orange": (0.65, 0.17, 0.02),
    "amber": (0.52, 0.26, 0.05),
    "yellow": (0.70, 0.48, 0.04),
    "green": (0.035, 0.23, 0.08),
    "olive": (0.14, 0.16, 0.04),
    "blue": (0.025, 0.09, 0.38),
    "pale blue": (0.16, 0.34, 0.55),
    "violet": (0.16, 0.05, 0.26),
    "brown": (0.11, 0.05, 0.025),
}
"""Linear RGB of plastics; own choice by eye, jittered for every part."""

_COMMON = ("white", "natural", "black", "charcoal", "grey", "pale grey", "ivory")


@dataclass(frozen=True, slots=True)
class Family:
    """What one family allows; the numbers inside it are drawn for every part.

    Attributes:
        outlines, sockets: Kinds an end may have.
        faces: Face forms: plain, groove, counterbore, boss, pockets, spokes, dished.
        body: Body form seen from the side.
        two_tone: Chance that the ends are coloured differently from the barrel.
        flange: Chance of a flange disc behind the end.
        slender: Range of outer radius over half length.
    """

    outlines: tuple[str, ...]
    sockets: tuple[str, ...]
    faces: tuple[str, ...]
    body: str
    two_tone: float = 0.2
    flange: float = 0.1
    slender: tuple[float, float] = (0.20, 0.48)
    counts: tuple[int, ...] = field(default=(3, 4, 5, 6, 8))


_FAMILIES: dict[str, Family] = {
    "plain_sleeve": Family(("round",), ("d", "hexagon"), ("plain", "groove"), "plain"),
    "ribbed_drum": Family(("ribs",), ("hexagon", "square"), ("plain", "counterbore"), "ribbed", counts=(8, 10, 12, 16)),
    "two_tone_dog": Family(("round", "key"), ("d", "double_d"), ("plain", "dished"), "dogged", two_tone=0.95),
    "waisted_spool": Family(("round",), ("square", "double_d"), ("groove", "boss"), "waisted", flange=0.5),
    "bellows_link": Family(("round", "flats"), ("splined", "d"), ("boss", "plain"), "bellows", slender=(0.2, 0.36)),
    "hex_bar": Family(("polygon",), ("hexagon", "d"), ("plain", "counterbore"), "hexagonal", counts=(6,)),
    "flanged_thimble": Family(("round",), ("double_d", "splined"), ("plain", "boss"), "flanged", flange=0.95),
    "lobed_star": Family(("lobes",), ("splined", "square"), ("plain", "pockets"), "ribbed", counts=(3, 4, 5, 6)),
    "keyed_bush": Family(("key",), ("d", "hexagon"), ("groove", "plain"), "stepped", two_tone=0.5),
    "slotted_cage": Family(("flats", "flutes"), ("square", "d"), ("counterbore", "plain"), "slotted", counts=(3, 4)),
    "collar_stack": Family(("round",), ("splined", "hexagon"), ("dished", "groove"), "collared", two_tone=0.4),
    "fluted_shaft": Family(("flutes",), ("hexagon", "splined"), ("plain", "dished"), "ribbed", slender=(0.15, 0.24),
                           counts=(10, 12, 16, 20, 24)),
    "finned_hub": Family(("ribs",), ("double_d", "square"), ("boss", "plain"), "finned", counts=(3, 4, 5, 6)),
    "stepped_tube": Family(("round", "key"), ("square", "splined"), ("counterbore", "boss"), "stepped", flange=0.6),
    "webbed_wheel": Family(("round", "ribs"), ("splined", "d"), ("pockets", "spokes"), "flanged", slender=(0.34, 0.5),
                           counts=(6, 8, 9, 12)),
    "clipped_drum": Family(("flats",), ("d", "double_d", "hexagon"), ("plain", "groove"), "collared", two_tone=0.6,
                           counts=(2, 3, 4, 6)),
    "barrel_plug": Family(("flats", "round"), ("square", "double_d"), ("counterbore", "groove"), "stepped",
                          two_tone=0.5, counts=(2, 4)),
    "scalloped_ring": Family(("lobes", "flutes"), ("double_d", "square", "splined"), ("spokes", "dished"), "finned",
                             flange=0.3, slender=(0.3, 0.5), counts=(5, 6, 8, 9)),
}

FAMILIES: tuple[str, ...] = tuple(_FAMILIES)
OWN_SOCKET = 0.6
"""Share of a family's parts with one of its own sockets; a drive depends on the pump more than on the mould."""
ANY_SOCKET = {"splined": 0.52, "square": 0.12, "hexagon": 0.12, "d": 0.12, "double_d": 0.12}
"""How often each socket comes otherwise: teeth are of many forms."""


def _colour(rng: np.random.Generator, names: tuple[str, ...]) -> list[float]:
    """A named colour, shifted in level and tint."""
    base = np.asarray(COLOURS[names[int(rng.integers(len(names)))]])
    return [float(v) for v in np.clip(base * rng.uniform(0.75, 1.25) * rng.uniform(0.9, 1.1, 3), 0.012, 0.9)]


def _material(rng: np.random.Generator, two_tone: float) -> Json:
    """Colours and surface. ``body`` is the barrel, ``ends`` the two end pieces."""
    everyday = rng.random() < 0.6
    body = _colour(rng, _COMMON if everyday else tuple(COLOURS))
    ends = [body, body]
    if rng.random() < two_tone:
        bright = tuple(name for name in COLOURS if name not in _COMMON)
        ends = [_colour(rng, bright if rng.random() < 0.75 else _COMMON) for _ in range(2)]
        if rng.random() < 0.4:
            ends[1] = body
    return {
        "body": body,
        "ends": ends,
        "gloss": float(rng.choice([rng.uniform(0.04, 0.15), rng.uniform(0.15, 0.5)])),
        "mottle": float(rng.uniform(0.01, 0.06)),
        "grain": float(rng.uniform(0.0, 0.06)),
        "fibres": float(rng.uniform(0.05, 0.25)) if rng.random() < 0.25 else 0.0,
        "roughness": float(rng.uniform(0.0, 0.0012)),
    }


def _marks(rng: np.random.Generator) -> Json:
    """Harmless marks: they never move a measure."""
    letters = "".join(rng.choice(list(string.ascii_uppercase + string.digits), int(rng.integers(1, 5))))
    return {
        "letters": letters if rng.random() < 0.5 else "",
        "letters_at": float(rng.uniform(-math.pi, math.pi)),
        "letters_size": float(rng.uniform(0.07, 0.14)),
        "letters_raised": bool(rng.random() < 0.6),
        "mould_line": float(rng.uniform(-math.pi, math.pi)) if rng.random() < 0.4 else None,
        "gate": [float(rng.uniform(-math.pi, math.pi)), float(rng.uniform(0.02, 0.05))] if rng.random() < 0.4 else None,
        "pins": int(rng.integers(2, 5)) if rng.random() < 0.2 else 0,
        "rub": float(rng.uniform(0.1, 0.45)) if rng.random() < 0.4 else 0.0,
    }


def _outline(family: Family, rng: np.random.Generator) -> Json:
    """An outer outline that reaches at most 0.88."""
    kind = family.outlines[int(rng.integers(len(family.outlines)))]
    turn, radius = float(rng.uniform(-math.pi, math.pi)), float(rng.uniform(0.62, 0.82))
    count = int(family.counts[int(rng.integers(len(family.counts)))])
    height = {
        "round": 0.0,
        "ribs": rng.uniform(0.05, 0.16) if count < 8 else rng.uniform(0.03, 0.08),
        "flutes": rng.uniform(0.03, 0.10),
        "flats": rng.uniform(0.25, 0.9) * (1 - math.cos(math.pi / max(count, 4))),
        "polygon": rng.uniform(0.03, 0.25),
        "lobes": rng.uniform(0.03, max(0.04, 0.5 / count**1.2)),
        "key": rng.uniform(0.05, 0.14),
    }[kind]
    if kind == "key":
        count = int(rng.integers(9, 22))
    reach = 1 + height if kind in ("ribs", "lobes", "key") else 1.0
    return {
        "kind": kind,
        "radius": min(radius, 0.88 / reach),
        "count": count,
        "height": float(height),
        "width": float(rng.uniform(0.25, 0.6)),
        "flank": float(rng.uniform(0.04, 0.2)),
        "turn": turn,
        "inward": bool(kind == "key" and rng.random() < 0.5),
    }


def _socket(family: Family, rng: np.random.Generator, room: float) -> Json:
    """A drive socket whose farthest point stays inside ``room``."""
    own = rng.random() < OWN_SOCKET
    kind = str(rng.choice(family.sockets)) if own else str(rng.choice(list(ANY_SOCKET), p=list(ANY_SOCKET.values())))
    turn, reach = float(rng.uniform(-math.pi, math.pi)), float(room * rng.uniform(0.38, 0.8))
    base = {"kind": kind, "turn": turn, "depth": float(rng.uniform(0.12, 0.9)),
            "bore": float(rng.uniform(0.25, 0.6)) if rng.random() < 0.25 else 0.0}
    if kind == "splined":
        count = int(rng.choice([6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 24]))
        height = reach * float(rng.uniform(0.12, 0.26)) * min(1.0, (14 / count) ** 0.5)
        flank = float(rng.uniform(0.08, 0.28))
        width = float(rng.uniform(flank + 0.14, 0.58))
        return base | {"outer": reach, "tip": reach - height, "count": count, "width": width, "flank": flank}
    fillet = float(rng.choice([0.0, rng.uniform(0.0, 0.05)]))
    if kind in ("d", "double_d"):
        return base | {"outer": reach, "a": reach * float(rng.uniform(0.5, 0.86)), "fillet": fillet}
    corners = 4 if kind == "square" else 6
    return base | {"a": reach * math.cos(math.pi / corners), "outer": reach, "fillet": fillet}


def _face(family: Family, rng: np.random.Generator) -> Json:
    """Relief of the front face between socket and outline; places are parts of the wall."""
    kind = family.faces[int(rng.integers(len(family.faces)))]
    start = float(rng.uniform(0.15, 0.45))
    return {
        "kind": kind,
        "start": start,
        "stop": float(min(0.9, start + rng.uniform(0.12, 0.5))),
        "depth": float(rng.uniform(0.02, 0.08)),
        "concentric": bool(rng.random() < 0.75),
        "count": int(rng.integers(3, 13)),
        "chamfer": float(rng.uniform(0.0, 0.05)),
        "lead_in": float(rng.uniform(0.0, 0.03)),
        "inlay": [float(rng.uniform(0.1, 0.6)), float(rng.uniform(0.1, 0.3))] if rng.random() < 0.12 else None,
        "inlay_colour": _colour(rng, tuple(COLOURS)),
        "rings": float(rng.uniform(0.0005, 0.002)) if rng.random() < 0.2 else 0.0,
    }


def _end(name: str, rng: np.random.Generator) -> Json:
    """An end-on design."""
    family = _FAMILIES[name]
    outline = _outline(family, rng)
    shrink = 1 - outline["height"] if outline["kind"] in ("lobes", "flutes", "flats") or outline["inward"] else 1.0
    room = outline["radius"] * (math.cos(math.pi / 6) if outline["kind"] == "polygon" else shrink)
    flange = None
    if rng.random() < family.flange:
        flange = {"radius": float(rng.uniform(1.06, 1.28)), "z": -float(rng.uniform(0.12, 0.9)),
                  "thickness": float(rng.uniform(0.05, 0.15)), "notches": int(rng.choice([0, 0, 2, 3, 4, 6]))}
    return {
        "view": "end",
        "outline": outline,
        "socket": _socket(family, rng, room),
        "face": _face(family, rng),
        "material": _material(rng, family.two_tone),
        "body": {"length": float(rng.uniform(0.5, 1.6)), "scale": float(rng.uniform(0.82, 1.0)),
                 "step_at": float(rng.uniform(0.15, 0.5))},
        "flange": flange,
        "marks": _marks(rng),
        "mm_per_unit": float(rng.uniform(9.0, 24.0)),
    }


def sample_design(family: str, view: str, rng: np.random.Generator) -> Json:
    """A part as new, plain JSON values.

    Args:
        family: One of ``FAMILIES``.
        view: ``"end"`` or ``"side"``.
        rng: Source of all chance.
    Raises:
        ValueError: on a family or view that is not known.
    """
    if family not in _FAMILIES:
        raise ValueError(f"coupler family must be one of {', '.join(FAMILIES)}; got {family!r}")
    if view == "end":
        return _end(family, rng)
    if view == "side":
        form = _FAMILIES[family]
        material, marks = _material(rng, max(0.35, form.two_tone)), _marks(rng)
        body: Json = sample_side(form.body, form.slender, rng)
        return body | {"material": material, "marks": marks}
    raise ValueError(f"view must be 'end' or 'side', got {view!r}")
