"""The discharges in a log that are deep enough to learn from, thinned to the points that a fit takes."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from groundbox.battery import curve, temperature
from groundbox.battery.curve import Array
from groundbox.battery.log_csv import read_log
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Sample
from groundbox.errors import BadInput

LEAST_DEPTH = 0.4  # of rated C20: a shallower discharge says too little
LOAD_RATE = 0.004
GAP_HOURS = 1.0  # longer ones end a discharge: nobody saw what was drawn
DIP = 0.03  # charge at the start of a discharge in which the voltage dips and says nothing
POINTS = 40  # kept of a run


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Discharge:
    """One discharge, thinned: charge drawn, wells, rate (units of C20) and volts per cell at each kept point."""

    drawn: Array
    wells: Array
    rate: Array
    cell_volts: Array
    depth: float
    temp_c: float | None
    source: str
    on: date | None = None  # the day it was logged, where that is known


def discharges(samples: Iterable[Sample], profile: BatteryProfile, source: str = "") -> list[Discharge]:
    """The discharges in a log deeper than LEAST_DEPTH; short pauses belong to them, charging or a gap ends them.

    What follows a gap under load did not begin full, and tells nothing until a charge.
    """
    found: list[Discharge] = []
    rows: list[tuple[float, float, float, Array]] = []
    temps: list[float] = []
    battery_c: float | None = None
    wells, drawn, before, resting = np.zeros(4), 0.0, None, 0.0
    torn = False  # the rest of a discharge of which a part was not recorded

    def finish() -> None:
        nonlocal rows, drawn, temps
        if drawn >= LEAST_DEPTH:
            found.append(_thinned(rows, drawn, float(np.mean(temps)) if temps else None, source))
        rows, drawn, temps = [], 0.0, []

    for sample in samples:
        amps = sample.amps if sample.amps is not None else sample.declared_amps
        if amps is None or (before is not None and sample.t_s <= before):
            continue
        hours = 0.0 if before is None else (sample.t_s - before) / 3600
        before = sample.t_s
        if hours > GAP_HOURS:
            finish()
            hours, torn = 0.0, amps > LOAD_RATE * profile.c20_ah
        if sample.battery_c is not None or sample.case_c is not None:
            case_c = sample.case_c if sample.case_c is not None else 0.0
            known = sample.battery_c if sample.battery_c is not None else case_c
            battery_c = (
                known
                if battery_c is None or sample.battery_c is not None
                else temperature.followed(battery_c, case_c, hours)
            )
            temps.append(battery_c)
        rate = amps / profile.c20_ah
        rate /= temperature.load_factor(temperature.REFERENCE_C if battery_c is None else battery_c, rate)
        wells = curve.advance_wells(wells, rate, hours)
        resting = resting + hours if rate < LOAD_RATE else 0.0
        if rate < -LOAD_RATE or resting > 0.5:
            finish()
            torn = torn and rate >= -LOAD_RATE
        elif rate >= LOAD_RATE and not torn:
            if not rows:
                wells = np.maximum(wells, 0.0)
            drawn += rate * hours
            rows.append((drawn, rate, sample.volts / profile.cells, wells))
    finish()
    return found


def _thinned(
    rows: list[tuple[float, float, float, Array]], depth: float, temp_c: float | None, source: str
) -> Discharge:
    kept = [row for row in rows if row[0] > DIP]
    places = np.unique(np.linspace(0, len(kept) - 1, min(POINTS, len(kept))).astype(int))
    chosen = [kept[place] for place in places]
    return Discharge(
        drawn=np.array([row[0] for row in chosen]),
        rate=np.array([row[1] for row in chosen]),
        cell_volts=np.array([row[2] for row in chosen]),
        wells=np.array([row[3] for row in chosen]),
        depth=depth,
        temp_c=temp_c,
        source=source,
    )


def with_current(log: Path | str) -> list[Sample]:
    """The samples of one log file; BadInput where it tells no current."""
    samples = list(read_log(log))
    if all(sample.amps is None and sample.declared_amps is None for sample in samples):
        raise BadInput(log, "", "has neither amps nor declared_amps; without the current nothing can be learnt")
    return samples


def runs_in(log: Path | str, profile: BatteryProfile) -> list[Discharge]:
    """The discharges of one log file; BadInput where there is none to learn from."""
    runs = discharges(with_current(log), profile, Path(log).name)
    if not runs:
        least = f"{LEAST_DEPTH:.0%} of {profile.c20_ah:g} Ah"
        raise BadInput(log, "", f"holds no discharge deeper than {least} in one piece, without a gap before it")
    return runs
