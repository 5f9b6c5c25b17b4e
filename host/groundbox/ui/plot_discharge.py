"""One discharge as a picture: voltage, state of charge, and the runtime band against how long it really lasted."""

from collections.abc import Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from groundbox.battery.estimate import Estimate
from groundbox.errors import BadInput

ENDINGS = (".svg", ".png", ".pdf")


def check_plot(path: str) -> None:
    """BadInput where a picture could not be written there, before any work is done for it."""
    if find_spec("matplotlib") is None:
        raise BadInput("--plot", "", "needs matplotlib: pip install 'groundbox[plot]'")
    if Path(path).suffix.lower() not in ENDINGS:
        raise BadInput("--plot", path, f"wants a name that ends in {', '.join(ENDINGS)}")
    if not Path(path).absolute().parent.is_dir():
        raise BadInput("--plot", path, "its folder is not there; make it, or name another")


def plot_discharge(
    path: Path | str, title: str, volts: Sequence[tuple[float, float]], answers: Sequence[Estimate], cutoff_volts: float
) -> None:
    """Writes a picture (SVG, PNG or PDF by the name's ending); volts are (t_s, volts) rows. Needs matplotlib."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 7.5), layout="constrained")
    top, middle, bottom = figure.subplots(3, 1, sharex=True, height_ratios=[2, 1.2, 2])
    top.plot([t / 3600 for t, _ in volts], [v for _, v in volts], color="tab:blue")
    top.axhline(cutoff_volts, color="0.4", linestyle=":")
    top.set_ylabel("battery, V")
    top.set_title(title)
    charge = [a for a in answers if a.soc is not None]
    middle.plot([(a.t_s or 0) / 3600 for a in charge], [100 * (a.soc or 0) for a in charge], color="tab:green")
    middle.fill_between(
        [(a.t_s or 0) / 3600 for a in charge],
        [100 * (a.soc_low or 0) for a in charge],
        [100 * (a.soc_high or 0) for a in charge],
        color="tab:green",
        alpha=0.2,
    )
    middle.set_ylabel("charge, %")
    _runtimes(bottom, answers, next((t for t, v in volts if v < cutoff_volts), None))
    bottom.set_xlabel("hours since the log began")
    try:
        figure.savefig(path)
    except (OSError, ValueError) as error:
        raise BadInput(path, "", f"the plot cannot be written ({error})") from error


def _runtimes(axes: Any, answers: Sequence[Estimate], ended_s: float | None) -> None:
    known = [a for a in answers if a.runtime_expected_s is not None and a.t_s is not None]
    hours = [(a.t_s or 0) / 3600 for a in known]
    low, expected, high = (
        [(getattr(a, f"runtime_{name}_s") or 0) / 3600 for a in known] for name in ("early", "likely", "late")
    )
    axes.fill_between(hours, low, high, alpha=0.2, color="tab:orange", label="early to late")
    axes.plot(hours, expected, color="tab:orange", label="likely")
    if ended_s is not None:
        before = [h for h in hours if h <= ended_s / 3600]
        axes.plot(before, [ended_s / 3600 - h for h in before], "k--", label="as it came")
        axes.set_ylim(0, 1.6 * max([ended_s / 3600 - before[0], 0.1]) if before else None)
    axes.set_ylabel("runtime left, h")
    axes.legend(loc="upper right")
