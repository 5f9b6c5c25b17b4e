"""The estimator against physics and against bad streams of readings; no recorded data needed."""

import json
import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import date

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.host.battery.test_fit import made, runs_of

from groundbox.battery import cell
from groundbox.battery.estimate import Estimator
from groundbox.battery.fit import fitted_profile
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.particles import Particles
from groundbox.battery.prior import sound_prior
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Estimate, Phase, Sample

PROFILE = BatteryProfile(c20_ah=18.0)
LIMITS = RuntimeLimits(cutoff_volts=10.8, end_volts_per_cell=0.0)
FOREVER = math.inf


def discharge(
    minutes: int, amps: float, volts: float = 12.6, fall: float = 0.003, start_s: float = 0.0
) -> Iterator[Sample]:
    """A battery under a steady load whose voltage falls evenly, a reading a minute."""
    for minute in range(minutes):
        yield Sample(t_s=start_s + 60.0 * minute, volts=volts - fall * minute, amps=amps)


def followed(*streams: Iterator[Sample], start_soc: float | None = 1.0, profile: BatteryProfile = PROFILE) -> Estimator:
    estimator = Estimator(profile, LIMITS, start_soc=start_soc)
    for stream in streams:
        for sample in stream:
            estimator.update(sample)
    return estimator


def band(found: Estimate) -> tuple[float, float, float]:
    assert found.runtime_low_s is not None
    assert found.runtime_expected_s is not None
    assert found.runtime_high_s is not None
    return found.runtime_low_s, found.runtime_expected_s, found.runtime_high_s


def expected_s(estimator: Estimator, amps: float) -> float:
    return band(estimator.estimate([Phase(seconds=FOREVER, amps=amps)]))[1]


@settings(max_examples=40, deadline=None)
@given(
    loads=st.lists(st.tuples(st.floats(0.2, 12.0), st.integers(3, 60)), min_size=1, max_size=6),
    first=st.floats(0.3, 8.0),
    factor=st.floats(1.05, 3.0),
    battery_c=st.floats(-10, 40),
)
def test_more_load_never_lasts_longer_and_the_band_is_in_order(
    loads: list[tuple[float, int]], first: float, factor: float, battery_c: float
) -> None:
    estimator = Estimator(PROFILE, LIMITS, start_soc=1.0)
    t_s, volts = 0.0, 12.7
    for amps, minutes in loads:
        for _ in range(minutes):
            t_s, volts = t_s + 60, volts - 0.0005 * amps
            estimator.update(Sample(t_s=t_s, volts=max(volts - 0.02 * amps, 10.9), amps=amps, battery_c=battery_c))
    small = band(estimator.estimate([Phase(seconds=FOREVER, amps=first)]))
    large = band(estimator.estimate([Phase(seconds=FOREVER, amps=first * factor)]))
    assert small[0] <= small[1] <= small[2]
    assert all(more <= less + 1.0 for less, more in zip(small, large, strict=True))


@settings(max_examples=25, deadline=None)
@given(amps=st.floats(0.3, 9.0), warm=st.floats(-5, 40), colder=st.floats(1, 30))
def test_colder_never_lasts_longer(amps: float, warm: float, colder: float) -> None:
    found = []
    for battery_c in (warm, warm - colder):
        estimator = Estimator(PROFILE, LIMITS, start_soc=1.0)
        estimator.update(Sample(t_s=0.0, volts=12.7, amps=amps, battery_c=battery_c))
        found.append(expected_s(estimator, amps))
    assert found[1] <= found[0] + 1.0


def test_a_peak_and_a_lead_shorten_the_runtime() -> None:
    estimator = followed(discharge(60, 2.0))
    plain = band(estimator.estimate([Phase(seconds=FOREVER, amps=2.0)]))[1]
    peak = band(estimator.estimate([Phase(seconds=FOREVER, amps=2.0, peak_amps=8.0)]))[1]
    estimator.limits = RuntimeLimits(cutoff_volts=10.8, lead_ohm=0.1, end_volts_per_cell=0.0)
    lead = band(estimator.estimate([Phase(seconds=FOREVER, amps=2.0)]))[1]
    assert peak < plain
    assert lead < plain


