"""What to expect of the load where none is declared."""

import math

from groundbox.battery.load import RecentLoad


def seen(*stretches: tuple[int, float]) -> RecentLoad:
    """Readings each ten seconds: so many minutes at so many amps, one stretch after the other."""
    load = RecentLoad()
    for minutes, amps in stretches:
        for _ in range(minutes * 6):
            load.add(10.0, amps)
    return load


def test_a_steady_load_stays() -> None:
    (phase,) = seen((90, 1.5)).to_come()
    assert phase.seconds == math.inf
    assert math.isclose(phase.amps, 1.5)


def test_a_load_switched_once_stays_where_it_was_put() -> None:
    for before, after in ((2.0, 0.5), (0.5, 2.0)):
        for minutes in (12, 60, 240):
            phases = seen((90, before), (minutes, after)).to_come()
            assert all(math.isclose(phase.amps, after, rel_tol=0.02) for phase in phases)


def test_a_load_that_comes_and_goes_returns_to_its_usual() -> None:
    first, last = seen(*[(10, 0.4), (10, 3.6)] * 9, (10, 0.4)).to_come()
    assert math.isclose(first.amps, 0.4)
    assert 300 < first.seconds < 1800
    assert 1.6 < last.amps < 2.2


def test_the_usual_is_believed_more_with_each_swing() -> None:
    def expected(swings: int) -> float:
        return seen(*[(10, 3.0), (10, 1.0)] * swings).to_come()[-1].amps

    assert expected(1) < expected(2) < expected(6)
