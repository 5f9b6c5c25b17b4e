"""Plots with matplotlib: a replayed discharge, a run of the rig, and functions for the plot of a planned day.

Without matplotlib only `--plot` fails; the report and the planned day write SVG of their own.
"""

from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from groundbox.advice.conditions import KINDS
from groundbox.advice.result import SEVERITIES
from groundbox.errors import BadInput

if TYPE_CHECKING:
    from groundbox.battery.values import Estimate
    from groundbox.rig.scenario import Scenario
    from groundbox.rig.trace import Trace

ENDINGS = (".svg", ".png", ".pdf")
TICKS_MIN = (0.5, 1, 2, 5, 10, 15, 30, 60, 120, 240)
_MAX_TICKS = 10
_SHADES = {"notice": "0.75", "urgent": "0.45", "stop": "0.05"}


def check_plot(path: Path | str, endings: Sequence[str] = ENDINGS) -> None:
    """Refuses a picture that cannot be written, before any work is done for it.

    Raises:
        BadInput: matplotlib is absent, the ending is unknown, or the folder is absent.
    """
    if find_spec("matplotlib") is None:
        raise BadInput("--plot", "", "needs matplotlib: pip install 'groundbox[plot]'")
    if Path(path).suffix.lower() not in endings:
        raise BadInput("--plot", str(path), f"write a name that ends in {', '.join(endings)}")
    if not Path(path).absolute().parent.is_dir():
        raise BadInput("--plot", str(path), "its folder does not exist; make it, or name another")


def panels(size: tuple[float, float], heights: Sequence[float]) -> tuple[Any, list[Any]]:
    """A figure of `size` inches, and its panels over one common time axis, with relative `heights`."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, layout="constrained")
    axes = figure.subplots(len(heights), 1, sharex=True, squeeze=False, height_ratios=list(heights))[:, 0]
    for one in axes:
        one.grid(alpha=0.3)
    return figure, list(axes)


def band(axes: Any, x: Sequence[float], rows: Sequence[tuple[float, float, float]], colour: str, label: str) -> None:
    """A line with the space from low to high around it; `rows` are (low, expected, high)."""
    low, expected, high = ([row[i] for row in rows] for i in range(3))
    axes.fill_between(x, low, high, color=colour, alpha=0.2, label=f"{label}, low to high")
    axes.plot(x, expected, color=colour, label=f"{label}, expected")


def clock_axis(axes: Any, from_min: float, until_min: float) -> None:
    """Labels a time axis in minutes of the day with clock times."""
    from matplotlib.ticker import MultipleLocator

    step = next((one for one in TICKS_MIN if (until_min - from_min) / one <= _MAX_TICKS), TICKS_MIN[-1])
    axes.set_xlim(from_min, until_min)
    axes.xaxis.set_major_locator(MultipleLocator(step))
    seconds = ":%02d" if step < 1 else ""

    def clock(minute: float, _: object) -> str:
        text = f"{int(minute // 60) % 24:02d}:{int(minute) % 60:02d}"
        return text + (seconds % (round(minute * 60) % 60) if seconds else "")

    axes.xaxis.set_major_formatter(clock)
    axes.set_xlabel("time of day")


def save(figure: Any, path: Path | str) -> None:
    """Writes the picture in the form that `path` ends in; BadInput when it cannot be written."""
    try:
        figure.savefig(path, dpi=110)
    except (OSError, ValueError) as error:
        raise BadInput(path, "", f"the plot cannot be written ({error})") from error


def plot_discharge(
    path: Path | str,
    title: str,
    volts: Sequence[tuple[float, float]],
    answers: Sequence["Estimate"],
    cutoff_volts: float,
) -> None:
    """Voltage, state of charge, and the runtime band against the actual runtime; `volts` are (t_s, volts) rows."""
    figure, (top, middle, bottom) = panels((8, 7.5), (2, 1.2, 2))
    top.plot([t / 3600 for t, _ in volts], [v for _, v in volts], color="tab:blue")
    top.axhline(cutoff_volts, color="0.4", linestyle=":")
    top.set_ylabel("battery, V")
    top.set_title(title)
    timed = [(a.t_s / 3600, a) for a in answers if a.t_s is not None]
    known = [(hour, a) for hour, a in timed if a.soc is not None]
    socs = [tuple(100 * (value or 0.0) for value in (a.soc_low, a.soc, a.soc_high)) for _, a in known]
    band(middle, [hour for hour, _ in known], socs, "tab:green", "charge")  # type: ignore[arg-type]
    middle.set_ylabel("state of charge, %")
    _runtimes(bottom, timed, next((t / 3600 for t, v in volts if v < cutoff_volts), None))
    bottom.set_xlabel("hours since the log began")
    save(figure, path)


def _runtimes(axes: Any, timed: Sequence[tuple[float, "Estimate"]], ended_h: float | None) -> None:
    known = [(hour, a) for hour, a in timed if a.runtime_expected_s is not None]
    hours = [hour for hour, _ in known]
    spans = [(a.runtime_low_s, a.runtime_expected_s, a.runtime_high_s) for _, a in known]
    rows = [tuple((seconds or 0.0) / 3600 for seconds in span) for span in spans]
    band(axes, hours, rows, "tab:orange", "runtime")  # type: ignore[arg-type]
    if ended_h is not None:
        before = [hour for hour in hours if hour <= ended_h]
        axes.plot(before, [ended_h - hour for hour in before], "k--", label="actual")
        axes.set_ylim(0, 1.6 * max(ended_h - before[0], 0.1) if before else None)
    axes.set_ylabel("runtime, h")
    axes.legend(loc="upper right")


def plot_run(scenario: "Scenario", trace: "Trace", path: Path) -> None:
    """Temperatures, voltage, fans and warnings of a scenario's run over the clock."""
    figure, axes = panels((11, 9), (3, 3, 2, 2))
    heat, volts, fans, warnings = axes

    def minute(at_s: float) -> float:
        return (scenario.starts_s + at_s) / 60

    at = [minute(at_s) for at_s in trace.at_s]
    for panel, names in ((heat, ("case", "walls", "battery")), (volts, ("voltage", "equipment"))):
        for name, style in zip(names, ("-", "--", ":"), strict=False):
            panel.plot(at, trace.truth[name], style, label=name)
    reported = [(minute(at_s), reading.case_c) for at_s, reading in trace.in_order()]
    heat.plot([x for x, _ in reported], [c for _, c in reported], ",", color="black", label="case as reported")
    fans.step(
        [minute(at_s) for at_s, *_ in trace.drives],
        [max(percents, default=0) for _, percents, _, _ in trace.drives],
        where="post",
        label="drive",
    )
    for panel, unit in ((heat, "°C"), (volts, "V"), (fans, "% of full drive")):
        panel.set_ylabel(unit)
        panel.legend(loc="upper left", fontsize="small")
    kinds = [kind for kind in KINDS if any(change.warning == kind for _, change in trace.warnings)]
    for row, kind in enumerate(kinds):
        steps = trace.warned_steps(kind)
        for (from_s, word), to_s in zip(steps, [*(s for s, _ in steps[1:]), trace.end_s], strict=True):
            if word in SEVERITIES:
                stretch = (minute(from_s), (to_s - from_s) / 60)
                warnings.broken_barh([stretch], (row - 0.4, 0.8), color=_SHADES[str(word)])
    warnings.set_yticks(range(len(kinds)), kinds)
    warnings.set_ylabel("warnings")
    clock_axis(warnings, minute(0.0), minute(trace.end_s))
    figure.suptitle(scenario.story, fontsize="medium", wrap=True)
    save(figure, path)