def test_the_end_voltage_is_named_when_it_comes_first() -> None:
    estimator = followed(discharge(30, 2.0))
    assert estimator.estimate().limit == "cutoff"
    estimator.limits = RuntimeLimits(cutoff_volts=9.0)
    assert estimator.estimate().limit == "end_voltage"


def test_switching_a_load_off_lasts_longer() -> None:
    estimator = followed(discharge(60, 3.0))
    assert band(estimator.without(1.0))[1] > band(estimator.estimate())[1]


def test_phases_are_run_through_in_order() -> None:
    estimator = followed(discharge(30, 2.0))
    steady = expected_s(estimator, 2.0)
    heavier_later = band(estimator.estimate([Phase(seconds=3600, amps=2.0), Phase(seconds=FOREVER, amps=4.0)]))[1]
    only_heavy = expected_s(estimator, 4.0)
    assert only_heavy < heavier_later < steady
    split = band(estimator.estimate([Phase(seconds=3600, amps=2.0), Phase(seconds=FOREVER, amps=2.0)]))[1]
    assert split == pytest.approx(steady, rel=1e-3)


def test_no_answer_before_anything_is_known() -> None:
    estimator = Estimator(PROFILE, LIMITS)
    found = estimator.estimate()
    assert (found.soc, found.runtime_expected_s, found.unknown_because) == (None, None, "no reading yet")
    estimator.update(Sample(t_s=0.0, volts=12.6, amps=2.0))
    assert estimator.estimate().runtime_expected_s is None
    assert "start" in (estimator.estimate().unknown_because or "")


def test_zero_under_the_cutoff_and_none_while_charging() -> None:
    estimator = followed(discharge(30, 2.0), iter([Sample(t_s=1800.0, volts=10.7, amps=2.0)]))
    assert band(estimator.estimate()) == (0.0, 0.0, 0.0)
    estimator.update(Sample(t_s=1860.0, volts=13.4, amps=-2.0))
    found = estimator.estimate()
    assert found.charging
    assert found.runtime_expected_s is None
    assert found.soc is not None


def test_a_charge_between_two_loads_does_not_count_as_a_load_that_comes_and_goes() -> None:
    charge = discharge(60, -2.0, volts=13.8, fall=-0.005, start_s=3600)
    charged = band(followed(discharge(60, 2.0), charge, discharge(40, 2.0, start_s=7200)).estimate())
    uncharged = band(followed(discharge(40, 2.0)).estimate())
    assert charged[2] - charged[0] < 1.5 * (uncharged[2] - uncharged[0])


def test_charge_is_accounted_for_over_a_cycle() -> None:
    """Drawn less stored charge is the missing charge, to 0.1 %, with side reactions and each sensor gain and offset."""
    from groundbox.battery.limits import CHARGE_KEPT

    estimator = followed(discharge(241, 3.0, fall=0.0))
    assert estimator.particles is not None
    before = estimator.particles.drawn.copy()
    drawn = 3.0 * 60 / 3600
    estimator.update(Sample(t_s=241 * 60.0, volts=12.6, amps=3.0))
    estimator.estimate()
    assert estimator.particles.offset is not None
    assert estimator.particles.log_gain is not None
    left_out = estimator.particles.offset * 60 / 3600
    actual = drawn / PROFILE.c20_ah * np.exp(estimator.particles.log_gain) + left_out
    assert estimator.particles.drawn - before == pytest.approx(actual, rel=1e-3)
    before = estimator.particles.drawn.copy()
    for minute in range(60):
        estimator.update(Sample(t_s=(242 + minute) * 60.0, volts=13.2, amps=-2.0))
    estimator.estimate()
    stored = 2.0 * 1.0 * CHARGE_KEPT / PROFILE.c20_ah
    assert before - estimator.particles.drawn == pytest.approx(stored, rel=1e-3)


