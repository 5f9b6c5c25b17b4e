"""Board uptime to wall time: against simulated clocks whose truth is known."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox.link.clock import ARRIVAL_UNCERTAINTY_S, RESTART_S, SET_S, BoardClock, ClockUpdate
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

    def heard(self, true_s: float, came_s: float) -> StartTime | None:
        return self.clock.heard(
            3,
            self.uptime_ms(true_s),
            received_wall_s=self.wall_s(came_s),
            received_monotonic_s=5000.0 + came_s,
        )

    def error_s(self, true_s: float, boot: int = 3) -> tuple[float, float]:
        """(error, stated uncertainty) of a reading taken at `true_s`."""
        wall = self.clock.wall(boot, self.uptime_ms(true_s))
        assert wall
        return abs(wall.wall_s - self.wall_s(true_s)), wall.uncertainty_s


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
def test_the_hosts_clock_is_set(step_s: float) -> None:
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


def test_the_host_slept() -> None:
    """The monotonic clock may stand still in sleep; the wall clock and the board go on."""
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


def test_the_board_starts_anew_with_a_new_number() -> None:
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
    """The least delayed of them is nearest; an exchange is better."""
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
def test_what_a_broker_kept_is_dated_once_it_comes_no_faster(kept_s: int) -> None:
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
def test_the_hosts_clock_is_set_where_there_are_only_arrivals(step_s: float) -> None:
    truth = Truth()
    assert [truth.heard(second, second + 0.5) for second in range(100)] == [None] * 100
    truth.off_s = step_s
    start = truth.heard(100, 100.5)
    assert start is not None
    assert start.wall_s == pytest.approx(WALL_S + step_s, abs=1.0)
    assert truth.error_s(101)[0] < 1.0
    assert truth.heard(101, 101.5) is None, "told once"


@pytest.mark.parametrize("uptime_ms", [9007199254740992, 20 * 366 * 86_400_000])
def test_an_uptime_that_no_board_has_dates_nothing(uptime_ms: int) -> None:
    truth = Truth()
    for second in range(100):
        truth.heard(second, second + 0.5)
    assert truth.clock.heard(3, uptime_ms, received_wall_s=truth.wall_s(101), received_monotonic_s=5101.0) is None
    assert truth.clock.wall(3, uptime_ms) is None
    assert [truth.heard(second, second + 0.5) for second in range(102, 180)] == [None] * 78
    assert truth.error_s(180)[0] < 1.0


def test_the_host_slept_where_there_are_only_arrivals() -> None:
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
