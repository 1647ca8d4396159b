"""Combustion arithmetic that a walk needs: reserve air, fuel factor, nozzle flow, smoke spot. Pure; light fuel oil."""

from __future__ import annotations

import math

AMBIENT_O2 = 20.9
"""Oxygen of dry air in percent, as analysers are zeroed."""
CO2_MAX = 15.5
"""Carbon dioxide without excess air, percent of dry gas: 87 % carbon, 13 % hydrogen (computed; 15.4 to 15.6 by oil)."""
OIL_K = 94.0
"""Excess-air factor of light oil: 93.7 to 94.0 computed, 94.5 remembered; 90 is methane's (published)."""
RATED_BAR = 6.895
"""Pressure at which nozzles are rated: 100 psi (a nozzle maker's guide)."""


def excess_air(o2: float, k: float = OIL_K) -> float:
    """Excess air in percent from the oxygen of the dry flue gas, K O2 / (21 - O2).

    Args:
        o2: Oxygen, 0 to below 20.9 %.
        k: Fuel factor; 94 light oil, 90 methane.

    Raises:
        ValueError: the oxygen is out of range.

    Source: Handbook of Energy Engineering Calculations.
    Example:
        >>> round(excess_air(5.0), 1)
        29.4
    """
    _within("oxygen", o2, 0.0, AMBIENT_O2)
    return k * o2 / (21.0 - o2)


def co2_from_o2(o2: float, co2_max: float = CO2_MAX) -> float:
    """Carbon dioxide in percent of the dry flue gas that belongs to an oxygen reading.

    Args:
        o2: Oxygen, 0 to below 20.9 %.
        co2_max: Carbon dioxide without excess air, percent.

    Raises:
        ValueError: the oxygen is out of range.

    Source: dilution with air, computed; form from memory.
    Example:
        >>> round(co2_from_o2(5.0), 1)
        11.8
    """
    _within("oxygen", o2, 0.0, AMBIENT_O2)
    return co2_max * (AMBIENT_O2 - o2) / AMBIENT_O2


def fuel_factor(o2: float, co2: float, ambient: float = AMBIENT_O2) -> float:
    """Fuel factor Fo = (ambient - O2) / CO2 of a pair of readings; light oil lies between 1.260 and 1.413.

    Args:
        o2: Oxygen, percent of dry gas.
        co2: Carbon dioxide, percent of dry gas, > 0.
        ambient: Oxygen of dry air, percent.

    Raises:
        ValueError: the carbon dioxide is not positive.

    Source: "Fuel factor"; the range from memory of a published test method, it stands in starts.toml.
    """
    if not co2 > 0:
        raise ValueError(f"carbon dioxide must be above 0 %, is {co2}")
    return (ambient - o2) / co2


def nozzle_flow(rated: float, bar: float, rated_bar: float = RATED_BAR) -> float:
    """Flow of a nozzle at a pressure, rated sqrt(p / p rated), in the unit of the rating; within 5 %.

    Args:
        rated: Flow printed on the nozzle, > 0.
        bar: Pump pressure, > 0 bar.
        rated_bar: Pressure of the rating, bar.

    Raises:
        ValueError: an argument is not positive.

    Source: a nozzle maker's guide.
    """
    if not (rated > 0 and bar > 0 and rated_bar > 0):
        raise ValueError(f"flow and pressures must be above 0, are {rated}, {bar}, {rated_bar}")
    return rated * math.sqrt(bar / rated_bar)


def spot_number(reflectance: float) -> float:
    """Smoke spot number from the paper's reflectance, 0 (white, 100 %) to 10 (black).

    Args:
        reflectance: Of the spot over that of the clean paper, 0 to 100 %.

    Raises:
        ValueError: the reflectance is out of range.

    Source: scale of ASTM D2156, from memory.
    """
    if not 0 <= reflectance <= 100:
        raise ValueError(f"a reflectance lies between 0 and 100 %, is {reflectance}")
    return (100.0 - reflectance) / 10.0


def _within(name: str, value: float, low: float, high: float) -> None:
    if not low <= value < high:
        raise ValueError(f"{name} lies from {low:g} to below {high:g} %, is {value}")
