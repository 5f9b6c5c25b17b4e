"""What `groundbox battery test` shows while it follows a capacity test, from a log or from a live box."""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from groundbox.battery.capacity_test import MAX_RATE, MIN_RATE, CapacityTest, TestStep
from groundbox.battery.limits import END_VOLTS_PER_CELL, RuntimeLimits
from groundbox.battery.profile import BatteryProfile, load_profile, save_profile
from groundbox.battery.runtime import from_full
from groundbox.battery.values import Sample
from groundbox.errors import BadInput
from groundbox.model import Reading
from groundbox.monitor.from_store import battery_in
from groundbox.monitor.learn import learned_from, source_name
from groundbox.monitor.reading_order import Timeline
from groundbox.monitor.tracker import Discharge, sample_of
from groundbox.settings import BoxSettings, Settings
from groundbox.store import Reader

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


LOOK_BACK_S = 36 * 3600.0  # the charge before the test may be of the night before
POLL_S = 1.0
SILENT_S = 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TestedProfile:
    """The profile before the test, and after it where its discharge could be fitted."""

    before: BatteryProfile
    after: BatteryProfile | None


class LiveTest:
    """Follows the battery in `box`.

    Args:
        reader: the store that is being written.
        battery: profile file, None takes the one in the settings.

    Attributes:
        file, profile: of the battery.
        last: start and number of the newest reading taken.
        caught_up: True once all that was in the store at first is shown.

    Raises:
        BadInput: the battery in the box is unknown, or its profile cannot be read.
    """

    def __init__(self, reader: Reader, settings: Settings, box: str, battery: Path | None) -> None:
        self._reader, self._box = reader, box
        entry = settings.boxes.get(box)
        if entry is None:
            raise BadInput("box", box, "is not in groundbox.toml; add [boxes.NAME] with its battery and cutoff_volts")
        self._entry: BoxSettings = entry
        inside = battery_in(reader, settings, box)
        file = battery or (settings.profile_path(inside.name) if inside and inside.name else None)
        if file is None:
            raise BadInput("box", box, f"its battery is unknown; type: groundbox mark swap {box} BATTERY")
        self.file = file
        self.profile = load_profile(self.file)
        self.guide, self.caught_up = Guide(self.profile), False
        self._timeline = Timeline()
        self._since_s = max(inside.since_s if inside else 0.0, 0.0)
        self.last: tuple[int, int] | None = None
        self._wall_s: float | None = None
        self._discharge_s: tuple[float, float] | None = None  # wall times of its first and last loaded reading

    def new_reports(self) -> Iterator[tuple[float, StepReport]]:
        """What to show since the last call, each with its wall time."""
        for reading in self._new():
            if self.guide.done:
                return
            t_s = self._timeline.at(reading.boot, reading.uptime_ms, reading.wall_s)
            sample = None if t_s is None else sample_of(self._entry, t_s, reading)
            if sample is not None and reading.wall_s is not None:
                yield from ((reading.wall_s, report) for report in self.guide.take(sample))
                self._note(reading.wall_s)
                if self.guide.done and self._is_known():  # an earlier test; another may follow
                    self.guide, self._discharge_s = Guide(self.profile), None
        self.caught_up = True

    def _is_known(self) -> bool:
        return any(row.source == source_name(self._box, self._discharge()) for row in load_profile(self.file).history)

    def _discharge(self) -> Discharge:
        """The discharge of the test."""
        assert self._discharge_s is not None
        amp_hours = (self.guide.step.hours or 0.0) * (self.guide.step.mean_amps or 0.0)
        return Discharge(from_wall_s=self._discharge_s[0], to_wall_s=self._discharge_s[1], amp_hours=amp_hours)

    def _note(self, wall_s: float) -> None:
        if not self.guide.discharge:
            self._discharge_s = None
        else:
            self._discharge_s = (self._discharge_s[0] if self._discharge_s else wall_s, wall_s)

    def _new(self) -> list[Reading]:
        latest = self._reader.latest(self._box)
        if latest is None or latest.wall_s is None:
            return []
        since_s = max(latest.wall_s - LOOK_BACK_S, self._since_s) if self._wall_s is None else self._wall_s - 60.0
        found = []
        for reading in self._reader.readings(self._box, since_s):
            key = reading.boot, reading.sequence
            if self.last is None or key > self.last:
                self.last, self._wall_s = key, reading.wall_s
                found.append(reading)
        return found

    def fit(self, out: Path) -> TestedProfile:
        """Fits the battery with the discharge of the test and writes its profile to `out`."""
        before, discharge = load_profile(self.file), self._discharge()  # read again: `groundbox log` may have fitted it
        limits = RuntimeLimits(cutoff_volts=self._entry.cutoff_volts, lead_ohm=self._entry.lead_ohm)
        source = source_name(self._box, discharge)
        after = learned_from(before, self.guide.discharge, source, discharge, limits, confirmed=True)
        if after is not None:
            save_profile(out, after)
        return TestedProfile(before=before, after=after)


def follow(
    test: LiveTest, show: Callable[[float, StepReport], None], no_news: Callable[[], None], ended: Callable[[], bool]
) -> bool:
    """Shows what is new until the end voltage is reached (True) or `ended` (False).

    `no_news` is called once whenever no reading arrives for half a minute.
    """
    heard_s, reported, before = time.monotonic(), False, test.last
    while not ended():
        for wall_s, report in test.new_reports():
            show(wall_s, report)
        if test.guide.done:
            return True
        if test.last != before:
            heard_s, reported, before = time.monotonic(), False, test.last
        if not reported and time.monotonic() - heard_s > SILENT_S:
            reported = True
            no_news()
        time.sleep(POLL_S)
    return False
