"""Reads a day file and checks it: names that must exist, flights that may not overlap, times in order."""

from collections.abc import Iterable
from datetime import datetime, time
from pathlib import Path
from typing import NoReturn

from msgspec.structs import replace as struct_replace

from groundbox.battery.limits import cutoff_mismatch
from groundbox.battery.profile import BatteryProfile, load_profile
from groundbox.errors import BadInput
from groundbox.plan.day import BatteryOfDay, Day, PlannedFlight, since
from groundbox.plan.day_keys import DayBattery, DayBox, DayCharger, DayFile, DayFlight, DaySource
from groundbox.thermal.case_file import load_case
from groundbox.thermal.model import NAMES
from groundbox.toml_file import near, read_toml


class _Reader:
    """The file's name and keys, so that each error is one line."""

    def __init__(self, path: Path, shape: DayFile) -> None:
        self.path, self.shape = path, shape

    def bad(self, place: str, fix: str) -> NoReturn:
        raise BadInput(self.path, place, fix)

    def names(self, kind: str, names: list[str]) -> None:
        for index, name in enumerate(names):
            if name in names[:index]:
                self.bad(f"{kind} {index + 1}, name", f'"{name}" is given twice: give each {kind} its own name')

    def known(self, place: str, name: str, known: Iterable[str], kind: str) -> None:
        if name not in known:
            self.bad(place, f'there is no {kind} "{name}"; {near(name, known)}')

    def window(self, place: str, kind: str, begin: time | None, end: time | None) -> None:
        if begin is not None and end is not None:
            start = _minutes(self.shape.start)
            if since(start, _minutes(end)) <= since(start, _minutes(begin)):
                self.bad(f"{place}, {kind}_until", f"is not after {kind}_from: correct one of them")

    def hours(self, place: str, values: dict[str, float]) -> None:
        if not values:
            self.bad(place, 'needs at least one hour, as { "13" = 24 }')
        for hour in values:
            if not hour.isdigit() or int(hour) > 24:
                self.bad(place, f'"{hour}" is not an hour of the day: type "0" to "24"')


def _check_sources(reader: _Reader, sources: list[DaySource]) -> None:
    for number, source in enumerate(sources, 1):
        place = f"source {number} ({source.name})"
        reader.window(place, "on", source.on_from, source.on_until)
        if source.amps_by_hour:
            reader.hours(f"{place}, amps_by_hour", source.amps_by_hour)


def _minutes(clock: time) -> float:
    return clock.hour * 60 + clock.minute + clock.second / 60


def _check_boxes(reader: _Reader, boxes: list[DayBox], batteries: list[DayBattery]) -> None:
    for number, box in enumerate(boxes, 1):
        place = f"box {number} ({box.name})"
        reader.known(f"{place}, battery", box.battery, [battery.name for battery in batteries], "battery")
        for other in boxes[: number - 1]:
            if other.battery == box.battery:
                reader.bad(f"{place}, battery", f'"{box.battery}" is in box {other.name} already: name another')
        loads = [load.name for load in box.load]
        for index, load in enumerate(box.load, 1):
            where = f"{place}, load {index} ({load.name})"
            if load.name in loads[: index - 1]:
                reader.bad(f"{where}, name", "is given twice in this box: give each load its own name")
            if wrong := load.contradiction():
                reader.bad(where, wrong)


def _check_batteries(reader: _Reader, batteries: list[DayBattery], boxes: list[DayBox]) -> None:
    names = [box.name for box in boxes]
    for number, battery in enumerate(batteries, 1):
        place = f"battery {number} ({battery.name})"
        if (battery.profile is None) == (battery.c20_ah is None):
            reader.bad(place, "give `profile` (a battery file) or `c20_ah` (ampere-hours), one of them")
        for name in battery.boxes:
            reader.known(f"{place}, boxes", name, names, "box")
    for number, box in enumerate(boxes, 1):
        fitted = next(battery for battery in batteries if battery.name == box.battery)
        if box.name not in fitted.boxes:
            reader.bad(
                f"box {number} ({box.name}), battery", f'"{fitted.name}" does not list this box in its `boxes`: add it'
            )


