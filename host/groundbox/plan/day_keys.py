"""The keys of the day file: one struct for each table, ranges in the types; and the loads of every file."""

import datetime
from typing import Annotated

import msgspec
from msgspec import Meta

Volts = Annotated[float, Meta(ge=4, le=60, description="volts")]
Watts = Annotated[float, Meta(ge=0, le=2000, description="watts")]
Amps = Annotated[float, Meta(ge=0, le=200, description="amperes")]
Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Fraction = Annotated[float, Meta(ge=0, le=1, description="a fraction")]
Minutes = Annotated[float, Meta(ge=0, le=1440)]
Celsius = Annotated[float, Meta(ge=-40, le=60, description="°C")]
Name = Annotated[str, Meta(min_length=1, max_length=30)]


class _DayPart(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A part of the file; a key that is not known is refused."""


class LoadSpec(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One load, essential unless it is `sheddable`.

    Give `watts` or `amps`: the mean while it is on. `peak_...` is the maximum at its start or in use.
    """

    name: Annotated[str, Meta(min_length=1, max_length=30, description="what the load is")]
    watts: Watts | None = None
    amps: Amps | None = None
    peak_watts: Watts | None = None
    peak_amps: Amps | None = None
    fraction: Annotated[float, Meta(ge=0, le=1, description="fraction of the time it is on")] = 1.0
    sheddable: Annotated[bool, Meta(description="true or false: may be switched off to save charge")] = False
    with_fans: Annotated[bool, Meta(description="true or false: runs only while the board drives the fans")] = False
    lowest_volts: Volts | None = None
    highest_volts: Volts | None = None

    def mean_amps(self, volts: float) -> float:
        """Amperes while it is on, at `volts`."""
        return self.amps if self.amps is not None else (self.watts or 0.0) / volts

    def largest_amps(self, volts: float) -> float:
        """Peak amperes at `volts`; the mean where no peak is given."""
        if self.peak_amps is not None:
            return self.peak_amps
        return self.peak_watts / volts if self.peak_watts is not None else self.mean_amps(volts)

    def contradiction(self) -> str:
        """Where its keys contradict each other and what to type, or ""."""
        if (self.watts is None) == (self.amps is None):
            return "needs either watts or amps, one of them"
        if self.peak_watts is not None and self.peak_amps is not None:
            return "needs peak_watts or peak_amps, not both"
        if self.largest_amps(12.0) < self.mean_amps(12.0):
            return "has a peak below its mean: raise the peak or lower the mean"
        if self.lowest_volts and self.highest_volts and self.lowest_volts >= self.highest_volts:
            return "has lowest_volts not under highest_volts: correct one of them"
        return ""


class DayLoad(LoadSpec, frozen=True, kw_only=True):
    """One load of a box."""

    between_flights: Annotated[bool, Meta(description="true or false: stays on between flights")] = True


class CaseHeat(_DayPart, frozen=True, kw_only=True):
    """Heat numbers of the case, where they are known; see groundbox.thermal.model.CaseModel.

    `fitted` is a file of `groundbox case fit` beside the day file; it replaces the numbers but `fans_on_c`.
    """

    fitted: str | None = None

    air_wall_w_per_k: Positive = 4.0
    wall_outside_w_per_k: Positive = 3.0
    fan_one_w_per_k: Positive = 4.0
    fan_two_w_per_k: Positive = 7.0
    sun_watts: Positive = 30.0
    fans_on_c: Celsius = 35.0


class DayBox(_DayPart, frozen=True, kw_only=True):
    name: Name
    battery: Annotated[str, Meta(description="the name of one battery; batteries in parallel are one, see in_parallel")]
    cutoff_volts: Volts
    lead_ohm: Annotated[float, Meta(ge=0, le=2)] = 0.0
    reserve_min: Minutes = 15.0
    load: list[DayLoad] = []
    case: CaseHeat = CaseHeat()


class DayBattery(_DayPart, frozen=True, kw_only=True):
    """`profile` (a file beside the day file) or `c20_ah`; `health` is present over rated capacity, from a test.

    in_parallel: so many equal batteries count as one battery; all other keys are of one of them.
    """

    name: Name
    boxes: Annotated[list[str], Meta(description="the boxes it may go into, each in quotes")]
    profile: Annotated[str, Meta(description="its profile, a file beside this one; or c20_ah")] | None = None
    c20_ah: Positive | None = None
    cells: Annotated[int, Meta(ge=1, le=24)] = 6
    age_years: Annotated[float, Meta(ge=0, le=40)] | None = None
    health: Annotated[float, Meta(ge=0.05, le=1.3, description="present over rated capacity, from a test")] | None = (
        None
    )
    vented: bool = False
    charge: Annotated[Fraction, Meta(description="its state of charge at the start, a fraction")] = 1.0
    charge_sd: Annotated[Fraction, Meta(description="standard deviation of that, a fraction")] = 0.03
    rest_volts: Annotated[Volts, Meta(description="volts at rest, where measured")] | None = None
    max_charge_amps: Positive | None = None
    in_parallel: Annotated[int, Meta(ge=1, le=10, description="equal batteries in parallel")] = 1
    last_test: Annotated[datetime.date, Meta(description="date of its last capacity test, as 2026-05-01")] | None = None


class DayCharger(_DayPart, frozen=True, kw_only=True):
    """`amps`: its output; `settable_amps`: what it can be set to; `boxes`: whose batteries it reaches, else all.

    at_home: runs on the mains too, for the night; in the field it uses `source`.
    in_flight: may stay on a battery of a box in a flight, as a solar charger beside the box does.
    """

    name: Name
    amps: Annotated[Positive, Meta(description="amperes that it gives, measured")]
    settable_amps: Annotated[list[Positive], Meta(description="amperes that it can be set to, [1, 2.5, 4]")] = []
    absorption_volts: Volts = 14.4
    float_volts: Volts = 13.6
    ends: Annotated[str, Meta(description='"never", "taper" or "timer": what takes it to its float voltage')] = "never"
    taper_amps: Annotated[NotNegative, Meta(description="amperes at which it goes to float")] = 0.0
    timer_hours: Positive | None = None
    mv_per_k: Annotated[float, Meta(ge=0, le=60)] = 0.0
    boxes: Annotated[list[str], Meta(description="boxes whose batteries it reaches; else all")] = []
    at_once: Annotated[int, Meta(ge=1, le=20, description="batteries at once")] = 1
    plug_in_min: Minutes = 3.0
    source: Annotated[str, Meta(description="its source in the field")] | None = None
    at_home: Annotated[bool, Meta(description="true or false: runs on the mains at home")] = True
    in_flight: Annotated[bool, Meta(description="true or false: may stay on a battery in flight")] = False
    open_from: datetime.time | None = None
    open_until: datetime.time | None = None


class DaySource(_DayPart, frozen=True, kw_only=True):
    """A source of chargers. `spare_wh` is what it may give in all (a car: its battery less what starting needs)."""

    name: Name
    amps: Positive
    volts: Volts = 12.0
    spare_wh: Annotated[NotNegative, Meta(description="watt-hours it may give in all")] | None = None
    engine_must_run: Annotated[bool, Meta(description="true or false: only with its engine running")] = False
    needs_ignition: Annotated[bool, Meta(description="true or false: only with its ignition on")] = False
    lowest_volts: Volts | None = None
    on_from: datetime.time | None = None
    on_until: datetime.time | None = None
    amps_by_hour: Annotated[
        dict[str, NotNegative], Meta(description="amperes by hour of the day, as { '13' = 2.5 }, for solar")
    ] = {}
    charger_efficiency: Annotated[float, Meta(gt=0, le=1)] = 0.85


class DayFlight(_DayPart, frozen=True, kw_only=True):
    """`launch`, or `gap_min` since the landing before or the start; by box `loads` that are on, or measured `amps`."""

    name: Name
    length_min: Annotated[float, Meta(ge=1, le=1440)]
    time_home_min: Minutes
    launch: Annotated[datetime.time, Meta(description="a clock time, as 13:20:00; or gap_min")] | None = None
    gap_min: (
        Annotated[float, Meta(ge=0, le=1440, description="minutes since the landing before, or the start")] | None
    ) = None
    boxes: Annotated[list[str], Meta(description="boxes that it needs; else all")] = []
    loads: Annotated[dict[str, list[str]], Meta(description="by box the loads that are on; else all")] = {}
    amps: Annotated[dict[str, NotNegative], Meta(description="by box the mean amperes, where measured")] = {}


class DayWeather(_DayPart, frozen=True, kw_only=True):
    """By hour of the day ("13"): straight lines between, the nearest outside. Sun is a fraction of full sun."""

    ambient_c: dict[str, Celsius] = msgspec.field(default_factory=lambda: {"12": 20.0})
    sun: dict[str, Fraction] = msgspec.field(default_factory=lambda: {"12": 0.0})
    block_above_ambient_k: Annotated[float, Meta(ge=0, le=30)] = 3.0


class DayFile(_DayPart, frozen=True, kw_only=True):
    start: datetime.time
    flight: Annotated[list[DayFlight], Meta(min_length=1)]
    box: Annotated[list[DayBox], Meta(min_length=1)]
    battery: Annotated[list[DayBattery], Meta(min_length=1)]
    name: str = "day"
    date: datetime.date | None = None
    moved_to: Annotated[
        datetime.datetime | None,
        Meta(description="the day starts then instead, as 2026-05-01T14:10:00; all its clock times move with it"),
    ] = None
    charger: list[DayCharger] = []
    source: list[DaySource] = []
    weather: DayWeather = msgspec.field(default_factory=DayWeather)
    turnaround_min: Minutes = 10.0
    longest_wait_min: Minutes = 90.0
    night_c: Celsius = 15.0
