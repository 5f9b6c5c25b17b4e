"""The plot of a planned day: in the terminal, as SVG, and (with matplotlib) as PNG."""

from collections.abc import Iterator
from pathlib import Path
from xml.sax.saxutils import escape

from groundbox.advice.result import WAIT
from groundbox.errors import BadInput
from groundbox.plan.battery_pool import SocBand
from groundbox.plan.planner import Plan
from groundbox.ui.plot import band, check_plot, clock_axis, panels, save

WIDTH = 72
LEVELS = " ▁▂▃▄▅▆▇█"
PANEL_PX, LABEL_PX, PLOT_PX, GAP_PX = 90, 110, 820, 34


def _soc_at(trace: list[tuple[float, SocBand]], minute: float) -> SocBand:
    """Straight between the slots' edges."""
    for (x0, a), (x1, b) in zip(trace, trace[1:], strict=False):
        if minute <= x1:
            part = (minute - x0) / (x1 - x0) if x1 > x0 else 0.0
            return SocBand(
                low=a.low + part * (b.low - a.low),
                expected=a.expected + part * (b.expected - a.expected),
                high=a.high + part * (b.high - a.high),
            )
    return trace[-1][1]


def spans(plan: Plan, battery: str) -> Iterator[tuple[str, float, float, str]]:
    """(kind, from, until, words) of the flights and charges of a battery, in minutes of the day."""
    lengths = {planned.name: planned.flight.length_min for planned in plan.day.flights}
    for answer in plan.outcome.answers:
        if answer.battery == battery and answer.launch_min is not None:
            begin = answer.launch_min
            words = f"{answer.flight} {plan.day.clock(begin)}" + (" wait" if answer.verdict == WAIT else "")
            words += f", {' and '.join(answer.loads_off)} off" if answer.loads_off else ""
            yield "flight", begin, begin + lengths[answer.flight], words
    for run in plan.outcome.charges:
        if run.battery == battery:
            yield "charge", run.start_min, run.end_min, f"{run.charger} {run.amps:.3g} A"


def text_plot(plan: Plan, width: int = WIDTH) -> list[str]:
    """For each battery two rows of bars (expected and low) and its use, over the clock."""
    begin, end = plan.table.bounds_min[0], plan.table.bounds_min[-1]
    minutes = [begin + (end - begin) * (column + 0.5) / width for column in range(width)]
    lines = []
    for battery, trace in sorted(plan.outcome.traces.items()):
        socs = [_soc_at(trace, minute) for minute in minutes]
        use = ["."] * width
        for kind, low, high, _ in spans(plan, battery):
            for column, minute in enumerate(minutes):
                if low <= minute < high:
                    use[column] = "F" if kind == "flight" else "B" if use[column] == "F" else "c"
        expected = "".join(LEVELS[round(8 * min(1.0, soc.expected))] for soc in socs)
        low_bars = "".join(LEVELS[round(8 * min(1.0, soc.low))] for soc in socs)
        lines += [
            f"{battery[:10]:>10} expected {expected} {100 * socs[0].expected:3.0f} to {100 * socs[-1].expected:.0f} %"
        ]
        lines += [f"{'':>10}      low {low_bars} {100 * socs[0].low:3.0f} to {100 * socs[-1].low:.0f} %"]
        lines += [f"{'':>10}      use {''.join(use)}", ""]
    return [
        *lines,
        _clock_row(plan, begin, end, width),
        f"{'':>20}F in the air, c on a charger, B both; bars from empty to full",
    ]


