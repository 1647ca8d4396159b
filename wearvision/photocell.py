"""The photocell law: what a film or a veil in front of the cell does to its resistance. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

GAMMA = 0.8
"""Typical exponent: data sheet of a metal-package cell that lists 'flame monitor for oil burner'."""
GAMMA_RANGE = (0.6, 0.9)
"""Spread of the exponent over data sheets of cadmium-sulphide cells."""

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Prediction:
    """What the picture makes the meter read.

    Attributes:
        factor: Lowest and highest rise over the clean reading, >= 1.
        typical: Rise at the typical exponent and the geometric middle of the light factor.
        ohm: Range of the reading now, in ohm.
        clean_ohm: The cell's own clean reading, None where none is on record.
        margin_ohm: Service limit minus the highest reading predicted; None without a clean reading.
    """

    factor: Range
    typical: float
    ohm: Range
    clean_ohm: float | None
    margin_ohm: float | None


def resistance(lux: float, r10: float, gamma: float = GAMMA) -> float:
    """Resistance in ohm at an illuminance, R10 (E / 10 lx)^-gamma.

    Args:
        lux: Illuminance, > 0 lx.
        r10: Resistance at 10 lx, > 0 ohm.
        gamma: Exponent, > 0.

    Raises:
        ValueError: an argument is not positive.

    Source: power law of the data sheets.
    Example:
        >>> round(resistance(1000, 20e3, 0.8), 1)
        502.4
    """
    _positive(lux=lux, r10=r10, gamma=gamma)
    return r10 * math.pow(lux / 10.0, -gamma)


def gamma_of(first: tuple[float, float], second: tuple[float, float]) -> float:
    """The exponent through two (lux, ohm) readings.

    Raises:
        ValueError: a value is not positive, or both readings have the same illuminance.

    Source: makers' data sheets.
    """
    (e1, r1), (e2, r2) = first, second
    _positive(lux=min(e1, e2), ohm=min(r1, r2))
    if e1 == e2:
        raise ValueError(f"two readings at the same {e1} lx give no exponent")
    return abs(math.log10(r2) - math.log10(r1)) / abs(math.log10(e2) - math.log10(e1))


def layers_light(*losses: float) -> float:
    """Light left behind several layers, 0 to 1: transmittances multiply.

    Example:
        >>> round(layers_light(0.1, 0.2), 2)
        0.72
    """
    for loss in losses:
        if not 0 <= loss <= 1:
            raise ValueError(f"a light loss lies between 0 and 1, is {loss}")
    return math.prod(1.0 - loss for loss in losses)


def optical_density(light: float) -> float:
    """Optical density -log10 T of a light factor, > 0 to 1; densities of layers add."""
    _positive(light=light)
    return -math.log10(light)


def light_factor(*losses: Range) -> Range:
    """The light that reaches the element, as a range, from the intervals of the layers seen.

    The picture shows each layer once; a real deposit also dims the light on its way in, hence the square root
    at the bright end.

    Args:
        losses: For each layer (film, haze) the lowest and the highest loss, 0 to 1.

    Returns:
        (darkest, brightest), each 0 to 1.

    Source: the wear standard, "Film and haze".
    """
    darkest = layers_light(*(min(high, 1.0) for _, high in losses))
    brightest = math.sqrt(layers_light(*(max(low, 0.0) for low, _ in losses)))
    return darkest, brightest


def rise(light: float, gamma: float = GAMMA) -> float:
    """How many times higher the lit resistance reads behind a light factor, T^-gamma; infinite for no light."""
    if not 0 <= light <= 1:
        raise ValueError(f"a light factor lies between 0 and 1, is {light}")
    return math.inf if light == 0 else math.pow(light, -gamma)


def critical_light(clean_ohm: float, limit_ohm: float, gamma: float = GAMMA) -> float:
    """The light factor at which a cell reaches a limit, (clean / limit)^(1 / gamma); at most 1."""
    _positive(clean_ohm=clean_ohm, limit_ohm=limit_ohm, gamma=gamma)
    return min(1.0, math.pow(clean_ohm / limit_ohm, 1.0 / gamma))


def predict(
    losses: tuple[Range, ...], *, usual_ohm: Range, limit_ohm: float, clean_ohm: float | None = None
) -> Prediction:
    """What the meter should read behind the layers seen.

    Args:
        losses: For each layer the interval of its light loss, 0 to 1.
        usual_ohm: Range of good cells in a good flame, taken where the cell's own reading is not on record.
        limit_ohm: Service limit.
        clean_ohm: The cell's own clean reading.

    Returns:
        The prediction. Single cells vary by half and more, so without a clean reading there is no margin.

    Raises:
        ValueError: a resistance is not positive.
    """
    _positive(limit_ohm=limit_ohm, usual_ohm=min(usual_ohm))
    if clean_ohm is not None:
        _positive(clean_ohm=clean_ohm)
    darkest, brightest = light_factor(*losses)
    low, high = rise(brightest, GAMMA_RANGE[0]), rise(darkest, GAMMA_RANGE[1])
    start, end = usual_ohm if clean_ohm is None else (clean_ohm, clean_ohm)
    return Prediction(
        factor=(low, high),
        typical=rise(math.sqrt(darkest * brightest), GAMMA),
        ohm=(start * low, end * high),
        clean_ohm=clean_ohm,
        margin_ohm=None if clean_ohm is None else limit_ohm - end * high,
    )


def _positive(**numbers: float) -> None:
    for name, number in numbers.items():
        if not (number > 0 and math.isfinite(number)):
            raise ValueError(f"{name} must be positive, is {number}")
