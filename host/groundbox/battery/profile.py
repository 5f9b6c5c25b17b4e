"""A battery's profile: one TOML file that belongs to the battery, not to the box. Needs no NumPy."""

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
USUAL = (("confirmed", True), ("cycles_since", 0), ("age_years", 0.0))  # keys that a file leaves out
EARLIER, MAX_EARLIER = "earlier", 20  # folder beside a profile; so many older ones of it are kept
MAX_YEARS, DAYS_A_MONTH, DAYS_A_YEAR = 40, 30.44, 365.25
SAME_RATING = 0.005


class DischargeRow(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One row of a data sheet: from full, so many minutes at so many amps to an end voltage per cell."""

    amps: Annotated[float, Meta(ge=0.001, le=50000, description="amperes")]
    minutes: Annotated[float, Meta(ge=0.1, le=20000, description="minutes")]
    end_volts_per_cell: Annotated[float, Meta(ge=1.3, le=2.1, description="volts per cell, not per battery")] = 1.75
    temp_c: Annotated[float, Meta(ge=-40, le=60, description="degrees Celsius")] = 25.0


class FittedCurve(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The fit to logged discharges: readable figures, and the mean and covariance of the estimator's nine numbers.

    `cycles_since`: discharges since then that no fit has used. `age_years`: since `date`, when the file is read.
    """

    date: date
    runs: Annotated[int, Meta(ge=1, le=100000)]
    capacity_ah: AmpHours
    capacity_sd_ah: AmpHours
    resistance_mohm: Milliohms
    temp_c: float | None = None
    error_volts: Annotated[float, Meta(gt=0, le=1, description="volts per cell")]
    cycles_since: Annotated[int, Meta(ge=0, le=100000, description="discharges since the fit")] = 0
    age_years: Annotated[float, Meta(ge=0, le=40, description="years since the fit, counted from its date")] = 0.0
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
    confirmed: Annotated[
        bool, Meta(description="false: learned from a day in the field, and no person has confirmed it")
    ] = True
    points: Annotated[
        list[Point],
        Meta(max_length=100, description="what later fits use"),
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
        FittedCurve | None, Meta(description="written by `groundbox battery fit`; delete to forget what was measured")
    ] = None
    history: Annotated[
        list[HistoryRow], Meta(description="one entry for each measured discharge; later fits use its points")
    ] = []


def checked(profile: BatteryProfile, source: object) -> BatteryProfile:
    """The same profile, or BadInput naming the key and its range."""
    return shaped(msgspec.to_builtins(profile, builtin_types=(date,)), BatteryProfile, source)


def load_profile(path: Path | str) -> BatteryProfile:
    """The profile in a TOML file, `age_years` counted from `in_service` where that is known.

    Raises:
        BadInput: names file, key and what to write.
    """
    profile = read_toml(path, BatteryProfile, "make one with `groundbox battery new`")
    if profile.fitted is not None:
        _check_fitted(path, profile, profile.fitted)
        years = max((date.today() - profile.fitted.date).days, 0) / DAYS_A_YEAR
        fitted = msgspec.structs.replace(profile.fitted, age_years=min(years, float(MAX_YEARS)))
        profile = msgspec.structs.replace(profile, fitted=fitted)
    if profile.in_service is None:
        return profile
    months = round((date.today() - profile.in_service).days / DAYS_A_MONTH)
    if not 0 <= months <= 12 * MAX_YEARS:
        raise BadInput(
            path, "in_service", f"{profile.in_service} is in the future or over {MAX_YEARS} years ago; correct it"
        )
    return msgspec.structs.replace(profile, age_years=months / 12)


def _check_fitted(path: Path | str, profile: BatteryProfile, fitted: FittedCurve) -> None:
    then_ah = fitted.capacity_ah / fitted.mean[0] if fitted.mean[0] > 0 else 0.0
    if abs(then_ah / profile.c20_ah - 1) > SAME_RATING:
        repair = f"restore {then_ah:.4g}, or {FORGET}"
        raise BadInput(path, "c20_ah", f"is {profile.c20_ah:g}; [fitted] was made with {then_ah:.4g}: {repair}")
    if not _is_covariance(fitted.covariance):
        raise BadInput(path, "fitted.covariance", f"is no covariance of nine numbers; {FORGET}")


def _is_covariance(rows: list[list[float]]) -> bool:
    """Symmetric, and no pivot of its elimination negative, except by rounding."""
    left, size = [list(row) for row in rows], len(rows)
    tolerance = -1e-9 * max(left[n][n] for n in range(size))
    if any(abs(left[m][n] - left[n][m]) > -tolerance for m in range(size) for n in range(m)):
        return False
    for n in range(size):
        if left[n][n] <= 0:
            return tolerance < left[n][n] and n > 0
        for m in range(n + 1, size):
            factor = left[m][n] / left[n][n]
            left[m] = [one - factor * other for one, other in zip(left[m], left[n], strict=True)]
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
    kept = {key: value for key, value in fields.items() if value not in (None, "", []) and (key, value) not in USUAL}
    return [f"{key} = {_value(value)}" for key, value in kept.items()]


def _table(profile: BatteryProfile, key: str) -> list[str]:
    rows = getattr(profile, key) or []
    comment, head = f"# {wants(BatteryProfile, key)}", f"[[{key}]]"
    if isinstance(rows, FittedCurve):
        rows, head = [msgspec.structs.replace(rows, age_years=0.0)], f"[{key}]"
    return [line for row in rows for line in ("", comment, head, *_lines(row))]


def without_points(profile: BatteryProfile) -> BatteryProfile:
    """The profile without the points of its runs, for a person to read."""
    return msgspec.structs.replace(
        profile, history=[msgspec.structs.replace(row, points=[]) for row in profile.history]
    )


def profile_text(profile: BatteryProfile) -> str:
    """The TOML text, with a comment on each key's meaning, unit and range."""
    tables = ("discharge", "fitted", "history")
    if profile.in_service is not None:
        profile = msgspec.structs.replace(profile, age_years=None)  # counted from it
    lines = []
    for key, value in msgspec.structs.asdict(profile).items():
        if key not in tables and value is not None and value != "":
            lines += [f"# {wants(BatteryProfile, key)}", f"{key} = {_value(value)}"]
    return "\n".join([*lines, *(line for key in tables for line in _table(profile, key))]) + "\n"


def save_profile(path: Path | str, profile: BatteryProfile) -> None:
    """Write the file whole or not at all. What was there before is kept in the folder `earlier` beside it.

    Raises:
        BadInput: the file cannot be written, or the profile is out of range.
    """
    target = Path(path)
    text = profile_text(checked(profile, path))
    try:
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=target.name, suffix=".part")
        with os.fdopen(handle, "w", encoding="utf-8") as part:
            part.write(text)
            part.flush()
            os.fsync(part.fileno())
        _keep_earlier(target, text)
        Path(name).replace(target)
    except OSError as error:
        raise BadInput(path, "", f"cannot be written ({error.strerror})") from error


