"""A scenario file: one box, its day, what changes, and what is expected.

story = "..."                         a sentence or two
starts = "12:00"                      clock time at the beginning
lasts_min = 20
expect = ["case never above 55 °C"]   see expect.py

[[weather]]                           straight lines between the rows; without any, 25 °C and no sun
at = "12:00"
outside_c = 28
sun_w_m2 = 600

[box]  [battery]  [board]  [settings] (names of the firmware's settings)  [[load]]

[[change]]                            changes.py and console.py list the things
at = "12:10:30"
thing = "fan1"
becomes = "stalled"
lasts_s = 60                          then back to ok; or, for a number, ramp_min: a straight line that ends after it
"""

from typing import Annotated

import msgspec
from msgspec import Meta

Fraction = Annotated[float, Meta(ge=0, le=1)]


class _Struct(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    pass


class WeatherRow(_Struct, frozen=True, kw_only=True):
    """Air temperature and sun at one time."""

    at: str
    outside_c: Annotated[float, Meta(ge=-40, le=60)]
    sun_w_m2: Annotated[float, Meta(ge=0, le=1400)] = 0.0


class BoxPart(_Struct, frozen=True, kw_only=True):
    """The box; `case` overrides values of heat.SimCaseSettings; `fitted_case` is a file of `groundbox case fit`."""

    name: Annotated[str, Meta(min_length=1, max_length=16)] = "box"
    lead_ohm: Annotated[float, Meta(ge=0, le=2)] = 0.02
    cutoff_volts: Annotated[float, Meta(ge=4, le=20)] | None = None
    start_c: Annotated[float, Meta(ge=-40, le=80)] | None = None
    fans: Annotated[int, Meta(ge=0, le=4)] = 2
    fitted_case: str | None = None
    case: dict[str, float] = {}
    exact_sensors: bool = False


class BatteryPart(_Struct, frozen=True, kw_only=True):
    """The battery; see electric.SimBatterySettings."""

    c20_ah: Annotated[float, Meta(ge=1, le=300)] = 18.0
    health: Annotated[float, Meta(ge=0.2, le=1.1)] = 1.0
    ohm: Annotated[float, Meta(gt=0, le=1)] = 0.016
    start_soc: Fraction = 1.0


class BoardPart(_Struct, frozen=True, kw_only=True):
    """The board; `wraps_after_s`: seconds from power-on until its tick counter wraps at 2**30."""

    lowest_volts: Annotated[float, Meta(ge=3, le=11)] = 6.5
    usb_power: bool = False
    wraps_after_s: Annotated[float, Meta(ge=0, le=86400)] | None = None


class LoadPart(_Struct, frozen=True, kw_only=True):
    """A load; see electric.SimLoadSettings; `off`: a person has switched it off at the start."""

    name: Annotated[str, Meta(min_length=1)]
    watts: Annotated[float, Meta(ge=0, le=2000)]
    rest_s: Annotated[float, Meta(gt=0)] = 3600.0
    bursts: list[tuple[float, float]] = []
    irregular: bool = False
    output: Annotated[int, Meta(ge=0, le=2)] = 0
    heat_fraction: Fraction = 1.0
    lowest_volts: Annotated[float, Meta(ge=0, le=20)] = 0.0
    off: bool = False


class ChangeRow(_Struct, frozen=True, kw_only=True):
    """One change of a thing."""

    at: str
    thing: str
    becomes: float | str
    lasts_s: Annotated[float, Meta(gt=0)] | None = None
    ramp_min: Annotated[float, Meta(gt=0)] | None = None


class ScenarioFile(_Struct, frozen=True, kw_only=True):
    """The content of a scenario file."""

    story: str
    lasts_min: Annotated[float, Meta(gt=0, le=2880)]
    expect: Annotated[list[str], Meta(min_length=1)]
    starts: str = "12:00"
    seed: int = 1
    weather: list[WeatherRow] = []
    box: BoxPart = BoxPart()
    battery: BatteryPart = BatteryPart()
    board: BoardPart = BoardPart()
    settings: dict[str, int] = {}
    load: list[LoadPart] = []
    change: list[ChangeRow] = []
