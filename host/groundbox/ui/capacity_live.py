"""`groundbox battery test --box`: a capacity test followed as `groundbox log` records it."""

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from groundbox.battery.profile import BatteryProfile, load_profile, save_profile
from groundbox.errors import BadInput
from groundbox.model import Reading
from groundbox.monitor.discharge import Discharge
from groundbox.monitor.learn import learned_from, source_name
from groundbox.monitor.start import battery_in
from groundbox.monitor.timeline import Timeline
from groundbox.monitor.tracker import sample_of
from groundbox.settings import BoxSettings, Settings
from groundbox.store import Reader
from groundbox.ui.capacity import Guide, StepReport

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
            raise BadInput("box", box, f"its battery is unknown: groundbox mark swap {box} BATTERY")
        self.file = file
        self.profile = load_profile(self.file)
        self.guide, self.caught_up = Guide(self.profile), False
        self._timeline = Timeline()
        self._since_s = max(inside.since_s if inside else 0.0, 0.0)
        self.last: tuple[int, int] | None = None
        self._wall_s: float | None = None
        self._discharge_s: tuple[float, float] | None = None  # wall times of its first and last loaded reading

    def news(self) -> Iterator[tuple[float, StepReport]]:
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
        after = learned_from(before, self.guide.discharge, source_name(self._box, discharge), discharge)
        if after is not None:
            save_profile(out, after)
        return TestedProfile(before=before, after=after)


def follow(
    test: LiveTest, show: Callable[[float, StepReport], None], no_news: Callable[[], None], ended: Callable[[], bool]
) -> bool:
    """Shows what is new until the end voltage is reached (True) or `ended` (False).

    `no_news` is called once whenever nothing comes for half a minute.
    """
    heard_s, reported, before = time.monotonic(), False, test.last
    while not ended():
        for wall_s, report in test.news():
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
