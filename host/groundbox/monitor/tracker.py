"""One battery in one box, estimated: the estimator, its load to come, its discharges, and its state to be saved.

Estimating needs NumPy. Without it (32-bit single-board computers) a Tracker reports that, and recording continues."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol
from zlib import crc32

import msgspec

from groundbox.advice.limits import NO_BATTERY_VOLTS
from groundbox.battery.limits import CHARGE_KEPT, PARTLY_CHARGED, RuntimeLimits, end_volts
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Estimate, Phase, Sample
from groundbox.model import EstimatorState, Reading
from groundbox.monitor.flight import Flight
from groundbox.monitor.habit import Usual
from groundbox.monitor.loads import SHOWN_AMPS, Sag, at_equipment, declared_amps, fans_amps, off_watts, peak_above_mean
from groundbox.monitor.reading_order import Timeline
from groundbox.plan.day import Day, as_measured
from groundbox.plan.demand import LoadAhead, load_ahead
from groundbox.plan.standing import standing_at
from groundbox.settings import BoxSettings

MIN_DEPTH = 0.12  # of rated capacity: a day in the field ends early, and a worn battery shows in its first flights
LOAD_RATE = 0.004  # units of C20 per hour: less is rest, under its negative is charging
BOARD_AMPS = 0.08  # the board's own current is rest too, however small the battery
REST_S = 1800.0  # a longer rest or silence ends a discharge
MAX_STEP_S = 60.0  # a longer silence within a charge does not count as charged


@dataclass(frozen=True, slots=True, kw_only=True)
class Discharge:
    """A discharge that ended: wall times of its first and last loaded reading, and the charge drawn.

    over: it ended because the equipment browned out or a load was shed.
    """

    from_wall_s: float
    to_wall_s: float
    amp_hours: float
    over: bool = False


class Discharging:
    """Follows one battery of `c20_ah`; `saved` is the state of an earlier program.

    A charge that is short, as between flights, is counted and belongs to the discharge; what follows a brown-out or a
    shed load does not, until a charge.
    """

    def __init__(self, c20_ah: float, saved: Mapping[str, float | None] | None = None) -> None:
        self._c20_ah, self._load_amps = c20_ah, max(LOAD_RATE * c20_ah, BOARD_AMPS)
        state = saved or {}
        self._from_s, self._to_s = state.get("from_s"), state.get("to_s")
        self._amp_hours = state.get("amp_hours") or 0.0
        self._deepest_ah = state.get("deepest_ah") or 0.0
        self._charged_ah = state.get("charged_ah") or 0.0
        self._over = bool(state.get("over"))
        self._loaded_s = state.get("loaded_s")  # time of the last loaded reading, on the estimator's clock
        self._last_s = state.get("last_s")

    def take(self, t_s: float, wall_s: float | None, amps: float | None, *, over: bool = False) -> Discharge | None:
        """Takes one reading, at `t_s` of a monotonic clock; returns a discharge that has ended.

        over: the equipment browned out in it, or a load was shed.
        """
        before_s, ended = self._last_s, None
        if amps is None or (before_s is not None and t_s <= before_s):
            return None
        self._last_s = t_s
        hours = 0.0 if before_s is None else (t_s - before_s) / 3600
        if amps < -LOAD_RATE * self._c20_ah:
            self._over = False
            self._charged_ah -= amps * min(hours, MAX_STEP_S / 3600) * CHARGE_KEPT
            if self._charged_ah > min(PARTLY_CHARGED * self._c20_ah, self._amp_hours):
                ended = self.finish()
        elif over or (self._loaded_s is not None and t_s - self._loaded_s > REST_S):
            ended, self._over = self.finish(), over or self._over
            ended = replace(ended, over=over) if ended else None
        if amps >= self._load_amps and wall_s is not None and not self._over:
            self._amp_hours -= self._charged_ah if self._from_s is not None else 0.0
            self._charged_ah = 0.0
            if self._from_s is None:
                self._from_s = wall_s
            else:
                self._amp_hours += amps * hours
            self._deepest_ah = max(self._deepest_ah, self._amp_hours)
            self._to_s, self._loaded_s = wall_s, t_s
        return ended

    def finish(self) -> Discharge | None:
        """Ends the present discharge; returns it if it is deep enough."""
        from_s, to_s, deepest_ah = self._from_s, self._to_s, self._deepest_ah
        self._from_s = self._to_s = self._loaded_s = None
        self._amp_hours = self._deepest_ah = 0.0
        if from_s is None or to_s is None or deepest_ah < MIN_DEPTH * self._c20_ah:
            return None
        return Discharge(from_wall_s=from_s, to_wall_s=to_s, amp_hours=deepest_ah)

    def state(self) -> dict[str, float | None]:
        """The state, to continue after a restart."""
        return {
            "from_s": self._from_s,
            "to_s": self._to_s,
            "amp_hours": self._amp_hours,
            "deepest_ah": self._deepest_ah,
            "charged_ah": self._charged_ah,
            "over": float(self._over),
            "loaded_s": self._loaded_s,
            "last_s": self._last_s,
        }


BAD_SENSOR = ("open", "shorted", "range", "frozen", "silent")
FOREVER_S = float("inf")
PLAN_LARGER = 1.06  # a planned load counts from so many times the habit on: plans assume a lower voltage
USUAL_C = 25.0  # a battery temperature that is not measured
NO_NUMPY = "runtime cannot be estimated on this computer (it has no NumPy)"


class AnyEstimator(Protocol):
    """What is used of battery.estimate.Estimator."""

    load: Any
    particles: Any

    def update(self, sample: Sample) -> None:
        """Takes one sample."""

    def estimate(
        self, load_ahead: Sequence[Phase] | None = None, *, more_amps: float = 0.0, peak_above: float = 0.0
    ) -> Estimate:
        """Charge and runtime left."""

    def state(self) -> dict[str, object]:
        """All of it, for JSON."""


def estimator_class() -> Any:
    """battery.estimate.Estimator; None where there is no NumPy."""
    try:
        from groundbox.battery.estimate import Estimator
    except ImportError:
        return None
    return Estimator


class Tracker:
    """Follows battery `battery` in box `name`.

    Args:
        box: the box's settings.
        profile: the battery's profile.
        saved: state to resume from.

    Raises:
        ValueError, KeyError, BadInput: `saved` is of another version, or from before the profile was written again.

    Attributes:
        estimate: the newest; None before the first `refresh`.
        boot, sequence: the last reading taken.
        voltage_wall_s, voltage_boot, voltage_uptime_ms: when the last reading with a battery voltage was measured, by
            the wall clock and by its board; None before the first.
        day_low_s: low runtime under the day's plan, at the last `refresh`; None where there is none.
        ended: the last discharge that ended and was deep enough to learn from, until the recorder takes it.
    """

    def __init__(
        self, name: str, box: BoxSettings, battery: str, profile: BatteryProfile, saved: EstimatorState | None = None
    ) -> None:
        self.name, self.box, self.battery, self.profile = name, box, battery, profile
        self.estimate: Estimate | None = None
        self.wall_s: float | None = None
        self.voltage_wall_s: float | None = None
        self.voltage_boot: int | None = None
        self.voltage_uptime_ms: int | None = None
        self.boot: int | None = None
        self.sequence: int | None = None
        self.timeline = Timeline()
        self._estimator: AnyEstimator | None = None
        self._ahead: list[Phase] | None = None  # None: the recent load
        self.day_low_s: float | None = None
        self._above = 0.0  # amps that the largest load adds when it starts
        self.ended: Discharge | None = None
        self._shed: bool | None = None  # in the last reading
        self.discharge = Discharging(profile.c20_ah)
        self._limits = RuntimeLimits(cutoff_volts=box.cutoff_volts, lead_ohm=box.lead_ohm)
        kind = estimator_class()
        if kind is None:
            self.estimate = Estimate(t_s=None, unknown_because=NO_NUMPY)
            return
        if saved is None:
            self._estimator = kind(profile, self._limits)
        else:
            if saved.state["profile"] != _print_of(profile):
                raise ValueError("saved under other profile")
            self.discharge = Discharging(profile.c20_ah, saved.state["discharge"])  # type: ignore[arg-type]
            self._estimator = kind.resume(profile, self._limits, saved.state["estimator"])
            self.timeline = _timeline(saved.state["timeline"])
            self.boot, self.sequence, self.wall_s = saved.boot, saved.sequence, saved.wall_s
            self.voltage_wall_s = saved.wall_s

    @property
    def end_volts(self) -> float:
        """End voltage of the battery at the present mean load, volts at its terminals."""
        return end_volts(self._limits, self.profile, self.estimate.amps if self.estimate else None)

    @property
    def capacity_ah(self) -> float | None:
        """Posterior mean of the 20-hour capacity, ampere-hours; None while unknown."""
        particles = self._estimator.particles if self._estimator else None
        return None if particles is None else float(particles.weight @ particles.capacity) * self.profile.c20_ah

    @property
    def amps_ahead(self) -> float | None:
        """Load that the newest estimate assumes, its first stretch, amperes; None while unknown."""
        if self._ahead:
            return self._ahead[0].amps
        return self.estimate.amps if self.estimate else None

    def take(self, t_s: float, reading: Reading) -> None:
        """Takes one reading, at `t_s` of the timeline."""
        self.boot, self.sequence, self.wall_s = reading.boot, reading.sequence, reading.wall_s or self.wall_s
        sample = sample_of(self.box, t_s, reading)
        if self._estimator is None or sample is None:
            return
        self.voltage_wall_s = reading.wall_s or self.voltage_wall_s
        self.voltage_boot, self.voltage_uptime_ms = reading.boot, reading.uptime_ms
        self._estimator.update(sample)
        amps = sample.declared_amps if sample.amps is None else sample.amps
        self.ended = self.discharge.take(t_s, reading.wall_s, amps, over=self._is_over(reading)) or self.ended

    def _is_over(self, reading: Reading) -> bool:
        """The equipment browned out within this second, or the board shed a load."""
        lowest = at_equipment(reading, self.box.lead_ohm)
        browned = lowest is not None and lowest < self.box.cutoff_volts
        before, self._shed = self._shed, "shed" in reading.outputs.values()
        return browned or (self._shed and before is False)

    def refresh(
        self,
        reading: Reading,
        to_come: LoadAhead | None = None,
        usual: Usual | None = None,
        sag: Sag | None = None,
    ) -> None:
        """Makes a new estimate.

        The load to come is the habit of the box, `usual`, with its measured bursts, where it is known. Else it is the
        recent load, else the declared one; with the peaks of the declared loads. On the ground it is that of the next
        flight, where the day's plan has it and it is larger. While all is off it is the declared load, else the load
        before. A fast sample under the cutoff within the last minute is the end.
        """
        if self._estimator is None:
            return
        volts = reading.battery_volts or 2.0 * self.profile.cells
        mean, off = self._estimator.load.mean(), self._estimator.load.pausing
        declared = declared_amps(self.box.loads, volts, None)
        self._above = peak_above_mean(self.box.loads, volts)
        self._ahead = None
        if declared is not None and (off or mean is None or mean < 0.002 * self.profile.c20_ah):
            self._ahead = [Phase(seconds=FOREVER_S, amps=declared, peak_amps=declared + self._above)]
        if usual is not None:
            self._ahead = [self._by_habit(usual, volts, reading, sag)]
        least = self._ahead[0].amps if self._ahead else mean or 0.0
        if to_come and to_come.next_flight and to_come.next_flight.amps > PLAN_LARGER * least:
            self._ahead = [replace(to_come.next_flight, spread=usual.spread if usual else None)]
        self.estimate = self._estimator.estimate(self._ahead, peak_above=self._above)
        lowest = sag.lowest_volts if sag else None
        if lowest is not None and lowest < self.box.cutoff_volts and not self.estimate.charging:
            ended = dict.fromkeys(("runtime_low_s", "runtime_expected_s", "runtime_high_s"), 0.0)
            self.estimate = replace(self.estimate, **ended, limit="cutoff", unknown_because=None)  # type: ignore[arg-type]
        self.day_low_s = None if to_come is None else self._by_plan(to_come, 0.0 if off else mean or 0.0)

    def _by_habit(self, usual: Usual, volts: float, reading: Reading, sag: Sag | None) -> Phase:
        """The habit as the estimator takes it. Loads are of constant power: they draw more as the voltage falls."""
        end = max(self.box.cutoff_volts, self.end_volts)
        mean_volts = max(volts - (volts - end) / 3, end)
        off = off_watts(self.box.loads, volts, reading)
        amps = max(usual.watts - off, 0.0) / mean_volts
        top = max(usual.top_watts - off, 0.0) / end
        ohm = sag.measured_ohm if sag else None
        if usual.burst_watts is None or (ohm is None and usual.burst_watts > SHOWN_AMPS * end):
            return Phase(seconds=FOREVER_S, amps=amps, peak_amps=max(top, amps + self._above), spread=usual.spread)
        fall = usual.burst_watts / end * ((ohm or 0.0) + self.box.lead_ohm)
        return Phase(seconds=FOREVER_S, amps=amps, peak_amps=max(top, amps), sag_volts=fall, spread=usual.spread)

    def _by_plan(self, to_come: LoadAhead, mean: float) -> float | None:
        """Low runtime under all that the day's plan has to come, seconds."""
        assert self._estimator is not None
        now = Phase(seconds=FOREVER_S, amps=max(mean, 0.0), peak_amps=max(mean, 0.0) + self._above)
        return self._estimator.estimate(to_come.all_phases(now)).runtime_low_s

    def needed_ah(self, low_s: float, battery_c: float | None) -> float | None:
        """Ampere-hours missing until the low runtime is `low_s`, by the same curve as the plan's.

        The curve is of a rested battery, and this one may be worse: so the runtime is also to grow by what it lacks.
        None: unknown, or full is too little.
        """
        from groundbox.plan.battery_pool import LowRuntimeCurve, resampled, soc_of  # needs NumPy

        particles, now = self._estimator.particles if self._estimator else None, self.estimate
        if particles is None or now is None or now.amps is None or now.runtime_low_s is None:
            return None
        phases = self._ahead or [Phase(seconds=FOREVER_S, amps=now.amps, peak_amps=now.amps + self._above)]
        bank = resampled(particles)
        curve = LowRuntimeCurve(
            bank, self.profile, self._limits, phases[-1:], USUAL_C if battery_c is None else battery_c
        )
        soc, longer_min = soc_of(bank).expected, (low_s - now.runtime_low_s) / 60
        needed = curve.minimum_soc(max(low_s / 60, curve.minutes(soc) + longer_min))
        capacity_ah = self.capacity_ah
        if needed is None or capacity_ah is None:
            return None
        return max(needed - soc, 0.0) * capacity_ah

    def gained_s(self, amps: float) -> float | None:
        """Seconds by which the low runtime grows when a load of `amps` mean amperes is switched off; None: unknown."""
        now = self.estimate
        if self._estimator is None or now is None or now.runtime_low_s is None:
            return None
        if self._ahead is None:
            without = self._estimator.estimate(more_amps=-amps, peak_above=self._above)
        else:
            without = self._estimator.estimate(
                [
                    replace(
                        phase, amps=max(phase.amps - amps, 0.0), peak_amps=max((phase.peak_amps or 0.0) - amps, 0.0)
                    )
                    for phase in self._ahead
                ]
            )
        found = without.runtime_low_s
        return None if found is None else max(found - now.runtime_low_s, 0.0)

    def saved(self) -> EstimatorState | None:
        """The state to be saved; None when there is none yet."""
        if self._estimator is None or self.wall_s is None:
            return None
        line = self.timeline
        return EstimatorState(
            box=self.name,
            battery=self.battery,
            wall_s=self.wall_s,
            boot=self.boot,
            sequence=self.sequence,
            state={
                "profile": _print_of(self.profile),
                "discharge": self.discharge.state(),
                "estimator": self._estimator.state(),
                "timeline": {"boot": line.boot, "offset_s": line.offset_s, "last_s": line.last_s},
            },
        )