def _check_cutoffs(reader: _Reader, day: Day) -> None:
    for number, box in enumerate(day.boxes.values(), 1):
        for battery in day.batteries.values():
            lowest = max([box.cutoff_volts, *(load.lowest_volts or 0.0 for load in box.load if not load.sheddable)])
            wrong = cutoff_mismatch(lowest, battery.profile.cells, battery.name)
            if box.name in battery.battery.boxes and wrong:
                reader.bad(f"box {number} ({box.name}), cutoff_volts", wrong)


def _check_chargers(reader: _Reader, chargers: list[DayCharger], boxes: list[DayBox], sources: list[str]) -> None:
    for number, charger in enumerate(chargers, 1):
        place = f"charger {number} ({charger.name})"
        for name in charger.boxes:
            reader.known(f"{place}, boxes", name, [box.name for box in boxes], "box")
        if charger.source is not None:
            reader.known(f"{place}, source", charger.source, sources, "source")
        if charger.ends not in ("never", "taper", "timer"):
            reader.bad(
                f"{place}, ends", f'"{charger.ends}" is not known; {near(charger.ends, ("never", "taper", "timer"))}'
            )
        if charger.ends == "taper" and charger.taper_amps <= 0:
            reader.bad(f"{place}, taper_amps", "is missing: the current at which it goes to float")
        if charger.ends == "timer" and charger.timer_hours is None:
            reader.bad(f"{place}, timer_hours", "is missing: hours of absorption before it goes to float")
        if charger.float_volts > charger.absorption_volts:
            reader.bad(f"{place}, float_volts", f"is above the {charger.absorption_volts:g} V of absorption: lower it")
        reader.window(place, "open", charger.open_from, charger.open_until)
        if charger.settable_amps and max(charger.settable_amps) > charger.amps:
            reader.bad(f"{place}, settable_amps", f"is above its {charger.amps:g} A: correct `amps`")


def _flights(reader: _Reader, flights: list[DayFlight], boxes: list[DayBox], start: float) -> tuple[PlannedFlight, ...]:
    planned: list[PlannedFlight] = []
    landed = 0.0
    for number, flight in enumerate(flights, 1):
        place = f"flight {number} ({flight.name})"
        if (flight.launch is None) == (flight.gap_min is None):
            reader.bad(
                place, "give `launch` (a clock time) or `gap_min` (minutes since the landing before), one of them"
            )
        if flight.time_home_min > flight.length_min:
            reader.bad(f"{place}, time_home_min", f"is longer than the flight ({flight.length_min:g} min): shorten it")
        launch = landed + (flight.gap_min or 0.0)
        if flight.launch is not None:
            launch = since(start, _minutes(flight.launch))
            if launch < 0:
                reader.bad(f"{place}, launch", "is before the day's start: correct `launch` or `start`")
            if launch < landed and planned:
                reader.bad(f"{place}, launch", f'overlaps "{planned[-1].name}", which lands later: launch after it')
        _check_loads(reader, place, flight, boxes)
        needed = tuple(flight.boxes or [box.name for box in boxes])
        planned.append(PlannedFlight(flight=flight, launch_min=launch, gap_min=launch - landed, boxes=needed))
        landed = planned[-1].landing_min
    return tuple(planned)


def _check_loads(reader: _Reader, place: str, flight: DayFlight, boxes: list[DayBox]) -> None:
    by_name = {box.name: box for box in boxes}
    for index, name in enumerate(flight.boxes):
        if name in flight.boxes[:index]:
            reader.bad(f"{place}, boxes", f'"{name}" is given twice: name each box once')
    for name in [*flight.boxes, *flight.loads, *flight.amps]:
        reader.known(f"{place}, boxes", name, by_name, "box")
    for box_name, loads in flight.loads.items():
        for load in loads:
            known = [each.name for each in by_name[box_name].load]
            reader.known(f"{place}, loads, {box_name}", load, known, f"load in box {box_name}")


