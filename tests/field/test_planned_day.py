"""The planned day flown in simulated boxes, with another battery model: no landing under the reserve."""

import sys
from pathlib import Path

import pytest

from groundbox.advice.result import DO_NOT_LAUNCH
from groundbox.plan.charge_model import charger_of, stays_at_float
from groundbox.plan.demand import demand
from groundbox.plan.planner import Plan, plan_day
from groundbox.rig.box import SimBox, SimBoxSettings
from groundbox.rig.electric import SimBatterySettings, SimCharger, SimLoadSettings
from groundbox.rig.heat import SimWeather

sys.path.insert(0, str(Path(__file__).parents[1] / "host" / "plan"))
from days import bog_day, random_day  # noqa: E402

STEP_S = 5.0
SERVO_BURST_S, SERVO_WATTS, SERVO_MEAN_WATTS = 2.0, 36.0, 4.0


def _loads(plan: Plan, box: str) -> tuple[SimLoadSettings, ...]:
    loads = []
    for load in plan.day.boxes[box].load:
        if load.with_fans or (box, load.name) in plan.day.off:
            continue
        if load.peak_watts:
            rest_s = SERVO_BURST_S * (load.peak_watts / (load.watts or 1.0) - 1)
            bursts = ((SERVO_BURST_S, load.peak_watts),)
            loads.append(SimLoadSettings(name=load.name, watts=0.0, rest_s=rest_s, bursts=bursts, irregular=True))
        else:
            loads.append(SimLoadSettings(name=load.name, watts=(load.watts or 0.0) * load.fraction))
    return tuple(loads)


def _fan_load(plan: Plan, box: str) -> SimLoadSettings:
    """Fans as the mean of what the plan expects at its warmest flight: the plan's heat is not what is tried here."""
    demands = [demand(plan.day, plan.day.boxes[box], flight, flight.launch_min) for flight in plan.day.flights]
    return SimLoadSettings(name="fans", watts=max(found.fan_amps for found in demands) * 11.8)


class _Battery:
    """One battery of the plan, in a simulated box whose loads simulate the plan."""

    def __init__(self, plan: Plan, name: str, box: str, health: float, seed: int) -> None:
        self.plan, self.name, self.box_name = plan, name, box
        entry = plan.day.batteries[name]
        clock = plan.day.start_clock_min
        rows = tuple(
            ((float(hour) * 60 - clock) * 60, value) for hour, value in sorted(plan.day.weather.ambient_c.items())
        )
        c20_ah = entry.profile.c20_ah
        self.box = SimBox(
            SimBoxSettings(
                name=box,
                battery=SimBatterySettings(
                    c20_ah=c20_ah,
                    health=(entry.battery.health or 1.0) * health,
                    ohm=0.016 * 18 / c20_ah,
                    start_soc=entry.battery.charge,
                ),
                loads=(*_loads(plan, box), _fan_load(plan, box)),
                fans=(),
                weather=SimWeather(outside_c=rows),
                lead_ohm=plan.day.boxes[box].lead_ohm,
                board_watts=0.0,
                start_c=plan.day.battery_c(0.0),
                seed=seed,
            )
        )

    def run(self, until_min: float, on: bool, charger: SimCharger) -> None:
        self.box.charger = charger
        for load in self.box.loads.values():
            load.requested = None if on else False
        while self.box.now_s < until_min * 60 - 1e-6:
            self.box.step(
                min(STEP_S, until_min * 60 - self.box.now_s, max(self.box.next_change_s - self.box.now_s, 1e-3))
            )

    def minutes_left(self, wanted_min: float) -> float:
        """Minutes, all loads on, until the equipment is first under its cutoff; looked for up to `wanted_min`."""
        box, cutoff = self.box, self.plan.day.boxes[self.box_name].cutoff_volts
        box.charger = SimCharger()
        for load in box.loads.values():
            load.requested = None
        begin = box.now_s
        while box.now_s - begin < wanted_min * 60:
            box.step(min(STEP_S, max(box.next_change_s - box.now_s, 1e-3)))
            if box.node.equipment_volts < cutoff:
                break
        return (box.now_s - begin) / 60


