"""The lanes of one box over the time of the session, as SVG for the report. Bands keep minimum and maximum. Pure."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from html import escape

from groundbox.advice.limits import battery_levels_c, case_levels_c
from groundbox.advice.words import clock
from groundbox.ui.report.gather import BoxReport
from groundbox.ui.report.runs import actual_fraction_in_band, counted_back, judged_all

WIDTH, HEIGHT, LEFT, TOP, BOTTOM = 760.0, 168.0, 46.0, 18.0, 18.0
TALL = HEIGHT - TOP - BOTTOM
CLOCK = 38.0  # width of a clock time
GAP_S, GAP_FRACTION = 300.0, 0.01  # without a value for longer than both (the fraction of the whole), the line breaks
STEPS_S = (300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400)
_ROOM = 1.3  # times the longest expected runtime: a higher band is cut off

Band = tuple[float, float, float]  # wall time, low, high


def minutes(seconds: float) -> str:
    """ "152 min": the unit of every duration in the report; rounded down."""
    return f"{int(max(seconds, 0.0) // 60)} min"


class LanePlot:
    """One lane as SVG, over wall time from `since_s` to `until_s`; values from `low` to `high`."""

    def __init__(self, title: str, since_s: float, until_s: float, low: float, high: float) -> None:
        self._title, self._since_s, self._until_s = title, since_s, max(until_s, since_s + 1)
        room = max((high - low) * 0.08, 1e-6)
        self._low, self._high = low - room, high + room
        self._gap_s = max(GAP_S, GAP_FRACTION * (self._until_s - since_s))
        self._parts: list[str] = []

    def x(self, wall_s: float) -> float:
        return LEFT + (WIDTH - LEFT) * (wall_s - self._since_s) / (self._until_s - self._since_s)

    def y(self, value: float) -> float:
        return TOP + TALL * (1 - (value - self._low) / (self._high - self._low))

    def band(self, values: Sequence[Band], kind: str) -> None:
        """The area between low and high, with a break where values are missing."""
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
        """Shades a flight."""
        self._parts.insert(
            0,
            f'<rect class="flight" x="{self.x(from_s):.1f}" y="{TOP:.0f}" '
            f'width="{max(self.x(to_s) - self.x(from_s), 0):.1f}" '
            f'height="{TALL:.0f}"/>',
        )

    def level(self, value: float, words: str) -> None:
        """A limit, if it is within the plot."""
        if self._low <= value <= self._high:
            y = self.y(value)
            self._parts.append(f'<path class="limit" d="M{LEFT:.0f} {y:.1f}H{WIDTH:.0f}"/>')
            self._parts.append(f'<text x="{WIDTH - 3:.0f}" y="{y - 3:.1f}" text-anchor="end">{escape(words)}</text>')

    def svg(self, description: str) -> str:
        """The drawing; `description` is its text for a person who cannot see it."""
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
        drawn = f'<svg {size} role="img" aria-label="{escape(description)}">{inside}</svg>'
        return f'<div class="lane" role="group" aria-label="{escape(self._title)}" tabindex="0">{drawn}</div>'


def _ticks(low: float, high: float) -> list[float]:
    """Three or four round numbers within the range."""
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


def lanes(box: BoxReport, since_s: float, until_s: float) -> str:
    """Voltage, state of charge and runtime with their bands, temperatures with fans."""
    filled = (
        f"<p>Summaries of 10 s replace lost readings for {minutes(box.filled_s)} of these plots. The sums below do "
        "not contain them.</p>"
    )
    drawn = [
        _volts(box, since_s, until_s),
        _charge(box, since_s, until_s),
        _runtime(box, since_s, until_s),
        _heat(box, since_s, until_s),
        _battery_temperature(box, since_s, until_s),
        filled if box.filled_s else "",
    ]
    return "".join(drawn)


def _bands(box: BoxReport, low: str, high: str) -> list[Band]:
    a, b = box.names.index(low) + 1, box.names.index(high) + 1
    return [(row[0], row[a], row[b]) for row in box.rows if row[a] is not None and row[b] is not None]


def _plot(title: str, box: BoxReport, since_s: float, until_s: float, values: Sequence[Band]) -> LanePlot:
    plot = LanePlot(title, since_s, until_s, min(value[1] for value in values), max(value[2] for value in values))
    for flight in box.flights:
        plot.stretch(flight.launched_s, until_s if flight.landed_s is None else flight.landed_s)
    return plot


def _volts(box: BoxReport, since_s: float, until_s: float) -> str:
    values = _bands(box, "battery_min_volts", "battery_max_volts")
    if not values:
        return "<p>There are no voltage readings.</p>"
    plot = _plot("battery voltage, V (flights shaded)", box, since_s, until_s, values)
    plot.band(values, "volts")
    plot.line(_bands(box, "battery_mean_volts", "battery_mean_volts"), "mean")
    if box.end_volts is not None:
        plot.level(box.end_volts, f"end voltage {box.end_volts:.2f} V")
    low, high = min(value[1] for value in values), max(value[2] for value in values)
    return plot.svg(f"Voltage of {box.box} between {low:.2f} and {high:.2f} V")


def _charge(box: BoxReport, since_s: float, until_s: float) -> str:
    """The estimated band; dashed: the actual value, where it is known."""
    points = [(point.wall_s, point.soc) for run in box.runs for point in run.points if point.soc]
    if not points:
        return ""
    values = [(wall_s, 100 * soc[0], 100 * soc[2]) for wall_s, soc in points]
    title = "state of charge, % (band: 5 to 95 %; dashed: actual)"
    plot = _plot(title, box, since_s, until_s, [*values, (since_s, 0.0, 100.0)])
    plot.band(values, "soc")
    plot.line([(wall_s, 100 * soc[1], 100 * soc[1]) for wall_s, soc in points], "mean")
    for run in box.runs:
        plot.line([(wall_s, 100 * actual, 100 * actual) for wall_s, actual in counted_back(run)], "actual")
    drawn = plot.svg(f"State of charge of {box.box}, at the end {values[-1][1]:.0f} to {values[-1][2]:.0f} %")
    words = _actual_words(box)
    return f"{drawn}<p>{escape(words)}</p>" if words else drawn


def _actual_words(box: BoxReport) -> str:
    """The origin of the dashed line, or "" without one."""
    parts = []
    for run in box.runs:
        held, last = actual_fraction_in_band(run), run.points[-1].soc if run.points else None
        if held is not None and last is not None and run.capacity_ah:
            remained = f"{100 * last[1]:.0f} % ({100 * last[0]:.0f} to {100 * last[2]:.0f}) of {run.capacity_ah:.1f} Ah"
            parts.append(
                f"It reached its limit at {clock(run.ended_s)}. The last estimate was {remained}; the dashed line adds "
                f"the {run.drawn_ah:.2f} Ah measured before. "
                f"The band contains it at {100 * held:.0f} % of the points."
            )
    return " ".join(parts)


def _runtime(box: BoxReport, since_s: float, until_s: float) -> str:
    """The predicted runtime; dashed: the actual runtime, for each run that ended at its limit."""
    points = [(point.wall_s, point.runtime_s) for run in box.runs for point in run.points if point.runtime_s]
    if not points:
        return ""
    actual = [(one.wall_s, one.actual_s) for run in box.runs if run.ended_by == "limit" for one in judged_all(run)]
    top_s = _ROOM * max([expected for _, (_, expected, _) in points] + [actual_s for _, actual_s in actual])
    values = [(wall_s, min(low, top_s) / 60, min(high, top_s) / 60) for wall_s, (low, _, high) in points]
    title = "runtime, minutes (band: low to high; dashed: actual)"
    plot = _plot(title, box, since_s, until_s, [*values, (since_s, 0.0, 0.0)])
    plot.band(values, "soc")
    plot.line([(wall_s, expected / 60, expected / 60) for wall_s, (_, expected, _) in points], "mean")
    for run in box.runs:
        if run.ended_by == "limit":
            plot.line([(one.wall_s, one.actual_s / 60, one.actual_s / 60) for one in judged_all(run)], "actual")
    low, expected, high = (seconds / 60 for seconds in points[-1][1])
    return plot.svg(f"Runtime of {box.box}, at the end {low:.0f} / {expected:.0f} / {high:.0f} min")


def _heat(box: BoxReport, since_s: float, until_s: float) -> str:
    values = _bands(box, "case_min_c", "case_max_c")
    if not values:
        return "<p>There are no case temperature readings.</p>"
    outside = _bands(box, "intake_min_c", "intake_max_c")
    plot = _plot("case temperature, °C (dashed: ambient; below: fans)", box, since_s, until_s, [*values, *outside])
    low = min(value[1] for value in [*values, *outside])
    room = (max(value[2] for value in values) - low) / 8
    fans = [(t, low, low + room * percent / 100) for t, percent, _ in _bands(box, "fan_percent", "fan_percent")]
    plot.band(fans, "fans")
    plot.line(values, "mean")
    plot.line(outside, "second")
    for level_c in case_levels_c(box.limits):
        plot.level(level_c, f"{level_c:g} °C, {_whose(box)}")
    return plot.svg(f"Case of {box.box} between {min(v[1] for v in values):.0f} and {max(v[2] for v in values):.0f} °C")


def _battery_temperature(box: BoxReport, since_s: float, until_s: float) -> str:
    values = _bands(box, "battery_min_c", "battery_max_c")
    if not values:
        return ""
    plot = _plot("battery temperature, °C", box, since_s, until_s, values)
    plot.line(values, "mean")
    for level_c in battery_levels_c(box.limits):
        plot.level(level_c, f"{level_c:g} °C, {_whose(box)}")
    low, high = min(value[1] for value in values), max(value[2] for value in values)
    return plot.svg(f"Battery temperature of {box.box} between {low:.0f} and {high:.0f} °C")


def _whose(box: BoxReport) -> str:
    return "limit of its board" if box.limits else "default limit"
