"""What one box draws by habit: the load of a flight and of the ground, its spread and its bursts. Pure.

Bursts of seconds and cycles of minutes are averaged out. Fans have their own share of the time, which the weather sets,
so it is today's; the rest is by phase, today's and that of earlier sessions. How far the mean of one stretch lies from
what was expected at its start gives the spread. A load that the box never had before counts at once, and restarts the
habit. Only a measured current teaches.
"""

import math
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from groundbox.model import Reading
from groundbox.monitor.loads import fans_run, off_watts
from groundbox.settings import LoadSettings

SESSION_GAP_S = 4 * 3600.0  # a longer pause separates two sessions
MAX_STEP_S = 20.0  # a longer silence teaches nothing
KEPT_SESSIONS = 0.6  # weight of a session after the next one
MAX_PAST_S, MAX_TODAY_S = 2 * 3600.0, 4 * 3600.0
ENOUGH_S = 300.0  # of a phase, before its mean is used
MIN_STRETCH_S = 900.0  # a shorter stretch shows no spread
FIRST_SPREAD, FIRST_COUNT, MIN_SPREAD, MAX_SPREAD = 0.06, 3.0, 0.02, 0.4  # before any stretch was compared (assumed)
SHARE_MEMORY_S, SHARE_PRIOR_S = 5400.0, 1200.0
BLOCK_S, BLOCKS = 120.0, 15  # means of two minutes; half an hour of them
UNUSUAL, UNUSUAL_SPREADS = 1.08, 1.5  # times the highest block; spreads above the mean over half an hour
WINDOW_S, WINDOWS, RECURRING, TOPS = (
    600.0,
    12,
    3,
    30,
)  # a burst that came three times within ten minutes will come again
USUAL_VOLTS = 12.0  # for a declared load in amperes
PHASES = ("ground", "flight")


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """The load to expect in a phase: watts at the battery, relative standard deviation of their mean over a flight.

    top_watts: the highest mean over two minutes that its cycles reach.
    burst_watts: by how much a recurring burst exceeds the mean of its second; None: not measured long enough.
    """

    watts: float
    spread: float
    top_watts: float
    burst_watts: float | None = None


@dataclass(slots=True)
class _Sums:
    """Seconds and watt-seconds with the fans stopped and running, of earlier sessions and of today."""

    past: list[list[float]] = field(default_factory=lambda: [[0.0, 0.0], [0.0, 0.0]])
    today: list[list[float]] = field(default_factory=lambda: [[0.0, 0.0], [0.0, 0.0]])

    def add(self, running: bool, seconds: float, watts: float) -> None:
        cell = self.today[running]
        keep = min(1.0, MAX_TODAY_S / (cell[0] + seconds))
        cell[0], cell[1] = (cell[0] + seconds) * keep, (cell[1] + watts * seconds) * keep

    def end_session(self) -> None:
        for past, today in zip(self.past, self.today, strict=True):
            seconds = KEPT_SESSIONS * past[0] + today[0]
            keep = min(1.0, MAX_PAST_S / seconds) if seconds else 0.0
            past[1] = (KEPT_SESSIONS * past[1] + today[1]) * keep
            past[0] = seconds * keep
            today[:] = [0.0, 0.0]

    def mean(self, share: float) -> float | None:
        """Mean watts while the fans run for `share` of the time; None while too little is known."""
        both = [(p[0] + t[0], p[1] + t[1]) for p, t in zip(self.past, self.today, strict=True)]
        if sum(seconds for seconds, _ in both) < ENOUGH_S:
            return None
        means = [watts / seconds if seconds >= BLOCK_S else None for seconds, watts in both]
        stopped, running = (one if one is not None else other for one, other in (means, reversed(means)))
        if stopped is None or running is None:
            return sum(watts for _, watts in both) / sum(seconds for seconds, _ in both)
        return stopped + share * (running - stopped)


