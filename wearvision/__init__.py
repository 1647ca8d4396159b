"""Grades wear of burner parts from a photo, with the hand checks that confirm it."""

from __future__ import annotations

from typing import Any

_HOMES = {
    "Grader": "wearvision.grade",
    "Report": "wearvision.report",
    "WearvisionError": "wearvision.errors",
    "confirm": "wearvision.confirm",
    "load_limits": "wearvision.standard",
    "read_photo": "wearvision.photo",
    "wiping_pair": "wearvision.wiping",
}
__all__ = sorted(_HOMES)


def __getattr__(name: str) -> Any:
    """Imports a public name when it is first used, so that the command starts fast."""
    from importlib import import_module

    if name not in _HOMES:
        raise AttributeError(f"module 'wearvision' has no attribute {name!r}; it has {', '.join(__all__)}")
    return getattr(import_module(_HOMES[name]), name)
