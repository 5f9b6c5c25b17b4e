"""Hours from full by the profile alone, against an independent simulation: NREL-PySAM's lead-acid battery.

Needs `pip install NREL-PySAM==7.1.1.post1` (BSD licence), and the published tables in GROUNDBOX_CHECK_DATA. The
simulated battery is two wells set by a maker's currents for 1, 10 and 20 hours; a run ends when it cannot hold the
current. Fit for run times from 30 minutes up; its voltages at the end, its charging and its heat are not to be
trusted, so no readings of it are shown to the estimator. Loads: steady, and switching between a half and one and a
half times their mean every ten minutes, which we foretell by the mean.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
from tests.benchmarks.battery_methods import EXPONENT, peukert_hours
from tests.benchmarks.battery_runtime import published_tables

from groundbox.battery.profile import BatteryProfile, DischargeRow
from groundbox.battery.runtime import from_full

END_VOLTS = 1.75
SET_BY = (60.0, 600.0, 1200.0)  # minutes
HOURS = (0.5, 0.75, 1.5, 3.0, 5.0, 8.0, 15.0)  # about; the simulation says how long it is
STEPS_PER_HOUR = 240
HELD = 0.98  # of the current asked for
SWITCH_HOURS = 1 / 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """One published battery: its currents in amps to 1.75 V per cell by minutes, at `temp_c` celsius."""

    name: str
    amps: dict[float, float]
    temp_c: float

    @property
    def c20_ah(self) -> float:
        """What its own sheet gives in twenty hours."""
        return 20 * self.amps[1200.0]

    def rows(self) -> list[DischargeRow]:
        """The three rows the simulation is set by."""
        return [DischargeRow(amps=self.amps[m], minutes=m, temp_c=self.temp_c) for m in SET_BY]

    def amps_for(self, hours: float) -> float:
        """Steady load for about so many hours, straight between the rows of the sheet on logarithmic scales."""
        minutes = sorted(self.amps)
        return math.exp(
            float(np.interp(math.log(60 * hours), np.log(minutes), np.log([self.amps[m] for m in minutes])))
        )


def blocks() -> list[Block]:
    """The published tables."""
    return [
        Block(
            name=name,
            amps={row.minutes: row.amps for _, row in entries if row.end_volts_per_cell == END_VOLTS},
            temp_c=entries[0][1].temp_c,
        )
        for name, entries in published_tables().items()
    ]


def simulated(library: Any, block: Block, load: Callable[[float], float]) -> float:
    """Hours from full until the simulated battery no longer gives `load` of the hour, in amps."""
    battery = library.new()
    c20_ah, year = block.c20_ah, [0.0] * 12
    settings = {
        "control_mode": 0, "chem": 0, "dt_hr": 1 / STEPS_PER_HOUR, "input_current": 0.0,
        "nominal_energy": 12 * c20_ah / 1000, "nominal_voltage": 12.0,
        "initial_SOC": 100.0, "maximum_SOC": 100.0, "minimum_SOC": 0.0,
        "leadacid_tn": 1.0, "leadacid_qn": block.amps[60.0],
        "leadacid_q10": 10 * block.amps[600.0], "leadacid_q20": c20_ah,
        "voltage_choice": 0, "Vnom_default": 2.0, "resistance": 0.045 / c20_ah, "C_rate": 0.05,
        "Vfull": 2.15, "Vexp": 2.06, "Vnom": 1.97, "Vcut": END_VOLTS,
        "Qfull": c20_ah, "Qfull_flow": c20_ah, "Qexp": 0.25 * c20_ah, "Qnom": 0.9 * c20_ah,
        "mass": 0.33 * c20_ah, "surface_area": 0.08, "Cp": 1000.0, "h": 10.0, "T_room_init": 25.0,
        "cap_vs_temp": [[0, 100], [40, 100]],
        "life_model": 0, "cycling_matrix": [[20, 0, 100], [20, 5000, 100], [80, 0, 100], [80, 5000, 100]],
        "calendar_choice": 0, "calendar_q0": 1.0, "calendar_a": 0.0, "calendar_b": 0.0, "calendar_c": 0.0,
        "calendar_matrix": [[0, 100]], "replacement_option": 0, "replacement_capacity": 0.0,
        "replacement_schedule_percent": [], "loss_choice": 0, "schedule_loss": [],
        "monthly_charge_loss": year, "monthly_discharge_loss": year, "monthly_idle_loss": year,
    }  # fmt: skip
    for key, value in settings.items():
        battery.value(key, value)
    battery.setup()
    for step in range(60 * STEPS_PER_HOUR):
        amps = load(step / STEPS_PER_HOUR)
        battery.Controls.input_current = amps
        battery.execute(0)
        held = battery.StatePack.I / amps
        if held < HELD:
            return step / STEPS_PER_HOUR
    raise RuntimeError(f"{block.name} never emptied")


def switching(mean: float) -> Callable[[float], float]:
    """A load that changes between 1.5 and 0.5 of `mean` amps every ten minutes, heavy first."""
    return lambda hour: mean * (0.5 if int(hour / SWITCH_HOURS + 1e-9) % 2 else 1.5)


def steady(mean: float) -> Callable[[float], float]:
    """Always `mean` amps."""
    return lambda hour: mean


def _line(label: str, errors: list[float], inside: list[bool] | None) -> str:
    found = np.array(errors)
    band = "" if inside is None else f"{100 * np.mean(inside):6.0f}"
    rms, size = np.sqrt(np.mean(found**2)), np.abs(found)
    return f"{label:<44}{len(found):>5}{rms:7.1f}{np.mean(found):+7.1f}{np.max(size):7.0f}{band}"


def main(arguments: list[str]) -> None:
    """Prints errors in percent of the simulated run time."""
    try:
        library = import_module("PySAM.BatteryStateful")
    except ImportError:
        raise SystemExit("NREL-PySAM is not installed here: pip install NREL-PySAM==7.1.1.post1") from None
    print(f"{'load, and what is known':<44}{'runs':>5}{'RMS':>7}{'mean':>7}{'worst':>7}{'band':>6}")
    for name, shape in (("steady", steady), ("switching", switching)):
        _judge(library, name, shape)


def _judge(library: Any, name: str, shape: Callable[[float], Callable[[float], float]]) -> None:
    errors: dict[str, list[float]] = {}
    inside: dict[str, list[bool]] = {}
    for block in blocks():
        profile = {
            "nameplate": BatteryProfile(c20_ah=block.c20_ah),
            "the same three rows": BatteryProfile(c20_ah=block.c20_ah, discharge=block.rows()),
            "the same three rows, stated new": BatteryProfile(
                c20_ah=block.c20_ah, discharge=block.rows(), age_years=0.0
            ),
        }
        for hours in HOURS:
            amps = block.amps_for(hours)
            true = simulated(library, block, shape(amps))
            for known, known_profile in profile.items():
                row = from_full(known_profile, amps, END_VOLTS, block.temp_c)
                errors.setdefault(known, []).append(100 * (row.expected_h / true - 1))
                inside.setdefault(known, []).append(row.low_h <= true <= row.high_h)
            by_exponent = peukert_hours(block.c20_ah, amps, EXPONENT)
            errors.setdefault("amp-hours, Peukert 1.2", []).append(100 * (by_exponent / true - 1))
            errors.setdefault("the sheet itself", []).append(100 * (hours / true - 1))
    for known, found in errors.items():
        print(_line(f"{name}, {known}", found, inside.get(known)), flush=True)
