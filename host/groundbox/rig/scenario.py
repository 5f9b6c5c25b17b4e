"""A scenario ready to be played, made from its file (scenario_file.py). Every error is one line."""

import re
from dataclasses import dataclass, fields, replace
from pathlib import Path

import msgspec

from groundbox.errors import BadInput
from groundbox.rig import changes, console
from groundbox.rig.box import SimBox, SimBoxSettings
from groundbox.rig.changes import SimChange, Value, make_change
from groundbox.rig.electric import SimBatterySettings, SimLoadSettings
from groundbox.rig.expect import Expectation, Moments, parse
from groundbox.rig.heat import SimCaseSettings, SimFanSettings, SimWeather, fitted_case
from groundbox.rig.scenario_file import BoxPart, LoadPart, ScenarioFile
from groundbox.rig.senses import SimSensorSettings
from groundbox.toml_file import read_toml
from groundbox.wire import settings as board

_DAY_S = 86400.0
_WRAP_MS = 1 << 30
_RAMP_S = 5.0
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d(?:\.\d+)?))?$")
_NORMAL: dict[str, Value] = {"monitor": "ok", "fuse": "ok", "button": "released", "host": "listening"}
_NORMAL |= {
    "board": "on",
    "tach_leads": "ok",
    "charger_volts": 14.4,
    "case": "ok",
    "intake": "ok",
    "battery": "ok",
}
_LASTING = ("mark", "switch1", "switch2", "settings_file", "link_task")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """A scenario ready to be played; times in seconds since its beginning, `starts_s` in seconds of the day."""

    source: str
    story: str
    starts_s: float
    lasts_s: float
    box: SimBoxSettings
    cutoff_volts: float | None
    board_settings: dict[str, int]
    changes: tuple[SimChange, ...]
    expectations: tuple[Expectation, ...]

    def clock(self, at_s: float) -> str:
        """The time of day at `at_s`."""
        whole = round((self.starts_s + at_s) % _DAY_S)
        return f"{whole // 3600 % 24:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def load(path: Path | str) -> Scenario:
    """The scenario in the file.

    Raises:
        BadInput: file, key and what to write.
    """
    return prepare(read_toml(path, ScenarioFile, "see `groundbox rig --help`"), str(path))


def prepare(file: ScenarioFile, source: str) -> Scenario:
    """The scenario of a file's content; BadInput as in `load`."""
    clock = ScenarioClock(source, file.starts)
    box = _box(file, source, clock)
    reason = board.refusal_of_all(file.settings, board.defaults())
    if reason:
        raise BadInput(source, "settings", reason)
    changes = _changes(file, source, clock, box)
    moments = Moments(clock=clock.at_s, changes=changes, end_s=60 * file.lasts_min)
    return Scenario(
        source=source,
        story=file.story,
        starts_s=clock.starts_s,
        lasts_s=60 * file.lasts_min,
        box=box,
        cutoff_volts=file.box.cutoff_volts,
        board_settings=_fitting(file),
        changes=changes,
        expectations=tuple(parse(text, source, f"expect {n}", moments) for n, text in enumerate(file.expect, 1)),
    )


class ScenarioClock:
    """ScenarioClock times of one file as seconds since its beginning."""

    def __init__(self, source: str, starts: str) -> None:
        self._source = source
        self.starts_s = 0.0
        self.starts_s = self.at_s(starts, "starts")

    def at_s(self, text: str, place: str) -> float:
        """Seconds since the beginning at clock time `text`; before the beginning means the next day."""
        found = _CLOCK.match(text)
        if not found:
            raise BadInput(self._source, place, f'"{text}" is no time of day; write "13:05" or "13:05:30"')
        day_s = int(found[1]) * 3600 + int(found[2]) * 60 + float(found[3] or 0)
        return (day_s - self.starts_s) % _DAY_S


def _fitting(file: ScenarioFile) -> dict[str, int]:
    """Settings that name the fitted fans, then those of the file."""
    kinds = {f"fan{n}_kind": int(n <= file.box.fans) * 2 for n in (1, 2, 3, 4)}
    standard = board.defaults()
    return {name: kind for name, kind in kinds.items() if kind != standard[name]} | file.settings


