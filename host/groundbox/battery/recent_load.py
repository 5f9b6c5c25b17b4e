"""The load of the last hours: its mean over the last minutes, how it comes and goes, and what to expect of it.

While all is off for longer than a load's own cycle, nothing is known of the load after it: the runtime is that of the
load before the pause. A shorter pause counts as part of the load once it is over.
"""

import math
from collections import deque
from dataclasses import dataclass, field

from groundbox.battery.values import Phase

MEAN_SECONDS = 600.0
RANGE_MEMORY_SECONDS = SPREAD_MEMORY_SECONDS = 7200.0
_STEP_SECONDS = 20.0
MIN_STEPS, STEP_FADE = 3, 0.8
PAUSE_SECONDS = 120.0  # assumed: transmitters, heaters and fans cycle faster, and a box is not switched off for less


@dataclass(slots=True)
class Pending:
    """Readings that the filter has not used yet; charge in units of C20, volts per cell."""

    hours: float = 0.0
    charge: float = 0.0
    measured_hours: float = 0.0
    measured_charge: float = 0.0
    volt_hours: float = 0.0
    last_rate: float = 0.0


@dataclass(slots=True)
class RecentLoad:
    """Amps over the last ten minutes in steps of twenty seconds, so that memory is constant at any reading rate."""

    steps: deque[tuple[float, float]] = field(default_factory=deque)  # seconds, ampere-seconds
    seconds: float = 0.0
    charge: float = 0.0
    highest: float | None = None
    lowest: float | None = None
    change_square: float = 0.0  # sum of squared changes from step to step, amps squared
    usual: float = 0.0
    variance: float = 0.0
    remembered: float = 0.0
    step_count: int = 0  # of loads that were switched while another load ran
    step_square: float = 0.0  # sums over them, with fading memory: amps squared, and amps times volts lost
    step_product: float = 0.0
    pause_s: float = 0.0  # since all was switched off

    def note_step(self, amps: float, volts: float) -> None:
        """A load was switched: current rose by `amps` and voltage by `volts` from one reading to the next."""
        self.step_count += 1
        self.step_square = STEP_FADE * self.step_square + amps * amps
        self.step_product = STEP_FADE * self.step_product - amps * volts

    def step_ohm(self) -> float | None:
        """Resistance that switched loads show; None before three of them."""
        return self.step_product / self.step_square if self.step_count >= MIN_STEPS else None

    def pause(self, seconds: float) -> None:
        """All was off for so long."""
        self.pause_s += seconds

    @property
    def pausing(self) -> bool:
        """True once a pause is longer than any that is part of a load."""
        return self.pause_s > PAUSE_SECONDS

    def add(self, seconds: float, amps: float) -> None:
        """Remember `amps` over `seconds`; the mean covers the last ten minutes."""
        if 0.0 < self.pause_s <= PAUSE_SECONDS and self.steps:
            self._add(self.pause_s, 0.0)
        self.pause_s = 0.0
        self._add(seconds, amps)

    def _add(self, seconds: float, amps: float) -> None:
        self._update_variance(seconds, amps)
        faded = 1 - math.exp(-seconds / RANGE_MEMORY_SECONDS)
        high, low = (amps if edge is None else edge + (amps - edge) * faded for edge in (self.highest, self.lowest))
        self.highest, self.lowest = max(amps, high), min(amps, low)
        self.change_square *= (1 - faded) ** 2  # as fast as the square of the range
        if self.steps and self.steps[-1][0] + seconds <= _STEP_SECONDS:
            self.steps[-1] = (self.steps[-1][0] + seconds, self.steps[-1][1] + amps * seconds)
        else:
            self._add_change()
            self.steps.append((seconds, amps * seconds))
        self.seconds, self.charge = self.seconds + seconds, self.charge + amps * seconds
        while len(self.steps) > 1 and self.seconds - self.steps[0][0] >= MEAN_SECONDS:
            first = self.steps.popleft()
            self.seconds, self.charge = self.seconds - first[0], self.charge - first[1]

    def _update_variance(self, seconds: float, amps: float) -> None:
        """Mean and variance over the last hours."""
        self.remembered = min(self.remembered + seconds, SPREAD_MEMORY_SECONDS)
        weight = min(seconds / self.remembered, 1.0)
        off = amps - self.usual
        self.usual += weight * off
        self.variance = (1 - weight) * (self.variance + weight * off * off)

    def _add_change(self) -> None:
        """Add the difference between the last whole step and the one before."""
        if len(self.steps) > 1:
            (last_s, last), (before_s, before) = self.steps[-1], self.steps[-2]
            faded = math.exp(-2 * last_s / RANGE_MEMORY_SECONDS)
            self.change_square += faded * (last / last_s - before / before_s) ** 2

    def swings(self) -> float:
        """How often of late the load went through its whole range: 1 or less for a load that was switched once."""
        span = (self.highest or 0.0) - (self.lowest or 0.0)
        return self.change_square / span**2 if span > 0 else 0.0

    def to_come(self, more_amps: float = 0.0, peak_above: float = 0.0) -> list[Phase]:
        """The load to expect where none is declared, with `more_amps` on top and peaks so far above its mean.

        A load that was switched stays as it is now; one that comes and goes stays so for a while, then returns to
        its usual mean.
        """
        recent, swings = max(self.mean() or 0.0, 0.0), self.swings()
        stretches = [(math.inf, recent)]
        if swings > 1:
            later = max(recent + (1 - 1 / swings) * (self.usual - recent), 0.0)
            stretches = [(RANGE_MEMORY_SECONDS / swings, recent), (math.inf, later)]
        amps = [(seconds, max(mean + more_amps, 0.0)) for seconds, mean in stretches]
        return [Phase(seconds=seconds, amps=mean, peak_amps=mean + peak_above) for seconds, mean in amps]

    def unsteadiness(self) -> float:
        """Standard deviation of the load over its mean: 0 for a steady one, about 1 for one that comes and goes."""
        return min(math.sqrt(self.variance) / self.usual, 1.5) if self.usual > 0 else 0.0

    def mean(self) -> float | None:
        """Mean amps of the last ten minutes; None before the first reading."""
        if not self.steps:
            return None
        first = self.steps[0][0]
        spare = max(self.seconds - MEAN_SECONDS, 0.0)
        if spare == 0.0 or first <= 0.0:
            return self.charge / self.seconds
        return (self.charge - self.steps[0][1] * min(spare / first, 1.0)) / (self.seconds - min(spare, first))