def _charger_at(plan: Plan, battery: str, minute: float, box_on: float) -> SimCharger:
    for run in plan.outcome.charges:
        if run.battery == battery and run.start_min <= minute < run.end_min:
            charger = charger_of(plan.day.chargers[run.charger], run.amps)
            stage = "float" if box_on and stays_at_float(charger, box_on) else "absorption"
            return SimCharger(amps=run.amps, volts=charger.volts(stage, plan.day.battery_c(minute)))
    return SimCharger()


def fly(plan: Plan, *, health: float = 1.0, seed: int = 1) -> list[tuple[str, str, float]]:
    """(flight, box, minutes left at landing beyond the reserve, at most 10) of every launch of the plan."""
    flights = {flight.name: flight for flight in plan.day.flights}
    landings = []
    for name in plan.day.batteries:
        mine = sorted(
            (answer for answer in plan.outcome.answers if answer.battery == name and answer.verdict != DO_NOT_LAUNCH),
            key=lambda answer: answer.launch_min or 0.0,
        )
        if not mine:
            continue
        assert len({answer.box for answer in mine}) == 1, "one box for a battery in these days"
        edges = {
            minute for run in plan.outcome.charges if run.battery == name for minute in (run.start_min, run.end_min)
        }
        spans = []
        for answer in mine:
            assert answer.launch_min is not None
            flight = flights[answer.flight]
            spans.append((answer.launch_min - flight.gap_min, answer.launch_min + flight.flight.length_min, answer))
            edges |= {max(0.0, answer.launch_min - flight.gap_min), answer.launch_min, spans[-1][1]}
        for _, landing, answer in spans:  # a box with random loads cannot be copied: each landing is flown again
            battery, at = _Battery(plan, name, mine[0].box, health, seed), 0.0
            for minute in sorted(edge for edge in edges if edge <= landing + 1e-6):
                middle = (at + minute) / 2
                on = any(begin <= middle < end for begin, end, _ in spans)
                first = plan.day.flights[0]
                amps = demand(plan.day, plan.day.boxes[mine[0].box], first, middle).waiting_amps if on else 0.0
                battery.run(minute, on, _charger_at(plan, name, middle, amps))
                at = minute
            reserve = plan.day.boxes[answer.box].reserve_min
            landings.append((answer.flight, answer.box, battery.minutes_left(reserve + 10) - reserve))
    return landings


@pytest.mark.parametrize(("health", "seed"), [(1.0, 1), (1.0, 2), (0.95, 3), (0.9, 4)])
def test_no_landing_under_reserve_where_the_plan_said_launch(health: float, seed: int) -> None:
    """The invented session; also with batteries 5 and 10 % worse than in the day file."""
    plan = plan_day(bog_day(), seconds=2)
    landings = fly(plan, health=health, seed=seed)
    assert len(landings) == 8
    assert min(left for _, _, left in landings) >= 0


def test_the_flown_day_can_fail() -> None:
    """The check bites: the same day with batteries at half of what they are said to be does not hold."""
    plan = plan_day(bog_day(), seconds=2)
    assert min(left for _, _, left in fly(plan, health=0.5)) < 0


@pytest.mark.parametrize("seed", range(6))
def test_days_made_by_chance(seed: int) -> None:
    """Two batteries of their own box, one or two chargers; batteries 5 % worse than stated."""
    day = random_day(seed, batteries=2, flights=4, chargers=1 + seed % 2)
    landings = fly(plan_day(day, seconds=1), health=0.95, seed=seed)
    assert all(left >= 0 for _, _, left in landings), landings


def test_enough_of_those_days_fly() -> None:
    """Days on which nothing is launched would prove nothing."""
    plans = [plan_day(random_day(seed, batteries=2, flights=4, chargers=2), seconds=0.5) for seed in range(3)]
    assert sum(plan.schedule.objective.flown for plan in plans) >= 3
