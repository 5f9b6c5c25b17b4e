"""What to expect of the load where none is declared."""

import math

from groundbox.battery.recent_load import RecentLoad


def recent(*stretches: tuple[float, float]) -> RecentLoad:
    """Readings each ten seconds: so many minutes at so many amps, one stretch after the other."""
    load = RecentLoad()
    for minutes, amps in stretches:
        for _ in range(round(minutes * 6)):
            if amps:
                load.add(10.0, amps)
            else:
                load.pause(10.0)
    return load


def test_a_steady_load_stays() -> None:
    (phase,) = recent((90, 1.5)).to_come()
    assert phase.seconds == math.inf
    assert math.isclose(phase.amps, 1.5)


def test_a_load_switched_once_stays_where_it_was_put() -> None:
    for before, after in ((2.0, 0.5), (0.5, 2.0)):
        for minutes in (12, 60, 240):
            phases = recent((90, before), (minutes, after)).to_come()
            assert all(math.isclose(phase.amps, after, rel_tol=0.02) for phase in phases)


def test_a_load_that_comes_and_goes_returns_to_its_usual_mean() -> None:
    first, last = recent(*[(10, 0.4), (10, 3.6)] * 9, (10, 0.4)).to_come()
    assert math.isclose(first.amps, 0.4)
    assert 300 < first.seconds < 1800
    assert 1.6 < last.amps < 2.2


def test_the_usual_load_counts_more_with_each_swing() -> None:
    def expected(swings: int) -> float:
        return recent(*[(10, 3.0), (10, 1.0)] * swings).to_come()[-1].amps

    assert expected(1) < expected(2) < expected(6)


def test_a_pause_leaves_the_load_as_it_was() -> None:
    for minutes in (1, 5, 30, 600):
        load = recent((40, 1.5), (minutes, 0.0))
        (phase,) = load.to_come()
        assert math.isclose(phase.amps, 1.5), "while it lasts"
        assert load.pausing == (minutes > 2)
    for minutes in (5, 30):
        (phase,) = recent((40, 1.5), (minutes, 0.0), (1, 1.5)).to_come()
        assert math.isclose(phase.amps, 1.5), "and after it"


def test_pauses_of_a_loads_own_cycle_belong_to_it() -> None:
    load = recent(*[(0.5, 3.0), (1, 0.0)] * 20, (0.5, 3.0))
    assert 0.9 < load.to_come()[0].amps < 1.2
    assert load.unsteadiness() > 1.0


def test_a_load_that_never_came_is_unknown() -> None:
    load = recent((30, 0.0))
    assert load.mean() is None
    load.add(10.0, 2.0)
    assert load.mean() == 2.0


def test_the_mean_covers_exactly_the_last_ten_minutes() -> None:
    """Readings each 16 s do not divide ten minutes: of the oldest one only a part counts."""
    load = RecentLoad()
    for amps in [1.0] * 100 + [3.0] * 10:
        load.add(16.0, amps)
    assert math.isclose(load.mean() or 0.0, (160 * 3.0 + 440 * 1.0) / 600)
    load = RecentLoad()
    for amps in (1.0, 3.0):
        load.add(16.0, amps)
    assert math.isclose(load.mean() or 0.0, 2.0), "of what there is, while that is less"
