"""Discharges with a known end, to judge runtime against: recordings, and what is made from them or simulated.

Recordings are read from the folder that GROUNDBOX_CHECK_DATA names and are not part of the project. Their sources:
vrla17: one 12 V 17 Ah valve-regulated battery, V. Sulzer, faster-lead-acid, 2019. tubular85: five 12 V flooded
tubular batteries of about 85 Ah, TETRAWasTaken, public repository. block5cell: a large battery of about five cells,
CUMCM 2016 problem C.
"""

import csv
import os
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Cells, rated 20-hour capacity and lowest cutoff. The battery's rating is not published: 1070 Ah is read off its runs.
FAMILIES = {"vrla17": (6, 17.0, 10.5), "block5cell": (5, 1070.0, 9.0), "tubular85": (6, 85.0, 9.5)}
START_SOC = {"tubular85_test7": 36 / 85, "tubular85_test9": 80 / 85, "tubular85_test15": 70 / 85}
LOADED_AMPS = 0.1
FREE_FRACTION, FLOW = 0.376, 1.178  # of TwoWells; the flow an hour


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One discharge: rows up to the first one at or under `cutoff`; the load begins at row `begin`."""

    family: str
    name: str
    t_s: Array
    volts: Array
    amps: Array
    begin: int
    cutoff: float
    start_soc: float
    case_c: float | None = None

    @property
    def seconds(self) -> float:
        """Whole runtime: from the load's begin to the cutoff."""
        return float(self.t_s[-1] - self.t_s[self.begin])

    @property
    def mean_amps(self) -> float:
        """Mean load of the whole discharge."""
        steps = np.diff(self.t_s[self.begin :])
        return float(np.sum(self.amps[self.begin + 1 :] * steps) / np.sum(steps))


def data_folder() -> Path:
    """Where the outside data lies; SystemExit when GROUNDBOX_CHECK_DATA is not set."""
    folder = os.environ.get("GROUNDBOX_CHECK_DATA")
    if not folder:
        raise SystemExit("GROUNDBOX_CHECK_DATA is not set: it names the folder with data/ and tables/")
    return Path(folder)


def _recording(path: Path, family: str) -> Run:
    with path.open(newline="") as file:
        rows = [(float(r["t_s"]), float(r["volts"]), float(r["amps"])) for r in csv.DictReader(file)]
    t_s, volts, amps = (np.array(column) for column in zip(*rows, strict=True))
    cutoff = max(FAMILIES[family][2], round(float(volts.min()), 4))
    begin = int(np.argmax(amps > LOADED_AMPS))
    under = np.nonzero(volts[begin:] <= cutoff + 1e-9)[0]
    end = begin + int(under[0])
    return Run(
        family=family,
        name=path.stem,
        t_s=t_s[: end + 1],
        volts=volts[: end + 1],
        amps=amps[: end + 1],
        begin=begin,
        cutoff=cutoff,
        start_soc=START_SOC.get(path.stem, 1.0),
    )


def recordings(folder: Path) -> list[Run]:
    """Every recorded discharge with a current."""
    found = []
    for family in FAMILIES:
        for path in sorted((folder / "data").glob(f"{family}_*.csv")):
            if "ageing" not in path.stem and "recharge" not in path.stem:
                found.append(_recording(path, family))
    return found


def noisy(run: Run, seed: int = 1) -> Run:
    """As the board would read it: gain 0.3 %, offset 15 mV, noise 8 mV, step 5 mV; current gain 0.3 %, offset 20 mA."""
    noise = np.random.default_rng(seed).normal(0, 0.008, len(run.volts))
    volts = np.round((run.volts * 1.003 + 0.015 + noise) / 0.005) * 0.005
    return replace(run, volts=volts, amps=run.amps * 1.003 + 0.020)


def begun_late(run: Run, fraction: float) -> Run:
    """The same discharge observed only from `fraction` of its runtime on: a battery that was partly charged."""
    first = int(np.searchsorted(run.t_s, run.t_s[run.begin] + fraction * run.seconds))
    return replace(
        run,
        t_s=run.t_s[first:],
        volts=run.volts[first:],
        amps=run.amps[first:],
        begin=0,
        start_soc=run.start_soc * (1 - fraction),
    )


def cold(run: Run, case_c: float, capacity: float) -> Run:
    """The same discharge in the cold: all times shortened to the published fraction of capacity at `case_c`."""
    return replace(
        run, t_s=run.t_s[0] + (run.t_s - run.t_s[0]) * capacity, case_c=case_c, name=f"{run.name} {case_c:g} C"
    )


@dataclass(slots=True)
class TwoWells:
    """A simulated 12 V battery: the kinetic wells of Manwell and McGowan 1993, rest voltages from memory.

    Worn to `health`: capacity times it, resistance over it. Not the estimator's equations nor its numbers.
    """

    c20_ah: float
    health: float
    free: float = field(init=False)
    bound: float = field(init=False)

    def __post_init__(self) -> None:
        self.free, self.bound = FREE_FRACTION * self.whole, (1 - FREE_FRACTION) * self.whole

    @property
    def whole(self) -> float:
        """Ampere-hours at an endlessly small load."""
        return self.c20_ah * 1.128 * self.health

    def volts(self, amps: float) -> float:
        """Terminal voltage under a load."""
        head = self.free / FREE_FRACTION / self.whole
        ohm = 0.30 / self.c20_ah / self.health
        return 12.96 - 1.25 * (1 - head) - 0.06 / max(head, 1e-3) - ohm * amps

    def draw(self, amps: float, hours: float) -> None:
        """Lets a load draw for so long."""
        flow = (
            FLOW * FREE_FRACTION * (1 - FREE_FRACTION) * (self.bound / (1 - FREE_FRACTION) - self.free / FREE_FRACTION)
        )
        self.free, self.bound = self.free + (flow - amps) * hours, self.bound - flow * hours


def two_well(c20_ah: float, health: float, amps: Array, step_s: float, cutoff: float = 10.5) -> Run:
    """A discharge of TwoWells from full."""
    battery, rows = TwoWells(c20_ah, health), []
    for number, load in enumerate(amps):
        volts = battery.volts(load)
        rows.append((number * step_s, volts, load))
        if volts <= cutoff:
            break
        battery.draw(load, step_s / 3600)
    t_s, volts_all, loads = (np.array(column) for column in zip(*rows, strict=True))
    return Run(
        family="two wells",
        name=f"two wells {c20_ah:g} Ah worn to {health:.0%}",
        t_s=t_s,
        volts=volts_all,
        amps=loads,
        begin=0,
        cutoff=max(cutoff, float(volts_all[-1])),
        start_soc=1.0,
    )
