"""One standing of the day: page, terminal and monitor name the same flight in the air and the same next launch."""

import math
import re
import sys
import time
from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from groundbox.battery.values import Phase
from groundbox.model import Mark
from groundbox.monitor.from_store import flight_now, flights_flown
from groundbox.monitor.tracker import ahead
from groundbox.plan.day import Day
from groundbox.plan.day_file import load_day
from groundbox.plan.demand import LoadAhead, demand, flights_left, load_ahead, phases_until
from groundbox.plan.planner import plan_day
from groundbox.plan.replan import KnownNow, replan
from groundbox.plan.standing import DayStanding, Flown, next_flight, remaining_flights, standing_at
from groundbox.settings import load
from groundbox.store import Reader, Store
from groundbox.ui.cmd_plan_live import live_standing
from groundbox.ui.page.plan import DayPlan

sys.path.insert(0, str(Path(__file__).parent))
from days import EXAMPLE, bog_day  # noqa: E402

EXAMPLES = EXAMPLE.parent
NOW = Phase(seconds=1.0, amps=0.9)


def _at(clock: str) -> float:
    return datetime.fromisoformat(f"2031-07-19T{clock}").timestamp()


@pytest.fixture
def day() -> Day:
    return bog_day()


def _standing(day: Day, clock: str, landed: int = 0, launched: str | None = None, *given_up: str) -> DayStanding:
    flown: list[Flown] = [(_at("13:00") + one, _at("13:00") + one + 0.5) for one in range(landed)]
    found = standing_at(day, _at(clock), [*flown, *([] if launched is None else [(_at(launched), None)])], given_up)
    assert found is not None
    return found


def _names(day: Day, standing: DayStanding) -> list[str]:
    return [flight.name for flight in remaining_flights(day, standing)]


def test_page_terminal_and_monitor_agree_in_flight(tmp_path: Path) -> None:
    """In flight 2 of 4, launched late: flight 2 flies, flight 3 is next, at the same minute."""
    for name in ("groundbox.toml", "M9.toml", "T18.toml", "bog_day.toml"):
        text = (EXAMPLES / name).read_text()
        (tmp_path / name).write_text(re.sub(r"c20_ah = (9|18)(\.0)?\n", "c20_ah = 40.0\n", text))
    with Store(tmp_path / "session.db") as store:
        for kind, clock in (("launch", "13:20"), ("landing", "13:55"), ("launch", "15:10")):
            store.add_mark(Mark(box="*", kind=kind, wall_s=_at(clock)))
        store.commit()
    settings, wall_s, charges = load(tmp_path / "groundbox.toml"), _at("15:15"), {"M9": 0.95, "T18": 0.95}
    base = plan_day(load_day(tmp_path / "bog_day.toml"), seconds=1)
    with Reader(settings.database_path) as reader:
        live = live_standing(reader, settings, base, wall_s, ())
        flown = flights_flown(reader, wall_s)
        flight = flight_now(reader, settings, 0.0, wall_s)

    terminal = replan(base, live.now(KnownNow(minute=0.0, charges=charges))).plan
    page = DayPlan(tmp_path / "bog_day.toml").answer({}, wall_s=wall_s, charges=charges, flights=flown)
    outlook = ahead(base.day, "mast", flight, 0.0, wall_s)

    by_terminal = {answer.flight: answer for answer in terminal.outcome.answers if answer.box == "mast"}
    assert [(one.flight, one.in_air) for one in by_terminal.values()][:2] == [("old cutting", True), ("dams", False)]
    flights: Any = page["flights"]
    by_page = [(one["name"], one["in_air"], one["launch_min"]) for one in flights]
    assert by_page[:2] == [("old cutting", True, 135.0), ("dams", False, 175.0)]
    assert by_terminal["dams"].launch_min == pytest.approx(175.0)
    assert outlook is not None
    assert outlook.next_flight is None, "in flight"
    assert 135 + (outlook.as_now_s + outlook.phases[0].seconds) / 60 == pytest.approx(175.0)
    following = next_flight(base.day, live.flights)
    assert following is not None
    assert (live.flights.flying, following.name, following.launch_min) == ("old cutting", "dams", pytest.approx(175.0))


