"""Reads a recorded log, row by row: `t_s,volts` and optionally `amps`, `declared_amps`, `case_c`, `battery_c`."""

import csv
import math
from collections.abc import Iterator
from pathlib import Path

from groundbox.battery.values import Sample
from groundbox.errors import BadInput

OPTIONAL = ("amps", "declared_amps", "case_c", "battery_c")
RANGES = {
    "t_s": (-1e12, 1e12, "seconds"),
    "volts": (0.0, 1000.0, "volts (not millivolts)"),
    "amps": (-50000.0, 50000.0, "amperes, positive on discharge"),
    "declared_amps": (0.0, 50000.0, "amperes"),
    "case_c": (-60.0, 120.0, "celsius"),
    "battery_c": (-60.0, 120.0, "celsius"),
}


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
    """Columns of a log that `read_log` does not read; none where it cannot be read, which `read_log` tells."""
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
    """Samples in file order; an empty optional field is None. BadInput names the line and the mend.

    Times must not fall: a log that jumps back is two logs in one file. A repeated time is passed on.
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
