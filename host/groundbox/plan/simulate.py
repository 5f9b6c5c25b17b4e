"""Follows the schedule with the known batteries, slot by slot: verdicts, margins, turn-back times, charges."""

import copy
from collections.abc import Mapping
from dataclasses import dataclass, replace

from groundbox.advice.result import CLEAR_TO_LAUNCH, DO_NOT_LAUNCH, RETURN_NOW, TURN_BACK_BY, WAIT
from groundbox.plan import battery_pool, charge_model
from groundbox.plan.battery_pool import BatteryPool, SocBand, charged_battery
from groundbox.plan.charge_model import charger_of
from groundbox.plan.day import LOADED_VOLTS, Day
from groundbox.plan.demand import Demand, demand
from groundbox.plan.outcome import ChargeStep, DayOutcome, FlightAnswer, Pause, Swap
from groundbox.plan.schedule.lexicographic import Schedule
from groundbox.plan.schedule.problem import Start
from groundbox.plan.timetable import Timetable, needed_charge, phases_of

SHORTEST_PAUSE_MIN = 2.0


@dataclass(slots=True)
class _OnCharge:
    charger: str
    amps: float
    start_min: float
    soc_start: SocBand
    missing_ah: float
    state: charge_model.ChargeState
    box_running: bool = False
    in_flight: bool = False
    most_amps: float = 0.0
    taper_hidden: bool = False