@pytest.mark.parametrize("offset_amps", [-0.02, 0.02])
def test_a_current_sensors_offset_is_in_the_band(offset_amps: float) -> None:
    """20 mA are 8 % of a light load's charge; the battery is small and its profile knows it well."""
    profile = BatteryProfile(c20_ah=PROFILE.c20_ah)
    profile = fitted_profile(profile, runs_of(1.0, 0.8, 1.2, 2.0), date(2026, 5, 1))
    small = msgspec.structs.replace(profile, c20_ah=6.0)
    rows = [Sample(t_s=row.t_s, volts=row.volts, amps=row.amps / 3) for row in made(1.0, 0.75)]
    estimator = Estimator(small, RuntimeLimits(cutoff_volts=10.5, end_volts_per_cell=0.0), start_soc=1.0)
    for place, row in enumerate(rows):
        estimator.update(replace(row, amps=row.amps + offset_amps))
        if place % 60 == 0 and 0.05 < place / len(rows) < 0.95:
            low, _, high = band(estimator.estimate())
            assert low <= rows[-1].t_s - row.t_s <= high


def test_repeats_and_stragglers_change_nothing() -> None:
    clean, dirty = list(discharge(120, 2.0)), []
    for place, sample in enumerate(clean):
        dirty += [sample, sample] + ([clean[place - 5]] if place > 5 else [])
    assert band(followed(iter(clean)).estimate()) == band(followed(iter(dirty)).estimate())


def test_a_gap_widens_the_band() -> None:
    through = followed(discharge(120, 2.0), discharge(60, 2.0, volts=12.24, start_s=7200))
    gap = followed(discharge(120, 2.0), discharge(2, 2.0, volts=12.0, start_s=7200 + 2 * 3600))
    assert gap.particles is not None
    assert through.particles is not None
    assert gap.particles.drawn.std() > through.particles.drawn.std()
    assert gap.estimate().runtime_expected_s is not None


def test_a_restart_continues_from_its_state() -> None:
    rows = list(discharge(300, 2.0))
    straight, restarted = Estimator(PROFILE, LIMITS), Estimator(PROFILE, LIMITS)
    for place, row in enumerate(rows):
        straight.update(row)
        restarted.update(row)
        if place % 40 == 0:
            restarted = Estimator.resume(PROFILE, LIMITS, json.loads(json.dumps(restarted.state())))
    assert band(restarted.estimate()) == pytest.approx(band(straight.estimate()), rel=1e-3)


def test_memory_does_not_grow() -> None:
    estimator = followed(discharge(200, 1.0, fall=0.0005))
    small = len(json.dumps(estimator.state()))
    for sample in discharge(2000, 1.0, volts=12.5, fall=0.0003, start_s=200 * 60.0):
        estimator.update(sample)
    assert len(json.dumps(estimator.state())) < 1.2 * small


def test_a_switched_load_makes_no_swing_that_is_reversed() -> None:
    """Runtime for a fixed load to come, while a servo-like load comes and goes, with its sag."""
    estimator = Estimator(PROFILE, LIMITS, start_soc=1.0)
    answers = []
    for minute in range(180):
        amps = 4.0 if minute // 10 % 2 else 1.5
        volts = 12.7 - 0.0011 * 2.75 * minute - 0.03 * amps
        estimator.update(Sample(t_s=60.0 * minute, volts=volts, amps=amps))
        answers.append(expected_s(estimator, 2.75))
    whole = answers[0]
    for place in range(1, len(answers) - 5):
        step = answers[place] - answers[place - 1]
        back = max((answers[place] - later) * (1 if step > 0 else -1) for later in answers[place + 1 : place + 6])
        assert min(abs(step), back) < 0.1 * whole


def test_a_rest_shows_the_charge() -> None:
    for volts, low, high in ((12.9, 0.8, 1.0), (12.2, 0.2, 0.7), (11.8, 0.0, 0.45)):
        rest = [Sample(t_s=60.0 * minute, volts=volts, amps=0.0) for minute in range(300)]
        soc = followed(iter(rest), start_soc=None).estimate().soc
        assert soc is not None
        assert low <= soc <= high