def _box(file: ScenarioFile, source: str, clock: ScenarioClock) -> SimBoxSettings:
    part, battery = file.box, file.battery
    known = {one.name for one in fields(SimCaseSettings)}
    for name, value in part.case.items():
        if name not in known:
            raise BadInput(source, f"box.case.{name}", f"is not a known key; known: {', '.join(sorted(known))}")
        if value <= 0:
            raise BadInput(source, f"box.case.{name}", "must be above 0")
    loads = tuple(_load(one) for one in file.load)
    names = [one.name for one in loads]
    for name in names:
        if names.count(name) > 1:
            raise BadInput(source, "load", f'"{name}" is there twice; rename one')
    rows = [(clock.at_s(row.at, f"weather {n}, at"), row) for n, row in enumerate(file.weather, 1)]
    if rows != sorted(rows, key=lambda row: row[0]):
        raise BadInput(source, "weather", "rows must be in the order of time")
    if rows and rows[0][0] > 0:
        wrong = f'"{file.weather[0].at}" is after the start: begin with a row at "{file.starts}"'
        raise BadInput(source, "weather 1, at", wrong)
    weather = SimWeather(
        outside_c=tuple((at_s, row.outside_c) for at_s, row in rows),
        sun_w_m2=tuple((at_s, row.sun_w_m2) for at_s, row in rows),
    )
    ticks = 0 if file.board.wraps_after_s is None else _WRAP_MS - round(1000 * file.board.wraps_after_s)
    return SimBoxSettings(
        name=part.name,
        battery=SimBatterySettings(**msgspec.structs.asdict(battery)),
        loads=loads,
        fans=(SimFanSettings(),) * part.fans,
        case=replace(_case(part, source), **part.case),
        senses=SimSensorSettings(monitor=file.settings.get("voltage_monitor_kind", 1), perfect=part.exact_sensors),
        weather=weather if rows else SimWeather(),
        lead_ohm=part.lead_ohm,
        ticks_start_ms=ticks % _WRAP_MS,
        start_c=part.start_c,
        board_lowest_volts=None if file.board.usb_power else file.board.lowest_volts,
        seed=file.seed,
    )


def _case(part: BoxPart, source: str) -> SimCaseSettings:
    """The assumed case, or one learned from sessions; its file is beside the scenario."""
    return SimCaseSettings() if part.fitted_case is None else fitted_case(Path(source).parent / part.fitted_case)


def _load(part: LoadPart) -> SimLoadSettings:
    values = msgspec.structs.asdict(part)
    del values["off"]
    return SimLoadSettings(**values | {"bursts": tuple(part.bursts)})


def _changes(file: ScenarioFile, source: str, clock: ScenarioClock, settings: SimBoxSettings) -> tuple[SimChange, ...]:
    found = [SimChange(at_s=0.0, thing=part.name, value="off") for part in file.load if part.off]
    trial = SimBox(settings)
    for number, one in enumerate(file.change, 1):
        place = f"change {number}"
        at_s = clock.at_s(one.at, f"{place}, at")
        if at_s > 60 * file.lasts_min:
            wrong = f'"{one.at}" is outside of the run, which lasts {file.lasts_min:g} min from {file.starts}'
            raise BadInput(source, f"{place}, at", wrong)
        _check(trial, one.thing, one.becomes, source, place)
        off = any(part.off for part in file.load if part.name == one.thing)
        normal = "off" if off else _normal(one.thing, one.becomes)
        ends_s = at_s + 60 * (one.ramp_min or 0) + (one.lasts_s or 0)
        if ends_s > 60 * file.lasts_min:
            part = "ramp_min" if one.lasts_s is None else "lasts_s"
            wrong = f"ends {ends_s - 60 * file.lasts_min:g} s after the run: make it shorter or lasts_min longer"
            raise BadInput(source, f"{place}, {part}", wrong + ("" if one.ramp_min else ", or leave it out"))
        if one.ramp_min is not None:
            if isinstance(one.becomes, str) or isinstance(normal, str):
                raise BadInput(
                    source, f"{place}, ramp_min", f"{one.thing} is no number; only a number can change slowly"
                )
            steps = max(1, round(60 * one.ramp_min / _RAMP_S))
            found += [
                SimChange(at_s=at_s + _RAMP_S * k, thing=one.thing, value=normal + (one.becomes - normal) * k / steps)
                for k in range(1, steps + 1)
            ]
        else:
            found.append(SimChange(at_s=at_s, thing=one.thing, value=one.becomes))
        if one.lasts_s is not None:
            if one.thing in _LASTING:
                raise BadInput(source, f"{place}, lasts_s", f"{one.thing} does not go back; leave lasts_s out")
            found.append(SimChange(at_s=ends_s, thing=one.thing, value=normal))
    return tuple(sorted(found, key=lambda one: one.at_s))


def _normal(thing: str, becomes: Value) -> Value:
    """What `thing` is while nothing is wrong."""
    if thing in _NORMAL:
        return _NORMAL[thing]
    if thing[:3] == "fan" and thing[3:].isdigit():
        return "ok"
    return "auto" if isinstance(becomes, str) else 0.0


def _check(trial: SimBox, thing: str, value: Value, source: str, place: str) -> None:
    if thing in console.WORDS or thing in console.FRACTIONS:
        reason = console.refuse(thing, value)
    elif thing in changes.THINGS:
        words = changes.THINGS[thing]
        reason = "" if value in words else f"is {value!r}; write one of {', '.join(words)}"
    else:
        try:
            make_change(trial, thing, value)
            return
        except BadInput as error:
            others = ", ".join([*console.WORDS, *console.FRACTIONS, *changes.THINGS])
            reason = error.problem + (f", {others}" if "no thing" in error.problem else "")
    if reason:
        raise BadInput(source, f"{place}, {thing}", reason)
