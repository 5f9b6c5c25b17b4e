"""What `groundbox battery test` shows while it follows a capacity test, from a log or from a live box."""

from collections.abc import Iterator
from dataclasses import dataclass

from groundbox.battery.capacity_test import MAX_RATE, MIN_RATE, CapacityTest, TestStep
from groundbox.battery.limits import END_VOLTS_PER_CELL
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.runtime import from_full
from groundbox.battery.values import Sample

PROGRESS_S = 600.0
TEST_RATE = 0.1  # units of C20 per hour, the proposed load: the discharge then takes eight to nine hours
VOLTS = 12.0 / 6  # per cell under load


@dataclass(frozen=True, slots=True, kw_only=True)
class StepReport:
    """The step at `t_s` of the samples; `new` is True for a step just reached, False for progress within it."""

    t_s: float
    step: TestStep
    new: bool


class Guide:
    """Follows samples through a capacity test; an invalid test starts again by itself.

    Attributes:
        discharge: samples of the present discharge.
    """

    def __init__(self, profile: BatteryProfile) -> None:
        self._profile = profile
        self._test = CapacityTest(profile)
        self._shown = ""
        self._progress_s = self._latest_s = float("-inf")
        self.discharge: list[Sample] = []

    @property
    def step(self) -> TestStep:
        """The step reached."""
        return self._test.step

    @property
    def done(self) -> bool:
        """True once the end voltage is reached and the capacity is judged."""
        return self._test.step.name == "stop"

    def take(self, sample: Sample) -> Iterator[StepReport]:
        """What to show after this sample."""
        if self.done:
            return
        step = self._test.update(sample)
        self._latest_s = sample.t_s
        amps = sample.amps if sample.amps is not None else sample.declared_amps
        if self._test.load_hours > 0 or (step.name == "discharge" and amps and amps > MIN_RATE * self._profile.c20_ah):
            self.discharge.append(sample)
        if step.name == "invalid":
            self._test, self.discharge = CapacityTest(self._profile), []
        if step.name != self._shown or (step.hours and sample.t_s - self._progress_s >= PROGRESS_S):
            new, self._shown, self._progress_s = step.name != self._shown, step.name, sample.t_s
            yield StepReport(t_s=sample.t_s, step=step, new=new)

    def finish(self) -> Iterator[StepReport]:
        """What to show after the last sample of a finished log."""
        if not self.done and self._test.finish().name == "stop":
            yield StepReport(t_s=self._latest_s, step=self.step, new=True)


def load_advice(profile: BatteryProfile) -> str:
    """Which load to use."""
    volts, amps = VOLTS * profile.cells, TEST_RATE * profile.c20_ah
    return (
        f"load: steady, {MIN_RATE * profile.c20_ah:.1f} to {MAX_RATE * profile.c20_ah:.1f} A. The box's loads do "
        f"if they work down to {END_VOLTS_PER_CELL * profile.cells:.2f} V; else a resistor of about "
        f"{volts / amps:.1f} ohm rated for {2 * volts * amps:.0f} W or more (it takes {volts * amps:.0f} W, so it "
        "gets hot: on stone or tiles, nothing above it, with a fuse at the battery)"
    )


def band_words(before: BatteryProfile, after: BatteryProfile, amps: float) -> str:
    """How the test changed the band of the runtime."""
    widths = []
    for profile in (before, after):
        row = from_full(profile, amps)
        widths.append((row.low_h, row.expected_h, row.high_h, 50 * (row.high_h - row.low_h) / row.expected_h))
    (low0, expected0, high0, wide0), (low, expected, high, wide) = widths
    return (
        f"runtime from full at {amps:.1f} A, low / expected / high: was {low0:.1f} / {expected0:.1f} / {high0:.1f} h "
        f"(± {wide0:.0f} %), now {low:.1f} / {expected:.1f} / {high:.1f} h (± {wide:.0f} %)"
    )
