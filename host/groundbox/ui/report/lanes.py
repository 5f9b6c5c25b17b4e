"""The lanes of one box over the session's time, as drawings for the report. Pure."""

from collections.abc import Sequence
from html import escape

from groundbox.advice.words import clock, span
from groundbox.monitor.board_limits import case_levels_c, celsius
from groundbox.ui.report.gather import BoxReport
from groundbox.ui.report.plot import Band, Plot
from groundbox.ui.report.runs import counted_back, judged_all, truth_held

_ROOM = 1.3  # of the longest expected runtime: beyond, a wide band is cut off


def lanes(box: BoxReport, since_s: float, until_s: float) -> str:
    """Voltage, charge and runtime left with their bands, temperatures with fans."""
    filled = (
        f"<p>10-second summaries fill {span(box.filled_s)} of these plots, for which no readings came; they are in no "
        "sum below.</p>"
    )
    drawn = [
        _volts(box, since_s, until_s),
        _charge_left(box, since_s, until_s),
        _runtime_left(box, since_s, until_s),
        _heat(box, since_s, until_s),
        _block(box, since_s, until_s),
        filled if box.filled_s else "",
    ]
    return "".join(drawn)


def _bands(box: BoxReport, low: str, high: str, scale: float) -> list[Band]:
    a, b = box.names.index(low) + 1, box.names.index(high) + 1
    return [
        (row[0] / 1000, row[a] / scale, row[b] / scale) for row in box.rows if row[a] is not None and row[b] is not None
    ]


def _plot(title: str, box: BoxReport, since_s: float, until_s: float, values: Sequence[Band]) -> Plot:
    plot = Plot(title, since_s, until_s, min(value[1] for value in values), max(value[2] for value in values))
    for flight in box.flights:
        plot.stretch(flight.launched_s, until_s if flight.landed_s is None else flight.landed_s)
    return plot


def _volts(box: BoxReport, since_s: float, until_s: float) -> str:
    values = _bands(box, "battery_min_mv", "battery_max_mv", 1000)
    if not values:
        return "<p>No voltage was read.</p>"
    plot = _plot("voltage at the battery, V (flights shaded)", box, since_s, until_s, values)
    plot.band(values, "volts")
    plot.line(_bands(box, "battery_mean_mv", "battery_mean_mv", 1000), "mean")
    low, high = min(value[1] for value in values), max(value[2] for value in values)
    return plot.svg(f"Voltage of {box.box} between {low:.2f} and {high:.2f} V")


def _charge_left(box: BoxReport, since_s: float, until_s: float) -> str:
    """The band, and dashed what turned out true where that is known."""
    told = [(point.wall_s, point.soc) for run in box.runs for point in run.points if point.soc]
    if not told:
        return ""
    values = [(wall_s, 100 * soc[0], 100 * soc[2]) for wall_s, soc in told]
    title = "charge left, % (band: 5 to 95 %; dashed: what turned out true)"
    plot = _plot(title, box, since_s, until_s, [*values, (since_s, 0.0, 100.0)])
    plot.band(values, "soc")
    plot.line([(wall_s, 100 * soc[1], 100 * soc[1]) for wall_s, soc in told], "mean")
    for run in box.runs:
        plot.line([(wall_s, 100 * share, 100 * share) for wall_s, share in counted_back(run)], "truth")
    drawn = plot.svg(f"Charge left of {box.box}, at the end {values[-1][1]:.0f} to {values[-1][2]:.0f} %")
    return f"{drawn}<p>{escape(_charge_truth(box))}</p>"


def _charge_truth(box: BoxReport) -> str:
    """What the dashed line is, or why there is none."""
    parts = []
    for run in box.runs:
        held, last = truth_held(run), run.points[-1].soc if run.points else None
        if held is not None and last is not None and run.capacity_ah:
            left = f"{100 * last[1]:.0f} % ({100 * last[0]:.0f} to {100 * last[2]:.0f}) of {run.capacity_ah:.1f} Ah"
            parts.append(
                f"Its limit came at {clock(run.ended_s)} with {left} left by the last estimate; "
                f"the {run.drawn_ah:.2f} Ah measured before are added back. "
                f"The band held that at {100 * held:.0f} % of the moments."
            )
    return " ".join(parts) or "What turned out true is not known: the battery was never run down to its limit."


def _runtime_left(box: BoxReport, since_s: float, until_s: float) -> str:
    """What was told all along, and dashed what was left indeed, of each stretch that ended at its limit."""
    told = [(point.wall_s, point.runtime_s) for run in box.runs for point in run.points if point.runtime_s]
    if not told:
        return ""
    came = [(one.wall_s, one.true_s) for run in box.runs if run.ended_by == "limit" for one in judged_all(run)]
    most_s = _ROOM * max([likely for _, (_, likely, _) in told] + [true_s for _, true_s in came])
    values = [(wall_s, min(early, most_s) / 3600, min(late, most_s) / 3600) for wall_s, (early, _, late) in told]
    title = "runtime left, hours (band: at worst to at best; dashed: as it came)"
    plot = _plot(title, box, since_s, until_s, [*values, (since_s, 0.0, 0.0)])
    plot.band(values, "soc")
    plot.line([(wall_s, likely / 3600, likely / 3600) for wall_s, (_, likely, _) in told], "mean")
    for run in box.runs:
        if run.ended_by == "limit":
            plot.line([(one.wall_s, one.true_s / 3600, one.true_s / 3600) for one in judged_all(run)], "truth")
    low, expected, high = (seconds / 60 for seconds in told[-1][1])
    drawn = plot.svg(f"Runtime left of {box.box}, at the end {low:.0f} / {expected:.0f} / {high:.0f} min")
    none = "How long it would have lasted is not known: no stretch ended at its limit."
    return drawn if came else f"{drawn}<p>{none}</p>"


def _heat(box: BoxReport, since_s: float, until_s: float) -> str:
    values = _bands(box, "case_min_centi_c", "case_max_centi_c", 100)
    if not values:
        return "<p>No case temperature was read.</p>"
    outside = _bands(box, "intake_min_centi_c", "intake_max_centi_c", 100)
    plot = _plot("case, C (dashed: air outside; below: fans)", box, since_s, until_s, [*values, *outside])
    low = min(value[1] for value in [*values, *outside])
    room = (max(value[2] for value in values) - low) / 8
    fans = [(t, low, low + room * share / 100) for t, share, _ in _bands(box, "fan_percent", "fan_percent", 1)]
    plot.band(fans, "fans")
    plot.line(values, "mean")
    plot.line(outside, "second")
    for level_c in case_levels_c(box.limits):
        plot.level(level_c, f"{level_c:g} C, {_whose(box)}")
    return plot.svg(f"Case of {box.box} between {min(v[1] for v in values):.0f} and {max(v[2] for v in values):.0f} C")


def _block(box: BoxReport, since_s: float, until_s: float) -> str:
    values = _bands(box, "battery_min_centi_c", "battery_max_centi_c", 100)
    if not values:
        return ""
    plot = _plot("battery, C", box, since_s, until_s, values)
    plot.line(values, "mean")
    for level_c in celsius(box.limits, "battery_cold_centi_c", "battery_warm_centi_c", "battery_hot_centi_c"):
        plot.level(level_c, f"{level_c:g} C, {_whose(box)}")
    low, high = min(value[1] for value in values), max(value[2] for value in values)
    return plot.svg(f"Battery block of {box.box} between {low:.0f} and {high:.0f} C")


def _whose(box: BoxReport) -> str:
    return "a limit of its board" if box.limits else "a limit as boards come"
