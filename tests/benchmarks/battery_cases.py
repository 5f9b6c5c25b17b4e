"""The cases of the battery benchmark: for each row of the table, what is known of the battery and what is measured."""

import csv
from collections.abc import Callable, Sequence
from datetime import date, timedelta

import msgspec
from tests.benchmarks import battery_truth as truth
from tests.benchmarks.battery_replay import Case, changed, samples_of
from tests.benchmarks.battery_truth import Run

from groundbox.battery.fit import fitted_profile
from groundbox.battery.logs import discharges
from groundbox.battery.profile import BatteryProfile, DischargeRow


def profile_for(family: str) -> BatteryProfile:
    """Nameplate only."""
    cells, c20_ah, _ = truth.FAMILIES[family]
    return BatteryProfile(c20_ah=c20_ah, cells=cells)


def fitted(runs: Sequence[Run]) -> BatteryProfile:
    """Battery profile fitted from these runs, all of one family."""
    return fitted_to(profile_for(runs[0].family), runs)


def fitted_to(profile: BatteryProfile, runs: Sequence[Run], on: date = date(2026, 1, 1)) -> BatteryProfile:
    """The profile with what the runs tell."""
    found = []
    for run in runs:
        case = Case(run=run, profile=profile, inputs="V+I")
        found += discharges(samples_of(case), profile, run.name)
    return fitted_profile(profile, found, on)


def fitted_in_turn(runs: Sequence[Run]) -> BatteryProfile:
    """Battery profile fitted from these runs one after the other, a month between, as a log teaches them."""
    profile = profile_for(runs[0].family)
    for place, run in enumerate(runs):
        profile = fitted_to(profile, [run], date(2026, 1, 1) + timedelta(days=30 * place))
    return profile


def sheet_profile(runs_family: str) -> BatteryProfile | None:
    """A published table for a battery of the same size, not of the same make: PS-12170, 17 Ah, secondary copy."""
    if runs_family != "vrla17":
        return None
    rows = []
    with (truth.data_folder() / "tables" / "discharge_tables.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            if row["battery"].startswith("PS-12170") and float(row["time_min"]) >= 30:
                rows.append(
                    DischargeRow(
                        amps=float(row["amps"]),
                        minutes=float(row["time_min"]),
                        end_volts_per_cell=float(row["end_v_per_cell"]),
                        temp_c=float(row["temp_C"]),
                    )
                )
    return msgspec.structs.replace(profile_for(runs_family), discharge=rows)


Maker = Callable[[list[Run]], list[Case]]


def _plain(inputs: str, *, stated: bool = True) -> Maker:
    def make(runs: list[Run]) -> list[Case]:
        variable = runs[0].family == "tubular85"
        return [
            Case(
                run=run,
                profile=profile_for(run.family),
                inputs=inputs,
                start_soc=run.start_soc if stated else None,
                ahead="whole" if variable and inputs == "V+I" else "",
            )
            for run in runs
        ]

    return make


def _ahead(ahead: str, make: Maker) -> Maker:
    """Only where the load varies: another thing said about the load to come."""
    return lambda runs: [changed(c, ahead=ahead) for c in make(runs)] if runs[0].family == "tubular85" else []


def _only_variable(make: Maker) -> Maker:
    return lambda runs: make(runs) if runs[0].family == "tubular85" else []


def _sheet(runs: list[Run]) -> list[Case]:
    profile = sheet_profile(runs[0].family)
    return [] if profile is None else [changed(case, profile=profile) for case in _plain("V+I")(runs)]


_FITTED: dict[tuple[str, ...], BatteryProfile] = {}


def _once(fit: Callable[[Sequence[Run]], BatteryProfile]) -> Callable[[Sequence[Run]], BatteryProfile]:
    """The same fit, made once for each set of runs."""

    def found(runs: Sequence[Run]) -> BatteryProfile:
        key = (fit.__name__, *(run.name for run in runs))
        if key not in _FITTED:
            _FITTED[key] = fit(runs)
        return _FITTED[key]

    return found


def _fit(count: int, inputs: str, fit: Callable[[Sequence[Run]], BatteryProfile] = fitted) -> Maker:
    fit = _once(fit)

    def make(runs: list[Run]) -> list[Case]:
        cases = []
        for place, case in enumerate(_plain(inputs)(runs)):
            others = (
                [runs[(place + 2 * step + 1) % len(runs)] for step in range(count)]
                if count
                else runs[:place] + runs[place + 1 :]
            )
            cases.append(changed(case, profile=fit(others)))
        return cases

    return make


def fitted_from_two(runs: list[Run]) -> list[BatteryProfile]:
    """For each run, profile fitted from two of the others."""
    return [case.profile for case in _fit(2, "V+I")(runs)]


def _worn(inputs: str) -> Maker:
    def make(runs: list[Run]) -> list[Case]:
        return [
            changed(case, profile=msgspec.structs.replace(case.profile, c20_ah=case.profile.c20_ah / 0.7))
            for case in _plain(inputs)(runs)
        ]

    return make


def _partly(stated: bool) -> Maker:
    def make(runs: list[Run]) -> list[Case]:
        return _plain("V+I", stated=stated)([truth.begun_late(run, 0.35) for run in runs])

    return make


def _wrong(points: float) -> Maker:
    def make(runs: list[Run]) -> list[Case]:
        shown = runs if points < 0 else [truth.begun_late(run, points) for run in runs]
        cases = _plain("V+I")(shown)
        return [changed(case, start_soc=min(max((case.start_soc or 0) + points, 0.05), 1.0)) for case in cases]

    return make


def _cold(runs: list[Run]) -> list[Case]:
    return [] if runs[0].family == "tubular85" else _plain("V+I")([truth.cold(run, 0.0, 0.86) for run in runs])


ROWS: dict[str, Maker] = {
    "fitted from 2 runs, V+I": _fit(2, "V+I"),
    "fitted from 2 runs in turn, V+I": _fit(2, "V+I", fitted_in_turn),
    "fitted from 2 runs, V+loads": _fit(2, "V+loads"),
    "fitted from 2 runs, V": _fit(2, "V"),
    "fitted from 2 runs, V+exact loads": _fit(2, "V+exact loads"),
    "fitted from 1 run, V+I": _fit(1, "V+I"),
    "fitted from 1 run, V+loads": _fit(1, "V+loads"),
    "fitted from all other runs, V+I": _fit(0, "V+I"),
    "nameplate, V+I": _plain("V+I"),
    "nameplate, V+I, start not stated": _plain("V+I", stated=False),
    "nameplate, V+I, load to come not stated": _ahead("", _plain("V+I")),
    "nameplate, V+I, load left stated": _ahead("left", _plain("V+I")),
    "fitted from 2 runs, V+I, load left stated": _ahead("left", _fit(2, "V+I")),
    "data sheet of such a battery, V+I": _sheet,
    "nameplate, V+loads": _plain("V+loads"),
    "nameplate, V": _plain("V", stated=False),
    "nameplate, V+switches": _only_variable(_plain("V+switches", stated=False)),
    "worn to 70 % of the nameplate, V+I": _worn("V+I"),
    "worn to 70 % of the nameplate, V+loads": _worn("V+loads"),
    "partly charged, stated, V+I": _partly(True),
    "partly charged, not stated, V+I": _partly(False),
    "start stated 30 points too low, V+I": _wrong(-0.3),
    "start stated 30 points too high, V+I": _wrong(0.3),
    "0 C, nameplate, V+I": _cold,
}