class _Simulation:
    """One schedule, followed slot by slot."""

    def __init__(self, day: Day, pool: BatteryPool, table: Timetable, schedule: Schedule) -> None:
        self.day, self.pool, self.table, self.choice = day, pool, table, schedule.choice
        self.outcome = DayOutcome(banks=copy.deepcopy(pool.banks))
        self.plugged = {(table.batteries[b], slot): table.chargers[c] for b, c, slot in self.choice.charging}
        self.on_charge: dict[str, _OnCharge] = {}
        self.open: dict[tuple[int, str], FlightAnswer] = {}

    def run(self) -> DayOutcome:
        bounds = self.table.bounds_min
        for slot, (low, high) in enumerate(zip(bounds, bounds[1:], strict=False)):
            self._land(slot, low)
            self._mark(low)
            self._launch(slot, low)
            for battery in self.table.batteries:
                self._move(battery, slot, low, high)
        self._land(len(bounds) - 1, bounds[-1])
        self._mark(bounds[-1])
        for battery in list(self.on_charge):
            self._unplug(battery, bounds[-1])
        return self.outcome

    def _mark(self, minute: float) -> None:
        for name, bank in self.outcome.banks.items():
            self.outcome.traces.setdefault(name, []).append((minute, battery_pool.soc_of(bank)))
            self.outcome.wells.setdefault(name, []).append((minute, bank.drawn.copy(), bank.wells.copy()))

    def _flown(self) -> list[tuple[int, Start, str, str]]:
        """(flight, start, box, battery) of everything flown."""
        return [
            (flight, start, self.table.boxes[box], self.table.batteries[battery])
            for (flight, box), battery in self.choice.fitted.items()
            if (start := self.choice.starts[flight]) is not None
        ]

    def _launch(self, slot: int, minute: float) -> None:
        for flight, start, box, battery in self._flown():
            if start.first == slot:
                self.open[flight, box] = self._answer(flight, start, box, battery, minute)

    def _answer(self, flight: int, start: Start, box: str, battery: str, minute: float) -> FlightAnswer:
        planned, entry = self.day.flights[flight], self.day.boxes[box]
        found = demand(self.day, entry, planned, minute)
        bank, profile = self.outcome.banks[battery], self.pool.profiles[battery]
        band = battery_pool.runtime(bank, profile, found.limits, phases_of(found), self.day.battery_c(minute))
        length = planned.flight.length_min
        margin = band.low_min - length - entry.reserve_min
        turn_back_min = minute + band.low_min - entry.reserve_min - planned.flight.time_home_min
        verdict, cause = CLEAR_TO_LAUNCH, "the low runtime covers the flight and the reserve"
        if planned.in_air:
            verdict = TURN_BACK_BY if turn_back_min > minute else RETURN_NOW
            cause = f"the low runtime is {band.low_min:.0f} min"
        elif start.late_min > 0.5:
            verdict, cause = WAIT, f"{start.late_min:.0f} min later than requested, to charge"
        return FlightAnswer(
            flight=planned.name,
            box=box,
            verdict=verdict,
            cause=cause,
            battery=battery,
            launch_min=minute,
            in_air=planned.in_air,
            turn_back_min=turn_back_min,
            margin_min=margin,
            runtime_low_min=band.low_min,
            runtime_expected_min=band.expected_min,
            runtime_high_min=band.high_min,
            landing_low_min=max(0.0, band.low_min - length),
            landing_expected_min=max(0.0, band.expected_min - length),
            landing_high_min=max(0.0, band.high_min - length),
            limit=band.limit,
            soc_launch=battery_pool.soc_of(bank),
            case_c=found.case_c,
            fan_wh=found.fan_amps * LOADED_VOLTS * length / 60,
            loads_off=_off_in(self.day, planned.name, box),
        )

    def _land(self, slot: int, minute: float) -> None:
        for flight, start, box, battery in self._flown():
            if start.last == slot:
                answer = self.open.pop((flight, box))
                self.outcome.answers.append(
                    replace(answer, soc_landing=battery_pool.soc_of(self.outcome.banks[battery]))
                )

    def _load(self, battery: str, slot: int, minute: float) -> tuple[float, bool]:
        """(amps, in the air) that boxes draw from the battery in a slot."""
        for flight, start, box, fitted in self._flown():
            if fitted == battery and start.wait_from <= slot < start.last:
                found: Demand = demand(self.day, self.day.boxes[box], self.day.flights[flight], minute)
                in_air = slot >= start.first
                return (found.flight_amps if in_air else found.waiting_amps), in_air
        return 0.0, False

    def _move(self, battery: str, slot: int, low: float, high: float) -> None:
        amps, in_air = self._load(battery, slot, low)
        charger = self.plugged.get((battery, slot))
        run = self.on_charge.get(battery)
        if run is not None and run.charger != charger:
            self._unplug(battery, low)
        bank, profile, hours = self.outcome.banks[battery], self.pool.profiles[battery], (high - low) / 60
        battery_c = self.day.battery_c(low)
        if charger is None:
            battery_pool.draw(bank, profile, amps, hours, battery_c)
            return
        if battery not in self.on_charge:
            plug_hours = min(hours, self.day.chargers[charger].plug_in_min / 60)
            battery_pool.draw(bank, profile, amps, plug_hours, battery_c)
            hours -= plug_hours
            self._plug(battery, charger, slot, low + 60 * plug_hours)
        self.on_charge[battery].amps = self.table.amps[battery, charger, slot]
        self.on_charge[battery].most_amps = max(
            self.on_charge[battery].most_amps, self.table.amps[battery, charger, slot]
        )
        self.on_charge[battery].in_flight |= in_air
        self._charge(battery, low, hours, amps)

    def _plug(self, battery: str, charger: str, slot: int, minute: float) -> None:
        bank = self.outcome.banks[battery]
        missing = battery_pool.expected_missing(bank) * self.pool.profiles[battery].c20_ah
        amps = self.table.amps[battery, charger, slot]
        state = charge_model.ChargeState(missing_ah=missing)
        self.on_charge[battery] = _OnCharge(charger, amps, minute, battery_pool.soc_of(bank), missing, state)

    def _charge(self, battery: str, minute: float, hours: float, load_amps: float) -> None:
        run, bank, profile = self.on_charge[battery], self.outcome.banks[battery], self.pool.profiles[battery]
        if hours <= 0:
            return
        charger = charger_of(self.day.chargers[run.charger], run.amps)
        run.box_running = run.box_running or load_amps > 0
        missing = battery_pool.expected_missing(bank) * profile.c20_ah
        hidden = charge_model.stays_at_float(charger, load_amps)
        run.taper_hidden = run.taper_hidden or hidden
        stage = "float" if hidden else run.state.stage
        before = replace(run.state, missing_ah=missing, stage=stage)
        block = charged_battery(self.day, self.pool, battery, minute)
        run.state = charge_model.continue_charge(block, charger, before, hours, load_amps=load_amps)
        battery_pool.draw(bank, profile, (run.state.missing_ah - missing) / hours, hours, self.day.battery_c(minute))

    def _unplug(self, battery: str, minute: float) -> None:
        run = self.on_charge.pop(battery)
        self.outcome.charges.append(
            ChargeStep(
                battery=battery,
                charger=run.charger,
                amps=run.most_amps,
                start_min=run.start_min,
                end_min=minute,
                soc_start=run.soc_start,
                soc_end=battery_pool.soc_of(self.outcome.banks[battery]),
                box_running=run.box_running,
                in_flight=run.in_flight,
                taper_hidden=run.taper_hidden,
                stage=run.state.stage,
                **self._how_long(battery, run, minute),
            )
        )

    def _how_long(self, battery: str, run: _OnCharge, minute: float) -> Mapping[str, float | None]:
        """When it has enough for the next flight, when it is full, and how long the last 20 % take."""
        charger = charger_of(self.day.chargers[run.charger], run.amps)
        block = charged_battery(self.day, self.pool, battery, run.start_min)
        load = self._load_at(battery, run.start_min) if run.box_running else 0.0
        full = charge_model.hours_until_full(block, charger, run.missing_ah, load_amps=load)
        need = self._next_need(battery, minute, run.start_min)
        enough = None
        if need is not None:
            goal = block.capacity_ah * (1 - need)
            enough = charge_model.hours_until(block, charger, run.missing_ah, goal, load_amps=load)
        return {
            "enough_min": None if enough is None else run.start_min + 60 * enough,
            "full_min": None if full is None else run.start_min + 60 * full,
            "last_fifth_hours": charge_model.last_fifth_hours(block, charger, load_amps=load),
        }

    def _load_at(self, battery: str, minute: float) -> float:
        slot = max(i for i, edge in enumerate(self.table.bounds_min) if edge <= minute + 1e-6)
        return self._load(battery, min(slot, len(self.table.bounds_min) - 2), minute)[0]

    def _next_need(self, battery: str, minute: float, start_min: float) -> float | None:
        for flight, start, box, fitted in sorted(self._flown(), key=lambda row: row[1].first):
            launch = self.table.bounds_min[start.first]
            if fitted == battery and launch >= minute - 1e-6:
                planned, entry = self.day.flights[flight], self.day.boxes[box]
                minutes = planned.flight.length_min + entry.reserve_min
                found = self.table.demands[flight, box]
                return needed_charge(self.day, self.pool, battery, found, minutes, self.day.battery_c(launch))
        return None


