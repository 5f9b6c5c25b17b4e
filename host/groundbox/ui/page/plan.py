"""The day's plan on the page, as things stand now, with what-if: loads off, flights longer or shorter."""

import threading
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from time import monotonic

from msgspec.structs import replace as struct_replace

from groundbox.advice.words import listed
from groundbox.errors import BadInput
from groundbox.plan.battery_pool import pool_of
from groundbox.plan.day import Day
from groundbox.plan.day_file import load_day
from groundbox.plan.planner import Plan, plan_as_is
from groundbox.plan.replan import KnownNow, replan
from groundbox.ui.cmd_plan import answer_lines, charge_line
from groundbox.ui.page.past import Standing

SECONDS = 0.35  # for each of two plans: a person waits for the answer
SHORTEST_MIN, LONGEST_MIN = 1.0, 1440.0


class DayPlan:
    """Plans of one day file; each what-if is kept, and planned on from where the day stands."""

    def __init__(self, path: Path) -> None:
        self._day = load_day(path)
        self._pool = pool_of(self._day)
        self._known: dict[tuple[frozenset[tuple[str, str]], float | None], Plan] = {}
        self._lock = threading.Lock()

    def day_now(self, wall_s: float) -> tuple[Day, float | None]:
        """The day, and the minute of it that `wall_s` is; None when it is not within it."""
        return self._day, _minute(self._day, wall_s)

    def day_began_s(self, wall_s: float) -> float | None:
        """Wall time of the day file's start; None when `wall_s` is not within its day."""
        minute = _minute(self._day, wall_s)
        return None if minute is None else wall_s - 60 * minute

    def answer(self, body: dict[str, object], standing: Standing) -> dict[str, object]:
        """The plan with loads `off` ([box, load] pairs) and flights of `length_min`, or as the file says."""
        off, length_min = self._off(body.get("off")), _length(body.get("length_min"))
        with self._lock:
            key = off, length_min
            if key not in self._known:
                self._known[key] = plan_as_is(
                    _changed(self._day, off, length_min), self._pool, SECONDS, 0.0, rounds=2, clock=monotonic
                )
            plan = self._known[key]
            minute = _minute(self._day, standing.wall_s)
            if minute is None:
                return self._reported(plan, "As the day file says it, batteries as believed at its start.")
            done = [flight.name for flight in plan.day.flights[: standing.landed]]
            charges = {name: soc for name, soc in standing.charges.items() if name in plan.day.batteries}
            found = replan(plan, KnownNow(minute=minute, done=done, charges=charges), seconds=SECONDS, clock=monotonic)
            count = f"{len(done)} flight{'' if len(done) == 1 else 's'} done"
            unheard = listed([name for name in plan.day.batteries if name not in charges])
            guessed = f" ({unheard} not heard now, so as planned)" if unheard else ""
            since = f"As the batteries stand at {plan.day.clock(minute)}{guessed}, {count}. "
            return self._reported(found.plan, since + (f"New: {'; '.join(found.news)}." if found.news else ""))

    def _off(self, told: object) -> frozenset[tuple[str, str]]:
        may = {(box.name, load.name) for box in self._day.boxes.values() for load in box.load if load.sheddable}
        pairs = told if isinstance(told, list) else []
        found = frozenset((str(pair[0]), str(pair[1])) for pair in pairs if isinstance(pair, list) and len(pair) == 2)
        if found - may or len(found) != len(pairs):
            raise BadInput("off", str(told)[:60], "wants [box, load] pairs of sheddable loads")
        return found

    def _reported(self, plan: Plan, words: str) -> dict[str, object]:
        day = plan.day
        return {
            "name": day.name,
            "words": words,
            "length_min": self._day.flights[0].flight.length_min,
            "flights": [_flight(plan, name) for name in (flight.name for flight in day.flights)],
            "charges": [charge_line(plan, run).strip() for run in plan.outcome.charges],
            "loads": [
                {"box": box.name, "name": load.name, "off": (box.name, load.name) in day.off}
                for box in day.boxes.values()
                for load in box.load
                if load.sheddable and not load.with_fans
            ],
        }


def _flight(plan: Plan, name: str) -> dict[str, object]:
    answers = [answer for answer in plan.outcome.answers if answer.flight == name]
    return {
        "name": name,
        "flown": all(answer.verdict != "not today" for answer in answers),
        "boxes": [
            {
                "box": one.box,
                "verdict": one.verdict,
                "words": ". ".join(line.strip() for line in answer_lines(plan, one)),
            }
            for one in answers
        ],
    }


def _minute(day: Day, wall_s: float) -> float | None:
    """Minutes since the day's start; None on another date, before it, and once its last flight may have slipped."""
    now = datetime.fromtimestamp(wall_s)
    minute = 60 * now.hour + now.minute + now.second / 60 - day.start_clock_min
    last = day.flights[-1].landing_min + day.longest_wait_min * len(day.flights)
    return minute if day.date in (None, now.date()) and 0 <= minute <= last else None


def _changed(day: Day, off: frozenset[tuple[str, str]], length_min: float | None) -> Day:
    flights, later_min = [], 0.0
    for flight in day.flights:
        launch_min = flight.launch_min + later_min
        inner = flight.flight
        if length_min is not None:
            later_min += length_min - inner.length_min
            inner = struct_replace(inner, length_min=length_min)
        flights.append(replace(flight, flight=inner, launch_min=launch_min))
    return replace(day, off=day.off | off, flights=tuple(flights))


def _length(told: object) -> float | None:
    if told is None:
        return None
    if not isinstance(told, int | float) or not SHORTEST_MIN <= told <= LONGEST_MIN:
        raise BadInput("length_min", str(told)[:20], "wants minutes from 1 to 1440")
    return float(told)
