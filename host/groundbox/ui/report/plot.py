"""Plots as SVG of our own, thin enough to print: bands keep minimum and maximum. Pure."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from html import escape

WIDTH, HEIGHT, LEFT, TOP, BOTTOM = 760.0, 168.0, 46.0, 18.0, 18.0
TALL = HEIGHT - TOP - BOTTOM
CLOCK = 38.0  # width of a time of day
GAP_S, GAP_SHARE = 300.0, 0.01  # longer than both, the latter of the whole, without a value: the line breaks
STEPS_S = (300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)

Band = tuple[float, float, float]  # wall time, low, high


class Plot:
    """One lane over wall time from `since_s` to `until_s`; values from `low` to `high`."""

    def __init__(self, title: str, since_s: float, until_s: float, low: float, high: float) -> None:
        self._title, self._since_s, self._until_s = title, since_s, max(until_s, since_s + 1)
        room = max((high - low) * 0.08, 1e-6)
        self._low, self._high = low - room, high + room
        self._gap_s = max(GAP_S, GAP_SHARE * (self._until_s - since_s))
        self._parts: list[str] = []

    def x(self, wall_s: float) -> float:
        return LEFT + (WIDTH - LEFT) * (wall_s - self._since_s) / (self._until_s - self._since_s)

    def y(self, value: float) -> float:
        return TOP + TALL * (1 - (value - self._low) / (self._high - self._low))

    def band(self, values: Sequence[Band], kind: str) -> None:
        """The space between low and high, broken where time is missing."""
        for part in _unbroken(values, self._gap_s):
            there = [f"{self.x(t):.1f},{self.y(high):.1f}" for t, _, high in part]
            back = [f"{self.x(t):.1f},{self.y(low):.1f}" for t, low, _ in reversed(part)]
            self._parts.append(f'<polygon class="{kind}" points="{" ".join(there + back)}"/>')

    def line(self, values: Sequence[Band], kind: str) -> None:
        """A line through the middle of low and high."""
        for part in _unbroken(values, self._gap_s):
            dots = " ".join(f"{self.x(t):.1f},{self.y((low + high) / 2):.1f}" for t, low, high in part)
            self._parts.append(f'<polyline class="{kind}" points="{dots}"/>')

    def stretch(self, from_s: float, to_s: float) -> None:
        """A flight."""
        self._parts.insert(
            0,
            f'<rect class="flight" x="{self.x(from_s):.1f}" y="{TOP:.0f}" '
            f'width="{max(self.x(to_s) - self.x(from_s), 0):.1f}" '
            f'height="{TALL:.0f}"/>',
        )

    def level(self, value: float, words: str) -> None:
        """A limit, where it lies within."""
        if self._low <= value <= self._high:
            y = self.y(value)
            self._parts.append(f'<path class="limit" d="M{LEFT:.0f} {y:.1f}H{WIDTH:.0f}"/>')
            self._parts.append(f'<text x="{WIDTH - 3:.0f}" y="{y - 3:.1f}" text-anchor="end">{escape(words)}</text>')

    def svg(self, says: str) -> str:
        """The drawing; `says` is what it shows, for those who do not see it."""
        step_s = next((one for one in STEPS_S if (self._until_s - self._since_s) / one <= 9), STEPS_S[-1])
        first = int(self._since_s // step_s + 1) * step_s
        times = "".join(
            f'<text x="{self.x(t):.1f}" y="{HEIGHT - 3:.0f}" text-anchor="middle">'
            f"{datetime.fromtimestamp(t):%H:%M}</text>"
            for t in range(first, int(self._until_s), step_s)
            if self.x(t) <= WIDTH - CLOCK / 2
        )
        ends = "".join(
            f'<text x="{LEFT - 4:.0f}" y="{self.y(value) + 4:.1f}" text-anchor="end">{value:.3g}</text>'
            for value in _ticks(self._low, self._high)
        )
        frame = f'<rect class="frame" x="{LEFT:.0f}" y="{TOP:.0f}" width="{WIDTH - LEFT:.0f}" height="{TALL:.0f}"/>'
        title = f'<text class="title" x="{LEFT:.0f}" y="12">{escape(self._title)}</text>'
        size = f'viewBox="0 0 {WIDTH:.0f} {HEIGHT:.0f}"'
        inside = "".join([*self._parts, frame, title, times, ends])
        drawn = f'<svg {size} role="img" aria-label="{escape(says)}">{inside}</svg>'
        return f'<div class="lane" role="group" aria-label="{escape(self._title)}" tabindex="0">{drawn}</div>'


def _ticks(low: float, high: float) -> list[float]:
    """Three or four round numbers within."""
    span = high - low
    step = next(
        base * 10.0**power for power in range(-4, 6) for base in (1, 2, 5) if span / (base * 10.0**power) <= 4.5
    )
    first = int(low // step) + 1
    return [count * step for count in range(first, int(high // step) + 1)]


def _unbroken(values: Iterable[Band], longest_s: float) -> list[list[Band]]:
    parts: list[list[Band]] = []
    for value in values:
        if parts and value[0] - parts[-1][-1][0] <= longest_s:
            parts[-1].append(value)
        else:
            parts.append([value])
    return parts
