"""The guided capacity test: full charge, rest, discharge to the end voltage, verdict. Readings in, next step out.

Judged by time as IEEE 450 and 1188 do: percent = 100 ta / (ts KT), with the actual and the rated time to the end
voltage and a factor for the battery's temperature (read in a secondary copy).
"""

from dataclasses import dataclass
from datetime import date

import numpy as np

from groundbox.battery import cell
from groundbox.battery.cell import Array
from groundbox.battery.fit import fitted_profile
from groundbox.battery.limits import END_VOLTS_PER_CELL
from groundbox.battery.logs import DischargeRun
from groundbox.battery.prior import (
    CAPACITY,
    COEFFICIENTS,
    LAG,
    hours_by_sheet,
    hours_from_full,
    prior_with_fit,
    sheet_prior,
    sound_prior,
)
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.runtime import from_full
from groundbox.battery.values import Sample

_TIME_CELSIUS = (4.4, 7.2, 10.0, 12.8, 15.6, 18.3, 20.0, 22.2, 25.0, 27.2, 30.0, 46.1, 48.9)
_TIME_FACTOR = (0.67, 0.735, 0.79, 0.84, 0.882, 0.92, 0.942, 0.970, 1.0, 1.017, 1.045, 1.187, 1.21)
REST_RATE, REST_HOURS = 0.004, 1.0
BOARD_AMPS = 0.08  # what the measuring board itself takes is no load, however small the battery
MIN_REST_VOLTS = 2.11  # per cell after an hour's rest: 12.66 V, about 80 % by the AGM chart, from memory
FULL_CHARGE_VOLTS, FULL_CHARGE_RATE = 2.30, 0.02
MIN_RATE, MAX_RATE = 0.03, 0.35
TEST_STEP, MIN_TEST_ROWS = 0.02, 10  # charge between two rows of a test to come, units of C20
LOW_HOURS = 10 / 3600  # a servo's start or a bad contact is shorter
DEAD_VOLTS = 1.0  # per cell: less is a lost contact, not a battery under load
GAP_HOURS, GAP_STEPS = 0.25, 4  # unrecorded time that makes a test invalid, and in usual steps between readings


def time_factor(battery_c: float) -> float:
    """KT of IEEE 450 and 1188 at the battery's temperature when the discharge began, 1 at 25 °C."""
    return float(np.interp(battery_c, _TIME_CELSIUS, _TIME_FACTOR))


def percent_of_rated(actual_hours: float, rated_hours: float, battery_c: float) -> float:
    """Capacity in percent of rated, by time."""
    return 100 * actual_hours / (rated_hours * time_factor(battery_c))


@dataclass(frozen=True, slots=True, kw_only=True)
class TestStep:
    """The step reached: `name` is charge, rest, discharge, stop or invalid; `do` is what the person does now.

    percent: of rated capacity, once judged. hours, mean_amps: of the discharge.
    """

    name: str
    do: str
    percent: float | None = None
    hours: float | None = None
    mean_amps: float | None = None


