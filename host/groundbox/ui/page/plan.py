"""The day's plan on the page from now on, with what-if: sheddable loads off, flights longer or shorter."""

import threading
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from time import monotonic

from msgspec.structs import replace as struct_replace

from groundbox.advice.result import DO_NOT_LAUNCH, SessionAdvice
from groundbox.advice.words import listed
from groundbox.errors import BadInput
from groundbox.plan.battery_pool import pool_of
from groundbox.plan.day import Day
from groundbox.plan.day_file import load_day
from groundbox.plan.evening import cautions
from groundbox.plan.planner import Plan, plan_as_is, sheddable_loads
from groundbox.plan.replan import NO_FLIGHT_LEFT, KnownNow, as_advised, replan
from groundbox.plan.standing import DayStanding, Flown, is_past, remaining_flights, standing_at
from groundbox.ui.cmd_plan import answer_lines, charge_line
from groundbox.ui.cmd_plan_words import first_line, verdict_of
from groundbox.ui.plan_steps import gaps, lanes

SECONDS = 0.35  # for each of two plans: a person waits for the answer
SHORTEST_MIN, LONGEST_MIN = 1.0, 1440.0


class DayPlan:
    """Plans of one day file; each what-if is kept, and continued from the day's standing.

    Args:
        path: the day file.
        start: local time at which the day starts instead of as the file states.
    """

    def __init__(self, path: Path, start: datetime | None = None) -> None:
        self._day = load_day(path, start)
        self._pool = pool_of(self._day)
        self._known: dict[tuple[frozenset[tuple[str, str]], float | None], Plan] = {}
        self._lock = threading.Lock()

    def answer(
        self,
        body: dict[str, object],
        *,
        wall_s: float,
        charges: Mapping[str, float],
        flights: Sequence[Flown] = (),
        advice: SessionAdvice | None = None,
    ) -> dict[str, object]:
        """The plan with loads `off` ([box, load] pairs) and flights of `length_min`, or as the day file states.

        Args:
            body: what the page asks for.
            charges: battery -> state of charge now (0 to 1), of those that are known.
            flights: of the session so far.
            advice: of the recorder: its verdict of now comes first, and counts for the flight in the air.
        """
        off, length_min = self._off(body.get("off")), _length(body.get("length_min"))
        with self._lock:
            key = off, length_min
            if key not in self._known:
                self._known[key] = plan_as_is(
                    _changed(self._day, off, length_min), self._pool, SECONDS, 0.0, rounds=2, clock=monotonic
                )
            plan = self._known[key]
            standing = standing_at(plan.day, wall_s, flights)
            if standing is None:
                if is_past(plan.day, wall_s):
                    return self._tree(None, f"The day of {plan.day.date} is past.", advice)
                return self._tree(
                    plan, "Planned from its start, with the batteries as the day file states them.", advice
                )
            if not remaining_flights(plan.day, standing):
                return self._tree(None, f"{NO_FLIGHT_LEFT.capitalize()}.", advice)
            known = {name: soc for name, soc in charges.items() if name in plan.day.batteries}
            found = replan(plan, _known_now(plan, standing, known), seconds=SECONDS, clock=monotonic)
            return self._tree(as_advised(found.plan, advice), _words(found.plan, standing, known, found.news), advice)

    def _off(self, pairs: object) -> frozenset[tuple[str, str]]:
        may = {(box.name, load.name) for box in self._day.boxes.values() for load in box.load if load.sheddable}
        rows = pairs if isinstance(pairs, list) else []
        found = frozenset((str(row[0]), str(row[1])) for row in rows if isinstance(row, list) and len(row) == 2)
        if found - may or len(found) != len(rows):
            raise BadInput("off", str(pairs)[:60], "give [box, load] pairs of sheddable loads")
        return found

    def _tree(self, plan: Plan | None, words: str, advice: SessionAdvice | None) -> dict[str, object]:
        """The answer to the page; None for a day with no flight left."""
        off = frozenset() if plan is None else plan.day.off
        now = "" if advice is None else f"{advice.headline}. {advice.action}."
        charges = [] if plan is None else plan.outcome.charges
        return {
            "name": self._day.name,
            "verdict": (advice.verdict if advice else None) if plan is None else verdict_of(plan, advice),
            "sentence": now if plan is None else first_line(plan, advice),
            "words": words,
            "length_min": self._day.flights[0].flight.length_min,
            "flights": [] if plan is None else _flights(plan),
            "lanes": None if plan is None else lanes(plan),
            "charges": [] if plan is None else [charge_line(plan, run).strip() for run in charges],
            "cautions": list(cautions(self._day)) if charges else [],
            "loads": [
                {"box": box, "name": load, "off": (box, load) in off}
                for box, load in sorted(() if plan is None else sheddable_loads(self._day))
            ],
        }


def _known_now(plan: Plan, standing: DayStanding, charges: Mapping[str, float]) -> KnownNow:
    in_air = None
    if standing.flying is not None and standing.launched_min is not None:
        in_air = standing.flying, standing.launched_min
    unheard = {
        box.battery: f"{name} is not heard" for name, box in plan.day.boxes.items() if box.battery not in charges
    }
    return KnownNow(minute=standing.plan_min, done=standing.done, in_air=in_air, charges=charges, unheard=unheard)


def _words(plan: Plan, standing: DayStanding, charges: Mapping[str, float], news: tuple[str, ...]) -> str:
    """From when and from what the plan is made, and what changed."""
    count = f"{len(standing.done)} flight{'' if len(standing.done) == 1 else 's'} done"
    silent = listed([name for name in plan.day.batteries if name not in charges])
    guessed = f" ({silent} not heard now, so as planned)" if silent else ""
    words = f"With the batteries at {plan.day.clock(standing.plan_min)}{guessed}, {count}. "
    return words + (f"New: {'; '.join(news)}." if news else "")


def _flights(plan: Plan) -> list[dict[str, object]]:
    """Each flight with its verdict in one sentence, and its steps; then what comes after the last landing."""
    found: list[dict[str, object]] = []
    for gap in gaps(plan):
        steps = [{"clock": plan.day.clock(step.at_min), "words": step.words} for step in gap.steps]
        one: dict[str, object] = _flight(plan, gap.flight) if gap.flight else {"name": "", "boxes": []}
        found.append({**one, "sentence": gap.words, "steps": steps})
    return found


def _flight(plan: Plan, name: str) -> dict[str, object]:
    answers = [answer for answer in plan.outcome.answers if answer.flight == name]
    return {
        "name": name,
        "flown": all(answer.verdict != DO_NOT_LAUNCH for answer in answers),
        "in_air": any(answer.in_air for answer in answers),
        "launch_min": max((answer.launch_min for answer in answers if answer.launch_min is not None), default=None),
        "boxes": [
            {
                "box": one.box,
                "verdict": one.verdict,
                "words": ". ".join(line.strip() for line in answer_lines(plan, one)),
            }
            for one in answers
        ],
    }


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


def _length(minutes: object) -> float | None:
    if minutes is None:
        return None
    if not isinstance(minutes, int | float) or not SHORTEST_MIN <= minutes <= LONGEST_MIN:
        raise BadInput("length_min", str(minutes)[:20], "give minutes from 1 to 1440")
    return float(minutes)
