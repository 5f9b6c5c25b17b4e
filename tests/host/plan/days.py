"""Days to plan in tests: the invented session, and others made by chance."""

from dataclasses import replace
from pathlib import Path
from random import Random

from groundbox.battery.profile import BatteryProfile
from groundbox.plan.day import BatteryOfDay, Day, PlannedFlight
from groundbox.plan.day_file import load_day
from groundbox.plan.day_keys import DayBattery, DayBox, DayCharger, DayFlight, DayLoad, DayWeather

EXAMPLE = Path(__file__).parents[3] / "host" / "groundbox" / "examples" / "bog_day.toml"


def bog_day() -> Day:
    return load_day(EXAMPLE)


def easy_day() -> Day:
    """The invented session with a battery at the mast that lasts."""
    day = bog_day()
    profile = BatteryProfile(c20_ah=24.0)
    entry = day.batteries["M9"].battery
    easy = BatteryOfDay(
        battery=DayBattery(name="M9", boxes=["mast"], c20_ah=24.0, health=1.0, charge=entry.charge), profile=profile
    )
    larger = BatteryOfDay(
        battery=DayBattery(name="T18", boxes=["table"], c20_ah=33.0, health=1.0), profile=BatteryProfile(c20_ah=33.0)
    )
    return replace(day, batteries={"M9": easy, "T18": larger})


def random_day(seed: int, *, batteries: int, flights: int, chargers: int) -> Day:
    """Two boxes, flights of 35 minutes with gaps of 40; the first two batteries belong to one box each."""
    random = Random(seed)
    names = ("table", "mast")
    boxes = {
        name: DayBox(
            name=name,
            battery=f"B{place}",
            cutoff_volts=11.0,
            lead_ohm=0.03,
            load=[DayLoad(name="main", watts=random.uniform(10, 25)), DayLoad(name="extra", watts=4, sheddable=True)],
        )
        for place, name in enumerate(names)
    }
    fitted = {}
    for place in range(batteries):
        c20_ah = random.choice((7.2, 9.0, 12.0, 18.0))
        entry = DayBattery(
            name=f"B{place}",
            boxes=list(names) if place > 1 else [names[place]],
            c20_ah=c20_ah,
            health=random.choice((0.7, 0.85, 1.0)),
            charge=random.choice((0.7, 0.9, 1.0)),
        )
        fitted[entry.name] = BatteryOfDay(battery=entry, profile=BatteryProfile(c20_ah=c20_ah))
    planned, launch = [], 40.0
    for number in range(flights):
        flight = DayFlight(name=f"flight {number + 1}", length_min=35, time_home_min=8, gap_min=40)
        planned.append(PlannedFlight(flight=flight, launch_min=launch, gap_min=40.0, boxes=names))
        launch += 75.0
    kinds = (
        DayCharger(name="settable", amps=4, settable_amps=[1, 2.5, 4]),
        DayCharger(name="fixed", amps=2.5),
        DayCharger(name="second", amps=4, settable_amps=[1, 2.5, 4]),
    )
    return Day(
        name=f"day {seed}",
        start_clock_min=480,
        flights=tuple(planned),
        boxes=boxes,
        batteries=fitted,
        chargers={charger.name: charger for charger in kinds[:chargers]},
        sources={},
        weather=DayWeather(ambient_c={"12": 22.0}),
        turnaround_min=10,
        longest_wait_min=60,
        night_c=15,
    )