def test_an_undone_launch_is_no_flight(tmp_path: Path) -> None:
    with Store(tmp_path / "session.db") as store:
        store.add_mark(Mark(box="*", kind="launch", wall_s=_at("13:20")))
        store.add_mark(Mark(box="*", kind="undo", wall_s=_at("13:21"), name="launch"))
        store.commit()
    with Reader(tmp_path / "session.db") as reader:
        assert list(flights_flown(reader, _at("13:30"))) == []


def test_flights_to_come_by_what_is_done(day: Day) -> None:
    assert _names(day, _standing(day, "13:10")) == ["north edge", "old cutting", "dams", "south lagg"]
    assert _names(day, _standing(day, "14:00", 1)) == ["old cutting", "dams", "south lagg"]
    assert _names(day, _standing(day, "14:00", 1, None, "dams")) == ["old cutting", "south lagg"]
    assert _names(day, _standing(day, "17:00", 4)) == []
    assert _standing(day, "17:00", 4, "16:58").unplanned == 1
    assert _standing(day, "17:00", 4, "16:58").flying is None


def test_a_flight_to_come_launches_as_planned_or_after_the_one_before(day: Day) -> None:
    early = remaining_flights(day, _standing(day, "13:10"))
    assert [flight.launch_min for flight in early] == [20, 95, 170, 245]
    late = remaining_flights(day, _standing(day, "15:30", 1))
    assert [flight.launch_min for flight in late] == [150, 195, 245]
    assert late[0].gap_min == 0


def test_an_overdue_flight_lands_within_five_minutes(day: Day) -> None:
    flying, following, *_ = remaining_flights(day, _standing(day, "14:10", 0, "13:20"))
    assert flying.in_air
    assert (flying.landing_min, following.launch_min) == (75, 95)


def test_before_the_day_and_on_another_date(day: Day) -> None:
    assert _standing(day, "09:00").minute == -240
    assert _standing(day, "09:00").plan_min == 0
    assert standing_at(day, _at("13:10") + 86400) is None
    assert standing_at(day, _at("13:10") - 86400) is None


def test_a_day_ends_when_its_last_flight_can_no_longer_be_flown(day: Day) -> None:
    assert _names(day, _standing(day, "21:39", 2)) == ["dams", "south lagg"]
    assert _names(day, _standing(day, "21:41", 2)) == []
    assert _names(day, _standing(day, "21:41", 2, "21:30")) == ["dams", "south lagg"], (
        "not while a flight is in the air"
    )


def test_a_day_past_midnight_is_one_day() -> None:
    start = datetime(2033, 3, 4, 22, 15)
    day = load_day(EXAMPLE, start)
    after = standing_at(day, start.timestamp() + 3 * 3600)
    assert after is not None
    assert after.minute == pytest.approx(180)
    assert standing_at(day, start.timestamp() + 27 * 3600) is None


def test_a_moved_day_keeps_its_weather_and_its_sources(tmp_path: Path) -> None:
    start = datetime(2033, 3, 4, 8, 30)
    plain, moved = load_day(EXAMPLE), load_day(EXAMPLE, start)
    assert moved.clock(0) == "08:30"
    assert moved.date == start.date()
    assert [flight.launch_min for flight in moved.flights] == [flight.launch_min for flight in plain.flights]
    assert [moved.ambient_c(minute) for minute in (0, 120, 300)] == [
        plain.ambient_c(minute) for minute in (0, 120, 300)
    ]
    assert moved.minute_at(13.5 * 60) == plain.minute_at(13.5 * 60) == 30
    file = tmp_path / "day.toml"
    file.write_text("moved_to = 2033-03-04T08:30:00\n" + EXAMPLE.read_text())
    assert load_day(file).clock(0) == "08:30"
    assert load_day(file, datetime(2033, 3, 4, 9)).clock(0) == "09:00"


