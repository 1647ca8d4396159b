"""Combustion arithmetic against published and computed values (handbook section 6, checks C6.1 to C6.5)."""

from __future__ import annotations

import pytest

from wearvision.combustion import (
    CO2_MAX,
    OIL_K,
    RATED_BAR,
    co2_from_o2,
    excess_air,
    fuel_factor,
    nozzle_flow,
    spot_number,
)
from wearvision.standard import load_starts

PSI = 0.0689476  # bar, by definition of the pound and the inch

# Dry air and atomic masses: textbook values, from memory.
OXYGEN_IN_AIR = 0.2095
CARBON, HYDROGEN = 12.011, 1.008


def burned(carbon: float, hydrogen: float, excess: float) -> tuple[float, float]:
    """Oxygen and carbon dioxide, percent of dry gas, by counting the moles of 100 g fuel: no formula of ours in it."""
    dioxide, steam_oxygen = carbon / CARBON, hydrogen / HYDROGEN / 4
    needed = dioxide + steam_oxygen
    left = needed * excess
    nitrogen = needed * (1 + excess) * (1 - OXYGEN_IN_AIR) / OXYGEN_IN_AIR
    dry = dioxide + left + nitrogen
    return 100 * left / dry, 100 * dioxide / dry


# C6.1. Source: a nozzle maker's guide (first two); the third computed.
@pytest.mark.parametrize(("rated", "psi", "flow"), [(1.30, 140, 1.54), (1.00, 140, 1.183), (0.65, 150, 0.796)])
def test_c6_1_nozzle_flow_with_pressure(rated: float, psi: float, flow: float) -> None:
    assert nozzle_flow(rated, psi * PSI) == pytest.approx(flow, abs=0.005)
    assert nozzle_flow(rated, RATED_BAR) == rated
    assert pytest.approx(100 * PSI, abs=1e-3) == RATED_BAR


# C6.2. Source: Handbook of Energy Engineering Calculations (methane); oil computed.
def test_c6_2_excess_air() -> None:
    assert excess_air(3.0, k=90.0) == pytest.approx(15.0)
    assert excess_air(5.0) == pytest.approx(29.4, abs=0.05)
    assert burned(87, 13, 0.293)[0] == pytest.approx(5.0, abs=0.01)  # the exact figure of the handbook
    naive = 100 * 5.0 / (20.9 - 5.0)
    assert naive == pytest.approx(31.4, abs=0.05)
    assert abs(excess_air(5.0) - 29.3) < abs(naive - 29.3) / 10


@pytest.mark.parametrize("excess", [0.05, 0.2, 0.3, 0.5, 1.0])
def test_excess_air_agrees_with_counted_moles(excess: float) -> None:
    oxygen, _ = burned(87, 13, excess)
    assert excess_air(oxygen) == pytest.approx(100 * excess, rel=0.01)
    assert OIL_K == 94


# C6.3. Source: computed from carbon 87 %, hydrogen 13 %.
@pytest.mark.parametrize(("o2", "co2"), [(4, 12.54), (5, 11.80), (6, 11.06), (7, 10.32)])
def test_c6_3_carbon_dioxide_from_oxygen(o2: float, co2: float) -> None:
    assert co2_from_o2(o2) == pytest.approx(co2, abs=0.05)
    assert 1.347 <= round(fuel_factor(o2, co2_from_o2(o2)), 3) <= 1.349  # exact 20.9 / 15.5 = 1.3484


@pytest.mark.parametrize("excess", [0.0, 0.25, 0.5])
def test_carbon_dioxide_agrees_with_counted_moles(excess: float) -> None:
    oxygen, dioxide = burned(87, 13, excess)
    assert co2_from_o2(oxygen) == pytest.approx(dioxide, abs=0.05)
    assert burned(87, 13, 0.0)[1] == pytest.approx(CO2_MAX, abs=0.01)


# C6.4. Source: form "Fuel factor"; range of distillate oil from memory of a published test method.
def test_c6_4_fuel_factor_and_its_range() -> None:
    pair, other = load_starts().pairs
    assert (other.low, other.high, other.first) == (pair.low, pair.high, pair.first)
    assert (pair.low, pair.high, pair.ambient) == (1.260, 1.413, 20.9)
    assert fuel_factor(10.5, 11) == pytest.approx(0.945, abs=5e-4)
    assert not pair.low <= fuel_factor(10.5, 11) <= pair.high
    for carbon, hydrogen in [(86.5, 13.2), (87.3, 12.6)]:
        assert pair.low <= fuel_factor(*burned(carbon, hydrogen, 0.3)) <= pair.high


# C6.5. Source: scale of ASTM D2156, from memory.
def test_c6_5_spot_number_from_reflectance() -> None:
    assert spot_number(80) == pytest.approx(2.0)
    assert spot_number(95) == pytest.approx(0.5)
    assert [spot_number(100 - 10 * number) for number in range(10)] == pytest.approx(range(10))


# Source: handbook section 6; limits read in training slides, oil references, a guide to installation, manuals.
@pytest.mark.parametrize(
    ("check", "value", "good"),
    [
        ("supply-load", 14.0, True), ("supply-load", 13.7, True), ("supply-load", 14.7, True),
        ("supply-load", 13.2, False), ("supply-load", 15.3, False), ("supply-rest", 12.65, True),
        ("oxygen", 4.0, True), ("oxygen", 7.0, True), ("oxygen", 10.5, False), ("oxygen", 3.9, False),
        ("carbon-dioxide", 10.0, True), ("carbon-dioxide", 12.5, True), ("carbon-dioxide", 8.1, False),
        ("pump-pressure", 100 * PSI, True), ("pump-pressure", 140 * PSI, True), ("pump-pressure", 150 * PSI, True),
        ("cut-off", 80.0, True), ("cut-off", 0.0, False), ("smoke", 0.0, True), ("smoke", 4.0, False),
        ("draft", 0.02 * 249.089, True), ("draft", 0.0, False),
        ("electrode-set", 3.2, True), ("electrode-set", 4.8, True), ("electrode-set", 2.5, False),
        ("electrode-set", 6.0, False),
    ],
)  # fmt: skip
def test_bands_agree_with_published_limits(check: str, value: float, good: bool) -> None:
    reading = load_starts().checks[check].reading
    assert reading is not None
    (hit,) = [one for one in reading.answers if one.low <= value < one.high]
    assert (hit.says == "good") == good


@pytest.mark.parametrize("o2", [-0.1, 20.9, 21.0, float("nan")])
def test_oxygen_out_of_range_is_refused(o2: float) -> None:
    for formula in (excess_air, co2_from_o2):
        with pytest.raises(ValueError, match="oxygen lies from"):
            formula(o2)


def test_other_values_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="above 0 %"):
        fuel_factor(5, 0)
    with pytest.raises(ValueError, match="between 0 and 100"):
        spot_number(101)
    with pytest.raises(ValueError, match="must be above 0"):
        nozzle_flow(1.0, 0.0)
