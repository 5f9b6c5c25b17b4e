"""A battery's health over its life: measured capacity against the rated one, and where that is going."""

from dataclasses import dataclass

import numpy as np

from groundbox.battery.profile import DAYS_A_YEAR, BatteryProfile, HistoryRow

REPLACE_SHARE = 0.80  # of rated capacity; IEEE 1188 (valve-regulated) and IEEE 450 (vented), from memory
RESISTANCE_RISE = 1.3  # over the first one measured: look into it at 30 to 50 %, IEEE 1188, from memory
LEAST_ROWS, LEAST_DAYS = 3, 60


@dataclass(frozen=True, slots=True, kw_only=True)
class Health:
    """Shares of rated capacity, 0 to about 1.2; `verdict` is one sentence; None is "not known"."""

    share: float | None
    share_sd: float | None
    per_year: float | None
    per_year_sd: float | None
    resistance_rise: float | None
    verdict: str


def _trend(rows: list[HistoryRow], rated_ah: float) -> tuple[float, float] | None:
    days = np.array([(row.date - rows[0].date).days for row in rows], dtype=float)
    if len(rows) < LEAST_ROWS or np.ptp(days) < LEAST_DAYS:
        return None
    years = days / DAYS_A_YEAR
    shares = np.array([row.capacity_ah for row in rows]) / rated_ah
    spread = np.maximum(np.array([row.capacity_sd_ah for row in rows]) / rated_ah, 0.01)
    design = np.stack([np.ones_like(years), years], axis=1) / spread[:, np.newaxis]
    covariance = np.linalg.inv(design.T @ design)
    slope = covariance @ design.T @ (shares / spread)
    return float(slope[1]), float(np.sqrt(covariance[1, 1]))


def _verdict(share: float, sd: float, rise: float | None) -> str:
    if share + 1.64 * sd < REPLACE_SHARE:
        return f"replace it: under {REPLACE_SHARE:.0%} of rated capacity, the criterion of IEEE 1188"
    if share - 1.64 * sd > REPLACE_SHARE:
        if rise is not None and rise > RESISTANCE_RISE:
            return f"sound by capacity, but its resistance rose {rise - 1:.0%}: look into it (IEEE 1188)"
        return f"sound: over {REPLACE_SHARE:.0%} of rated capacity, the criterion of IEEE 1188"
    return f"close to {REPLACE_SHARE:.0%} of rated capacity (IEEE 1188): run `groundbox battery test`"


def health(profile: BatteryProfile) -> Health:
    """Health from the history in the profile; honest when there is not enough of it."""
    rows = sorted(profile.history, key=lambda row: row.date)
    if not rows:
        return Health(
            share=None,
            share_sd=None,
            per_year=None,
            per_year_sd=None,
            resistance_rise=None,
            verdict="not enough data yet: no discharge deeper than 40 % was ever fitted",
        )
    last, first = rows[-1], rows[0]
    share, sd = last.capacity_ah / profile.c20_ah, last.capacity_sd_ah / profile.c20_ah
    rise = last.resistance_mohm / first.resistance_mohm if len(rows) > 1 and last.date > first.date else None
    trend = _trend(rows, profile.c20_ah)
    verdict = _verdict(share, sd, rise)
    if trend is None:
        verdict += f"; not enough data yet for a trend ({LEAST_ROWS} fits over {LEAST_DAYS} days)"
    return Health(
        share=share,
        share_sd=sd,
        per_year=None if trend is None else trend[0],
        per_year_sd=None if trend is None else trend[1],
        resistance_rise=rise,
        verdict=verdict,
    )