class CapacityTest:
    """Follows one test. `update` takes readings in order of time and gives the step reached."""

    def __init__(self, profile: BatteryProfile) -> None:
        self.profile = profile
        self.was_full = False
        self.rest_hours = self.load_hours = self.amp_hours = 0.0
        self.begun_c: float | None = None
        self.before_s: float | None = None
        self.step_hours = 0.0  # from reading to reading, before this one
        self._low: tuple[float, float] | None = None  # hours and ampere-hours when the end voltage was first reached
        self.step = TestStep(
            name="charge",
            do="charge until the current has tapered off at charging voltage, in the open, away from flames",
        )

    def update(self, sample: Sample) -> TestStep:
        """The step after this reading."""
        amps = sample.amps if sample.amps is not None else sample.declared_amps
        hours = 0.0 if self.before_s is None else (sample.t_s - self.before_s) / 3600
        if amps is None or hours < 0 or self.step.name in ("stop", "invalid"):
            return self.step
        self.before_s = sample.t_s
        usual, self.step_hours = self.step_hours, hours
        if self.load_hours > 0 and self._low is None and hours > max(GAP_HOURS, GAP_STEPS * usual):
            words = f"nothing was recorded for {60 * hours:.0f} min of the discharge: begin again"
            self.step = TestStep(name="invalid", do=words)
            return self.step
        rate, volts = amps / self.profile.c20_ah, sample.volts / self.profile.cells
        if rate < -REST_RATE:
            self._charging(rate, volts)
        elif rate < REST_RATE or amps < BOARD_AMPS:
            self._resting(hours, volts)
        else:
            self._discharging(hours, amps, volts, sample)
        return self.step

    def finish(self) -> TestStep:
        """The step after the last reading of a finished log, which may end at the end voltage."""
        if self.step.name == "discharge" and self._low is not None:
            self.step = self._verdict(*self._low)
        return self.step

    def _charging(self, rate: float, volts: float) -> None:
        self.rest_hours = 0.0
        if self.load_hours > 0:
            self.step = TestStep(name="invalid", do="charged during the discharge: begin again")
        elif volts > FULL_CHARGE_VOLTS and -rate < FULL_CHARGE_RATE:
            self.was_full = True
            self.step = TestStep(
                name="rest", do=f"full: disconnect the charger and let the battery rest {REST_HOURS:g} h or more"
            )

    def _resting(self, hours: float, volts: float) -> None:
        self.rest_hours += hours
        if self.load_hours > 0:
            if self._low is not None:
                self.step = self._verdict(*self._low)
            elif self.rest_hours > 0.1:
                self.step = TestStep(name="invalid", do="the load was off for more than six minutes: begin again")
        elif self.rest_hours >= REST_HOURS:
            if self.was_full or volts >= MIN_REST_VOLTS:
                self.step = TestStep(
                    name="discharge",
                    do=f"rested: switch on a steady load of {MIN_RATE * self.profile.c20_ah:.1f} to "
                    f"{MAX_RATE * self.profile.c20_ah:.1f} A and leave it on",
                )
            else:
                self.step = TestStep(
                    name="charge", do="the rest voltage is too low for a full battery: charge it first"
                )

    def _discharging(self, hours: float, amps: float, volts: float, sample: Sample) -> None:
        if self.step.name != "discharge":
            self.step = TestStep(
                name="invalid", do="the load came before a full charge and an hour's rest: begin again"
            )
            return
        self.rest_hours = 0.0
        if self.load_hours == 0:
            self.begun_c = sample.battery_c if sample.battery_c is not None else sample.case_c
        self.load_hours += hours
        self.amp_hours += amps * hours
        if not DEAD_VOLTS <= volts <= END_VOLTS_PER_CELL:
            self._low = None
        elif self._low is None:
            self._low = self.load_hours, self.amp_hours
        elif self.load_hours - self._low[0] >= LOW_HOURS:
            self.step = self._verdict(*self._low)
            return
        self.step = TestStep(
            name="discharge", do=f"discharging, {self.amp_hours:.1f} Ah so far; stay beside it", hours=self.load_hours
        )

    def _verdict(self, load_hours: float, amp_hours: float) -> TestStep:
        mean = amp_hours / max(load_hours, 1e-9)
        rated = rated_hours(self.profile, mean)
        battery_c = cell.REFERENCE_C if self.begun_c is None else self.begun_c
        percent = percent_of_rated(load_hours, rated, battery_c)
        do = f"end voltage reached: switch the load off now and charge within a day. {percent:.0f} % of rated capacity"
        if not self.profile.discharge:
            do += ", against batteries in general: the profile has no data sheet rows for this load"
        return TestStep(name="stop", do=do, percent=percent, hours=load_hours, mean_amps=mean)


def narrowing(profile: BatteryProfile, amps: float) -> float:
    """Fraction by which one test at `amps` narrows the band of the runtime from full at that load; 0 and up.

    Computed: the fit with the log that the battery of the profile would give.
    """
    prior, rate = prior_with_fit(profile), amps / profile.c20_ah
    numbers, wells, rows = prior.mean, np.zeros(4), list[tuple[float, float, Array]]()
    total = cell.total_charge(np.array(numbers[CAPACITY]), np.array(numbers[LAG]))
    step_hours = TEST_STEP / rate
    for number in range(int(2 / TEST_STEP)):
        drawn = number * TEST_STEP
        depleted = cell.depleted_fraction(np.array(drawn), wells, total, np.array(numbers[LAG]))
        volts = float(cell.terms(depleted, rate) @ numbers[COEFFICIENTS])
        if volts < END_VOLTS_PER_CELL:
            break
        rows.append((drawn, volts, wells))
        wells = cell.advance_wells(wells, rate, step_hours)
    kept = rows[3:]  # without the dip at the start
    if len(kept) < MIN_TEST_ROWS:
        return 0.0
    run = DischargeRun(
        drawn=np.array([row[0] for row in kept]),
        rate=np.full(len(kept), rate),
        cell_volts=np.array([row[1] for row in kept]),
        wells=np.array([row[2] for row in kept]),
        depth=kept[-1][0],
        temp_c=cell.REFERENCE_C,
        source="a test to come",
    )
    on = profile.fitted.date if profile.fitted else date.min
    tested = fitted_profile(profile, [run], on)
    before, after = (_band(one, amps) for one in (profile, tested))
    return max(1 - after / before, 0.0)


def _band(profile: BatteryProfile, amps: float) -> float:
    row = from_full(profile, amps)
    return (row.high_h - row.low_h) / row.expected_h


def rated_hours(profile: BatteryProfile, amps: float) -> float:
    """Rated hours at this load to 1.75 V per cell at 25 °C: by the sheet's rows, else as batteries in general."""
    if profile.discharge:
        prior = sheet_prior(sound_prior(), profile.discharge, profile.c20_ah)
        return hours_by_sheet(
            prior, profile.discharge, profile.c20_ah, amps, END_VOLTS_PER_CELL, temp_c=cell.REFERENCE_C
        )
    prior = sound_prior()
    c20 = hours_from_full(prior, 0.05, END_VOLTS_PER_CELL)[0] / 20
    return float(hours_from_full(prior, amps / profile.c20_ah, END_VOLTS_PER_CELL)[0] / c20)
