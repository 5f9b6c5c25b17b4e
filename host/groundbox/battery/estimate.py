"""State of charge and runtime left, recursively from readings: the one class the rest of the program talks to."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from groundbox.battery import temperature
from groundbox.battery.bank import Bank, new_bank
from groundbox.battery.curve import Array
from groundbox.battery.findings import SURPRISE, findings, gross, told_by_rest
from groundbox.battery.forward import hours_left, quantiles, stretches_to
from groundbox.battery.limits import end_volts
from groundbox.battery.load import Pending, RecentLoad
from groundbox.battery.prior import CAPACITY, belief_of
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.state import PLAIN, packed, unpacked
from groundbox.battery.values import END_VOLTS_PER_CELL, Estimate, Finding, Limits, Phase, Sample

__all__ = ["END_VOLTS_PER_CELL", "Estimate", "Estimator", "Finding", "Limits", "Phase", "Sample"]

GATE_CHARGE, GATE_HOURS = 0.004, 0.25  # one measurement for each so much charge drawn, or so much time
REST_RATE, NO_LOAD_RATE = 0.004, 0.002
REST_MARKS = ((0.25, 0.25), (1.0, 0.15), (4.0, 0.12))  # hours of rest, spread of the charge its voltage tells
SURFACE_VOLTS, SURFACE_SD = 2.16, 0.07
CHARGE_KEPT = 0.95  # measured charge factor 1.04-1.10 on a 17 Ah block
CHARGING_VOLTS, FULL_VOLTS, FULL_RATE = 2.25, 2.30, 0.03
READING_NOISE = 0.004
DIPS = ((0.040, 0.012), (0.012, 0.040))  # volts per cell, and the charge over which the dip at the start goes
STEP_TRUST = 0.06  # volts per cell of extra misfit for a change of load by C20/1h
SURPRISED_DOUBT = 0.01  # volts per cell added to the misfit at each reading that contradicts the prior
GAP_SECONDS = 900.0
STEP_SECONDS, STEP_RATE = 90.0, 0.04  # a load switched between two readings, and the least of it, units of C20 per hour
OWN_LEAST = 0.2  # of a member's own load is left when loads are switched off that are known, or of a measured one
REST_VOLTS, JUMP_VOLTS = 2.13, 0.010  # per cell: no load yet; a load has come
FIRST_ANSWER_HOURS = 1 / 30
BETRAYAL = 0.15  # less than this is noise of the voltage, not a load that comes and goes
BAND = (0.05, 0.5, 0.95)
OFFSET_AMPS = 0.012  # spread of a current sensor's offset: within 20 mA, as boards have it (common practice, no source)
PEAK = 1.25  # times the mean load: more is a peak, which draws the voltage down for a moment (assumed)
DECLARED_SD = 0.05  # a declared load is right to about so much (assumed)


class Estimator:
    """Follows one battery. Bad order and repeats do nothing, gaps widen the answer, memory is constant.

    Args:
        profile: the battery's profile.
        limits: cutoff and end voltage that end the runtime.
        start_soc: charge at the first reading, 0 to 1; None takes it from a rest, else leaves it open.
    """

    def __init__(self, profile: BatteryProfile, limits: Limits, *, start_soc: float | None = None) -> None:
        self.profile, self.limits, self.start_soc = profile, limits, start_soc
        self.bank: Bank | None = None
        self.t_s: float | None = None
        self.volts = 0.0
        self.amps: float | None = None
        self.battery_c: float | None = None
        self.charging = self.measured = self.known = self.surface_seen = False
        self.loaded_hours = self.loaded_charge = self.rest_hours = self.charging_hours = self.typical_s = 0.0
        self.restless = 0.0  # mean square step of voltage from reading to reading, while the load seems steady
        self.load = RecentLoad()
        self._pending = Pending()

    def update(self, sample: Sample) -> None:
        """Take in one reading; one that is not newer than the last is passed over."""
        if self.t_s is not None and sample.t_s <= self.t_s:
            return
        if self.bank is None:
            self.bank = self._begin(sample)
        first = self.t_s is None
        seconds = 1.0 if self.t_s is None else sample.t_s - self.t_s
        self._follow_temperature(sample, seconds / 3600)
        jump = 0.0 if first else (sample.volts - self.volts) / self.profile.cells
        before = self.amps if self.measured else None
        amps = self._amps(sample, jump)
        self._note_restlessness(amps, jump)
        self.t_s, self.volts, self.amps = sample.t_s, sample.volts, amps
        if self.typical_s and seconds > max(GAP_SECONDS, 8 * self.typical_s):
            self._cross_gap(seconds / 3600)
            return
        if not first:
            self.typical_s = seconds if not self.typical_s else 0.9 * self.typical_s + 0.1 * seconds
        charged = (self.load.light or 0.0) < -REST_RATE * self.profile.c20_ah
        if self._rate(amps) >= REST_RATE and (charged or self.rest_hours >= REST_MARKS[0][0]):
            self.load = RecentLoad()  # a rest or charge says nothing about the load that begins now
        if abs(self._rate(amps)) < REST_RATE:
            self.load.pause(seconds)
        else:
            self.load.add(seconds, amps)
        if sample.amps is not None and before is not None and seconds <= STEP_SECONDS:
            self._note_step(before, amps, jump)
        self._take(seconds / 3600, self._rate(amps), sample.volts / self.profile.cells)
        self._charge_known()  # nobody may ask before a charge or gap begins

    def _amps(self, sample: Sample, jump: float) -> float:
        """The load: measured, declared, carried over a reading without one, or inferred where none was ever known."""
        bank = self._bank()
        self.measured = sample.amps is not None
        amps = sample.amps if sample.amps is not None else sample.declared_amps
        if amps is not None:
            if bank.log_rate is not None:
                self._measure()
                bank.log_rate = None
            return amps
        if bank.log_rate is None:
            return self.amps or 0.0
        return self._inferred_amps(sample.volts / self.profile.cells, jump, sample.switched_amps or 0.0)

    def _begin(self, sample: Sample) -> Bank:
        prior = belief_of(self.profile)
        if sample.amps is None:
            prior = prior.spread(CAPACITY, DECLARED_SD * float(prior.mean[CAPACITY]))
        return new_bank(
            prior,
            self.start_soc,
            rate_known=sample.amps is not None or sample.declared_amps is not None,
            offset_sd=0.0 if sample.amps is None else OFFSET_AMPS / self.profile.c20_ah,
        )

    def _rate(self, amps: float) -> float:
        """Current in units of C20 per hour of a 25 C battery that would empty as fast."""
        battery_c = temperature.REFERENCE_C if self.battery_c is None else self.battery_c
        rate = amps / self.profile.c20_ah
        return rate / temperature.load_factor(battery_c, rate)

    def _follow_temperature(self, sample: Sample, hours: float) -> None:
        if sample.battery_c is not None:
            self.battery_c = sample.battery_c
        elif sample.case_c is not None:
            before = sample.case_c if self.battery_c is None else self.battery_c
            self.battery_c = temperature.followed(before, sample.case_c, hours)

    def _take(self, hours: float, rate: float, cell_volts: float) -> None:
        bank, pending = self._bank(), self._pending
        if abs(rate - pending.last_rate) > 0.2 * max(abs(rate), abs(pending.last_rate), REST_RATE):
            self._measure()
            bank.doubt(STEP_TRUST * min(abs(rate - pending.last_rate), 1.0))
        pending.last_rate = rate
        pending.hours += hours
        pending.charge += rate * hours
        pending.measured_hours += hours
        pending.measured_charge += rate * hours
        pending.volt_hours += cell_volts * hours
        self._sort_out(hours, rate, cell_volts)
        if abs(pending.measured_charge) >= GATE_CHARGE or pending.measured_hours >= GATE_HOURS:
            self._measure()

    def _sort_out(self, hours: float, rate: float, cell_volts: float) -> None:
        """Tell charging, rest and load apart and keep their clocks."""
        self.charging_hours = self.charging_hours + hours if rate < -REST_RATE else 0.0
        self.charging = rate < -REST_RATE or (self._bank().log_rate is not None and cell_volts > CHARGING_VOLTS)
        if self.charging:
            self.loaded_hours = self.loaded_charge = self.rest_hours = 0.0
            if cell_volts > FULL_VOLTS and -rate < FULL_RATE:
                self._advance()
                self._bank().fill(hours)
            self.surface_seen = False
        elif cell_volts >= SURFACE_VOLTS and not self.surface_seen:
            self.surface_seen = True  # only a battery that is close to full stands so high without a charger
            self._bank().weigh_rest(1.0, SURFACE_SD)
        elif rate < REST_RATE:
            self._rest(hours, cell_volts)
        else:
            self.rest_hours = 0.0
            self.loaded_hours += hours
            self.loaded_charge += rate * hours

    def _rest(self, hours: float, cell_volts: float) -> None:
        before, self.rest_hours = self.rest_hours, self.rest_hours + hours
        for mark, sd in REST_MARKS:
            if before < mark <= self.rest_hours:
                self.loaded_hours = self.loaded_charge = 0.0
                self._advance()
                self._bank().weigh_rest(told_by_rest(cell_volts), sd)

    def _advance(self) -> None:
        """Bring the bank up to the last reading's time."""
        pending = self._pending
        if pending.hours <= 0:
            return
        mean = pending.charge / pending.hours
        self._bank().advance(mean * CHARGE_KEPT if mean < -REST_RATE else self._rates(mean), pending.hours)
        pending.hours = pending.charge = 0.0

    def _measure(self) -> None:
        """Feed the mean voltage since the last measurement to the filter, if the battery was under load."""
        self._advance()
        pending = self._pending
        if pending.measured_hours > 0:
            rate = pending.measured_charge / pending.measured_hours
            if rate >= REST_RATE and not self.charging:
                dip = sum(volts * math.exp(-self.loaded_charge / charge) for volts, charge in DIPS)
                volts = pending.volt_hours / pending.measured_hours
                if self._bank().surprise > SURPRISE:
                    self._bank().doubt(SURPRISED_DOUBT)
                self._bank().observe(volts, self._rates(rate), math.hypot(READING_NOISE, dip, math.sqrt(self.restless)))
        pending.measured_hours = pending.measured_charge = pending.volt_hours = 0.0

    def _cross_gap(self, hours: float) -> None:
        """Nobody saw what was drawn: anything from nothing to somewhat more than before."""
        self.typical_s *= 2  # gap after gap: the readings have become rare
        self._measure()
        self._bank().cross_gap(self._rates(max(self._pending.last_rate, 0.0)), hours)
        self.loaded_hours = self.loaded_charge = self.rest_hours = 0.0

    def _rates(self, rate: float) -> Array | float:
        """The load as each member has it.

        Measured, it is `rate` and what the sensor leaves out; where only a switched part is known, each has its own,
        and `rate` is their mean; else it is `rate`, and so it is at rest.
        """
        bank = self._bank()
        if rate < NO_LOAD_RATE:
            return rate
        if self.measured and bank.offset is not None:
            return np.asarray(np.maximum(rate + bank.offset, OWN_LEAST * rate))
        if bank.log_rate is None:
            return rate
        own = np.exp(bank.log_rate)
        return np.maximum(own + (rate - bank.base_rate()), OWN_LEAST * own)

    def _note_restlessness(self, amps: float, jump: float) -> None:
        """Keep the mean square step of a voltage that moves while the load, as told, does not."""
        before = amps if self.amps is None else self.amps
        told = abs(amps - before) > 0.1 * max(abs(amps), abs(before))
        if not told and self.loaded_hours > 0:
            self.restless += 0.1 * (min(jump * jump, 0.01) - self.restless)

    def _note_step(self, before: float, amps: float, jump: float) -> None:
        """Only beside another load: the first one after a rest also takes away the charge on the plates' surface."""
        if (
            min(self._rate(before), self._rate(amps)) >= REST_RATE
            and abs(amps - before) >= STEP_RATE * self.profile.c20_ah
        ):
            self.load.note_step(amps - before, jump * self.profile.cells)

    def _inferred_amps(self, cell_volts: float, jump: float, switched: float) -> float:
        """What the members think the load is beside what is known to be on; 0 while the voltage shows a rest."""
        resting = cell_volts > REST_VOLTS and (self.t_s is None or self.amps == 0.0)
        if resting and jump > -JUMP_VOLTS and switched == 0.0:
            return 0.0
        return self._bank().base_rate() * self.profile.c20_ah + switched

    def _bank(self) -> Bank:
        assert self.bank is not None
        return self.bank

    def state(self) -> dict[str, object]:
        """All that is needed to go on after a restart, as JSON-able values (about 100 kB)."""
        kept: dict[str, object] = {name: getattr(self, name) for name in PLAIN}
        return kept | packed(self._pending, self.load, self.bank)

    @classmethod
    def resume(cls, profile: BatteryProfile, limits: Limits, state: dict[str, Any]) -> "Estimator":
        """The estimator that `state` was taken from; the profile and limits may have changed since."""
        pending, load, bank = unpacked(state)
        estimator = cls(profile, limits, start_soc=state["start_soc"])
        for name in PLAIN:
            setattr(estimator, name, state[name])
        estimator._pending, estimator.load, estimator.bank = pending, load, bank
        return estimator

    def estimate(
        self, load_ahead: Sequence[Phase] | None = None, *, more_amps: float = 0.0, peak_above: float = 0.0
    ) -> Estimate:
        """What is left if the load to come is `load_ahead` (last phase for ever), else as of late.

        As of late, `more_amps` come to it, and peaks of `peak_above` amps above its mean.
        """
        because = self._unknown_because(load_ahead)
        if self.bank is None or not self._charge_known():
            return Estimate(t_s=self.t_s, charging=self.charging, unknown_because=because)
        self._advance()
        soc_low, soc, soc_high = quantiles(self.bank.charge(), self.bank.weight, BAND)
        found = gross(
            self.volts / self.profile.cells,
            self.profile,
            charging_hours=self.charging_hours if self.measured else 0.0,
            rest_hours=self.rest_hours if self.measured else 0.0,
            soc_low=soc_low,
        ) or findings(self.bank, self.profile, self._rate(self.load.mean() or 0.0), self.load.step_ohm())
        known = Estimate(
            findings=found,
            trust=self._trust(found),
            t_s=self.t_s,
            soc=soc,
            soc_low=soc_low,
            soc_high=soc_high,
            amps=self.load.mean(),
        )
        if limit := self._limit_reached():
            return replace(known, runtime_low_s=0.0, runtime_expected_s=0.0, runtime_high_s=0.0, limit=limit)
        if because is not None:
            return replace(known, charging=self.charging, unknown_because=because)
        phases = load_ahead or self.load.to_come(more_amps, peak_above)
        rates = [self._rate(phase.amps) for phase in phases]
        ahead = [self._rates(rate) if load_ahead is None else rate for rate in rates]
        limit, stretches = stretches_to(self.limits, self.profile, phases, ahead)
        hours, weights = hours_left(self.bank, stretches, self._unsteadiness())
        low, expected, high = (3600 * left for left in quantiles(hours, weights, BAND))
        return replace(known, runtime_low_s=low, runtime_expected_s=expected, runtime_high_s=high, limit=limit)

    def without(self, amps: float) -> Estimate:
        """What is left if a load of so many amps is switched off now."""
        return self.estimate(more_amps=-amps)

    def _unknown_because(self, load_ahead: Sequence[Phase] | None) -> str | None:
        if self.bank is None:
            return "no reading yet"
        if self.charging:
            return "charging"
        if load_ahead is None and self._rate(self.load.mean() or 0.0) < NO_LOAD_RATE:
            return "no load now, and none declared to come"
        if not self._charge_known():
            return "charge at the start not known yet: wait two minutes under load"
        return None

    def _charge_known(self) -> bool:
        """Told, or seen under load or at rest for long enough; once known it is carried on."""
        seen = self.loaded_hours >= FIRST_ANSWER_HOURS or self.rest_hours >= REST_MARKS[0][0]
        self.known = self.known or seen or self.start_soc is not None
        return self.known

    def _limit_reached(self) -> str | None:
        """The limit that the voltage is under now; a peak of the load does not count against the end voltage."""
        amps, mean = self.amps or 0.0, self.load.mean() or 0.0
        if self.charging:
            return None
        if self.volts - amps * self.limits.lead_ohm < self.limits.cutoff_volts:
            return "cutoff"
        if amps <= PEAK * mean and self.volts < end_volts(self.limits, self.profile, mean):
            return "end_voltage"
        return None

    def _trust(self, found: tuple[Finding, ...]) -> str:
        if found:
            return "doubtful"
        if self.profile.fitted is None:
            return "nameplate"
        return "measured" if self.profile.fitted.runs > 1 else "one_session"

    def _unsteadiness(self) -> float:
        """How much the load comes and goes, as a share of its mean: as measured, or as a restless voltage betrays."""
        told = self.load.unsteadiness()
        rate = self._rate(self.load.mean() or 0.0)
        if self.measured or rate < REST_RATE:
            return told
        betrayed = math.sqrt(self.restless) / max(self._bank().answer_to_load(rate), 0.005)
        return max(told, min(betrayed, 1.0)) if betrayed > BETRAYAL else told
