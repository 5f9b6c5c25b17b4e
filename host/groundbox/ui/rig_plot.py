"""A scenario's run as a timeline: temperatures, voltage, fans and warnings over the clock. Needs matplotlib."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

from groundbox.advice.condition import SEVERITIES
from groundbox.advice.table import KINDS
from groundbox.errors import BadInput
from groundbox.rig.scenario import Scenario
from groundbox.rig.trace import Trace

_SHADES = {"notice": "0.75", "urgent": "0.45", "stop": "0.05"}


def draw(scenario: Scenario, trace: Trace, path: Path) -> None:
    """Writes the picture in the form `path` ends in (png, svg, pdf).

    Raises:
        BadInput: matplotlib is absent, or the file cannot be written.
    """
    try:
        from matplotlib.dates import DateFormatter
        from matplotlib.figure import Figure
    except ImportError as error:
        raise BadInput("--plot", "", "needs matplotlib: pip install 'groundbox[plot]'") from error
    figure = Figure(figsize=(11, 9), layout="constrained")
    heat, volts, fans, signs = figure.subplots(4, 1, sharex=True, height_ratios=(3, 3, 2, 2))
    day = datetime(2001, 1, 1, tzinfo=UTC) + timedelta(seconds=scenario.starts_s)
    at = [day + timedelta(seconds=s) for s in trace.at_s]
    for name, style in (("case", "-"), ("walls", "--"), ("battery", ":")):
        heat.plot(at, trace.truth[name], style, label=name)
    shown = [(day + timedelta(seconds=s), reading.case_c) for s, reading in trace.live()]
    heat.plot([s for s, _ in shown], [c for _, c in shown], ",", color="black", label="case as shown")
    heat.set_ylabel("C")
    for name, style in (("voltage", "-"), ("equipment", "--")):
        volts.plot(at, trace.truth[name], style, label=name)
    volts.set_ylabel("V")
    drives = [(day + timedelta(seconds=s), max(percents, default=0)) for s, percents, _, _ in trace.drives]
    fans.step([s for s, _ in drives], [percent for _, percent in drives], where="post", label="drive")
    fans.set_ylabel("% of full drive")
    _bars(signs, trace, day)
    for axes in (heat, volts, fans):
        axes.legend(loc="upper left", fontsize="small")
        axes.grid(alpha=0.3)
    signs.xaxis.set_major_formatter(DateFormatter("%H:%M"))  # type: ignore[no-untyped-call]
    figure.suptitle(scenario.story, fontsize="medium", wrap=True)
    try:
        figure.savefig(path)
    except (OSError, ValueError) as error:
        raise BadInput(path, "", f"cannot be written: {error}") from error


def _bars(axes: object, trace: Trace, day: datetime) -> None:
    """One row a warning that was up, darker when worse."""
    kinds = [kind for kind in KINDS if any(change.warning == kind for _, change in trace.warnings)]
    for row, kind in enumerate(kinds):
        steps = trace.warned_steps(kind)
        for (from_s, word), to_s in zip(steps, [*(s for s, _ in steps[1:]), trace.end_s], strict=True):
            if word in SEVERITIES:
                span = ((day + timedelta(seconds=from_s)), timedelta(seconds=to_s - from_s))
                axes.broken_barh([span], (row - 0.4, 0.8), color=_SHADES[str(word)])  # type: ignore[attr-defined]
    axes.set_yticks(range(len(kinds)), kinds)  # type: ignore[attr-defined]
    axes.set_ylabel("warnings")  # type: ignore[attr-defined]