def sample_of(box: BoxSettings, t_s: float, reading: Reading) -> Sample | None:
    """A reading as the estimator takes it, at `t_s`; None when it has no battery voltage."""
    volts = reading.battery_volts
    if volts is None or volts < NO_BATTERY_VOLTS or reading.sensors["voltage"] in BAD_SENSOR:
        return None
    return Sample(
        t_s=t_s,
        volts=volts,
        amps=reading.battery_amps,
        declared_amps=declared_amps(box.loads, volts, reading),
        switched_amps=None if box.loads else fans_amps(reading),
        case_c=reading.case_c,
        battery_c=reading.battery_c,
    )


def ahead(
    day: Day, box: str, flight: Flight, now_s: float, wall_s: float, flight_amps: float | None = None
) -> LoadAhead | None:
    """The load of `box` by the day's plan from now on; None where the plan lacks the box, or is of another time.

    flight_amps: the habit of the box, in flights whose loads the plan does not name; None: as declared.
    """
    standing = standing_at(day, wall_s, flight.by_wall(now_s, wall_s))
    if standing is None:
        return None
    return load_ahead(day if flight_amps is None else as_measured(day, {box: flight_amps}), box, standing)


def _print_of(profile: BatteryProfile) -> int:
    """A number that changes with each field of the profile that the estimator uses."""
    used = msgspec.structs.replace(profile, label="", history=[], max_charge_amps=None)
    return crc32(msgspec.json.encode(used))


def _timeline(saved: object) -> Timeline:
    assert isinstance(saved, Mapping)
    return Timeline(saved["boot"], saved["offset_s"], saved["last_s"])
