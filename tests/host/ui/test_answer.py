"""One sentence a box, and the countdown to the turn-back time."""

from dataclasses import replace
from pathlib import Path

import pytest
from tests.host.ui.test_lines import STALLED, STATE, VIEW, WALL_S

import groundbox
from groundbox.advice.words import clock
from groundbox.battery.values import Estimate
from groundbox.monitor.heat import HeatOutlook
from groundbox.monitor.view import BoxView
from groundbox.plan.day_file import load_day
from groundbox.ui.answer import TO_DO, Countdown, aloud, answer, flights, lack, verdict
from groundbox.ui.chargers import Need, offer

STOP = replace(STALLED, kind="low_voltage", severity="stop", sentence="10.9 V: land now")


def _view(low_s: float | None = 3719.0, warnings: tuple[object, ...] = (), **changes: object) -> BoxView:
    state = replace(STATE, **{"runtime_low_s": low_s, "next_flight_s": 2100.0, **changes})  # type: ignore[arg-type]
    runtime_s = None if low_s is None else (low_s, low_s * 1.2, low_s * 1.5)
    estimate = Estimate(t_s=0.0, amps=1.0, soc=0.5)
    return replace(
        VIEW,
        state=state,
        runtime_s=runtime_s,
        estimate=estimate,
        c20_ah=9.0,
        warnings=warnings,  # type: ignore[arg-type]
    )


@pytest.mark.parametrize(
    ("view", "words", "tone"),
    [
        (_view(), "Enough for one more flight of 35 min, 11 min to spare", "good"),
        (_view(2 * 2100 + 900 + 1), "Enough for two more flights of 35 min, 1 s to spare", "good"),
        (_view(2999), "Charge about 1 min at 1.8 A before launching: 1 s short", "notice"),
        (_view(0), "Charge about 64 min at 1.8 A before launching: 50 min short", "notice"),
        (_view(None), "Runtime unknown: no estimate yet", "unknown"),
        (_view(next_flight_s=None), "Lasts 61 min at worst; set flight.length_min to be told of flights", "good"),
        (_view(charging="yes"), "Charging: runtime is told after it, under load", "notice"),
        (_view(silent_s=None), "Not heard yet: plug in its cable and power", "unknown"),
        (_view(silent_s=61.0), "No fresh numbers for 61 s: check its cable and power", "unknown"),
        (_view(silent_s=61.0, in_flight=True), "No fresh numbers for 61 s: check its cable and power", "stop"),
        (_view(in_flight=True), f"Turn back by {clock(WALL_S + 1000)}, in 16 min", "good"),
        (_view(in_flight=True, wall_s=WALL_S + 500), f"Turn back by {clock(WALL_S + 1000)}, in 8 min", "notice"),
        (_view(in_flight=True, wall_s=WALL_S + 1000), f"Turn back now: {clock(WALL_S + 1000)} is past", "stop"),
        (_view(in_flight=True, warnings=(STOP,)), "Land now: battery nearly empty", "stop"),
    ],
)
def test_one_sentence_answers(view: BoxView, words: str, tone: str) -> None:
    found = answer(view)
    assert (found.sentence, found.tone) == (words, tone)


def test_a_stopped_fan_says_what_to_do_and_by_when() -> None:
    fans = ("running", "stalled", "absent", "absent")
    hot = HeatOutlook(as_now_min=(None, 9.2, None))
    on_ground = answer(replace(_view(warnings=(STALLED,), fans=fans), heat=hot))
    assert on_ground.sentence == "Fan 2 stopped: open the lid, 55 C in about 9 min"
    own = replace(_view(warnings=(STALLED,), fans=fans), heat=hot, limits={"case_urgent_centi_c": 5200})
    assert answer(own).sentence == "Fan 2 stopped: open the lid, 52 C in about 9 min"
    in_flight = answer(_view(warnings=(STALLED,), fans=fans, in_flight=True))
    assert in_flight.sentence == f"Turn back by {clock(WALL_S + 1000)}, in 16 min; fan 2 stopped: open the lid"
    assert in_flight.tone == "urgent"


def test_flights_leave_the_reserve() -> None:
    assert flights(_view(2999.0).state) == (0, 2099.0)
    assert flights(_view(3000.0).state) == (1, 0.0)
    assert flights(_view(None).state) is None


