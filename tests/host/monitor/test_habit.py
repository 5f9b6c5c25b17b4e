"""The habit of a box: its mean over whole cycles, its spread, its recurring bursts; a new load counts at once."""

import json
from collections.abc import Callable

import pytest

from groundbox.battery.profile import BatteryProfile
from groundbox.model import FanReading, Reading
from groundbox.monitor.habit import Habit
from groundbox.monitor.loads import Sag
from groundbox.monitor.tracker import Tracker
from groundbox.settings import BoxSettings, LoadSettings

FANS_W, STEP_S, DAY_S = 5.0, 2, 86_400


def fly(
    habit: Habit,
    begin_s: float,
    minutes: float,
    watts: Callable[[float], float],
    *,
    place: str = "flight",
    fans: Callable[[float], bool] = lambda t_s: False,
    burst_amps: Callable[[float], float] = lambda t_s: 0.0,
    charging: str = "no",
    output: str = "on",
) -> float:
    """Feeds so many minutes; the fans add their watts. Returns the end."""
    t_s = begin_s
    while t_s < begin_s + 60 * minutes:
        t_s += STEP_S
        running = fans(t_s)
        amps = (watts(t_s) + FANS_W * running) / 12.0
        reading = Reading(
            box="mast",
            boot=1,
            sequence=1,
            uptime_ms=1,
            battery_volts=12.0,
            battery_amps=-2.0 if charging != "no" else amps,
            battery_max_amps=amps + burst_amps(t_s),
            fans={1: FanReading("ok", None, 100 * running)},
            outputs={2: output},
            charging=charging,
            place=place,
        )
        habit.take(t_s, reading)
    return t_s


def cycling(t_s: float) -> bool:
    """Fans that run six of fifteen minutes."""
    return t_s % 900 < 360


def test_cycles_are_averaged_out_and_the_spread_is_that_of_whole_stretches() -> None:
    habit, t_s = Habit(), 0.0
    assert habit.usual("flight") is None, "nothing is known yet"
    for _ in range(4):
        t_s = fly(habit, t_s, 35, lambda t_s: 15.0, fans=cycling)
        t_s = fly(habit, t_s, 40, lambda t_s: 10.0, fans=cycling, place="ground")
    seen = []
    for _ in range(35):
        t_s = fly(habit, t_s, 1, lambda t_s: 15.0, fans=cycling)
        found = habit.usual("flight")
        assert found is not None
        seen.append(found.watts)
    assert min(seen) > 16.6
    assert max(seen) < 17.4
    assert found.spread < 0.06
    assert found.top_watts == pytest.approx(20.0, abs=0.1), "the cutoff is met while the fans run"
    ground = habit.usual("ground")
    assert ground is not None
    assert ground.watts == pytest.approx(12.0, abs=0.4)


def test_stretches_that_differ_widen_the_spread() -> None:
    steady, moving, t_s = Habit(), Habit(), 0.0
    for number in range(6):
        begin_s = t_s
        t_s = fly(steady, begin_s, 35, lambda t_s: 15.0)
        fly(moving, begin_s, 35, lambda t_s, number=number: 12.0 + 6.0 * (number % 2))
        t_s += 600
    spreads = [one.usual("flight") for one in (steady, moving)]
    assert spreads[0] is not None
    assert spreads[1] is not None
    assert spreads[0].spread < 0.05
    assert spreads[1].spread > 0.12


def test_a_load_that_the_box_never_had_counts_within_minutes_and_stays() -> None:
    habit = Habit()
    t_s = fly(habit, 0.0, 120, lambda t_s: 15.0, fans=cycling)
    t_s = fly(habit, t_s, 5, lambda t_s: 27.0)
    found = habit.usual("flight")
    assert found is not None
    assert found.watts == pytest.approx(27.0, rel=0.02)
    for _ in range(30):
        t_s = fly(habit, t_s, 1, lambda t_s: 27.0)
        found = habit.usual("flight")
        assert found is not None
        assert found.watts > 26.0


def test_a_small_rise_that_lasts_is_not_averaged_away() -> None:
    habit = Habit()
    t_s = fly(habit, 0.0, 240, lambda t_s: 15.0, fans=cycling)
    fly(habit, t_s, 31, lambda t_s: 18.8)
    found = habit.usual("flight")
    assert found is not None
    assert found.watts > 18.0, "less than the fans' own step, so no block shows it"


def test_only_a_burst_that_recurs_is_expected_again() -> None:
    once, often = Habit(), Habit()
    fly(once, 0.0, 30, lambda t_s: 15.0, burst_amps=lambda t_s: 3.0 if t_s == 600 else 0.1)
    fly(often, 0.0, 30, lambda t_s: 15.0, burst_amps=lambda t_s: 3.0 if t_s % 60 == 0 else 0.1)
    bursts = [one.usual("flight") for one in (once, often)]
    assert bursts[0] is not None
    assert bursts[0].burst_watts == pytest.approx(1.2)
    assert bursts[1] is not None
    assert bursts[1].burst_watts == pytest.approx(36.0)


