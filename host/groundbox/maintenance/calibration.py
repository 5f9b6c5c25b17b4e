"""The arithmetic of a guided calibration, and the error that remains: pure.

The board corrects by a straight line through two points (firmware/core/conversion.py), at every temperature. There
remain the reference instrument's own error, the noise of the readings, and the measured drift with temperature.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import StatisticsError, linear_regression, pstdev

from groundbox.wire.settings import UNITS

STEADY_READINGS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """What the board read without correction, and the true value, both in the channel's unit on the wire."""

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

    def raw(self, true: float) -> float:
        """What the board reads without correction where it shows `true`."""
        return (true - self.offset) / (1 + self.gain)


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """The error to expect after a calibration, in the channel's unit.

    Attributes:
        instrument: the reference instrument's own error, which no calibration removes.
        noise: of the mean at each point, two standard deviations.
        fit: maximum distance of the points from the line.
        drift: between the temperatures of the points; None with one temperature.
    """

    instrument: float
    noise: float
    fit: float
    drift: float | None

    @property
    def maximum(self) -> float:
        """All errors in the same direction."""
        return self.instrument + self.noise + self.fit + (self.drift or 0.0)

    @property
    def expected(self) -> float:
        """Root of the sum of squares."""
        return sqrt(self.instrument**2 + self.noise**2 + self.fit**2 + (self.drift or 0.0) ** 2)


def line_through(points: Sequence[Point]) -> Line:
    """Least squares through two or more points; exact through two.

    Raises:
        ValueError: the points are equal.
    """
    try:
        gain, offset = linear_regression([p.raw for p in points], [p.true - p.raw for p in points])
    except StatisticsError as error:
        raise ValueError("the points are equal") from error
    return Line(offset=offset, gain=gain)


def through(points: Sequence[Point]) -> Line:
    """`line_through`; with one point, the whole scale is moved."""
    if len(points) == 1:
        return Line(offset=points[0].true - points[0].raw, gain=0.0)
    return line_through(points)


def names(channel: str) -> list[str]:
    """The four settings of a channel's correction."""
    return [f"{channel}_{what}_{UNITS[channel]}" for what in ("raw1", "true1", "raw2", "true2")]


def line_by(channel: str, values: Mapping[str, int]) -> Line:
    """The correction of `channel` by a board with these settings."""
    raw1, true1, raw2, true2 = (values[name] for name in names(channel))
    gain = (true2 - true1 - (raw2 - raw1)) / (raw2 - raw1)
    return Line(offset=true1 - raw1 - gain * raw1, gain=gain)


def settings_for(line: Line, raw1: float, raw2: float) -> tuple[int, int, int, int]:
    """(raw1, true1, raw2, true2) for the board, whole numbers, so that it corrects by `line`."""
    low, high = round(raw1), round(raw2)
    return low, round(line.true(low)), high, round(line.true(high))


def residual(
    line: Line, points: Sequence[Point], instrument: float, spreads: Sequence[float], temperatures: int
) -> Residual:
    """The error that remains after correcting `points` by `line`.

    Args:
        line: the correction in force.
        points: all points taken.
        instrument: the reference instrument's own error.
        spreads: standard deviation of the readings at each point.
        temperatures: number of temperatures; the first half of the points is from the first.
    """
    off = [p.true - line.true(p.raw) for p in points]
    noise = 2 * max(spreads) / sqrt(STEADY_READINGS)
    largest = max(abs(value) for value in off)
    if temperatures < 2:
        return Residual(instrument=instrument, noise=noise, fit=largest, drift=None)
    return Residual(instrument=instrument, noise=noise, fit=0.0, drift=largest)


def steady(values: Sequence[int], within: int) -> bool:
    """True when the last readings differ by at most `within`, so that a point can be taken."""
    last = values[-STEADY_READINGS:]
    return len(last) == STEADY_READINGS and max(last) - min(last) <= within


def spread(values: Sequence[int]) -> float:
    """Standard deviation of the last readings."""
    return pstdev(values[-STEADY_READINGS:])


def beta_error_c(at_c: float, points_c: Sequence[float], beta: float, tolerance: float) -> float:
    """Error in °C at `at_c` of a thermistor corrected at one or two points, its beta wrong by the fraction `tolerance`.

    Source: beta equation of NTC thermistors, R = R25 * exp(B * (1/T - 1/T25)).
    """

    def shown_c(true_c: float) -> float:
        real = beta * (1 + tolerance) * (1 / (true_c + 273.15) - 1 / 298.15)  # log of R / R25
        return 1 / (real / beta + 1 / 298.15) - 273.15

    line = through([Point(raw=shown_c(c), true=c) for c in points_c])
    return line.true(shown_c(at_c)) - at_c
