"""The load to come by the day's plan, for one box: flights and between, thermostat duty included. Pure."""

import math
import time
from dataclasses import dataclass, replace
from datetime import date

from groundbox.battery.values import Phase
from groundbox.monitor.flight import Flight
from groundbox.plan.day import Day, PlannedFlight, since
from groundbox.plan.demand import Demand, demand


@dataclass(frozen=True, slots=True, kw_only=True)
class Ahead:
    """What is to come.

    next_flight: the load of the next flight, for ever; None in flight, where the load is what it is.
    as_now_s: for so long things stay as they are.
    phases: all that comes after that until the last landing, and waiting for ever.
    last_landing_s: wall time.
    """

    next_flight: Phase | None
    phases: tuple[Phase, ...]
    as_now_s: float
    last_landing_s: float

    def all_phases(self, now: Phase) -> list[Phase]:
        """The day as phases, `now` being the load as it is."""
        return [replace(now, seconds=self.as_now_s), *self.phases] if self.as_now_s > 0 else list(self.phases)


@dataclass(frozen=True, slots=True, kw_only=True)
class DayLook:
    """Whether a box lasts the day's plan, by the low number; wall times. `empty_s` None: it is not known."""

    last_landing_s: float
    empty_s: float | None
    reserve_s: float

    @property
    def enough(self) -> bool | None:
        """True when its reserve is left at the last landing."""
        return None if self.empty_s is None else self.empty_s - self.reserve_s >= self.last_landing_s


def ahead(day: Day, box: str, flight: Flight, wall_s: float) -> Ahead | None:
    """What is to come for `box` at `wall_s`; None where the plan does not know the box, is of another day, or is flown.

    Flights count in the order planned: those landed so far are the first ones. A flight that is late pushes those
    after it on, by the day's turnaround.
    """
    entry, left = day.boxes.get(box), list(day.flights[flight.flown :])
    local = time.localtime(wall_s)
    today = date(local.tm_year, local.tm_mon, local.tm_mday)
    if entry is None or not left or day.date not in (None, today):
        return None
    now_min = at_min = since(day.start_clock_min, local.tm_hour * 60 + local.tm_min + local.tm_sec / 60)
    flying = flight.launched_s is not None
    if flight.launched_s is not None:
        at_min += max(left.pop(0).flight.length_min - (wall_s - flight.launched_s) / 60, 0.0)
    as_now_min, phases, first = at_min - now_min, list[Phase](), None
    waiting_amps = demand(day, entry, day.flights[-1], at_min).waiting_amps
    for planned in left:
        before_min, on_ground_now = at_min, not flying and first is None
        launch_min = max(planned.launch_min, at_min if on_ground_now else at_min + day.turnaround_min)
        needed = demand(day, entry, planned, launch_min)
        in_flight = _in_flight(needed, planned, box)
        if on_ground_now:
            as_now_min, first = launch_min - now_min, replace(in_flight, seconds=math.inf)
        else:
            phases.append(Phase(seconds=60 * (launch_min - before_min), amps=needed.waiting_amps))
        phases.append(in_flight)
        at_min, waiting_amps = launch_min + planned.flight.length_min, needed.waiting_amps
    phases.append(Phase(seconds=math.inf, amps=waiting_amps))
    return Ahead(
        next_flight=first,
        phases=tuple(phase for phase in phases if phase.seconds > 0),
        as_now_s=60 * as_now_min,
        last_landing_s=wall_s + 60 * (at_min - now_min),
    )


def _in_flight(needed: Demand, planned: PlannedFlight, box: str) -> Phase:
    """What `box` draws in that flight; one that the flight does not need waits."""
    seconds = 60 * planned.flight.length_min
    if box not in planned.boxes:
        return Phase(seconds=seconds, amps=needed.waiting_amps)
    return Phase(seconds=seconds, amps=needed.flight_amps, peak_amps=needed.flight_peak_amps)
