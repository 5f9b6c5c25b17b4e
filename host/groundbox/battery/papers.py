"""A battery's papers: one TOML file that goes with the battery, not with the box."""

import json
import os
import tempfile
from datetime import date
from pathlib import Path

import msgspec

from groundbox.errors import BadInput
from groundbox.toml_file import read_toml


class DischargeRow(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One row of a data sheet: from full, so many minutes at so many amps to an end voltage per cell."""

    amps: float
    minutes: float
    end_volts_per_cell: float = 1.75
    temp_c: float = 25.0


class Fitted(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What logged discharges told: readable figures, and the curve's numbers with their spread for the estimator."""

    date: date
    runs: int
    capacity_ah: float
    capacity_sd_ah: float
    resistance_mohm: float
    temp_c: float | None = None
    error_volts: float
    mean: list[float]
    covariance: list[list[float]]


class HistoryRow(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One measured discharge in the battery's life."""

    date: date
    capacity_ah: float
    capacity_sd_ah: float
    resistance_mohm: float
    temp_c: float | None = None
    depth: float
    source: str = ""


class Papers(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One battery. `c20_ah` is the rated capacity at the 20-hour rate in ampere-hours; units are in the names."""

    c20_ah: float
    label: str = ""
    cells: int = 6
    age_years: float | None = None
    in_service: date | None = None
    vented: bool = False
    max_charge_amps: float | None = None
    discharge: list[DischargeRow] = []
    fitted: Fitted | None = None
    history: list[HistoryRow] = []


UNITS = {
    "c20_ah": "rated capacity at the 20-hour rate, ampere-hours",
    "cells": "2 V cells in series; 6 for a 12 V battery",
    "age_years": "years in service",
    "in_service": "date put in service",
    "vented": "true for flooded cells with caps",
    "max_charge_amps": "highest charging current its sheet allows, amperes",
    "discharge": "amps for minutes from full to an end voltage per cell, at temp_c celsius",
    "fitted": "written by `groundbox battery fit`; delete to forget what was measured",
    "history": "one entry for each measured discharge",
}


def _in_range(source: object, key: str, value: float | None, low: float, high: float, unit: str) -> None:
    if value is not None and not low <= value <= high:
        raise BadInput(source, key, f"{value:g} is outside {low:g} to {high:g} {unit}")


def checked(papers: Papers, source: object) -> Papers:
    """The same papers, or BadInput naming the key and its range."""
    _in_range(source, "c20_ah", papers.c20_ah, 0.2, 20000, "Ah")
    _in_range(source, "cells", papers.cells, 1, 240, "cells")
    _in_range(source, "age_years", papers.age_years, 0, 40, "years")
    _in_range(source, "max_charge_amps", papers.max_charge_amps, 0.01, 5000, "A")
    for number, row in enumerate(papers.discharge, 1):
        place = f"discharge row {number}, "
        _in_range(source, place + "amps", row.amps, 0.001, 50000, "A")
        _in_range(source, place + "minutes", row.minutes, 0.1, 20000, "minutes")
        _in_range(
            source, place + "end_volts_per_cell", row.end_volts_per_cell, 1.3, 2.1, "V per cell (not per battery)"
        )
        _in_range(source, place + "temp_c", row.temp_c, -40, 60, "celsius")
    if papers.fitted is not None and (
        len(papers.fitted.mean) != 9 or [len(r) for r in papers.fitted.covariance] != [9] * 9
    ):
        raise BadInput(source, "fitted", "is damaged: delete the [fitted] part and fit again")
    return papers


def load_papers(path: Path | str) -> Papers:
    """The papers in a TOML file; BadInput names file, key and mend."""
    papers = read_toml(path, Papers, "make one with `groundbox battery new`")
    return checked(papers, path)


def _value(value: object) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return f"{value:.9g}" if value != int(value) else f"{value:.1f}"
    return json.dumps(value, ensure_ascii=False)


def _lines(fields: dict[str, object]) -> list[str]:
    lines = []
    for key, value in fields.items():
        if value is not None and value != "":
            comment = [f"# {UNITS[key]}"] if key in UNITS else []
            lines += [*comment, f"{key} = {_value(value)}"]
    return lines


def papers_text(papers: Papers) -> str:
    """The TOML text, with a comment that tells each key's meaning and unit."""
    fields = msgspec.structs.asdict(papers)
    tables = {key: fields.pop(key) for key in ("discharge", "fitted", "history")}
    lines = _lines(fields)
    for row in tables["discharge"]:
        lines += ["", f"# {UNITS['discharge']}", "[[discharge]]", *_lines(msgspec.structs.asdict(row))]
    if tables["fitted"] is not None:
        lines += ["", f"# {UNITS['fitted']}", "[fitted]", *_lines(msgspec.structs.asdict(tables["fitted"]))]
    for row in tables["history"]:
        lines += ["", f"# {UNITS['history']}", "[[history]]", *_lines(msgspec.structs.asdict(row))]
    return "\n".join(lines) + "\n"


def save_papers(path: Path | str, papers: Papers) -> None:
    """Write the file whole or not at all."""
    target = Path(path)
    text = papers_text(checked(papers, path))
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=target.name, suffix=".part")
        with os.fdopen(handle, "w", encoding="utf-8") as part:
            part.write(text)
            part.flush()
            os.fsync(part.fileno())
        Path(name).replace(target)
    except OSError as error:
        raise BadInput(path, "", f"cannot be written ({error.strerror})") from error
