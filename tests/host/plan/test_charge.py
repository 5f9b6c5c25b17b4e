"""The charge model where no number is published: what must hold of any charge."""

from math import exp

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox.plan.charge_model import (
    ChargedBattery,
    ChargerModel,
    acceptance_per_hour,
    charge,
    chosen_amps,
    full_at,
    gas_amps,
    hours_until,
    hours_until_full,
    last_fifth_hours,
    refusals,
    stays_at_float,
)

BATTERY = ChargedBattery(c20_ah=9)


@settings(max_examples=60, deadline=None)
@given(missing=st.floats(0.01, 9), amps=st.floats(0.3, 2.7), hours=st.floats(0.05, 12), cut=st.floats(0.1, 0.9))
def test_two_charges_in_a_row_are_one(missing: float, amps: float, hours: float, cut: float) -> None:
    """Without stages that remember, charging twice in a row is charging once."""
    charger = ChargerModel(amps=amps)
    whole = charge(BATTERY, charger, missing, hours)
    first = charge(BATTERY, charger, missing, hours * cut)
    second = charge(BATTERY, charger, first.missing_ah, hours * (1 - cut))
    assert second.missing_ah == pytest.approx(whole.missing_ah, rel=1e-6, abs=1e-9)
    assert first.in_ah + second.in_ah == pytest.approx(whole.in_ah, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(missing=st.floats(0.1, 9), more=st.floats(0.01, 2), amps=st.floats(0.3, 2.7), hours=st.floats(0.1, 12))
def test_a_fuller_battery_stays_fuller(missing: float, more: float, amps: float, hours: float) -> None:
    charger = ChargerModel(amps=amps)
    ahead = charge(BATTERY, charger, missing, hours).missing_ah
    assert ahead <= charge(BATTERY, charger, min(missing + more, 9.0), hours).missing_ah + 1e-9
    assert 0 <= ahead <= missing


@settings(max_examples=40, deadline=None)
@given(missing=st.floats(0.1, 9), amps=st.floats(0.3, 2.7), load=st.floats(0, 2), hours=st.floats(0.1, 8))
def test_a_running_load_never_helps(missing: float, amps: float, load: float, hours: float) -> None:
    charger = ChargerModel(amps=amps, ends="taper", taper_amps=0.3)
    alone = charge(BATTERY, charger, missing, hours).missing_ah
    loaded = charge(BATTERY, charger, missing, hours, load_amps=load)
    assert loaded.missing_ah >= alone - 1e-6 or load < charger.taper_amps
    assert loaded.missing_ah <= BATTERY.capacity_ah


def test_stages_follow_each_other() -> None:
    charger = ChargerModel(amps=2, ends="taper", taper_amps=0.3)
    stages = [charge(BATTERY, charger, 6, hours).stage for hours in (0.5, 3.5, 10)]
    assert stages == ["bulk", "absorption", "float"]
    timed = ChargerModel(amps=2, ends="timer", timer_hours=1)
    state = charge(BATTERY, timed, 6, 10)
    assert state.stage == "float"
    assert state.absorption_hours == pytest.approx(1)


def test_current_never_above_the_limit_of_battery_or_charger() -> None:
    for amps in (1.0, 2.0, 6.0):
        state = charge(BATTERY, ChargerModel(amps=amps), 8, 0.25)
        assert state.amps == pytest.approx(min(amps, 2.7))


def test_a_load_that_hides_the_taper_is_planned_as_float() -> None:
    charger = ChargerModel(amps=2.5, ends="taper", taper_amps=0.3)
    assert stays_at_float(charger, 0.8)
    assert not stays_at_float(charger, 0.1)
    assert charge(BATTERY, charger, 3, 1, load_amps=0.8).stage == "float"
    timed = ChargerModel(amps=2.5, ends="taper", taper_amps=0.3, timer_hours=3)
    assert not stays_at_float(timed, 0.8)
    assert charge(BATTERY, timed, 1, 1, load_amps=0.8).stage == "absorption"


def test_a_load_larger_than_the_charger_empties_the_battery() -> None:
    state = charge(BATTERY, ChargerModel(amps=1), 1, 2, load_amps=1.5)
    assert state.missing_ah == pytest.approx(2)


def test_cold_and_age_slow_a_charge() -> None:
    charger = ChargerModel(amps=2)
    hours = [
        hours_until(battery, charger, 0.5 * battery.capacity_ah, 0.05 * battery.capacity_ah)
        for battery in (
            BATTERY,
            ChargedBattery(c20_ah=9, battery_c=5),
            ChargedBattery(c20_ah=9, battery_c=5, health=0.6),
        )
    ]
    assert None not in hours
    assert hours[0] < hours[1]  # type: ignore[operator]
    compensated = ChargerModel(amps=2, mv_per_k=30)
    cold = hours_until(ChargedBattery(c20_ah=9, battery_c=5), compensated, 4.5, 0.45)
    assert cold is not None
    assert hours[0] < cold < hours[1]  # type: ignore[operator]


def test_the_last_fifth_costs_most() -> None:
    charger = ChargerModel(amps=2.5)
    to_80 = hours_until(BATTERY, charger, 7.2, 1.8)
    last = last_fifth_hours(BATTERY, charger)
    assert to_80 is not None
    assert last is not None
    assert last > to_80
    assert hours_until_full(BATTERY, charger, 7.2) == pytest.approx(to_80 + last, rel=1e-3)


def test_compensated_voltages() -> None:
    """Float 2.27 V a cell, 3 mV a cell and kelvin: 14.07, 13.62, 13.35 V at 0, 25, 40 C (makers' figures)."""
    charger = ChargerModel(amps=1, absorption_volts=14.70, float_volts=13.62, mv_per_k=18)
    for battery_c, volts in ((0, 14.07), (25, 13.62), (40, 13.35)):
        assert charger.volts("float", battery_c) == pytest.approx(volts, abs=0.001)


def test_a_charger_is_set_within_the_limit_of_the_battery() -> None:
    assert chosen_amps(BATTERY, 4, (1, 2.5, 4)) == 2.5
    assert chosen_amps(BATTERY, 4, ()) is None
    assert chosen_amps(ChargedBattery(c20_ah=9, max_amps=2.5), 2.5, ()) == 2.5, "exactly at its limit"
    assert chosen_amps(ChargedBattery(c20_ah=9, max_amps=2.4), 2.5, ()) is None
    assert chosen_amps(ChargedBattery(c20_ah=9, max_amps=0.5), 4, (1, 2.5, 4)) is None


def test_exactly_at_a_limit_there_is_no_refusal() -> None:
    """Charger, temperature, rest voltage and load may be at their limits; beyond them each is refused."""
    at_limit, charger = ChargedBattery(c20_ah=18, max_amps=2.5), ChargerModel(amps=2.5)
    assert refusals(at_limit, charger, rest_volts=10.5, load_volts={"display": 14.4}) == ()
    assert refusals(ChargedBattery(c20_ah=18, battery_c=0.0), charger) == ()
    assert refusals(ChargedBattery(c20_ah=18, battery_c=40.0), charger) == ()
    assert len(refusals(at_limit, ChargerModel(amps=2.51), rest_volts=10.49, load_volts={"display": 14.39})) == 3
    assert len(refusals(ChargedBattery(c20_ah=18, battery_c=-0.1), charger)) == 1
    assert len(refusals(ChargedBattery(c20_ah=18, battery_c=40.1), charger)) == 1


@pytest.mark.parametrize(
    ("battery", "more", "words"),
    [
        (ChargedBattery(c20_ah=7), {}, "2.1 A at most"),
        (ChargedBattery(c20_ah=18, battery_c=-2), {}, "below 0 °C"),
        (ChargedBattery(c20_ah=18, battery_c=43), {}, "above 40 °C"),
        (ChargedBattery(c20_ah=18), {"rest_volts": 10.2}, "inspect"),
        (ChargedBattery(c20_ah=18), {"load_volts": {"receiver": 14.0}}, "receiver takes 14 V at most"),
    ],
)
def test_refusals_each_with_its_sentence(battery: ChargedBattery, more: dict, words: str) -> None:  # type: ignore[type-arg]
    found = refusals(battery, ChargerModel(amps=2.5), **more)
    assert len(found) == 1
    assert words in found[0]
    assert (
        refusals(ChargedBattery(c20_ah=18), ChargerModel(amps=2.5), rest_volts=12.0, load_volts={"display": 16}) == ()
    )


def test_acceptance_by_hand() -> None:
    """k = 0.85 an hour at 14.4 V and 25 °C, nothing at 13.0 V; a kelvin acts like 30 mV and 1.5 % of k."""
    for battery_c, volts, k in (
        (25, 14.4, 0.85),
        (25, 13.7, 0.425),
        (25, 13.0, 0.0),
        (25, 12.0, 0.0),
        (15, 14.4, 0.85 * 1.1 / 1.4 * 0.85),
        (35, 14.1, 0.85 * 1.15),
    ):
        assert acceptance_per_hour(ChargedBattery(c20_ah=9, battery_c=battery_c), volts) == pytest.approx(k)
    assert acceptance_per_hour(ChargedBattery(c20_ah=9, health=0.6), 14.4) == pytest.approx(0.6 * 0.85)
    assert acceptance_per_hour(ChargedBattery(c20_ah=9, health=1.1), 14.4) == pytest.approx(0.85)


def test_gas_and_full_by_hand() -> None:
    """8 mA an ampere-hour at 14.4 V and 20 °C, an eighth at 13.6 V; full when a twentieth is left over two hours."""
    cool = ChargedBattery(c20_ah=9, battery_c=20)
    assert gas_amps(cool, 14.4) == pytest.approx(0.072)
    assert gas_amps(cool, 13.6) == pytest.approx(0.009)
    assert gas_amps(BATTERY, 14.25) == pytest.approx(0.072), "5 K act like 150 mV"
    missing_ah = 0.05 * gas_amps(BATTERY, 14.4) * 0.98 / (0.85 * (1 - exp(-1.7)))
    assert full_at(BATTERY, 14.4) == pytest.approx(missing_ah)


def test_a_battery_that_is_nearly_full_goes_to_float_at_once() -> None:
    state = charge(BATTERY, ChargerModel(amps=2, ends="taper", taper_amps=0.3), 0.05, 1)
    assert (state.stage, state.hours, state.absorption_hours) == ("float", pytest.approx(1), 0.0)