def test_voltage_alone_is_answered_with_a_wide_band() -> None:
    def blind(stream: Iterator[Sample]) -> Iterator[Sample]:
        for sample in stream:
            yield Sample(t_s=sample.t_s, volts=sample.volts)

    measured = band(followed(discharge(120, 2.0)).estimate())
    alone = band(followed(blind(discharge(120, 2.0))).estimate())
    assert (alone[2] - alone[0]) / alone[1] > (measured[2] - measured[0]) / measured[1]


def test_a_small_load_from_the_first_reading_does_not_count_as_a_rest() -> None:
    rows = (Sample(t_s=60.0 * m, volts=12.88 - 0.002 * m) for m in range(240))
    assert band(followed(rows).estimate())[1] > 0


def test_known_switches_show_the_load_better_than_voltage_alone() -> None:
    """A fan of 3 A comes and goes beside an undeclared 1 A; the cells are the population's own."""

    def readings(known: bool) -> Iterator[Sample]:
        numbers, wells, drawn = sound_prior().mean, np.zeros(4), 0.0
        whole = cell.total_charge(np.array(1.0), np.array(numbers[1]))
        for minute in range(150):
            fan = 3.0 if minute // 10 % 2 else 0.0
            rate = (1.0 + fan) / PROFILE.c20_ah
            drawn, wells = drawn + rate / 60, cell.advance_wells(wells, rate, 1 / 60)
            depleted = cell.depleted_fraction(np.array(drawn), wells, whole, np.array(numbers[1]))
            volts = 6 * float(cell.terms(depleted, rate) @ numbers[2:])
            yield Sample(t_s=60.0 * minute, volts=volts, switched_amps=fan if known else None)

    blind, switched = followed(readings(known=False)), followed(readings(known=True))
    mean = 2.5
    assert switched.load.usual == pytest.approx(mean, rel=0.25)
    assert abs(switched.load.usual - mean) < abs(blind.load.usual - mean)


def test_a_declared_load_serves_where_no_current_is_measured() -> None:
    rows = [Sample(t_s=60.0 * m, volts=12.6 - 0.003 * m, declared_amps=2.0) for m in range(120)]
    declared, measured = followed(iter(rows)).estimate(), followed(discharge(120, 2.0)).estimate()
    assert band(declared)[1] == pytest.approx(band(measured)[1], rel=0.15)


def test_a_moving_voltage_widens_the_band_of_a_declared_load() -> None:
    """The declared load seems steady, but the voltage shows that it comes and goes. A measured load needs no hint."""

    def rows(swing: float, *, measured: bool) -> Iterator[Sample]:
        for minute in range(120):
            volts = 12.6 - 0.003 * minute + (swing if minute % 2 else -swing)
            yield Sample(t_s=60.0 * minute, volts=volts, **{"amps" if measured else "declared_amps": 2.0})

    def width(swing: float, *, measured: bool) -> float:
        low, expected, high = band(followed(rows(swing, measured=measured)).estimate())
        return (high - low) / expected

    assert width(0.06, measured=False) > 1.5 * width(0.06, measured=True)
    assert width(0.06, measured=False) > 1.5 * width(0.0, measured=False)


def test_unsteadiness_of_a_declared_load_by_hand() -> None:
    """The spread of the voltage over the volts that twice the load costs; a measured load needs no hint."""
    rows = [Sample(t_s=60.0 * m, volts=12.6 - 0.003 * m, declared_amps=2.0) for m in range(60)]
    declared, measured = followed(iter(rows)), followed(discharge(60, 2.0))
    for estimator in (declared, measured):
        assert estimator.particles is not None
        response = estimator.particles.load_response(2.0 / PROFILE.c20_ah)
        assert 0.01 < response < 0.1
        for fraction, found in ((0.1, 0.0), (0.2, 0.2), (0.5, 0.5), (3.0, 1.0)):
            estimator.voltage_variance = (fraction * response) ** 2
            wanted = 0.0 if estimator is measured else found
            assert estimator._unsteadiness() == pytest.approx(wanted, abs=0.02), fraction