@dataclass(slots=True)
class _Phase:
    """What is known of one phase."""

    sums: _Sums = field(default_factory=_Sums)
    highest: float | None = None  # block that the habit knows
    misses: list[float] = field(default_factory=lambda: [0.0, 0.0])  # number and sum of squares
    bursts: deque[float] = field(default_factory=lambda: deque(maxlen=WINDOWS))  # recurring one of each window
    tops: deque[float] = field(default_factory=lambda: deque(maxlen=TOPS))  # the newest blocks


@dataclass(slots=True)
class _Stretch:
    """One stay in a phase: the mean watts expected at its start, its seconds and watt-seconds."""

    place: str
    expected: float | None = None
    seconds: float = 0.0
    watt_s: float = 0.0


class Habit:
    """Follows the readings of one box.

    Args:
        loads: declared; those switched off by an output are added back, so that the habit is of the whole box.
        saved: the `state` of an earlier program.
    """

    def __init__(self, loads: Sequence[LoadSettings] = (), saved: Mapping[str, object] | None = None) -> None:
        self._loads = loads
        declared = sum(load.mean_amps(USUAL_VOLTS) * USUAL_VOLTS for load in loads) or None
        self._phases = {phase: _Phase(highest=declared) for phase in PHASES}
        self._share: list[float] = [0.0, 0.0]  # seconds, with the fans running
        self._last: tuple[float, str] | None = None
        self._stretch = _Stretch(PHASES[0])
        self._block: list[float] = [0.0, 0.0]
        self._blocks: deque[float] = deque(maxlen=BLOCKS)
        self._window: tuple[float, list[float]] = (0.0, [])
        self._unusual_s = 0.0
        if saved:
            self._restore(saved)

    def take(self, t_s: float, reading: Reading) -> None:
        """Takes one reading, at `t_s` of the estimator's clock."""
        place, volts, amps = reading.place, reading.battery_volts, reading.battery_amps
        before = self._last
        if place not in PHASES or (before is not None and before[0] - SESSION_GAP_S < t_s <= before[0]):
            return
        self._last = (t_s, place)
        seconds = t_s - before[0] if before else 0.0
        if abs(seconds) > SESSION_GAP_S:
            self._end_stretch()
            for phase in self._phases.values():
                phase.sums.end_session()
            self._share = [0.0, 0.0]
        if before is None or before[1] != place or not 0 < seconds <= MAX_STEP_S:
            self._begin(place)
            return
        running = fans_run(reading)
        keep = math.exp(-seconds / SHARE_MEMORY_S)
        self._share = [keep * self._share[0] + seconds, keep * self._share[1] + seconds * running]
        if volts is None or amps is None or amps <= 0 or reading.charging not in (None, "no"):
            return
        watts = volts * amps + off_watts(self._loads, volts, reading)
        self._add(self._phases[place], running, seconds, watts)
        if reading.battery_max_amps is not None:
            self._burst(self._phases[place], seconds, volts * (reading.battery_max_amps - amps))

    def usual(self, phase: str) -> Usual | None:
        """What the box draws in "flight" or on the "ground"; None while too little was measured."""
        known = self._phases[phase]
        mean = self._mean(known)
        if mean is None:
            return None
        spread = self._spread(known)
        if self._last is not None and self._last[1] == phase:
            mean = max(mean, self._unusual(known, mean, spread))
        return Usual(
            watts=mean,
            spread=spread,
            top_watts=max([mean, *known.tops]),
            burst_watts=max(known.bursts, default=None),
        )

    # --- in ---

    def _begin(self, place: str) -> None:
        self._end_stretch()
        self._stretch = _Stretch(place, self._mean(self._phases[place]))
        self._block, self._window, self._unusual_s = [0.0, 0.0], (0.0, []), 0.0
        self._blocks.clear()

    def _end_stretch(self) -> None:
        one = self._stretch
        if one.expected is not None and one.seconds >= MIN_STRETCH_S:
            misses, off = self._phases[one.place].misses, math.log(one.watt_s / one.seconds / one.expected)
            misses[0], misses[1] = 0.9 * misses[0] + 1, 0.9 * misses[1] + off * off
        self._stretch = _Stretch(one.place)

    def _add(self, known: _Phase, running: bool, seconds: float, watts: float) -> None:
        known.sums.add(running, seconds, watts)
        self._stretch.seconds += seconds
        self._stretch.watt_s += watts * seconds
        self._block = [self._block[0] + seconds, self._block[1] + watts * seconds]
        if self._block[0] < BLOCK_S:
            return
        mean, self._block = self._block[1] / self._block[0], [0.0, 0.0]
        self._blocks.append(mean)
        known.tops.append(mean)
        if known.highest is not None and mean > UNUSUAL * known.highest:
            self._unusual_s += BLOCK_S
            if self._unusual_s >= 5 * BLOCK_S:  # it stays: the habit is another one now
                known.sums, known.highest, self._unusual_s = _Sums(), mean, 0.0
                for block in list(self._blocks)[-5:]:
                    known.sums.add(running, BLOCK_S, block)
        else:
            self._unusual_s = 0.0
            known.highest = max(known.highest or 0.0, mean)

    def _burst(self, known: _Phase, seconds: float, above: float) -> None:
        passed, largest = self._window
        largest = sorted([*largest, above], reverse=True)[:RECURRING]
        passed += seconds
        if passed >= WINDOW_S:
            known.bursts.append(max(largest[-1], 0.0))
            passed, largest = 0.0, []
        self._window = (passed, largest)

    # --- out ---

    def _mean(self, known: _Phase) -> float | None:
        past = [phase.sums.past for phase in self._phases.values()]
        seconds = sum(one[0][0] + one[1][0] for one in past)
        usual = sum(one[1][0] for one in past) / seconds if seconds else 0.5
        today_s, running_s = self._share
        return known.sums.mean((SHARE_PRIOR_S * usual + running_s) / (SHARE_PRIOR_S + today_s))

    def _spread(self, known: _Phase) -> float:
        count, squares = known.misses
        variance = (FIRST_COUNT * FIRST_SPREAD**2 + squares) / (FIRST_COUNT + count)
        seconds = sum(cell[0] for cell in (*known.sums.past, *known.sums.today))
        return min(max(math.sqrt(variance * (1 + 1800 / max(seconds, 300.0))), MIN_SPREAD), MAX_SPREAD)

    def _unusual(self, known: _Phase, mean: float, spread: float) -> float:
        """Mean watts of the newest blocks where they exceed the habit; else 0."""
        if self._unusual_s > 0:
            count = max(round(self._unusual_s / BLOCK_S), 1)
            newest = list(self._blocks)[-count:]
            return sum(newest) / len(newest)
        if len(self._blocks) == BLOCKS:
            recent = sum(self._blocks) / BLOCKS
            if recent > mean * (1 + UNUSUAL_SPREADS * spread):
                return recent
        return 0.0

    # --- kept ---

    def copy(self) -> "Habit":
        """Another habit with the same knowledge."""
        return Habit(self._loads, self.state())

    def state(self) -> dict[str, object]:
        """All that later sessions need, as JSON-able values."""
        return {
            "last": list(self._last) if self._last else None,
            "share": self._share,
            "stretch": [self._stretch.place, self._stretch.expected, self._stretch.seconds, self._stretch.watt_s],
            "phases": {
                name: {
                    "past": one.sums.past,
                    "today": one.sums.today,
                    "highest": one.highest,
                    "misses": one.misses,
                    "bursts": list(one.bursts),
                    "tops": list(one.tops),
                }
                for name, one in self._phases.items()
            },
        }

    def _restore(self, saved: Mapping[str, object]) -> None:
        phases = saved["phases"]
        assert isinstance(phases, Mapping)
        for name, kept in phases.items():
            known = self._phases[name]
            known.sums = _Sums([list(one) for one in kept["past"]], [list(one) for one in kept["today"]])
            known.highest, known.misses = kept["highest"], list(kept["misses"])
            known.bursts.extend(kept["bursts"])
            known.tops.extend(kept["tops"])
        share, last, stretch = saved["share"], saved["last"], saved["stretch"]
        assert isinstance(share, Sequence)
        assert isinstance(stretch, Sequence)
        self._stretch = _Stretch(*stretch)
        self._share = [float(one) for one in share]
        self._last = (last[0], last[1]) if isinstance(last, Sequence) else None
