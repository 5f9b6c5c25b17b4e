"""Runtime left against an independent simulation of the cell's chemistry: PyBaMM's lead-acid model of Sulzer 2019.

Needs `pip install pybamm==26.10.1.1` (BSD licence). Fit for the shape of the curve and for a load that varies, near
25 C; its rate effect is far too weak, its temperature has the wrong sign and its charging is unusable, so loads stay
between a twentieth and a quarter of the capacity and nothing else is asked of it. The nameplate is what the simulated
battery itself gives in 20 hours. Loads are switched smoothly, within about a minute.
"""

from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from typing import Any

import numpy as np
from tests.benchmarks.battery_cases import fitted_to
from tests.benchmarks.battery_replay import HEAD, Case, line, scored
from tests.benchmarks.battery_truth import Run, noisy

from groundbox.battery.profile import BatteryProfile

CELLS, CUTOFF, STEP_S = 6, 10.5, 60.0
FRACTIONS = (1 / 20, 1 / 12, 1 / 8, 1 / 4)  # of C20, steady
PERIODS_S = (600.0, 2400.0, 7200.0)  # of the switching loads
HOURS = 40.0
SMOOTH = 20.0

Load = Callable[[Any], Any]


def simulated(library: Any, name: str, amps: float | Load) -> Run:
    """A discharge from full to the cutoff, a row a minute; `amps` a number or the model's own expression of time."""
    numbers = library.ParameterValues("Sulzer2019")
    numbers["Number of cells connected in series to make a battery"] = CELLS
    numbers["Current function [A]"] = amps
    model = library.lead_acid.LOQS()
    found = library.Simulation(model, parameter_values=numbers).solve([0.0, HOURS * 3600])
    time_s, volts, current = (found[key].entries for key in ("Time [s]", "Battery voltage [V]", "Current [A]"))
    ended = int(np.argmax(np.isnan(volts))) if np.isnan(volts).any() else len(volts)
    time_s, volts, current = time_s[:ended], volts[:ended], current[:ended]
    t_s = np.arange(0.0, time_s[-1], STEP_S)
    volts_at = np.interp(t_s, time_s, volts)
    return Run(
        family="pybamm", name=name, t_s=t_s, volts=volts_at, amps=np.interp(t_s, time_s, current), begin=0,
        cutoff=max(CUTOFF, float(volts_at.min())), start_soc=1.0,
    )  # fmt: skip


def rated(library: Any) -> float:
    """Ampere-hours in 20 hours, near enough: at a load of about a twentieth."""
    run = simulated(library, "20 h", 1.1)
    return run.mean_amps * run.seconds / 3600


def switching(library: Any, mean: float, period_s: float) -> Load:
    """Between a quarter and one and three quarters of `mean` amps, half of each period."""
    turn = 2 * np.pi / period_s
    return lambda t: mean * (1 + 0.75 * library.tanh(SMOOTH * library.sin(turn * t)))


def main(arguments: list[str]) -> None:
    """Prints rows like those of the main table."""
    try:
        library = import_module("pybamm")
    except ImportError:
        raise SystemExit("PyBaMM is not installed here: pip install pybamm==26.10.1.1") from None
    library.set_logging_level("ERROR")
    c20_ah = rated(library)
    profile = BatteryProfile(c20_ah=c20_ah)
    steady = [simulated(library, f"steady {fraction:.2f}", fraction * c20_ah) for fraction in FRACTIONS]
    varied = [
        simulated(library, f"switching {fraction:.2f}, {period:g} s", switching(library, fraction * c20_ah, period))
        for fraction in FRACTIONS[1:]
        for period in PERIODS_S
    ]
    known = fitted_to(profile, [steady[0], steady[2]])
    print(HEAD)
    for label, runs, stated in (
        ("steady, nameplate", steady, profile),
        ("switching, nameplate, mean stated", varied, profile),
        ("steady, fitted from 2 others", [steady[1], steady[3]], known),
        ("switching, fitted from 2 steady, mean stated", varied, known),
    ):
        cases = [Case(run=run, profile=stated, inputs="V+I", start_soc=1.0, ahead="whole") for run in runs]
        noise = [replace(case, run=noisy(case.run)) for case in cases]
        print(line(label, "pybamm", scored(cases, 40), scored(noise, 40)), flush=True)