def _clock_row(plan: Plan, begin: float, end: float, width: int) -> str:
    row = [" "] * (width + 6)
    hour = -(-(plan.day.start_clock_min + begin) // 60) * 60 - plan.day.start_clock_min
    while hour <= end:
        place = int((hour - begin) / (end - begin) * width)
        row[place : place + 5] = plan.day.clock(hour)[:5]
        hour += 60 if (end - begin) <= 480 else 120
    return f"{'':>20}" + "".join(row).rstrip()


def _panel(plan: Plan, battery: str, top: float) -> list[str]:
    begin, end = plan.table.bounds_min[0], plan.table.bounds_min[-1]
    trace = plan.outcome.traces[battery]

    def x(minute: float) -> float:
        return LABEL_PX + PLOT_PX * (minute - begin) / (end - begin)

    def y(soc: float) -> float:
        return top + PANEL_PX * (1 - min(max(soc, 0.0), 1.0))

    parts = [f'<text x="8" y="{top + PANEL_PX / 2:.0f}" class="name">{escape(battery)}</text>']
    for kind, low, high, words in spans(plan, battery):
        box = f'x="{x(low):.1f}" width="{x(high) - x(low):.1f}"'
        if kind == "flight":
            parts.append(
                f'<rect {box} y="{top}" height="{PANEL_PX}" class="flight"><title>{escape(words)}</title></rect>'
            )
            short = escape(words.partition(",")[0])
            parts.append(f'<text x="{x(low) + 3:.1f}" y="{top + PANEL_PX - 4}" class="small">{short}</text>')
        else:
            parts.append(
                f'<rect {box} y="{top + PANEL_PX}" height="9" class="charge"><title>{escape(words)}</title></rect>'
            )
            parts.append(f'<text x="{x(low) + 2:.1f}" y="{top + PANEL_PX + 20}" class="small">{escape(words)}</text>')
    upper = [f"{x(minute):.1f},{y(soc.high):.1f}" for minute, soc in trace]
    lower = [f"{x(minute):.1f},{y(soc.low):.1f}" for minute, soc in reversed(trace)]
    middle = " ".join(f"{x(minute):.1f},{y(soc.expected):.1f}" for minute, soc in trace)
    parts.append(f'<polygon points="{" ".join(upper + lower)}" class="band"/>')
    parts.append(f'<polyline points="{middle}" class="expected"/>')
    for soc in (0.0, 0.5, 1.0):
        parts.append(
            f'<line x1="{LABEL_PX}" x2="{LABEL_PX + PLOT_PX}" y1="{y(soc):.1f}" y2="{y(soc):.1f}" class="rule"/>'
        )
        parts.append(f'<text x="{LABEL_PX - 34}" y="{y(soc) + 4:.1f}" class="small">{100 * soc:.0f} %</text>')
    return parts


STYLE = (
    "text{font-family:sans-serif;fill:#222}.name{font-size:15px}.small{font-size:10px}"
    ".band{fill:#9ab;fill-opacity:.5}.expected{fill:none;stroke:#124;stroke-width:2}"
    ".flight{fill:#e8d9b0}.charge{fill:#6a8f5a}.rule{stroke:#888;stroke-width:.5}"
)


def _title(plan: Plan) -> str:
    return f"{plan.day.name}: state of charge, expected and its band; flights shaded; charges as bars below"


def svg_plot(plan: Plan) -> str:
    """One panel for each battery: charge with its band, flights shaded, charges as bars under it."""
    begin, end = plan.table.bounds_min[0], plan.table.bounds_min[-1]
    parts, top = [], 40.0
    for battery in sorted(plan.outcome.traces):
        parts += _panel(plan, battery, top)
        top += PANEL_PX + GAP_PX
    hour = -(-(plan.day.start_clock_min + begin) // 60) * 60 - plan.day.start_clock_min
    while hour <= end:
        place = LABEL_PX + PLOT_PX * (hour - begin) / (end - begin)
        parts.append(f'<line x1="{place:.1f}" x2="{place:.1f}" y1="32" y2="{top - 10:.0f}" class="rule"/>')
        parts.append(f'<text x="{place - 14:.1f}" y="{top + 6:.0f}" class="small">{plan.day.clock(hour)}</text>')
        hour += 60
    width, height = LABEL_PX + PLOT_PX + 20, top + 20
    title = _title(plan)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height:.0f}" role="img">'
        f"<title>{escape(title)}</title>"
        f"<style>{STYLE}</style><rect width='100%' height='100%' fill='#fff'/>"
        f'<text x="8" y="20" class="name">{escape(title)}</text>{"".join(parts)}</svg>\n'
    )


def _png_plot(plan: Plan, path: Path) -> None:
    names = sorted(plan.outcome.traces)
    figure, axes = panels((11, 1.9 * len(names) + 0.8), [1] * len(names))
    start_min = plan.day.start_clock_min
    for axis, battery in zip(axes, names, strict=True):
        trace = plan.outcome.traces[battery]
        rows = [(100 * soc.low, 100 * soc.expected, 100 * soc.high) for _, soc in trace]
        band(axis, [start_min + minute for minute, _ in trace], rows, "tab:blue", battery)
        for kind, low, high, words in spans(plan, battery):
            flight = kind == "flight"
            axis.axvspan(
                start_min + low,
                start_min + high,
                ymax=1.0 if flight else 0.06,
                alpha=0.3 if flight else 0.8,
                color="#c8a850" if flight else "#4a7a3a",
            )
            axis.annotate(words, (start_min + low, 93 if flight else 8), fontsize=7)
        axis.set_ylim(0, 102)
        axis.set_ylabel(f"{battery}, %")
    bounds_min = plan.table.bounds_min
    clock_axis(axes[-1], start_min + bounds_min[0], start_min + bounds_min[-1])
    figure.suptitle(_title(plan), fontsize=10)
    save(figure, path)


def save_plot(plan: Plan, path: Path) -> None:
    """Write the picture; the file's ending (.svg or .png) is its kind."""
    if path.suffix.lower() not in (".svg", ".png"):
        raise BadInput(path, "", "name the picture .svg or .png")
    try:
        if path.suffix.lower() == ".svg":
            path.write_text(svg_plot(plan), encoding="utf-8")
        else:
            check_plot(path)
            _png_plot(plan, path)
    except OSError as error:
        raise BadInput(path, "", f"cannot be written ({error.strerror}): choose another folder") from error
