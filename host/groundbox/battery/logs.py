"""Recorded logs: CSV read row by row, and the discharges in them that are deep enough for a fit.

Columns are `t_s,volts` and optionally `amps`, `declared_amps`, `case_c`, `battery_c`.
"""

import csv
import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np

from groundbox.battery import cell
from groundbox.battery.cell import Array
from groundbox.battery.estimate import FULL_RATE, FULL_VOLTS
from groundbox.battery.limits import CHARGE_KEPT, PARTLY_CHARGED
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Sample
from groundbox.errors import BadInput

OPTIONAL = ("amps", "declared_amps", "case_c", "battery_c")
RANGES = {
    "t_s": (-1e12, 1e12, "seconds"),
    "volts": (0.0, 1000.0, "volts (not millivolts)"),
    "amps": (-50000.0, 50000.0, "amperes, positive on discharge"),
    "declared_amps": (0.0, 50000.0, "amperes"),
    "case_c": (-60.0, 120.0, "°C"),
    "battery_c": (-60.0, 120.0, "°C"),
}
MIN_DEPTH = 0.4  # of rated C20: a shallower discharge shows too little
LOAD_RATE = 0.004
GAP_HOURS = 1.0  # a longer one ends a discharge: what was drawn in it is unknown
REST_HOURS = 0.5  # a longer rest ends a discharge
SURFACE = 0.02  # charge drawn after a counted one until the voltage is that of the load again (assumed)
DIP = 0.03  # charge at the start of a discharge in which the voltage dips and shows nothing
POINTS = 40  # kept of a run


def _number(path: Path | str, line: int, column: str, text: str) -> float:
    low, high, unit = RANGES[column]
    try:
        value = float(text)
    except ValueError:
        raise BadInput(path, f"line {line}, {column}", f"{text!r} is not a number; write {unit}") from None
    if not (math.isfinite(value) and low <= value <= high):
        raise BadInput(path, f"line {line}, {column}", f"{text} is outside {low:g} to {high:g} {unit}")
    return value


def _columns(path: Path | str, header: list[str]) -> dict[str, int]:
    names = [name.strip() for name in header]
    for needed in ("t_s", "volts"):
        if needed not in names:
            raise BadInput(
                path, "line 1", f"has no column `{needed}`; the first line names the columns, as t_s,volts,amps"
            )
    known = [name for name in ("t_s", "volts", *OPTIONAL) if name in names]
    for name in known:
        if names.count(name) > 1:
            raise BadInput(path, "line 1", f"names the column `{name}` twice; keep one")
    return {name: names.index(name) for name in known}


def unused_columns(path: Path | str) -> list[str]:
    """Columns of a log that `read_log` does not read; none where it cannot be read: `read_log` then reports it."""
    try:
        with open(path, newline="", encoding="utf-8-sig") as file:
            header = next(csv.reader(file), [])
    except (OSError, UnicodeDecodeError, csv.Error):
        return []
    return [name.strip() for name in header if name.strip() and name.strip() not in RANGES]


def _sample(path: Path | str, line: int, row: list[str], columns: dict[str, int]) -> Sample:
    values: dict[str, float] = {}
    for name, place in columns.items():
        text = row[place].strip() if place < len(row) else ""
        if text:
            values[name] = _number(path, line, name, text)
        elif name in ("t_s", "volts"):
            raise BadInput(path, f"line {line}, {name}", "is empty; every row needs a time and a voltage")
    return Sample(**values)


def read_log(path: Path | str) -> Iterator[Sample]:
    """Samples in file order; an empty optional field is None.

    Times must not fall: a log that jumps back is two logs in one file. A repeated time is passed on.

    Raises:
        BadInput: names the line, what is wrong and what to write.
    """
    try:
        with open(path, newline="", encoding="utf-8-sig") as file:
            rows = csv.reader(file)
            header = next(rows, None)
            if header is None:
                raise BadInput(path, "", "is empty; it needs a header line and rows")
            yield from _rows(path, rows, _columns(path, header))
    except OSError as error:
        raise BadInput(path, "", f"cannot be read ({error.strerror})") from error
    except UnicodeDecodeError as error:
        raise BadInput(path, "", "is not a text file in UTF-8") from error


def _rows(path: Path | str, rows: Iterator[list[str]], columns: dict[str, int]) -> Iterator[Sample]:
    latest, count, line = -math.inf, 0, 1
    try:
        for line, row in enumerate(rows, 2):  # noqa: B007
            if not any(field.strip() for field in row):
                continue
            sample = _sample(path, line, row, columns)
            if sample.t_s < latest:
                raise BadInput(
                    path, f"line {line}, t_s", f"{sample.t_s:g} comes after {latest:g}; sort the rows by time"
                )
            latest, count = sample.t_s, count + 1
            yield sample
    except csv.Error as error:
        raise BadInput(path, f"line {line + 1}", f"is not CSV ({error})") from error
    if count == 0:
        raise BadInput(path, "", "has a header but no rows")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DischargeRun:
    """One discharge, thinned: charge drawn, wells, rate (units of C20) and volts per cell at each kept point."""

    drawn: Array
    wells: Array
    rate: Array
    cell_volts: Array
    depth: float
    temp_c: float | None
    source: str
    on: date | None = None  # the day it was logged, where that is known