NEED = Need(box="mast", battery="M9", c20_ah=9.0, missing_ah=4.5, gain_ah=1.0)


def test_more_is_charged_for_more_load_and_less_with_more_amps() -> None:
    alone, loaded = offer(None, NEED), offer(None, replace(NEED, load_amps=1.0))
    assert (alone.charger, alone.amps) == (None, 1.8)
    assert alone.hours == pytest.approx(1.0 / 1.8 / 0.98, rel=0.01)
    assert (loaded.hours or 0) > (alone.hours or 9)
    assert offer(None, replace(NEED, load_amps=1.8)).hours is None
    assert "no charge above 40 C" in offer(None, replace(NEED, battery_c=44.0)).because
    need = lack(_view(9000.0))
    assert need is not None
    assert need.gain_ah == 0


def test_charging_goes_by_the_chargers_of_the_day_file() -> None:
    day = load_day(Path(groundbox.__file__).parent / "examples" / "bog_day.toml")
    found = offer(day, NEED)
    assert found.charger in day.chargers
    assert found.hours is not None
    assert f"on {found.charger} at {found.amps:.1f} A before launching" in answer(_view(0), day).sentence
    assert offer(day, replace(NEED, box="shed", battery="X")).charger in (None, *day.chargers)


def test_one_look_goes_by_the_box_that_allows_least() -> None:
    early, late = _view(in_flight=True), replace(_view(in_flight=True), turn_back_s=WALL_S + 5000)
    told = [(one, answer(one)) for one in (late, early)]
    assert verdict(told).words == f"Turn back by {clock(WALL_S + 1000)}"
    assert verdict(told).because == "for box mast, 16 min from now"
    fan = replace(late, warnings=(STALLED,), state=replace(late.state, box="table"))
    assert verdict([*told, (fan, answer(fan))]).because.endswith("; look at table")
    assert verdict([*told, (fan, answer(fan))]).tone == "urgent"
    for view, words in (
        (_view(), "Launch if you like"),
        (_view(0), "Wait"),
        (_view(None), "Not known"),
        (_view(warnings=(STALLED,)), "Do not launch"),
        (_view(in_flight=True, warnings=(STOP,)), "Act now"),
        (replace(_view(in_flight=True), turn_back_s=None), "Not known"),
    ):
        assert (
            verdict(
                [(_view(), answer(_view())), (view, answer(view))]
                if not view.state.in_flight
                else [(view, answer(view))]
            ).words
            == words
        )
    assert verdict([]).tone == "unknown"


def test_what_is_said_aloud_is_short_enough_to_repeat() -> None:
    fans = ("running", "stalled", "absent", "absent")
    assert aloud(STALLED, _view(fans=fans)) == "Fan 2 stopped: open the lid"
    assert aloud(STOP, _view(in_flight=True)) == "Land now: battery nearly empty"
    assert aloud(STOP, _view()) == "Battery empty: switch the box off and charge it"
    assert aloud(STALLED, None) == STALLED.sentence
    unnamed = replace(STALLED, kind="unmarked")
    assert aloud(unnamed, _view()) == unnamed.sentence
    for words in (each for pair in TO_DO.values() for each in pair):
        assert len(words.split()) <= 12, words


def test_the_countdown_tells_each_step_once() -> None:
    countdown = Countdown()
    told = [countdown.due({"table": left + 900.0, "mast": float(left)}, True) for left in range(700, -30, -1)]
    assert [one for one in told if one] == [
        "Turn back in 10 minutes, for box mast.",
        "Turn back in 5 minutes, for box mast.",
        "Turn back in 2 minutes, for box mast.",
        "Turn back now, for box mast.",
    ]


def test_the_countdown_begins_anew_after_landing_and_skips_what_is_past() -> None:
    countdown = Countdown()
    assert countdown.due({"mast": 100.0}, True) == "Turn back in 2 minutes, for box mast."
    assert countdown.due({"mast": 130.0}, True) is None
    assert countdown.due({"mast": 100.0}, False) is None
    assert countdown.due({"mast": 290.0}, True) == "Turn back in 5 minutes, for box mast."
    assert countdown.due({}, True) is None
