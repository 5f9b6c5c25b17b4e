"""Board uptime to wall time: against simulated clocks with known true time, and by hand."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox.link.clock import (
    ARRIVAL_UNCERTAINTY_S,
    RESTART_S,
    SET_S,
    BoardClock,
    Clocks,
    ClockUpdate,
    WallTime,
)
from groundbox.model import StartTime

WALL_S = 1_760_000_000.0
YEAR_S = 365.25 * 86400


class Truth:
    """A board that started at true time 0, a host whose wall clock is wrong by `off_s`."""

    def __init__(self, drift: float = 0.0, off_s: float = 0.0) -> None:
        self.drift, self.off_s = drift, off_s
        self.started_s = 0.0
        self.clock = BoardClock("mast")

    def uptime_ms(self, true_s: float) -> int:
        return int((true_s - self.started_s) * (1 + self.drift) * 1000)

    def wall_s(self, true_s: float) -> float:
        return WALL_S + true_s + self.off_s

    def exchange(self, true_s: float, there_s: float = 0.004, back_s: float = 0.004, boot: int = 3) -> ClockUpdate:
        return self.clock.exchange(
            boot,
            self.uptime_ms(true_s),
            received_wall_s=self.wall_s(true_s + back_s),
            received_monotonic_s=5000.0 + true_s + back_s,
            round_trip_s=there_s + back_s,
        )

    def heard(self, true_s: float, arrived_s: float) -> StartTime | None:
        return self.clock.heard(
            3,
            self.uptime_ms(true_s),
            received_wall_s=self.wall_s(arrived_s),
            received_monotonic_s=5000.0 + arrived_s,
        )

    def error_s(self, true_s: float, boot: int = 3) -> tuple[float, float]:
        """(error, stated uncertainty) of a reading taken at `true_s`."""
        wall = self.clock.wall(boot, self.uptime_ms(true_s))
        assert wall
        return abs(wall.wall_s - self.wall_s(true_s)), wall.uncertainty_s


def test_a_round_trip_by_hand() -> None:
    """Asked at 998 s, answered at 1000 s of wall time with an uptime of 10 s: the start is at 999 - 10 = 989 s."""
    clock = BoardClock("mast")
    update = clock.exchange(3, 10_000, received_wall_s=1000.0, received_monotonic_s=500.0, round_trip_s=2.0)
    assert update == ClockUpdate(
        again=False, start=StartTime(box="mast", boot=3, wall_s=989.0, uncertainty_s=1.001, source="exchange")
    )
    assert clock.wall(3, 10_000) == WallTime(wall_s=999.0, uncertainty_s=1.001, source="exchange")
    assert clock.wall(3, 20_000) == WallTime(wall_s=1009.0, uncertainty_s=pytest.approx(1.002), source="exchange")
    assert clock.wall(3, 0) == WallTime(wall_s=989.0, uncertainty_s=pytest.approx(1.002), source="exchange")
    assert clock.wall(4, 10_000) is None


def test_the_round_trip_with_the_smaller_uncertainty_counts() -> None:
    clock = BoardClock("mast")
    clock.exchange(3, 10_000, received_wall_s=1000.0, received_monotonic_s=500.0, round_trip_s=2.0)
    clock.exchange(3, 40_000, received_wall_s=1029.3, received_monotonic_s=529.3, round_trip_s=0.2)
    assert clock.wall(3, 10_000) == WallTime(
        wall_s=pytest.approx(999.2), uncertainty_s=pytest.approx(0.104), source="exchange"
    )


def test_arrivals_by_hand() -> None:
    """The start is the minimum arrival less uptime on the monotonic clock, moved by the newest wall time."""
    clock = BoardClock("mast")
    clock.heard(3, 10_000, received_wall_s=1000.5, received_monotonic_s=500.5)
    assert clock.wall(3, 20_000) == WallTime(wall_s=1010.5, uncertainty_s=ARRIVAL_UNCERTAINTY_S, source="arrival")
    clock.heard(3, 11_000, received_wall_s=1001.2, received_monotonic_s=501.2)
    assert clock.wall(3, 20_000).wall_s == pytest.approx(1010.2)
    clock.heard(3, 12_000, received_wall_s=1003.3, received_monotonic_s=503.0)
    assert clock.wall(3, 20_000).wall_s == pytest.approx(1010.5), "the wall clock was moved by 0.3 s"


@pytest.mark.parametrize(("moved_s", "reported"), [(SET_S + 0.02, True), (SET_S - 0.02, False), (-SET_S - 0.02, True)])
def test_a_step_over_the_tolerance_is_a_clock_that_was_set(moved_s: float, reported: bool) -> None:
    truth = Truth()
    truth.exchange(100.0)
    truth.off_s = moved_s
    assert (truth.exchange(100.0).start is not None) == reported


def test_a_quick_round_trip_after_a_slow_one_is_of_the_same_start() -> None:
    truth = Truth()
    truth.exchange(100.0, there_s=2.0, back_s=2.0)
    assert truth.exchange(130.0) == ClockUpdate(again=False, start=None)


@pytest.mark.parametrize(("moved_s", "reported"), [(4.4, False), (4.6, True)])
def test_two_slow_round_trips_may_differ_by_both_their_uncertainties(moved_s: float, reported: bool) -> None:
    truth = Truth()
    truth.exchange(100.0, there_s=2.0, back_s=2.0)
    truth.off_s = moved_s
    assert (truth.exchange(100.0, there_s=2.0, back_s=2.0).start is not None) == reported


@pytest.mark.parametrize(("later_s", "again"), [(RESTART_S + 0.02, True), (RESTART_S - 0.02, False)])
def test_a_start_later_by_more_than_a_restart_takes_is_another_start(later_s: float, again: bool) -> None:
    truth = Truth()
    truth.exchange(100.0)
    truth.started_s = later_s
    assert truth.exchange(100.0).again == again


def test_the_reading_of_the_two_clocks_with_the_smallest_gap_counts() -> None:
    monotonic = iter([1.0, 5.0, 6.0, 6.5, 7.0, 9.0])
    wall = iter([100.0, 200.0, 300.0])
    now = Clocks(wall_s=lambda: next(wall), monotonic_s=lambda: next(monotonic)).now()
    assert (now.wall_s, now.monotonic_s) == (200.0, 6.25)


def test_unknown_before_anything_is_known() -> None:
    assert BoardClock("mast").wall(3, 1000) is None


@given(
    drift=st.floats(-5e-5, 5e-5),
    trips=st.lists(st.tuples(st.floats(0.0005, 3.0), st.floats(0.0005, 3.0)), min_size=1, max_size=40),
    age_s=st.floats(0, 20_000),
)
@settings(max_examples=100, deadline=None)
def test_true_time_lies_within_the_stated_uncertainty(
    drift: float, trips: list[tuple[float, float]], age_s: float
) -> None:
    """Whatever the delays each way, and crystals within 50 ppm on the board (assumed)."""
    truth = Truth(drift)
    for number, (there_s, back_s) in enumerate(trips):
        truth.exchange(30_000 + 30.0 * number, there_s, back_s)
    error_s, uncertainty_s = truth.error_s(30_000 - age_s)
    assert error_s <= uncertainty_s


def test_a_quick_exchange_is_good_to_milliseconds() -> None:
    truth = Truth()
    truth.exchange(100.0)
    error_s, uncertainty_s = truth.error_s(101.0)
    assert error_s < 0.005
    assert uncertainty_s < 0.01


@pytest.mark.parametrize("step_s", [-10 * YEAR_S, -86400.0, -3.0, 3.0, 3600.0, 55 * YEAR_S])
def test_a_clock_that_was_set_moves_the_start(step_s: float) -> None:
    truth = Truth()
    assert truth.exchange(100.0).start is not None, "first known"
    assert truth.exchange(130.0).start is None, "nothing new"
    truth.off_s = step_s
    exchanged = truth.exchange(160.0)
    assert not exchanged.again
    assert exchanged.start is not None
    assert exchanged.start.wall_s == pytest.approx(WALL_S + step_s, abs=0.01)
    for true_s in (50.0, 159.0, 170.0):
        error_s, uncertainty_s = truth.error_s(true_s)
        assert error_s <= uncertainty_s < 0.05


def test_a_steered_clock_is_followed_without_a_jump() -> None:
    truth = Truth()
    truth.exchange(0.0)
    for number in range(1, 100):
        truth.off_s += SET_S / 40
        assert truth.exchange(30.0 * number).start is None
        assert truth.error_s(30.0 * number + 1)[0] < 0.02


def test_a_sleep_of_the_host() -> None:
    """The monotonic clock may stand still in sleep; the wall clock and the board continue."""
    truth = Truth()
    truth.exchange(100.0)
    slept_s = 2400.0
    exchanged = truth.clock.exchange(
        3,
        truth.uptime_ms(130.0 + slept_s),
        received_wall_s=truth.wall_s(130.0 + slept_s),
        received_monotonic_s=5130.0,
        round_trip_s=0.0,
    )
    assert not exchanged.again
    assert exchanged.start is None


def test_a_restart_with_a_new_number() -> None:
    truth = Truth()
    truth.exchange(100.0)
    truth.started_s = 110.0
    exchanged = truth.exchange(115.0, boot=4)
    assert not exchanged.again
    assert exchanged.start is not None
    assert truth.error_s(116.0, boot=4)[0] < 0.01
    assert truth.clock.wall(3, 90_000).wall_s == pytest.approx(WALL_S + 90.0, abs=0.01), "the old start keeps its times"


def test_another_start_under_the_same_number() -> None:
    truth = Truth()
    truth.exchange(100.0)
    truth.started_s = 100.0 + 2 * RESTART_S
    exchanged = truth.exchange(120.0)
    assert exchanged.again
    assert exchanged.start is not None
    assert truth.error_s(125.0)[0] < 0.01


def test_arrivals_alone() -> None:
    """The message with the smallest delay is nearest; an exchange is better."""
    truth, dice = Truth(), random.Random(1)
    for second in range(30):
        delay_s = dice.uniform(0.01, 1.5)
        assert truth.heard(second, second + delay_s) is None
    wall = truth.clock.wall(3, truth.uptime_ms(29))
    assert wall is not None
    assert wall.source == "arrival"
    assert truth.error_s(29)[0] < 0.2 < wall.uncertainty_s == ARRIVAL_UNCERTAINTY_S
    truth.exchange(30.0)
    assert truth.error_s(29)[1] < 0.05


@pytest.mark.parametrize("kept_s", [5, 300, 5000])
def test_messages_that_a_broker_kept_are_dated_once_they_arrive_no_faster(kept_s: int) -> None:
    """Sent each second while nobody listened, then all at once; then live, each a little late."""
    truth, dice = Truth(), random.Random(2)
    for second in range(kept_s):
        assert truth.heard(second, kept_s + second / 2000) is None, "not before it is over"
    starts = [truth.heard(kept_s + second, kept_s + second + dice.uniform(0.1, 0.9)) for second in range(1, 60)]
    (start,) = [start for start in starts if start]
    assert abs(start.wall_s - WALL_S) <= start.uncertainty_s == ARRIVAL_UNCERTAINTY_S
    assert starts.index(start) < 8, "soon"
    assert truth.error_s(10.0)[0] < 1.0


@pytest.mark.parametrize("step_s", [-10 * YEAR_S, -86400.0, -3.0, 3.0, 3600.0, 55 * YEAR_S])
def test_a_clock_that_was_set_moves_the_start_by_arrivals(step_s: float) -> None:
    truth = Truth()
    assert [truth.heard(second, second + 0.5) for second in range(100)] == [None] * 100
    truth.off_s = step_s
    start = truth.heard(100, 100.5)
    assert start is not None
    assert start.wall_s == pytest.approx(WALL_S + step_s, abs=1.0)
    assert truth.error_s(101)[0] < 1.0
    assert truth.heard(101, 101.5) is None, "reported once"


@pytest.mark.parametrize("uptime_ms", [9007199254740992, 20 * 366 * 86_400_000])
def test_an_uptime_that_no_board_has_dates_nothing(uptime_ms: int) -> None:
    truth = Truth()
    for second in range(100):
        truth.heard(second, second + 0.5)
    assert truth.clock.heard(3, uptime_ms, received_wall_s=truth.wall_s(101), received_monotonic_s=5101.0) is None
    assert truth.clock.wall(3, uptime_ms) is None
    assert [truth.heard(second, second + 0.5) for second in range(102, 180)] == [None] * 78
    assert truth.error_s(180)[0] < 1.0


def test_a_sleep_of_the_host_with_arrivals_alone() -> None:
    """The monotonic clock may stand still in sleep."""
    truth = Truth()
    truth.heard(100, 100.5)
    late = truth.clock.heard(
        3, truth.uptime_ms(3100), received_wall_s=truth.wall_s(3100.5), received_monotonic_s=5130.0
    )
    assert late is None
    assert truth.error_s(3100)[0] < 1.0


def test_only_a_few_starts_are_kept() -> None:
    truth = Truth()
    for boot in range(1000):
        truth.clock.heard(boot, 5, received_wall_s=WALL_S, received_monotonic_s=5000.0)
    assert len(truth.clock._starts) < 20


def test_the_start_is_reported_three_seconds_after_the_delay_fell_last() -> None:
    """The first message came 10 s late. The next one comes at once, and moves the start by 10 s."""
    for wait_s, reported in ((2.9, False), (3.0, True)):
        truth = Truth()
        assert truth.heard(0.0, 10.0) is None
        assert truth.heard(20.0, 20.0) is None
        start = truth.heard(20.0 + wait_s, 20.0 + wait_s)
        assert (start is not None) == reported, wait_s
    assert start == StartTime(box="mast", boot=3, wall_s=WALL_S, uncertainty_s=ARRIVAL_UNCERTAINTY_S, source="arrival")
