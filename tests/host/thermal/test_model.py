"""The case model where no closed form is at hand: its physics, its edges, and that it needs no NumPy."""

import subprocess
import sys

import pytest

from groundbox.thermal.model import BATTERY_STEP_S, NAMES, CaseModel, CaseState, Drive, minutes_to, predict, steady
from groundbox.thermal.rows import HeatRow, fans_running, stretches, thinned
from groundbox.thermal.tracker import CaseTracker

CASE = CaseModel()
WARM = CaseState(air_c=35, wall_c=32, battery_c=28)


def test_more_heat_never_means_more_time() -> None:
    def minutes(**change: float) -> float:
        drive = Drive(**{"watts": 60.0, "outside_c": 30.0, "fans": 0.0, "sun": 0.5, **change})
        found = minutes_to(60, CASE, WARM, drive)
        return 1e9 if found is None else found

    assert minutes(watts=70) < minutes() < minutes(watts=50)
    assert minutes(outside_c=35) < minutes()
    assert minutes(sun=1) < minutes()
    assert minutes() < minutes(fans=0.5) <= minutes(fans=1)


def test_limit_reached_never_and_already() -> None:
    assert minutes_to(60, CASE, WARM, Drive(watts=10, outside_c=20, fans=2)) is None
    assert minutes_to(35, CASE, WARM, Drive(watts=10, outside_c=20)) == 0


def test_time_to_limit_is_when_the_prediction_gets_there() -> None:
    for limit_c in (40.0, 50.0, 55.0):
        drive = Drive(watts=60, outside_c=30, sun=1)
        minutes = minutes_to(limit_c, CASE, WARM, drive)
        assert minutes is not None
        seconds, state = minutes * 60, WARM
        while seconds > BATTERY_STEP_S:  # the battery temperature moves in the same steps
            state, seconds = predict(CASE, state, drive, BATTERY_STEP_S), seconds - BATTERY_STEP_S
        assert predict(CASE, state, drive, seconds).air_c == pytest.approx(limit_c, abs=0.01)


def test_a_hump_is_not_missed() -> None:
    """Hot walls warm the air over the limit although it settles far under it."""
    hot_walls = CaseState(air_c=30, wall_c=80)
    drive = Drive(watts=5, outside_c=20)
    assert steady(CASE, drive).air_c < 30
    assert minutes_to(50, CASE, hot_walls, drive) is not None


def test_parts_of_a_step_give_the_whole() -> None:
    state = CaseState(air_c=30, wall_c=40)
    drive = Drive(watts=40, outside_c=28, fans=1.3, sun=0.4)
    parts = predict(CASE, predict(CASE, state, drive, 100), drive, 500)
    whole = predict(CASE, state, drive, 600)
    assert (parts.air_c, parts.wall_c) == pytest.approx((whole.air_c, whole.wall_c))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
def test_an_impossible_case_is_refused(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        CaseModel(**{name: value})


def test_rows_are_checked_cut_and_thinned() -> None:
    with pytest.raises(ValueError, match="not a row"):
        HeatRow(t_s=0, case_c=float("nan"), outside_c=20, watts=1, fans=0)
    with pytest.raises(ValueError, match="not a row"):
        HeatRow(t_s=0, case_c=30, outside_c=20, watts=1, fans=3)

    def row(t_s: float, fans: float = 0.0) -> HeatRow:
        return HeatRow(t_s=t_s, case_c=30 + t_s / 100, outside_c=20, watts=40, fans=fans)

    pieces = stretches([row(0), row(1), row(1), row(2), row(1000), row(1001), row(5)])
    assert [[r.t_s for r in piece] for piece in pieces] == [[0, 1, 2], [1000, 1001], [5]]
    bins = thinned([row(t, fans=2.0 if t > 7 else 0.0) for t in range(40)], bin_s=10)
    assert [b.t_s for b in bins] == [0, 7, 17, 27, 37, 39]  # cut where the fans start
    assert [b.fans for b in bins] == [0, 0, 2, 2, 2, 2]
    assert bins[2].case_c == pytest.approx(30 + sum(range(8, 18)) / 1000)


def test_fans_of_a_reading() -> None:
    assert fans_running([]) == 0
    assert fans_running([(3000, 100, 3000), (3100, 100, 3000)]) == 2
    assert fans_running([(3000, 100, 3000), (0, 100, 3000)]) == 1  # one stalls
    assert fans_running([(None, 50, 3000), (1500, 50, 3000)]) == 1  # one without tachometer
    assert fans_running([(3000, 100, 3000)] * 2 + [(0, 0, 3000)] * 2) == 1
    assert fans_running([(None, None, 3000)]) is None


def test_tracker_finds_heat_that_is_not_logged_and_predicts_with_it() -> None:
    """12 W more than logged, in the air: the tracker finds them, and the time to a limit is that of the full heat."""
    tracker, state = CaseTracker(CASE), CaseState(air_c=25, wall_c=25, battery_c=25)
    assert tracker.minutes_to(60) is None
    for second in range(2 * 3600):
        fans = 2.0 if (second // 600) % 2 else 0.0
        state = predict(CASE, state, Drive(watts=42, outside_c=25, fans=fans), 1)
        tracker.update(
            HeatRow(
                t_s=second, case_c=round(state.air_c, 2), outside_c=25, watts=30, fans=fans, battery_c=state.battery_c
            )
        )
    assert tracker.extra_watts == pytest.approx(12, abs=0.5)
    true_minutes = minutes_to(45, CASE, state, Drive(watts=42, outside_c=25))
    assert tracker.minutes_to(45) == pytest.approx(true_minutes, rel=0.05)
    assert tracker.minutes_to(45, fans=2) is None
    kept = tracker.state
    tracker.update(HeatRow(t_s=5.0, case_c=99, outside_c=25, watts=30, fans=0))
    assert tracker.state == kept  # an old row comes again
    tracker.update(HeatRow(t_s=99999.0, case_c=30, outside_c=25, watts=30, fans=0))
    assert not tracker.known  # after a gap it starts again


def test_live_use_needs_no_numpy() -> None:
    code = (
        "import sys; sys.modules['numpy'] = sys.modules['scipy'] = None\n"
        "from groundbox.thermal.tracker import CaseTracker\n"
        "from groundbox.thermal import case_file, fit, filter_check\n"
        "from groundbox.thermal.model import CaseModel\n"
        "from groundbox.thermal.rows import HeatRow\n"
        "t = CaseTracker(CaseModel())\n"
        "for s in range(200): t.update(HeatRow(t_s=s, case_c=35, outside_c=30, watts=60, fans=2))\n"
        "print(t.minutes_to(50))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert 1 < float(done.stdout) < 60
