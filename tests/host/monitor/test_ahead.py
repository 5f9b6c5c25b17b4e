"""The load to come by the day's plan: flights in order, waiting between, the next flight's load on the ground."""

import time
from pathlib import Path

import pytest

from groundbox.battery.values import Phase
from groundbox.monitor.flight import Flight
from groundbox.monitor.shown import day_shown
from groundbox.monitor.tracker import ahead
from groundbox.plan.day import Day
from groundbox.plan.day_file import load_day
from groundbox.plan.demand import LoadAhead

EXAMPLE = Path(__file__).parents[3] / "host" / "groundbox" / "examples" / "bog_day.toml"
NOON_S = time.mktime((2031, 7, 19, 13, 0, 0, 0, 0, -1))
BETWEEN_OFF = EXAMPLE.read_text().replace('name = "repeater"', 'name = "repeater"\nbetween_flights = false')


@pytest.fixture
def day(tmp_path: Path) -> Day:
    path = tmp_path / "day.toml"
    path.write_text(BETWEEN_OFF)
    return load_day(path)


def flights(*marks: tuple[str, float]) -> Flight:
    flight = Flight(2100.0, 480.0)
    for kind, minute in marks:
        flight.note(kind, 60 * minute)
    return flight


def minutes(found: LoadAhead | None) -> list[float]:
    assert found is not None
    return [round(found.as_now_s / 60), *(round(phase.seconds / 60) for phase in found.phases[:-1])]


def test_before_the_first_launch(day: Day) -> None:
    found = ahead(day, "table", flights(), 0, NOON_S)
    assert minutes(found) == [20, 35, 40, 35, 40, 35, 40, 35]
    assert found is not None
    assert NOON_S + found.until_last_landing_s == pytest.approx(NOON_S + 60 * 280)
    assert found.next_flight is not None
    first, wait = found.phases[0], found.phases[1]
    assert found.next_flight.amps == first.amps > wait.amps, "the repeater is off between flights"
    assert found.all_phases(Phase(seconds=1.0, amps=9.0))[0] == Phase(seconds=1200.0, amps=9.0)


def test_in_flight_the_present_load_stays_until_the_landing(day: Day) -> None:
    found = ahead(day, "table", flights(("launch", 25)), 60 * 30, NOON_S + 60 * 30)
    assert minutes(found) == [30, 35, 35, 40, 35, 40, 35]
    assert found is not None
    assert found.next_flight is None


def test_what_is_late_pushes_on_what_follows(day: Day) -> None:
    late = flights(("launch", 60), ("landing", 95))
    assert minutes(ahead(day, "table", late, 60 * 150, NOON_S + 60 * 150))[:3] == [0, 35, 10]


def test_an_overdue_flight_has_no_time_left(day: Day) -> None:
    found = ahead(day, "table", flights(("launch", 20)), 60 * 70, NOON_S + 60 * 70)
    assert found is not None
    assert found.as_now_s == 0.0
    assert found.all_phases(Phase(seconds=1.0, amps=9.0)) == list(found.phases)


def test_nothing_is_known_of_other_boxes_or_after_the_day(day: Day) -> None:
    assert ahead(day, "car", flights(), 0, NOON_S) is None
    assert ahead(day, "table", flights(), 0, NOON_S + 86400) is None, "the plan has a date"
    done = flights(*((kind, 20 + 75 * n + late) for n in range(4) for kind, late in (("launch", 0), ("landing", 35))))
    assert ahead(day, "table", done, 60 * 290, NOON_S + 60 * 290) is None


def test_enough_leaves_the_reserve() -> None:
    assert day_shown(1000.0, 1900.0, 900.0).enough
    assert not day_shown(1000.0, 1899.0, 900.0).enough
    assert day_shown(1000.0, None, 900.0).enough is None
