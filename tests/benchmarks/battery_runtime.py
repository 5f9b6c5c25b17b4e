"""Predicted against true runtime left at 80, 50 and 20 % of each recorded run, and published tables against the curve.

Recordings: nameplate only, voltage and current, start charge and mean load stated. Tables: time from full to the end
voltage, each row predicted from a battery file that holds the other four fifths of its table.
"""

import csv

import numpy as np
from tests.benchmarks import battery_cases, battery_replay, battery_truth

from groundbox.battery.prior import hours_by_sheet, sheet_prior, sound_prior
from groundbox.battery.profile import DischargeRow

LEFT = (0.8, 0.5, 0.2)
FOLDS = 5


def _recordings() -> None:
    print(f"{'run':<24}{'hours':>7}   true, and low / expected / high, in hours, with this much of the run left:")
    print(" " * 34 + "".join(f"{f'{fraction:.0%}':<30}" for fraction in LEFT))
    for run in battery_truth.recordings(battery_truth.data_folder()):
        case = battery_replay.Case(
            run=run,
            profile=battery_cases.profile_for(run.family),
            inputs="V+I",
            start_soc=run.start_soc,
            ahead="whole" if run.family == "tubular85" else "",
        )
        rows = battery_replay.replay(case, 200)
        hours = run.seconds / 3600
        text = f"{run.name:<24}{hours:7.2f}   "
        for fraction in LEFT:
            row = rows[int(np.argmin(np.abs(rows[:, 4] - 100 * fraction)))]
            true, expected = row[4] / 100 * hours, (row[1] + row[4]) / 100 * hours
            low, high = row[2] / 100 * hours, row[3] / 100 * hours
            text += f"{f'{true:.2f}: {low:.2f} / {expected:.2f} / {high:.2f}':<30}"
        print(text)


def published_tables() -> dict[str, list[tuple[float, DischargeRow]]]:
    """Rated ampere-hours and rows of each published table."""
    tables: dict[str, list[tuple[float, DischargeRow]]] = {}
    with (battery_truth.data_folder() / "tables" / "discharge_tables.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            entry = DischargeRow(
                amps=float(row["amps"]),
                minutes=float(row["time_min"]),
                end_volts_per_cell=float(row["end_v_per_cell"]),
                temp_c=float(row["temp_C"]),
            )
            tables.setdefault(row["battery"], []).append((float(row["nominal_Ah"]), entry))
    return tables


def _tables() -> None:
    print(f"\n{'table':<24}{'rows':>5}{'RMS %':>7}{'worst %':>9}   from 30 minutes up:{'RMS %':>7}{'worst %':>9}")
    for name, entries in published_tables().items():
        errors = []
        for fold in range(FOLDS):
            known = [row for place, (_, row) in enumerate(entries) if place % FOLDS != fold]
            c20_ah = entries[0][0]
            profile = sheet_prior(sound_prior(), known, c20_ah)
            for _, row in entries[fold::FOLDS]:
                hours = hours_by_sheet(profile, known, c20_ah, row.amps, row.end_volts_per_cell, row.temp_c)
                errors.append((row.minutes, 100 * (hours * 60 / row.minutes - 1)))
        table = np.array(errors)
        slow = table[table[:, 0] >= 30, 1]
        print(
            f"{name:<24}{len(table):>5}{np.sqrt(np.mean(table[:, 1] ** 2)):7.1f}{np.abs(table[:, 1]).max():9.0f}"
            f"{np.sqrt(np.mean(slow**2)):29.1f}{np.abs(slow).max():9.0f}"
        )


def main(arguments: list[str]) -> None:
    """Prints both tables."""
    _recordings()
    _tables()