def test_a_charge_teaches_nothing_and_a_load_that_is_off_is_added_back() -> None:
    loads = [
        LoadSettings(name="receivers", watts=10.0),
        LoadSettings(name="usb", watts=5.0, output=2, sheddable=True),
    ]
    habit = Habit(loads)
    t_s = fly(habit, 0.0, 60, lambda t_s: 15.0)
    t_s = fly(habit, t_s, 30, lambda t_s: 15.0, charging="charging")
    fly(habit, t_s, 60, lambda t_s: 10.0, output="shed")
    found = habit.usual("flight")
    assert found is not None
    assert found.watts == pytest.approx(15.0, rel=0.01)


def test_earlier_sessions_count_and_survive_a_restart() -> None:
    habit, t_s = Habit(), 0.0
    for _ in range(3):
        t_s = fly(habit, t_s, 70, lambda t_s: 15.0, fans=cycling) + DAY_S
    again = Habit(saved=json.loads(json.dumps(habit.state())))
    assert again.usual("flight") == habit.usual("flight")
    fly(again, t_s - DAY_S - 60, 1, lambda t_s: 40.0)
    assert again.usual("flight") == habit.usual("flight"), "readings that it had already change nothing"
    for one in (habit, again):
        fly(one, t_s, 35, lambda t_s: 16.0)
    assert again.usual("flight") == habit.usual("flight")
    found = again.usual("flight")
    assert found is not None
    assert 15.4 < found.watts < 17.0


def test_the_runtime_does_not_follow_the_fans() -> None:
    box = BoxSettings(cutoff_volts=11.0, lead_ohm=0.03)
    habit, tracker, sag = Habit(), Tracker("mast", box, "one", BatteryProfile(c20_ah=9.0)), Sag(0.03, 9.0)
    t_s = fly(habit, 0.0, 180, lambda t_s: 15.0, fans=cycling)
    ends, blind = [], []
    for minute in range(30):
        for _ in range(30):
            t_s += 2
            amps = (15.0 + FANS_W * cycling(t_s)) / 12.5
            values = {"battery_volts": 12.5 - 0.1 * amps - minute / 200, "battery_amps": amps, "place": "flight"}
            reading = Reading(box="mast", boot=1, sequence=1, uptime_ms=int(1000 * t_s), **values)  # type: ignore[arg-type]
            habit.take(t_s, reading)
            tracker.take(t_s, reading)
            sag.take(reading)
        for usual, found in ((habit.usual("flight"), ends), (None, blind)):
            tracker.refresh(reading, usual=usual, sag=sag)
            assert tracker.estimate is not None
            if tracker.estimate.runtime_low_s is not None:
                found.append(t_s + tracker.estimate.runtime_low_s)

    def sway(found: list[float]) -> float:
        return sum(abs(b - a) for a, b in zip(found, found[1:], strict=False)) - abs(found[-1] - found[0])

    assert len(ends) > 25
    assert sway(ends) < 0.5 * sway(blind)


def test_a_measured_burst_brings_the_end_forward_and_a_fast_sample_under_the_cutoff_is_the_end() -> None:
    box = BoxSettings(cutoff_volts=11.0, lead_ohm=0.03)

    def run(burst_amps: float, lowest: float) -> list[float | None]:
        habit, tracker, sag = Habit(), Tracker("mast", box, "one", BatteryProfile(c20_ah=9.0)), Sag(0.03, 9.0)
        fly(habit, 0.0, 30, lambda t_s: 18.0, burst_amps=lambda t_s: burst_amps)
        for second in range(1801, 2400):
            values = {"battery_volts": 12.2, "battery_amps": 1.5, "place": "flight", "battery_min_volts": lowest}
            reading = Reading(
                box="mast",
                boot=1,
                sequence=1,
                uptime_ms=1000 * second,
                battery_max_amps=1.5 + burst_amps,
                **values,  # type: ignore[arg-type]
            )
            tracker.take(second, reading)
            sag.take(reading)
        assert sag.lowest_volts == pytest.approx(lowest - 0.03 * (1.5 + burst_amps)), "less the fall in the lead"
        tracker.refresh(reading, usual=habit.usual("flight"), sag=sag)
        assert tracker.estimate is not None
        return [tracker.estimate.runtime_low_s, tracker.estimate.runtime_expected_s]

    calm, bursts, under = run(0.0, 12.2), run(4.0, 11.7), run(4.0, 11.05)
    assert calm[1] is not None
    assert bursts[1] is not None
    assert bursts[1] < 0.97 * calm[1]
    assert under == [0.0, 0.0], "11.05 V less 5.5 A in the lead is under 11.0 V"