def _off_in(day: Day, flight: str, box: str) -> tuple[str, ...]:
    return tuple(sorted(load for where, load in day.off if where == box and day.is_off(flight, box, load)))


def simulate(day: Day, pool: BatteryPool, table: Timetable, schedule: Schedule) -> DayOutcome:
    """What happens when the schedule is followed; flights that are not flown have an answer too."""
    outcome = _Simulation(day, pool, table, schedule).run()
    for flight, start in enumerate(schedule.choice.starts):
        if start is None:
            outcome.answers += [
                _not_flown(day, pool, table, schedule, flight, box) for box in day.flights[flight].boxes
            ]
    order = {planned.name: place for place, planned in enumerate(day.flights)}
    outcome.answers.sort(key=lambda answer: (order[answer.flight], answer.box))
    outcome.answers, outcome.swaps = with_swaps(day, table, outcome.answers)
    outcome.pauses = _pauses(day, table, schedule)
    outcome.charges.sort(key=lambda run: (run.start_min, run.battery))
    return outcome


def _pauses(day: Day, table: Timetable, schedule: Schedule) -> list[Pause]:
    """Where the plan needs a box off: a wait beyond the gap, or a box that takes nothing between flights."""
    found = []
    for place, box in enumerate(table.boxes):
        off_from = table.bounds_min[0]
        for flight, start in enumerate(schedule.choice.starts):
            if start is None or (flight, place) not in schedule.choice.fitted:
                continue
            planned, launch = day.flights[flight], table.bounds_min[start.first]
            on = launch if table.demands[flight, box].waiting_amps == 0 else table.bounds_min[start.wait_from]
            if on - off_from >= SHORTEST_PAUSE_MIN and not planned.in_air:
                found.append(Pause(box=box, start_min=off_from, end_min=on))
            off_from = table.bounds_min[start.last]
    return sorted(found, key=lambda pause: (pause.start_min, pause.box))


def with_swaps(day: Day, table: Timetable, answers: list[FlightAnswer]) -> tuple[list[FlightAnswer], list[Swap]]:
    """The same answers with `instead_of` where a box needs another battery, and those swaps."""
    inside = {name: box.battery for name, box in day.boxes.items()}
    lengths = {planned.name: planned.flight.length_min for planned in day.flights}
    landed_min = dict.fromkeys(inside, table.bounds_min[0])
    found, swaps = [], []
    for answer in answers:
        if answer.battery is not None and answer.launch_min is not None:
            answer = replace(answer, instead_of=None)
            if answer.battery != inside[answer.box]:
                answer = replace(answer, instead_of=inside[answer.box])
                swaps.append(
                    Swap(
                        flight=answer.flight,
                        box=answer.box,
                        battery=answer.battery or "",
                        instead_of=inside[answer.box],
                        start_min=landed_min[answer.box],
                        end_min=answer.launch_min or 0.0,
                    )
                )
                inside[answer.box] = answer.battery or inside[answer.box]
            landed_min[answer.box] = (answer.launch_min or 0.0) + lengths[answer.flight]
        found.append(answer)
    return found, swaps


def _not_flown(
    day: Day, pool: BatteryPool, table: Timetable, schedule: Schedule, flight: int, box: str
) -> FlightAnswer:
    """Why this box does not launch in a flight, or that another box does not."""
    place, requested = table.boxes.index(box), day.flights[flight].launch_min
    slot = min(range(len(table.bounds_min)), key=lambda i: abs(table.bounds_min[i] - requested))
    best, words = None, "no battery for this box lasts this flight and the reserve, even when full"
    for battery, name in enumerate(table.batteries):
        fit = table.problem.fits.get((flight, place, battery))
        if fit is None:
            continue
        short = fit.need_ah - schedule.levels[battery][slot]
        if best is None or short < best:
            best = short
            have, cap = schedule.levels[battery][slot], table.problem.capacity_ah[battery]
            words = (
                f"{name} has {100 * have / cap:.0f} % at {day.clock(requested)}, needs {100 * fit.need_ah / cap:.0f} %"
                if short > 0
                else "this box has enough; another box or flight needs the time or the charge"
            )
    name = day.flights[flight].name
    return FlightAnswer(flight=name, box=box, verdict=DO_NOT_LAUNCH, cause=words, loads_off=_off_in(day, name, box))
