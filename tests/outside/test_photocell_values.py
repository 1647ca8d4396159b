"""The photocell law against published and computed values (handbook section 1, checks C1.1 to C1.5)."""

from __future__ import annotations

import numpy as np
import pytest

from wearvision.photocell import critical_light, gamma_of, layers_light, optical_density, resistance, rise


# Source: table in an electronics simulator's "photoresistor sensor reference" (R10 50 k, gamma 0.7), read there.
@pytest.mark.parametrize(
    ("lux", "ohm"),
    [
        (0.1, 1.25e6), (1, 250e3), (10, 50e3), (50, 16.2e3), (100, 9.98e3),
        (400, 3.78e3), (1000, 1.99e3), (10000, 397), (100000, 79),
    ],
)  # fmt: skip
def test_resistance_follows_the_published_table(lux: float, ohm: float) -> None:
    assert resistance(lux, 50e3, 0.7) == pytest.approx(ohm, rel=0.006)  # 79 is printed with two digits only


# Source: definition of gamma in three makers' CdS data sheets; number computed independently (handbook C1.2).
def test_gamma_from_two_data_sheet_points() -> None:
    assert gamma_of((10, 20e3), (100, 3.17e3)) == pytest.approx(0.79997, abs=1e-4)


# Source: handbook C1.3 and C1.4, computed from the power law.
def test_worked_examples_of_a_dirty_cell() -> None:
    assert 600 * rise(1 - 0.15, 0.8) == pytest.approx(683.3, abs=0.1)
    assert 600 * rise(1 - 0.50, 0.8) == pytest.approx(1044.7, abs=0.1)
    assert resistance(1000, 20e3, 0.8) == pytest.approx(502.4, abs=0.1)
    assert resistance(500, 20e3, 0.8) == pytest.approx(874.7, abs=0.1)


# Source: Beer-Lambert, textbook, from memory; numbers computed (handbook C1.5).
def test_two_films_multiply_and_their_densities_add() -> None:
    light = layers_light(0.1, 0.2)
    assert light == pytest.approx(0.72, abs=1e-12)
    assert optical_density(light) == pytest.approx(0.14267, abs=1e-5)
    assert optical_density(light) * np.log(10) == pytest.approx(0.32850, abs=1e-5)
    assert optical_density(0.9) + optical_density(0.8) == pytest.approx(optical_density(light), abs=1e-12)


# Source: handbook table "R'/R = T^-gamma", exact computation.
@pytest.mark.parametrize(
    ("gamma", "factors"),
    [
        (0.6, [1.0653, 1.1024, 1.2386, 1.3587, 1.5157, 2.0593]),
        (0.7, [1.0765, 1.1205, 1.2836, 1.4299, 1.6245, 2.3228]),
        (0.8, [1.0879, 1.1388, 1.3302, 1.5048, 1.7411, 2.6200]),
        (0.9, [1.0995, 1.1575, 1.3785, 1.5837, 1.8661, 2.9552]),
    ],
)
def test_rise_table(gamma: float, factors: list[float]) -> None:
    assert [rise(t, gamma) for t in (0.90, 0.85, 0.70, 0.60, 0.50, 0.30)] == pytest.approx(factors, abs=6e-5)


# Source: handbook, "Critical T* for R_limit = 1600 ohm", exact computation.
@pytest.mark.parametrize(
    ("clean", "lights"),
    [
        (300, [0.0614, 0.0915, 0.1234, 0.1557]),
        (600, [0.1950, 0.2463, 0.2935, 0.3363]),
        (1000, [0.4569, 0.5110, 0.5557, 0.5932]),
    ],
)
def test_critical_light_table(clean: float, lights: list[float]) -> None:
    assert [critical_light(clean, 1600, g) for g in (0.6, 0.7, 0.8, 0.9)] == pytest.approx(lights, abs=6e-5)