def _keep_earlier(target: Path, text: str) -> None:
    if not target.exists() or target.read_text(encoding="utf-8") == text:
        return
    kept = earlier_profiles(target)
    number = int(kept[-1].stem.rsplit("-", 1)[1]) + 1 if kept else 1
    folder = target.parent / EARLIER
    folder.mkdir(exist_ok=True)
    os.link(target, folder / f"{target.stem}-{number:04d}.toml")
    for oldest in kept[: max(len(kept) + 1 - MAX_EARLIER, 0)]:
        oldest.unlink()


def earlier_profiles(path: Path | str) -> list[Path]:
    """The kept older files of a profile, oldest first."""
    target = Path(path)
    return sorted((target.parent / EARLIER).glob(f"{target.stem}-[0-9][0-9][0-9][0-9].toml"))


def take_back(path: Path | str) -> BatteryProfile:
    """Restores the newest older file of a profile in its place; returns it.

    Raises:
        BadInput: none is kept, or the file cannot be written.
    """
    kept = earlier_profiles(path)
    if not kept:
        raise BadInput(path, "", f"has no earlier version in {Path(path).parent / EARLIER}; nothing is changed")
    restored = load_profile(kept[-1])
    try:
        kept[-1].replace(Path(path))
    except OSError as error:
        raise BadInput(path, "", f"cannot be written ({error.strerror})") from error
    return restored


def confirmed(profile: BatteryProfile) -> BatteryProfile:
    """The profile with each learned discharge confirmed by a person."""
    rows = [msgspec.structs.replace(row, confirmed=True) for row in profile.history]
    return msgspec.structs.replace(profile, history=rows)