def test_a_rest_shows_the_charge_after_a_quarter_one_and_four_hours(monkeypatch: pytest.MonkeyPatch) -> None:
    marks: list[tuple[float, float, float]] = []
    estimator = Estimator(PROFILE, LIMITS)

    def observe(_: Particles, charge: float, sd: float) -> None:
        marks.append((round(estimator.rest_hours, 2), charge, sd))

    monkeypatch.setattr(Particles, "observe_rest", observe)
    for minute in range(301):
        estimator.update(Sample(t_s=60.0 * minute, volts=12.3, amps=0.0))
    assert [(hours, sd) for hours, _, sd in marks] == [(0.25, 0.25), (1.0, 0.15), (4.0, 0.12)]
    assert len({charge for _, charge, _ in marks}) == 1


def test_the_battery_temperature_follows_the_case_by_hours() -> None:
    estimator = Estimator(PROFILE, LIMITS, start_soc=1.0)
    for minute in range(61):
        estimator.update(Sample(t_s=60.0 * minute, volts=12.5, amps=1.0, case_c=25.0 if minute == 0 else 5.0))
    assert estimator.battery_c is not None
    assert 15.0 < estimator.battery_c < 22.0


@settings(max_examples=30, deadline=None)
@given(
    rows=st.lists(
        st.tuples(st.sampled_from([1.0, 60.0, 600.0, 7200.0]), st.floats(8.0, 15.0), st.floats(-5.0, 20.0)),
        min_size=2,
        max_size=60,
    ),
    inputs=st.lists(st.sampled_from(["amps", "declared", "none"]), min_size=1, max_size=4),
    c20_ah=st.sampled_from([1.2, 18.0, 1000.0]),
)
def test_no_stream_of_readings_breaks_it(
    rows: list[tuple[float, float, float]], inputs: list[str], c20_ah: float
) -> None:
    estimator = Estimator(BatteryProfile(c20_ah=c20_ah), RuntimeLimits(cutoff_volts=10.5))
    t_s = 0.0
    for place, (seconds, volts, amps) in enumerate(rows):
        t_s += seconds
        known = inputs[place % len(inputs)]
        estimator.update(
            Sample(
                t_s=t_s,
                volts=volts,
                amps=amps if known == "amps" else None,
                declared_amps=abs(amps) if known == "declared" else None,
            )
        )
        found = estimator.estimate()
        if found.runtime_expected_s is not None:
            low, middle, high = band(found)
            assert 0 <= low <= middle <= high < math.inf
        if found.soc is not None:
            assert 0 <= found.soc <= 1


def test_readings_half_an_hour_apart_are_not_gaps() -> None:
    rows = [Sample(t_s=1800.0 * place, volts=12.6 - 0.04 * place, amps=1.0) for place in range(20)]
    estimator = followed(iter(rows))
    assert estimator.particles is not None
    estimator.estimate()
    assert estimator.loaded_charge == pytest.approx(19 * 0.5 / PROFILE.c20_ah, rel=0.01)


def test_trust_names_how_the_runtime_is_known() -> None:
    fitted = fitted_profile(PROFILE, runs_of(1.0, 1.5), date(2026, 5, 1))
    twice = fitted_profile(PROFILE, runs_of(1.0, 1.5, 4.0), date(2026, 5, 1))
    for profile, trust in ((PROFILE, "nameplate"), (fitted, "one_session"), (twice, "measured")):
        estimator = Estimator(profile, LIMITS)
        assert estimator.estimate().trust is None
        for sample in made(1.0, 2.0)[:60]:
            estimator.update(sample)
        assert estimator.estimate().trust == trust
    reversed_leads = followed(discharge(60, -2.0, volts=11.4))
    assert reversed_leads.estimate().findings
    assert reversed_leads.estimate().trust == "doubtful"