# -- the load ahead ---------------------------------------------------------------------------------------------------


def _ahead(day: Day, clock: str, landed: int = 0, launched: str | None = None) -> LoadAhead:
    found = load_ahead(day, "mast", _standing(day, clock, landed, launched))
    assert found is not None
    return found


def test_phases_until_a_landing_have_the_gaps_with_the_box_on(day: Day) -> None:
    ground = _ahead(day, "13:10")
    assert [phase.seconds / 60 for phase in phases_until(ground, 1, NOW)] == [10, 35]
    assert [phase.seconds / 60 for phase in phases_until(ground, 3, NOW)] == [10, 35, 40, 35, 40, 35]
    gap = phases_until(ground, 2, NOW)[2]
    assert gap.amps == pytest.approx(demand(day, day.boxes["mast"], day.flights[1], 95).waiting_amps)
    flying = _ahead(day, "14:45", 1, "14:35")
    assert phases_until(flying, 1, NOW) == [Phase(seconds=25 * 60, amps=0.9)]
    assert [phase.seconds / 60 for phase in phases_until(flying, 2, NOW)] == [25, 40, 35]
    overdue = _ahead(day, "14:10", 0, "13:20")
    assert [phase.seconds / 60 for phase in phases_until(overdue, 1, NOW)] == [5]
    with pytest.raises(IndexError):
        phases_until(flying, 4, NOW)


def _runtime(ah: float, asked: list[Sequence[Phase]]) -> Callable[[Sequence[Phase]], float | None]:
    """Low runtime of a battery that simply holds so many ampere-hours."""

    def low_s(phases: Sequence[Phase]) -> float:
        asked.append(phases)
        left, seconds = 3600 * ah, 0.0
        for phase in phases:
            if phase.amps * phase.seconds >= left:
                return seconds + left / phase.amps
            left, seconds = left - phase.amps * phase.seconds, seconds + phase.seconds
        return math.inf

    return low_s


def test_flights_left_count_the_gaps(day: Day) -> None:
    """Enough for two flights back to back, but not for two with the gap between and the reserve."""
    found = _ahead(day, "13:20")
    gap, second = found.phases[1], found.phases[2]
    two = sum(phase.amps * phase.seconds for phase in found.phases[:3]) / 3600 + second.amps * 900 / 3600
    asked: list[Sequence[Phase]] = []
    assert flights_left(found, NOW, _runtime(two + 0.001, asked), 900.0) == 2
    assert all(phases[-1].seconds == math.inf for phases in asked)
    assert flights_left(found, NOW, _runtime(two - 0.001, asked), 900.0) == 1
    assert flights_left(found, NOW, _runtime(two - gap.amps * gap.seconds / 3600, asked), 900.0) == 1
    assert flights_left(found, NOW, _runtime(0.01, asked), 900.0) == 0
    assert flights_left(found, NOW, _runtime(100.0, asked), 900.0) == 4
    assert flights_left(found, NOW, lambda phases: None, 900.0) is None


def test_a_box_that_a_flight_does_not_need_waits_in_it(tmp_path: Path) -> None:
    file = tmp_path / "day.toml"
    text = EXAMPLE.read_text().replace('name = "dams"', 'name = "dams"\nboxes = ["table"]')
    file.write_text(text.replace('name = "servos"', 'name = "servos"\nbetween_flights = false'))
    found = load_ahead(load_day(file), "mast", _standing(load_day(file), "13:20"))
    assert found is not None
    flight, _, _, _, other = found.phases[:5]
    assert other.seconds == 35 * 60
    assert other.amps < flight.amps
    assert other.peak_amps is None


def test_local_time_decides(day: Day, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    time.tzset()
    try:
        assert _standing(day, "13:10").minute == 10
    finally:
        monkeypatch.undo()
        time.tzset()
