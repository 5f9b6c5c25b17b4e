"""A battery's profile: one TOML file that goes with the battery, not with the box."""

import json
import os
import tempfile
from datetime import date
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from groundbox.errors import BadInput
from groundbox.toml_file import read_toml, shaped, wants

FORGET = "delete the [fitted] part and fit again"
Nine = Annotated[list[float], Meta(min_length=9, max_length=9, description=f"nine numbers; {FORGET}")]

Point = Annotated[
    list[Annotated[float, Meta(ge=-1000, le=1000)]],
    Meta(min_length=7, max_length=7, description="seven numbers; delete the row's points, and it is left out"),
]

AmpHours = Annotated[float, Meta(gt=0, le=50000, description="ampere-hours")]
Milliohms = Annotated[float, Meta(gt=0, le=100000, description="milliohms")]
MOST_YEARS, DAYS_A_MONTH, DAYS_A_YEAR = 40, 30.44, 365.25
SAME_RATING = 0.005


class DischargeRow(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One row of a data sheet: from full, so many minutes at so many amps to an end voltage per cell."""

    amps: Annotated[float, Meta(ge=0.001, le=50000, description="amperes")]
    minutes: Annotated[float, Meta(ge=0.1, le=20000, description="minutes")]
    end_volts_per_cell: Annotated[float, Meta(ge=1.3, le=2.1, description="volts per cell, not per battery")] = 1.75
    temp_c: Annotated[float, Meta(ge=-40, le=60, description="degrees Celsius")] = 25.0


class Fitted(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What logged discharges told: readable figures, and the curve's numbers with their spread for the estimator."""

    date: date
    runs: Annotated[int, Meta(ge=1, le=100000)]
    capacity_ah: AmpHours
    capacity_sd_ah: AmpHours
    resistance_mohm: Milliohms
    temp_c: float | None = None
    error_volts: Annotated[float, Meta(gt=0, le=1, description="volts per cell")]
    mean: Nine
    covariance: Annotated[list[Nine], Meta(min_length=9, max_length=9)]


class HistoryRow(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One measured discharge in the battery's life."""

    date: date
    capacity_ah: AmpHours
    capacity_sd_ah: AmpHours
    resistance_mohm: Milliohms
    temp_c: float | None = None
    depth: Annotated[float, Meta(gt=0, le=10, description="charge drawn, of the rated one")]
    source: str = ""
    points: Annotated[
        list[Point],
        Meta(max_length=100, description="what later fits go on from"),
    ] = []


class BatteryProfile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One battery. `c20_ah` is the rated capacity at the 20-hour rate in ampere-hours; units are in the names."""

    c20_ah: Annotated[float, Meta(ge=0.2, le=20000, description="rated capacity at the 20-hour rate, ampere-hours")]
    label: Annotated[str, Meta(description="what is written on it")] = ""
    cells: Annotated[int, Meta(ge=1, le=240, description="2 V cells in series, 6 of them in a 12 V battery")] = 6
    age_years: Annotated[float, Meta(ge=0, le=40, description="years in service")] | None = None
    in_service: Annotated[date | None, Meta(description="date put in service, as 2024-05-01")] = None
    vented: Annotated[bool, Meta(description="true for flooded cells with caps")] = False
    max_charge_amps: (
        Annotated[float, Meta(ge=0.01, le=5000, description="highest charging current its sheet allows, amperes")]
        | None
    ) = None
    discharge: Annotated[
        list[DischargeRow],
        Meta(description="amps for minutes from full to an end voltage per cell, at temp_c celsius"),
    ] = []
    fitted: Annotated[
        Fitted | None, Meta(description="written by `groundbox battery fit`; delete to forget what was measured")
    ] = None
    history: Annotated[
        list[HistoryRow], Meta(description="one entry for each measured discharge; later fits go on from points")
    ] = []


def checked(profile: BatteryProfile, source: object) -> BatteryProfile:
    """The same profile, or BadInput naming the key and its range."""
    return shaped(msgspec.to_builtins(profile, builtin_types=(date,)), BatteryProfile, source)


def load_profile(path: Path | str) -> BatteryProfile:
    """The profile in a TOML file, `age_years` counted from `in_service` where that is told.

    Raises:
        BadInput: names file, key and mend.
    """
    profile = read_toml(path, BatteryProfile, "make one with `groundbox battery new`")
    if profile.fitted is not None:
        _check_fitted(path, profile, profile.fitted)
    if profile.in_service is None:
        return profile
    months = round((date.today() - profile.in_service).days / DAYS_A_MONTH)
    if not 0 <= months <= 12 * MOST_YEARS:
        raise BadInput(
            path, "in_service", f"{profile.in_service} lies ahead or over {MOST_YEARS} years back; correct it"
        )
    return msgspec.structs.replace(profile, age_years=months / 12)


def _check_fitted(path: Path | str, profile: BatteryProfile, fitted: Fitted) -> None:
    then_ah = fitted.capacity_ah / fitted.mean[0] if fitted.mean[0] > 0 else 0.0
    if abs(then_ah / profile.c20_ah - 1) > SAME_RATING:
        mend = f"set it back, or {FORGET}"
        raise BadInput(path, "c20_ah", f"{profile.c20_ah:g} is not the {then_ah:.4g} of the time of [fitted]; {mend}")
    if not _is_covariance(fitted.covariance):
        raise BadInput(path, "fitted.covariance", f"is no spread of nine numbers; {FORGET}")


def _is_covariance(rows: list[list[float]]) -> bool:
    """Symmetric, and no pivot of its elimination negative, but for rounding."""
    left, size = [list(row) for row in rows], len(rows)
    least = -1e-9 * max(left[n][n] for n in range(size))
    if any(abs(left[m][n] - left[n][m]) > -least for m in range(size) for n in range(m)):
        return False
    for n in range(size):
        if left[n][n] <= 0:
            return least < left[n][n] and n > 0
        for m in range(n + 1, size):
            share = left[m][n] / left[n][n]
            left[m] = [one - share * other for one, other in zip(left[m], left[n], strict=True)]
    return True


def _value(value: object) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return f"{value:.9g}" if value != int(value) else f"{value:.1f}"
    return json.dumps(value, ensure_ascii=False)


def _lines(row: msgspec.Struct) -> list[str]:
    fields = msgspec.structs.asdict(row)
    return [f"{key} = {_value(value)}" for key, value in fields.items() if value not in (None, "", [])]


def _table(profile: BatteryProfile, key: str) -> list[str]:
    rows = getattr(profile, key) or []
    comment, head = f"# {wants(BatteryProfile, key)}", f"[[{key}]]"
    if isinstance(rows, Fitted):
        rows, head = [rows], f"[{key}]"
    return [line for row in rows for line in ("", comment, head, *_lines(row))]


def without_points(profile: BatteryProfile) -> BatteryProfile:
    """The profile to be read by a person."""
    return msgspec.structs.replace(
        profile, history=[msgspec.structs.replace(row, points=[]) for row in profile.history]
    )


def profile_text(profile: BatteryProfile) -> str:
    """The TOML text, with a comment that tells each key's meaning, unit and range."""
    tables = ("discharge", "fitted", "history")
    if profile.in_service is not None:
        profile = msgspec.structs.replace(profile, age_years=None)  # counted from it
    lines = []
    for key, value in msgspec.structs.asdict(profile).items():
        if key not in tables and value is not None and value != "":
            lines += [f"# {wants(BatteryProfile, key)}", f"{key} = {_value(value)}"]
    return "\n".join([*lines, *(line for key in tables for line in _table(profile, key))]) + "\n"


def save_profile(path: Path | str, profile: BatteryProfile) -> None:
    """Write the file whole or not at all."""
    target = Path(path)
    text = profile_text(checked(profile, path))
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=target.name, suffix=".part")
        with os.fdopen(handle, "w", encoding="utf-8") as part:
            part.write(text)
            part.flush()
            os.fsync(part.fileno())
        Path(name).replace(target)
    except OSError as error:
        raise BadInput(path, "", f"cannot be written ({error.strerror})") from error