def discharges(
    samples: Iterable[Sample], profile: BatteryProfile, source: str = "", min_depth: float = MIN_DEPTH
) -> list[DischargeRun]:
    """The discharges in a log deeper than `min_depth`; short pauses belong to them, a long charge or a gap ends them.

    A short charge between flights is counted, and the discharge continues at what it left. What follows a gap under
    load did not begin full, and is not used until a charge.
    """
    found: list[DischargeRun] = []
    rows: list[tuple[float, float, float, Array]] = []
    temps: list[float] = []
    battery_c: float | None = None
    wells, drawn, before, resting = np.zeros(4), 0.0, None, 0.0
    incomplete = False  # a part of this discharge was not recorded
    charged, surface = 0.0, -math.inf  # by the present charge; drawn up to which the voltage shows its surface charge

    def finish() -> None:
        nonlocal rows, drawn, temps, surface
        depth = max((row[0] for row in rows), default=0.0)
        if depth >= min_depth:
            found.append(_thinned(rows, depth, float(np.mean(temps)) if temps else None, source))
        rows, drawn, temps, surface = [], 0.0, [], -math.inf

    for sample in samples:
        amps = sample.amps if sample.amps is not None else sample.declared_amps
        if amps is None or (before is not None and sample.t_s <= before):
            continue
        hours = 0.0 if before is None else (sample.t_s - before) / 3600
        before = sample.t_s
        if hours > GAP_HOURS:
            finish()
            hours, incomplete = 0.0, amps > LOAD_RATE * profile.c20_ah
        battery_c = _battery_c(battery_c, sample, hours)
        if battery_c is not None and (sample.battery_c is not None or sample.case_c is not None):
            temps.append(battery_c)
        rate = amps / profile.c20_ah
        rate /= cell.load_factor(cell.REFERENCE_C if battery_c is None else battery_c, rate)
        wells = cell.advance_wells(wells, rate, hours)
        resting = resting + hours if rate < LOAD_RATE else 0.0
        if rate < -LOAD_RATE:
            incomplete, charged = False, charged - rate * hours * CHARGE_KEPT
            full = sample.volts / profile.cells > FULL_VOLTS and -rate < FULL_RATE
            if full or charged > min(PARTLY_CHARGED, drawn):
                finish()
        elif resting > REST_HOURS:
            finish()
        elif rate >= LOAD_RATE and not incomplete:
            if not rows:
                wells = np.maximum(wells, 0.0)
            elif charged > 0:
                drawn -= charged
                surface = drawn + SURFACE
            charged = 0.0
            drawn += rate * hours
            if drawn >= surface:
                rows.append((drawn, rate, sample.volts / profile.cells, wells))
    finish()
    return found


def _battery_c(before_c: float | None, sample: Sample, hours: float) -> float | None:
    """Battery temperature after a sample: measured, else the case's with its lag, else as before."""
    if sample.battery_c is not None:
        return sample.battery_c
    if sample.case_c is None:
        return before_c
    return cell.lagged_battery_c(sample.case_c if before_c is None else before_c, sample.case_c, hours)


def _thinned(
    rows: list[tuple[float, float, float, Array]], depth: float, temp_c: float | None, source: str
) -> DischargeRun:
    kept = [row for row in rows if row[0] > DIP]
    places = np.unique(np.linspace(0, len(kept) - 1, min(POINTS, len(kept))).astype(int))
    chosen = [kept[place] for place in places]
    return DischargeRun(
        drawn=np.array([row[0] for row in chosen]),
        rate=np.array([row[1] for row in chosen]),
        cell_volts=np.array([row[2] for row in chosen]),
        wells=np.array([row[3] for row in chosen]),
        depth=depth,
        temp_c=temp_c,
        source=source,
    )


def with_current(log: Path | str) -> list[Sample]:
    """The samples of one log file.

    Raises:
        BadInput: the log has no current.
    """
    samples = list(read_log(log))
    if all(sample.amps is None and sample.declared_amps is None for sample in samples):
        raise BadInput(log, "", "has neither amps nor declared_amps; without the current nothing can be learned")
    return samples


def runs_in(log: Path | str, profile: BatteryProfile) -> list[DischargeRun]:
    """The discharges of one log file.

    Raises:
        BadInput: there is none deep enough for a fit.
    """
    runs = discharges(with_current(log), profile, Path(log).name)
    if not runs:
        depth = f"{MIN_DEPTH:.0%} of {profile.c20_ah:g} Ah"
        raise BadInput(log, "", f"holds no discharge deeper than {depth} in one piece, without a gap before it")
    return runs
