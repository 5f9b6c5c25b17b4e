"""Readings per second through the estimator, beside a bare loop that counts amp-hours; 1 Hz, an answer a minute."""

import time

from groundbox.battery.estimate import Estimator
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Sample

SEASON = 2_000_000


def _rows(count: int) -> list[Sample]:
    """An hour of load, an hour of charge, and so on."""
    return [
        Sample(
            t_s=float(second),
            volts=12.5 - 1e-4 * (second % 3600) if second // 3600 % 2 == 0 else 13.6,
            amps=2.0 + 0.1 * (second % 7) if second // 3600 % 2 == 0 else -2.0,
        )
        for second in range(count)
    ]


def _bare(rows: list[Sample]) -> float:
    began, amp_hours, before = time.perf_counter(), 0.0, rows[0].t_s
    for row in rows:
        amp_hours += (row.amps or 0.0) * (row.t_s - before) / 3600
        before = row.t_s
    return len(rows) / (time.perf_counter() - began)


def _estimated(rows: list[Sample], every: int) -> float:
    estimator = Estimator(BatteryProfile(c20_ah=18.0), RuntimeLimits(cutoff_volts=10.8))
    began = time.perf_counter()
    for place, row in enumerate(rows):
        estimator.update(row)
        if place % every == 0:
            estimator.estimate()
    return len(rows) / (time.perf_counter() - began)


def main(arguments: list[str]) -> None:
    """Prints readings per second and the ratio; `season` as an argument times all two million rows."""
    rows = _rows(SEASON if "season" in arguments else 100_000)
    bare, estimated = _bare(rows), _estimated(rows, 60)
    print(f"bare amp-hour counter      {bare:12,.0f} readings/s")
    print(f"estimator, answer a minute {estimated:12,.0f} readings/s, {bare / estimated:.0f} times slower")
    print(f"a season of {SEASON:,} readings: {SEASON / estimated / 60:.1f} minutes")
