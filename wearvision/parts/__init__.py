"""The one registry of parts. Pages, commands, renderers and tests read it; nothing else names a part."""

from __future__ import annotations

from wearvision.errors import UnknownPart
from wearvision.parts.coupler import COUPLER
from wearvision.parts.electrode import ELECTRODE
from wearvision.parts.flame_cell import FLAME_CELL
from wearvision.parts.spec import Mark, Mask, Mode, PartSpec, Scene

PARTS: dict[str, PartSpec] = {}
for _part in (FLAME_CELL, ELECTRODE, COUPLER):
    if _part.key in PARTS:
        raise ValueError(f"two parts share the key {_part.key!r}")
    PARTS[_part.key] = _part


def part_spec(key: str) -> PartSpec:
    """The registered part of that key.

    Raises:
        UnknownPart: no part has this key; the message lists those that exist.
    """
    try:
        return PARTS[key]
    except KeyError:
        raise UnknownPart(f"There is no part {key!r}; known are {', '.join(PARTS)}.") from None


def region_names() -> tuple[str, ...]:
    """All regions a network marks, in channel order: ``"part"`` first, then each part's own, each once."""
    names: dict[str, None] = {"part": None}
    for part in PARTS.values():
        names.update(dict.fromkeys(part.regions))
    return tuple(names)


def measure_keys() -> tuple[str, ...]:
    """All measures a network estimates directly, as ``part.measure``, in output order."""
    return tuple(f"{part.key}.{mode.measure}" for part in PARTS.values() for mode in part.modes)


__all__ = ["PARTS", "Mark", "Mask", "Mode", "PartSpec", "Scene", "measure_keys", "part_spec", "region_names"]
