"""Metric or inch by choice: what a reading is shown in, and which units are offered first to enter it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, get_args

from fastapi import Request

from wearvision.readings import UNITS

System = Literal["metric", "inch"]
SYSTEMS: tuple[System, ...] = get_args(System)
COOKIE = "units"
TITLES: Mapping[System, str] = {"metric": "Metric (mm, bar, Pa)", "inch": "Inch (in, psi, inWC)"}

OFFERED: Mapping[str, tuple[str, ...]] = {
    "ohm": ("ohm", "kohm", "Mohm"),
    "Mohm": ("Mohm", "kohm", "Gohm"),
    "mm": ("mm", "in"),
    "1": ("1", "%"),
    "V": ("V", "mV"),
    "bar": ("bar", "psi", "kPa"),
    "Pa": ("Pa", "inWC", "mbar"),
    "%": ("%",),
    "spot": ("spot",),
}
"""A check's unit to those in the list, the metric one first; any other name that the library knows may be typed."""
INCH: Mapping[str, str] = {"mm": "in", "bar": "psi", "Pa": "inWC"}
LABELS: Mapping[str, str] = {"1": "ratio", "ohm": "ohm", "kohm": "kilo-ohm", "Mohm": "mega-ohm", "Gohm": "giga-ohm"}


def chosen(request: Request) -> System:
    """What this browser has chosen; metric until it does."""
    return "inch" if request.cookies.get(COOKIE) == "inch" else "metric"


def offered(unit: str, system: System) -> tuple[tuple[str, str], ...]:
    """Units to enter a reading in, the preferred one first, each with its name for people."""
    first = INCH.get(unit, unit) if system == "inch" else unit
    names = sorted(OFFERED.get(unit, (unit,)), key=lambda name: name != first)
    return tuple((name, LABELS.get(name, name)) for name in names)


def amount(value: float, unit: str, system: System) -> str:
    """A value in a check's unit as it is shown, such as ``"1.6 kohm"`` or ``"0.126 in"``."""
    if system == "inch" and unit in INCH:
        name = INCH[unit]
        return f"{value / UNITS[unit][name]:.3g} {name}"
    if unit == "ohm" and value >= 1e6:
        return f"{value / 1e6:g} Mohm"
    if unit == "ohm" and value >= 1e3:
        return f"{value / 1e3:g} kohm"
    return f"{value:g}" if unit in ("1", "") else f"{value:g} {unit}"


def expected(expect: Mapping[str, Any], unit: str, system: System) -> str:
    """What a good reading is, in words."""
    if "text" in expect:
        return str(expect["text"])
    low, high = expect.get("low"), expect.get("high")
    if low is None:
        return f"{amount(high, unit, system)} or less" if high is not None else ""
    if high is None:
        return f"{amount(low, unit, system)} or more"
    return f"{amount(low, unit, system)} to {amount(high, unit, system)}"