def _profile(reader: _Reader, battery: DayBattery) -> BatteryProfile:
    if battery.profile is not None:
        file = reader.path.parent / battery.profile
        if not file.is_file():
            reader.bad(f"battery ({battery.name}), profile", f"there is no file {file}; see `groundbox battery new`")
        profile = load_profile(file)
    else:
        assert battery.c20_ah is not None
        profile = BatteryProfile(
            c20_ah=battery.c20_ah,
            cells=battery.cells,
            age_years=battery.age_years,
            vented=battery.vented,
            label=battery.name,
        )
    if battery.max_charge_amps is not None:
        profile = struct_replace(profile, max_charge_amps=battery.max_charge_amps)
    return in_parallel(profile, battery.in_parallel)


def in_parallel(profile: BatteryProfile, count: int) -> BatteryProfile:
    """The profile of `count` equal batteries in parallel, as of one battery."""
    fitted = profile.fitted
    if fitted is not None:
        fitted = struct_replace(
            fitted,
            capacity_ah=fitted.capacity_ah * count,
            capacity_sd_ah=fitted.capacity_sd_ah * count,
            resistance_mohm=fitted.resistance_mohm / count,
        )
    limit = profile.max_charge_amps
    return struct_replace(
        profile,
        c20_ah=profile.c20_ah * count,
        max_charge_amps=None if limit is None else limit * count,
        discharge=[struct_replace(row, amps=row.amps * count) for row in profile.discharge],
        fitted=fitted,
    )


def _with_case(reader: _Reader, box: DayBox) -> DayBox:
    """The box with the heat of its fitted case, where the file names one."""
    if box.case.fitted is None:
        return box
    file = reader.path.parent / box.case.fitted
    if not file.is_file():
        reader.bad(f"box ({box.name}), case.fitted", f"there is no file {file}; see `groundbox case fit`")
    model = load_case(file).fit.model
    fitted = {name: getattr(model, name) for name in NAMES if name in box.case.__struct_fields__}
    return struct_replace(box, case=struct_replace(box.case, **fitted))


def load_day(path: Path | str, start: datetime | None = None) -> Day:
    """A day file, checked and resolved.

    Args:
        start: local date and time at which the day starts instead of as the file states (also before its `moved_to`);
            every launch, charger and hour of weather moves along.

    Raises:
        BadInput: with file, place, and what to type.
    """
    shape = read_toml(path, DayFile)
    moved = start or shape.moved_to
    reader = _Reader(Path(path), shape)
    for kind, entries in (
        ("box", shape.box),
        ("battery", shape.battery),
        ("charger", shape.charger),
        ("flight", shape.flight),
    ):
        reader.names(kind, [entry.name for entry in entries])
    reader.names("source", [source.name for source in shape.source])
    _check_boxes(reader, shape.box, shape.battery)
    _check_batteries(reader, shape.battery, shape.box)
    _check_sources(reader, shape.source)
    _check_chargers(reader, shape.charger, shape.box, [source.name for source in shape.source])
    reader.hours("weather.ambient_c", shape.weather.ambient_c)
    reader.hours("weather.sun", shape.weather.sun)
    start_min = _minutes(shape.start)
    day = Day(
        name=shape.name,
        start_clock_min=start_min if moved is None else _minutes(moved.time()),
        flights=_flights(reader, shape.flight, shape.box, start_min),
        boxes={box.name: _with_case(reader, box) for box in shape.box},
        batteries={
            battery.name: BatteryOfDay(battery=battery, profile=_profile(reader, battery)) for battery in shape.battery
        },
        chargers={charger.name: charger for charger in shape.charger},
        sources={source.name: source for source in shape.source},
        weather=shape.weather,
        turnaround_min=shape.turnaround_min,
        longest_wait_min=shape.longest_wait_min,
        night_c=shape.night_c,
        date=shape.date if moved is None else moved.date(),
        file_start_min=start_min,
    )
    _check_cutoffs(reader, day)
    return day
