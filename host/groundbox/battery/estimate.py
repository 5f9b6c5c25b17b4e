"""State of charge and runtime left, recursively from readings: the class that the rest of the program uses."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from groundbox.battery import cell
from groundbox.battery.cell import Array
from groundbox.battery.health import (
    MAX_INNOVATION_SQUARE,
    charge_at_rest,
    findings,
    gross_findings,
    sensor_findings,
    trust_in,
    unlike_label,
)
from groundbox.battery.limits import CHARGE_KEPT, RuntimeLimits, limit_reached
from groundbox.battery.particles import KnownLoad, Particles, draw_particles
from groundbox.battery.plausible import ALIKE, Plausibility
from groundbox.battery.prior import Prior, prior_with_fit, prior_without_fit
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.recent_load import Pending, RecentLoad
from groundbox.battery.runtime import cautious_band, hours_left, quantiles, stretches_to
from groundbox.battery.saved_state import PLAIN, packed, unpacked
from groundbox.battery.values import Estimate, Finding, Phase, Sample

GATE_CHARGE, GATE_HOURS = 0.004, 0.1  # one measurement for each so much charge drawn, or so much time
REST_RATE, NO_LOAD_RATE = 0.004, 0.002
REST_MARKS = ((0.25, 0.25), (1.0, 0.15), (4.0, 0.12))  # hours of rest, spread of the charge its voltage shows
SURFACE_VOLTS, SURFACE_SD = 2.16, 0.07
CHARGING_VOLTS, FULL_VOLTS, FULL_RATE = 2.25, 2.30, 0.03
READING_NOISE = 0.004
# Volts per cell, and the charge and hours over which the dip at the start ends (by recordings from C/50 to C/6).
DIPS = ((0.040, 0.012, 0.15), (0.012, 0.040, 0.6))
STEP_MISFIT = 0.06  # volts per cell of extra misfit for a change of load by C20/1h
CONTRADICTION_VOLTS = 0.01  # volts per cell added to the misfit at each reading that contradicts the prior
MIN_MEAN_HOURS = 20 / 3600  # bursts within so much are one mean
GAP_SECONDS = 900.0
SAME_CHARGE = 0.01  # a voltage that is the very same while so much is drawn (units of C20) is not used
# Of the step a switched load makes; a box is on under these volts a cell, or so far under those when it went off.
LOAD_OFF_PART, OFF_ABOVE_VOLTS, OFF_FALL_VOLTS = 0.4, 1.9, 0.02
SETTLED_HOURS = 0.1  # of load, before a step of the voltage may show another battery
STEP_SECONDS, STEP_RATE = 90.0, 0.04  # a load switched between two readings, and its minimum, units of C20 per hour
REST_VOLTS, JUMP_VOLTS = 2.13, 0.010  # per cell: no load yet; a load has come
FIRST_ESTIMATE_HOURS = 1 / 30
MIN_APPARENT_UNSTEADINESS = 0.15  # less is noise of the voltage, not a load that comes and goes
BAND = (0.05, 0.5, 0.95)
OFFSET_AMPS = 0.012  # spread of a current sensor's offset: within 20 mA, as boards have it (common practice, no source)
DOUBT, SEEN_CHARGE = 0.12, (0.10, 0.20)  # of a broken battery or wrong load, and where it fades, units of C20 (assumed)
STATED_FULL = 0.9
SEEN_UNMEASURED = (0.3, 0.6)  # where no current is known
DOUBT_SICK, LOOKS_EMPTY, EMPTY = 0.7, 0.3, 0.5  # where the voltage misses so much charge that nobody drew
# Spread of the actual current over the measured or declared one, and the probability that it is far off (assumed).
MEASURED_SD, MEASURED_WRONG, AGREED_WRONG = 0.01, 0.04, 0.02
DECLARED_SD, DECLARED_WRONG, DECLARED_LOWEST = 0.07, 0.15, 0.3


class Estimator:
    """Follows one battery. Repeated and late readings do nothing, gaps widen the estimate, memory is constant.

    Args:
        profile: the battery's profile.
        limits: cutoff and end voltage that end the runtime.
        start_soc: charge at the first reading, 0 to 1; None takes it from a rest, else leaves it open.
    """

    def __init__(self, profile: BatteryProfile, limits: RuntimeLimits, *, start_soc: float | None = None) -> None:
        self.profile, self.limits, self.start_soc = profile, limits, start_soc
        self.particles: Particles | None = None
        self.doubts = Plausibility()
        self.declared_amps: float | None = None
        self.load_doubted = True  # nothing confirms the load: it is measured alone, or declared alone
        self.off_volts = 0.0
        self.off = False  # the voltage shows that the declared load is switched off
        self._middle: Array | None = None
        self.t_s: float | None = None
        self.volts = 0.0
        self.amps: float | None = None
        self.battery_c: float | None = None
        self.charging = self.measured = self.known = self.surface_noted = False
        self.loaded_hours = self.loaded_charge = self.rest_hours = self.charging_hours = self.typical_s = 0.0
        self.counted_charge = 0.0  # drawn under load since the first reading, units of C20
        self.voltage_variance = 0.0  # mean square step from reading to reading, while the load seems steady
        self.load = RecentLoad()
        self._pending = Pending()

    def update(self, sample: Sample) -> None:
        """Take in one reading; one that is not newer than the last is skipped."""
        if self.t_s is not None and sample.t_s <= self.t_s:
            return
        if self.particles is None:
            self.particles = self._first_particles(sample)
        first = self.t_s is None
        seconds = 1.0 if self.t_s is None else sample.t_s - self.t_s
        hours = seconds / 3600
        self._follow_temperature(sample, hours)
        cell_volts = sample.volts / self.profile.cells
        jump = 0.0 if first else cell_volts - self.volts / self.profile.cells
        before = None if first or not self.measured else self.amps
        amps = self._amps(sample, cell_volts, jump)
        rate = self._rate(amps)
        self._track_voltage_variance(amps, jump)
        self.t_s, self.volts, self.amps = sample.t_s, sample.volts, amps
        if self.typical_s and seconds > max(GAP_SECONDS, 8 * self.typical_s):
            self._cross_gap(hours)
            return
        if not first:
            self.typical_s = seconds if not self.typical_s else 0.9 * self.typical_s + 0.1 * seconds
        charged = (self.load.lowest or 0.0) < -REST_RATE * self.profile.c20_ah
        if rate >= REST_RATE and (charged or self.rest_hours >= REST_MARKS[0][0]):
            self.load = RecentLoad()  # a rest or charge shows nothing about the load that begins now
        if abs(rate) < REST_RATE:
            self.load.pause(seconds)
        else:
            self.load.add(seconds, amps)
        if before is not None and self.measured and seconds <= STEP_SECONDS:
            self._note_step(before, amps, rate, cell_volts, jump)
        mean_amps = self.load.mean()
        if self.measured and rate >= REST_RATE and mean_amps and sample.declared_amps:
            self.doubts.take_loads(mean_amps, sample.declared_amps, hours)
        self.doubts.take_voltage(1.0 if first else jump, 0.0 if self.particles.log_rate is not None else rate, hours)
        self._take(hours, rate, cell_volts)
        self._charge_known()  # an estimate may first be asked for during a charge or gap

    def _amps(self, sample: Sample, cell_volts: float, jump: float) -> float:
        """The load: measured, declared, held over a reading without one, or inferred where none was ever known."""
        particles = self._state()
        self.declared_amps = sample.declared_amps
        measured = sample.amps
        if measured is not None and self._current_lost(measured, cell_volts, jump):
            measured = None
        self.measured = measured is not None
        amps = measured if measured is not None else self._declared(sample.declared_amps, cell_volts, jump)
        if amps is not None:
            if particles.log_rate is not None:
                self._measure()
                particles.log_rate = None
            return amps
        if particles.log_rate is None:
            return self.amps or 0.0
        return self._inferred_amps(cell_volts, jump, sample.switched_amps or 0.0)

    def _current_lost(self, amps: float, cell_volts: float, jump: float) -> bool:
        """True while no current is measured, though the voltage shows a load."""
        doubts = self.doubts
        if abs(amps) >= REST_RATE * self.profile.c20_ah:
            doubts.lost = False
        elif self.amps is not None:
            before = self._rate(self.amps)
            if before >= REST_RATE:
                rise = -self._response(before, 0.0)
                if not doubts.lost and self.measured:
                    doubts.take_step(before, 0.0, jump, rise)
                elif doubts.lost and jump > LOAD_OFF_PART * rise:
                    doubts.lost = False
                if doubts.lost and self.amps <= 0.0 and self._state().log_rate is None:
                    self._state().open_load()
        return doubts.lost

    def _declared(self, declared: float | None, cell_volts: float, jump: float) -> float | None:
        """The declared load, or 0 while the voltage shows that the box is off."""
        if declared is None or declared <= 0.0:
            return declared
        fall = self._response(self._rate(declared), 0.0)
        if self.t_s is None:
            self.off, self.off_volts = cell_volts > REST_VOLTS, cell_volts
        elif self.off and (jump < -JUMP_VOLTS or cell_volts < max(OFF_ABOVE_VOLTS, self.off_volts - OFF_FALL_VOLTS)):
            self.off = False
        elif jump > max(JUMP_VOLTS, -LOAD_OFF_PART * fall):
            self.off, self.off_volts = True, cell_volts
        return 0.0 if self.off else declared

    def _response(self, after: float, before: float) -> float:
        """Volts per cell by which the voltage rises from load `before` to `after`, by the posterior mean."""
        if self._middle is None:
            self._middle = self._state().middle()
        activation, resistance, thinning = (float(one) for one in self._middle[4:7])
        i0 = cell.ACTIVATION_RATE
        bent = math.asinh(after / i0) - math.asinh(before / i0)
        return -activation * bent - (resistance + 1.5 * thinning) * (after - before)

    def _first_particles(self, sample: Sample, prior: Prior | None = None, start_soc: float | None = -1.0) -> Particles:
        load = None
        if sample.amps is not None:
            agrees = 1 / ALIKE < (sample.declared_amps or 0.0) / max(sample.amps, 1e-9) < ALIKE
            wrong = AGREED_WRONG if agrees else MEASURED_WRONG
            self.load_doubted = not agrees
            load = KnownLoad(gain_sd=MEASURED_SD, wrong=wrong, offset_sd=OFFSET_AMPS / self.profile.c20_ah)
        elif sample.declared_amps is not None:
            load = KnownLoad(gain_sd=DECLARED_SD, wrong=DECLARED_WRONG, lowest_gain=DECLARED_LOWEST)
        start = self.start_soc if start_soc == -1.0 else start_soc
        return draw_particles(prior or prior_with_fit(self.profile), start, load=load)

    def _rate(self, amps: float) -> float:
        """Current in units of C20 per hour of a 25 °C battery that would empty as fast."""
        rate = amps / self.profile.c20_ah
        return rate / cell.load_factor(cell.REFERENCE_C if self.battery_c is None else self.battery_c, rate)

    def _follow_temperature(self, sample: Sample, hours: float) -> None:
        if sample.battery_c is not None:
            self.battery_c = sample.battery_c
        elif sample.case_c is not None:
            before = sample.case_c if self.battery_c is None else self.battery_c
            self.battery_c = cell.lagged_battery_c(before, sample.case_c, hours)

    def _take(self, hours: float, rate: float, cell_volts: float) -> None:
        particles, pending = self._state(), self._pending
        if abs(rate - pending.last_rate) > 0.2 * max(abs(rate), abs(pending.last_rate), REST_RATE):
            if pending.measured_hours >= MIN_MEAN_HOURS or not pending.last_rate >= REST_RATE <= rate:
                self._measure()
            particles.widen_misfit(STEP_MISFIT * min(abs(rate - pending.last_rate), 1.0))
        pending.last_rate = rate
        if self.doubts.same_charge >= SAME_CHARGE and not self.charging:
            self._hold(hours, rate, cell_volts)
            return
        pending.hours += hours
        pending.charge += rate * hours
        pending.measured_hours += hours
        pending.measured_charge += rate * hours
        pending.volt_hours += cell_volts * hours
        self._sort_out(hours, rate, cell_volts)
        if abs(pending.measured_charge) >= GATE_CHARGE or pending.measured_hours >= GATE_HOURS:
            self._measure()

    def _hold(self, hours: float, rate: float, cell_volts: float) -> None:
        """A voltage that does not change shows nothing: only the charge is counted until it does."""
        pending = self._pending
        pending.hours += hours
        pending.charge += rate * hours
        pending.measured_hours = pending.measured_charge = pending.volt_hours = 0.0
        self._sort_out(hours, rate, cell_volts)
        if pending.hours >= GATE_HOURS:
            self._advance()

    def _sort_out(self, hours: float, rate: float, cell_volts: float) -> None:
        """Distinguish charging, rest and load, and keep their clocks."""
        self.charging_hours = self.charging_hours + hours if rate < -REST_RATE else 0.0
        resting = abs(rate) < REST_RATE
        if (resting and self.measured) or rate < 0 or cell_volts > CHARGING_VOLTS:
            self.doubts.take_rest(hours, cell_volts, charging=not resting or cell_volts > CHARGING_VOLTS)
        else:
            self.doubts.rest_hours, self.doubts.since_charge_hours = 0.0, self.doubts.since_charge_hours + hours
        self.charging = rate < -REST_RATE or (self._state().log_rate is not None and cell_volts > CHARGING_VOLTS)
        if self.charging:
            self.loaded_hours = self.loaded_charge = self.rest_hours = 0.0
            self.counted_charge = max(self.counted_charge, 1.0)
            if cell_volts > FULL_VOLTS and -rate < FULL_RATE:
                self._advance()
                self._state().fill(hours)
            self.surface_noted = False
        elif cell_volts >= SURFACE_VOLTS and not self.surface_noted:
            self.surface_noted = True  # only a battery that is close to full has this voltage without a charger
            self._state().observe_rest(1.0, SURFACE_SD)
        elif rate < REST_RATE:
            self._rest(hours, cell_volts)
        else:
            self.rest_hours = 0.0
            self.loaded_hours += hours
            self.loaded_charge += rate * hours
            self.counted_charge += rate * hours
            if self._state().log_rate is None:
                self.doubts.take_plateau(cell_volts, hours, self.counted_charge)
            if self.doubts.swapped and self.counted_charge > SEEN_CHARGE[0]:
                self.doubts.swapped = False  # by now the discharge itself shows the battery

    def _rest(self, hours: float, cell_volts: float) -> None:
        before, self.rest_hours = self.rest_hours, self.rest_hours + hours
        for mark, sd in REST_MARKS:
            if before < mark <= self.rest_hours:
                self.loaded_hours = self.loaded_charge = 0.0
                self._advance()
                self._state().observe_rest(charge_at_rest(cell_volts), sd)

    def _advance(self) -> None:
        """Bring the particles up to the last reading's time."""
        pending = self._pending
        if pending.hours <= 0:
            return
        mean = pending.charge / pending.hours
        self._state().advance(mean * CHARGE_KEPT if mean < -REST_RATE else self._rates(mean), pending.hours)
        pending.hours = pending.charge = 0.0

    def _measure(self) -> None:
        """Update the filter with the mean voltage since the last measurement, if the battery was under load."""
        self._advance()
        pending = self._pending
        if pending.measured_hours > 0:
            rate = pending.measured_charge / pending.measured_hours
            if rate >= REST_RATE and not self.charging:
                dip = sum(
                    v * math.exp(-self.loaded_charge / charge - self.loaded_hours / hours) for v, charge, hours in DIPS
                )
                noise = math.hypot(READING_NOISE, dip, math.sqrt(self.voltage_variance))
                if self._state().innovation_square > MAX_INNOVATION_SQUARE:
                    self._state().widen_misfit(CONTRADICTION_VOLTS)
                self._state().observe(pending.volt_hours / pending.measured_hours, self._rates(rate), noise)
                self._middle = None
        pending.measured_hours = pending.measured_charge = pending.volt_hours = 0.0

    def _cross_gap(self, hours: float) -> None:
        """What was drawn is unknown: anything from nothing to somewhat more than before."""
        self.typical_s *= 2  # gap after gap: the readings have become rare
        self._measure()
        self._state().cross_gap(self._rates(max(self._pending.last_rate, 0.0)), hours)
        self.loaded_hours = self.loaded_charge = self.rest_hours = 0.0

    def _rates(self, rate: float) -> Array | float:
        """The load as each particle has it; at rest it is `rate`."""
        return rate if rate < NO_LOAD_RATE else self._state().rates(rate, measured=self.measured)

    def _at_least(self, rate: float) -> Array | float:
        """A stated load as each particle has it: what reads or is declared too low would be so again."""
        log_gain = self._state().log_gain
        return rate if log_gain is None else rate * np.exp(np.maximum(log_gain, 0.0))

    def _track_voltage_variance(self, amps: float, jump: float) -> None:
        """Keep the mean square step of a voltage that moves while the known load does not."""
        before = amps if self.amps is None else self.amps
        load_moved = abs(amps - before) > 0.1 * max(abs(amps), abs(before))
        if not load_moved and self.loaded_hours > 0:
            self.voltage_variance += 0.1 * (min(jump * jump, 0.01) - self.voltage_variance)

    def _note_step(self, before: float, amps: float, rate: float, cell_volts: float, jump: float) -> None:
        """Only beside another load: the first one after a rest also removes the charge on the plates' surface."""
        before_rate = self._rate(before)
        if min(before_rate, rate) < REST_RATE:
            return
        expected = 0.0
        if abs(amps - before) >= STEP_RATE * self.profile.c20_ah:
            self.load.note_step(amps - before, jump * self.profile.cells)
            expected = self._response(rate, before_rate)
            self.doubts.take_step(before_rate, rate, jump, expected)
        settled = self.loaded_hours > SETTLED_HOURS or self.doubts.confirmed > 0
        if settled and self.doubts.take_level(cell_volts, jump, expected):
            self._swapped()

    def _swapped(self) -> None:
        """Another battery seems to be in the box: what was known of it counts no longer."""
        fresh = Sample(t_s=0.0, volts=self.volts, amps=self.amps)
        self.particles = self._first_particles(fresh, prior_without_fit(self.profile), None)
        self._middle, self.counted_charge = None, 0.0
        self.loaded_hours = self.loaded_charge = 0.0

    def _inferred_amps(self, cell_volts: float, jump: float, switched: float) -> float:
        """The particles' mean load beside what is known to be on; 0 while the voltage shows a rest."""
        resting = cell_volts > REST_VOLTS and (self.t_s is None or self.amps == 0.0)
        if resting and jump > -JUMP_VOLTS and switched == 0.0:
            return 0.0
        return self._state().inferred_rate() * self.profile.c20_ah + switched

    def _state(self) -> Particles:
        assert self.particles is not None
        return self.particles

    def state(self) -> dict[str, object]:
        """All that is needed to continue after a restart, as JSON-able values (about 100 kB)."""
        kept: dict[str, object] = {name: getattr(self, name) for name in PLAIN}
        return kept | packed(self._pending, self.load, self.doubts, self.particles)

    @classmethod
    def resume(cls, profile: BatteryProfile, limits: RuntimeLimits, state: dict[str, Any]) -> "Estimator":
        """The estimator that `state` was taken from; the profile and limits may have changed since."""
        pending, load, doubts, particles = unpacked(state)
        estimator = cls(profile, limits, start_soc=state["start_soc"])
        for name in PLAIN:
            setattr(estimator, name, state[name])
        estimator._pending, estimator.load, estimator.doubts, estimator.particles = pending, load, doubts, particles
        return estimator

    def estimate(
        self, load_ahead: Sequence[Phase] | None = None, *, more_amps: float = 0.0, peak_above: float = 0.0
    ) -> Estimate:
        """Charge and runtime if the load to come is `load_ahead` (the last phase without end), else the recent load.

        To the recent load `more_amps` are added, and peaks of `peak_above` amps above its mean.
        """
        because = self._unknown_because(load_ahead)
        if self.particles is None or not self._charge_known():
            return Estimate(t_s=self.t_s, charging=self.charging, unknown_because=because)
        self._advance()
        mean_amps = self.load.mean()
        soc_low, soc, soc_high = quantiles(self.particles.charge(), self.particles.weight, BAND)
        found = gross_findings(
            self.volts / self.profile.cells,
            self.profile,
            charging_hours=self.charging_hours if self.measured else 0.0,
            rest_hours=self.rest_hours if self.measured else 0.0,
            soc_low=soc_low,
        )
        found = found or self._found(mean_amps or 0.0)
        known = Estimate(
            findings=found,
            trust=trust_in(self.profile, found),
            t_s=self.t_s,
            soc=soc,
            soc_low=soc_low,
            soc_high=soc_high,
            amps=mean_amps,
        )
        full = self.start_soc is not None and self.start_soc >= STATED_FULL
        if any(one.kind == "other chemistry" or (full and one.kind == "empty or sick") for one in found):
            return replace(known, unknown_because=found[0].sentence)
        limit = limit_reached(self.limits, self.profile, self.volts, self.amps or 0.0, mean_amps or 0.0)
        if limit and not self.charging:
            return replace(known, runtime_low_s=0.0, runtime_expected_s=0.0, runtime_high_s=0.0, limit=limit)
        if because is not None:
            return replace(known, charging=self.charging, unknown_because=because)
        phases = load_ahead or self._to_come(more_amps, peak_above)
        rates = [self._rate(phase.amps) for phase in phases]
        by_habit = phases[-1].spread
        own = load_ahead is None or by_habit is not None
        ahead = [self._rates(rate) if own else self._at_least(rate) for rate in rates]
        limit, stretches = stretches_to(self.limits, self.profile, phases, ahead)
        unsteadiness = self._unsteadiness() if by_habit is None else by_habit
        hours, weights = hours_left(self.particles, stretches, unsteadiness, self._doubts())
        low, expected, high = (3600 * left for left in cautious_band(hours, weights, BAND))
        return replace(known, runtime_low_s=low, runtime_expected_s=expected, runtime_high_s=high, limit=limit)

    def _to_come(self, more_amps: float, peak_above: float) -> list[Phase]:
        """The recent load; before any, the declared one."""
        if self.declared_amps and self._rate(self.load.mean() or 0.0) < NO_LOAD_RATE:
            amps = max(self.declared_amps + more_amps, 0.0)
            return [Phase(seconds=math.inf, amps=amps, peak_amps=amps + peak_above)]
        return self.load.to_come(more_amps, peak_above)

    def without(self, amps: float) -> Estimate:
        """The estimate if a load of so many amps is switched off now."""
        return self.estimate(more_amps=-amps)

    def _unknown_because(self, load_ahead: Sequence[Phase] | None) -> str | None:
        if self.particles is None:
            return "no reading yet"
        if self.charging:
            return "charging"
        unmeasured = self._state().log_rate is not None or self.doubts.lost
        if self.doubts.frozen and unmeasured:
            return "the voltage does not change: check its sensor"
        if load_ahead is None and max(self._rate(self.load.mean() or 0.0), self.declared_amps or 0.0) < NO_LOAD_RATE:
            return "no load now, and none declared to come"
        if not self._charge_known():
            return "charge at the start not known yet: wait two minutes under load"
        return None

    def _charge_known(self) -> bool:
        """Stated, or observed under load or at rest for long enough; from then on it stays known."""
        observed = self.loaded_hours >= FIRST_ESTIMATE_HOURS or self.rest_hours >= REST_MARKS[0][0]
        self.known = self.known or observed or self.start_soc is not None
        return self.known

    def _doubts(self) -> tuple[float, float]:
        """Probabilities kept for a wrong load and for a broken battery until enough charge was drawn to see them."""
        first, last = SEEN_CHARGE if self._state().log_rate is None else SEEN_UNMEASURED
        early = min(max((last - self.counted_charge) / (last - first), 0.0), 1.0)
        return early * (DOUBT if self.load_doubted else 0.0), early * (DOUBT_SICK if self._looks_empty() else 0.0)

    def _found(self, mean_amps: float) -> tuple[Finding, ...]:
        """The first finding: of the sensors, of a fitted battery, of the label and the load."""
        cell_volts, particles = self.volts / self.profile.cells, self._state()
        return (
            (() if self.charging else sensor_findings(self.doubts, self.profile, cell_volts, mean_amps))
            or findings(particles, self.profile, self._rate(mean_amps), self.load.step_ohm())
            or (() if self.charging else unlike_label(particles, self.profile, cell_volts, self._looks_empty(EMPTY)))
        )

    def _looks_empty(self, part: float = LOOKS_EMPTY) -> bool:
        """The voltage is that of an empty or sick battery, though little was drawn."""
        particles = self._state()
        missing = particles.drawn - self.counted_charge > part
        return self.counted_charge < SEEN_UNMEASURED[1] and float(particles.weight @ missing) > 0.8

    def _unsteadiness(self) -> float:
        """Standard deviation of the load over its mean: as measured, or as the variance of the voltage shows."""
        declared = self.load.unsteadiness()
        rate = self._rate(self.load.mean() or 0.0)
        if self.measured or rate < REST_RATE:
            return declared
        apparent = math.sqrt(self.voltage_variance) / max(self._state().load_response(rate), 0.005)
        return max(declared, min(apparent, 1.0)) if apparent > MIN_APPARENT_UNSTEADINESS else declared
