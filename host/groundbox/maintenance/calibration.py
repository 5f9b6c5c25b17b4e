"""The arithmetic of a guided calibration, and the error that is left: pure.

The board corrects by a straight line through two points (firmware/core/calibrate.py), whatever the temperature. What
is left: the trusted instrument's own error, the noise of the readings, and the drift with temperature where it was
measured.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import fmean, pstdev

STEADY_READINGS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """What the board read uncorrected, and what was true then, both in the channel's unit on the wire."""

    raw: float
    true: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """true = raw + offset + gain * raw."""

    offset: float
    gain: float

    def true(self, raw: float) -> float:
        """`raw` corrected."""
        return raw + self.offset + self.gain * raw


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """The error to expect after a calibration, in the channel's unit.

    Attributes:
        instrument: the trusted instrument's own error, which no calibration takes away.
        noise: of the mean the points were taken from, two standard deviations.
        fit: how far the points themselves lie off the line.
        drift: between the temperatures at which points were taken; None when there was one temperature.
    """

    instrument: float
    noise: float
    fit: float
    drift: float | None

    @property
    def worst(self) -> float:
        """All of them in the same direction."""
        return self.instrument + self.noise + self.fit + (self.drift or 0.0)

    @property
    def expected(self) -> float:
        """Root of the sum of squares."""
        return sqrt(self.instrument**2 + self.noise**2 + self.fit**2 + (self.drift or 0.0) ** 2)


def line_through(points: Sequence[Point]) -> Line:
    """Least squares through two points or more; exact through two.

    Raises:
        ValueError: the points do not differ.
    """
    mean_raw, mean_off = fmean(p.raw for p in points), fmean(p.true - p.raw for p in points)
    spread = sum((p.raw - mean_raw) ** 2 for p in points)
    if not spread:
        raise ValueError("the points do not differ")
    gain = sum((p.raw - mean_raw) * (p.true - p.raw - mean_off) for p in points) / spread
    return Line(offset=mean_off - gain * mean_raw, gain=gain)


def through(points: Sequence[Point]) -> Line:
    """`line_through`, or the whole scale moved where there is one point only."""
    if len(points) == 1:
        return Line(offset=points[0].true - points[0].raw, gain=0.0)
    return line_through(points)


def uncorrected(value: float, raw1: int, true1: int, raw2: int, true2: int) -> float:
    """What the board read before it corrected by these two points to `value`."""
    gain = (true2 - true1 - (raw2 - raw1)) / (raw2 - raw1)
    return (value - (true1 - raw1) + gain * raw1) / (1 + gain)


def settings_for(line: Line, raw1: float, raw2: float) -> tuple[int, int, int, int]:
    """(raw1, true1, raw2, true2) for the board, whole numbers, so that it corrects by `line`."""
    low, high = round(raw1), round(raw2)
    return low, round(line.true(low)), high, round(line.true(high))


def residual(
    line: Line, points: Sequence[Point], instrument: float, spreads: Sequence[float], temperatures: int
) -> Residual:
    """What is left after correcting `points` by `line`.

    Args:
        line: the correction in force.
        points: all points taken.
        instrument: the trusted instrument's own error.
        spreads: standard deviation of the readings at each point.
        temperatures: number of temperatures the points were taken at; the first half is the first temperature.
    """
    off = [p.true - line.true(p.raw) for p in points]
    noise = 2 * max(spreads) / sqrt(STEADY_READINGS)
    worst = max(abs(value) for value in off)
    if temperatures < 2:
        return Residual(instrument=instrument, noise=noise, fit=worst, drift=None)
    return Residual(instrument=instrument, noise=noise, fit=0.0, drift=worst)


def steady(values: Sequence[int], within: int) -> bool:
    """True when the last readings lie close enough together to take a point."""
    last = values[-STEADY_READINGS:]
    return len(last) == STEADY_READINGS and max(last) - min(last) <= within


def spread(values: Sequence[int]) -> float:
    """Standard deviation of the last readings."""
    return pstdev(values[-STEADY_READINGS:])


def beta_error_c(at_c: float, points_c: Sequence[float], beta: float, tolerance: float) -> float:
    """Error in C at `at_c` of a thermistor corrected at one point or two, its beta off by the share `tolerance`.

    Source: beta equation of NTC thermistors, R = R25 * exp(B * (1/T - 1/T25)).
    """

    def shown_c(true_c: float) -> float:
        real = beta * (1 + tolerance) * (1 / (true_c + 273.15) - 1 / 298.15)  # log of R / R25
        return 1 / (real / beta + 1 / 298.15) - 273.15

    line = through([Point(raw=shown_c(c), true=c) for c in points_c])
    return line.true(shown_c(at_c)) - at_c
