"""A battery's condition: what contradicts its profile now, and its measured capacity over its life."""

from dataclasses import dataclass

import numpy as np

from groundbox.battery.limits import FULL_REST_VOLTS
from groundbox.battery.particles import MISFIT, Particles
from groundbox.battery.plausible import DIFFERS_HOURS, Plausibility
from groundbox.battery.prior import CAPACITY, OFFSET
from groundbox.battery.profile import DAYS_A_YEAR, BatteryProfile, HistoryRow
from groundbox.battery.runtime import quantiles
from groundbox.battery.values import Finding

MIN_CAPACITY_FRACTION = 0.90  # of the fitted capacity, with a posterior probability of 90 %
RESISTANCE, MAX_RESISTANCE_RISE = 5, 1.8  # place among the coefficients; times the fitted one, with 95 % probability
MAX_OFFSET_SCORE = 4.0  # standard deviations of the fitted curve
MAX_INNOVATION_SQUARE = 6.0  # mean of the normalised innovation squared, 1 where the prior fits
MAX_STEP_RISE, STEP_MORE_OHM = 2.0, 0.06  # times the fitted one and more, as switched loads show it (assumed)
MIN_LABEL_FRACTION, MIN_WRONG_GAIN = 0.55, 1.3  # of the label, with 90 % probability; times the known load, likewise
MIN_OHM = 0.01  # of battery, leads and shunt together (assumed)
MIN_CELL_VOLTS, MAX_CELL_VOLTS = 1.0, 2.9  # cutoffs end above, equalising charges below (common practice, no source)
LONG_HOURS, CHARGED_VOLTS, MAX_REST_GAP = 0.25, 1.95, 0.5  # assumed; a charge is over 2 V a cell within minutes
EMPTY_REST_VOLTS = 1.942  # volts per cell at rest, AGM, from memory
MIN_LOAD_RATE = 0.05  # units of C20 per hour: below that resistance shows too little

REPLACE_FRACTION = 0.80  # of rated capacity; IEEE 1188 (valve-regulated) and IEEE 450 (vented), from memory
RESISTANCE_RISE = 1.3  # over the first one measured: look into it at 30 to 50 %, IEEE 1188, from memory
MIN_ROWS, MIN_DAYS = 3, 60


def gross_findings(
    cell_volts: float, profile: BatteryProfile, *, charging_hours: float, rest_hours: float, soc_low: float
) -> tuple[Finding, ...]:
    """What no lead-acid battery can do, whatever its profile states.

    Args:
        cell_volts: volts per cell, now.
        charging_hours, rest_hours: for how long the measured current has been that of a charge, or none.
        soc_low: the 5 % point of the state of charge, 0 to 1.
    """
    volts = cell_volts * profile.cells
    if not MIN_CELL_VOLTS <= cell_volts <= MAX_CELL_VOLTS:
        sentence = (
            f"{volts:.1f} V is {cell_volts:.2f} V for each of the {profile.cells} cells in its profile, which none "
            "has: check which battery is in the box, its cells in the profile, and the leads"
        )
    elif charging_hours >= LONG_HOURS and cell_volts < CHARGED_VOLTS:
        sentence = (
            f"the current reads as a charge, but {volts:.1f} V is no voltage of one: "
            "turn the current sensor's two leads"
        )
    elif rest_hours >= LONG_HOURS and soc_low - charge_at_rest(cell_volts) > MAX_REST_GAP:
        sentence = (
            f"no current is measured, but {volts:.1f} V is that of a nearly empty battery: check the current "
            "sensor's leads, and that every load passes it; until then trust the voltage"
        )
    else:
        return ()
    return (Finding(kind="wrong battery?", sentence=sentence),)


def sensor_findings(
    doubts: Plausibility, profile: BatteryProfile, cell_volts: float, mean_amps: float
) -> tuple[Finding, ...]:
    """What the sensors contradict, whatever the battery; `mean_amps` is the load of the last ten minutes."""
    volts = cell_volts * profile.cells
    if doubts.swapped:
        return (Finding(kind="swapped?", sentence="the voltage stepped as no load moves it: was the battery swapped?"),)
    if doubts.frozen:
        return (
            Finding(
                kind="voltage sensor?", sentence=f"the voltage stays at {volts:.2f} V under load: check its sensor"
            ),
        )
    if doubts.lost:
        sentence = "no current is measured, but the voltage is that of a load: check the current sensor's leads"
        return (Finding(kind="current sensor?", sentence=sentence),)
    if doubts.differs_hours >= DIFFERS_HOURS:
        sentence = f"{mean_amps:.2g} A is measured, {doubts.declared_amps:.2g} A is declared"
        return (Finding(kind="load?", sentence=sentence),)
    if doubts.other:
        sentence = (
            f"{volts:.1f} V under load after so much charge is no lead-acid battery of {profile.cells} cells: "
            "no runtime is given for it"
        )
        return (Finding(kind="other chemistry", sentence=sentence),)
    return ()


def unlike_label(
    particles: Particles, profile: BatteryProfile, cell_volts: float, looks_empty: bool
) -> tuple[Finding, ...]:
    """What voltage and amp-hours contradict of nameplate and load, whether or not the battery was ever fitted.

    looks_empty: the voltage is that of an empty or sick battery, though little was drawn.
    """
    volts = cell_volts * profile.cells
    weight = particles.weight
    gain = np.ones_like(weight) if particles.log_gain is None else np.exp(particles.log_gain)
    high = quantiles(particles.capacity / gain, weight, (0.90,))[0]
    if looks_empty and profile.fitted is None and high >= MIN_LABEL_FRACTION:
        sentence = f"{volts:.1f} V is that of an empty or sick battery: charge it; if it was charged, replace it"
        return (Finding(kind="empty or sick", sentence=sentence),)
    if profile.fitted is None and high < MIN_LABEL_FRACTION:
        middle = quantiles(particles.capacity / gain, weight, (0.5,))[0] * profile.c20_ah
        sentence = (
            f"holds about {middle:.2g} Ah by its voltage, its label says {profile.c20_ah:g}: worn, another label, "
            "or a load that the current sensor does not see; run `groundbox battery test`"
        )
        return (Finding(kind="label?", sentence=sentence),)
    if particles.log_gain is not None and quantiles(gain, weight, (0.1,))[0] > MIN_WRONG_GAIN:
        times = quantiles(gain, weight, (0.5,))[0]
        sentence = f"the voltage falls as under {times:.1f} times the load: check the current sensor and declared loads"
        return (Finding(kind="current sensor?", sentence=sentence),)
    return ()


def charge_at_rest(cell_volts: float) -> float:
    """Charge, 0 to 1, of a battery that has so many volts a cell after a rest."""
    return min(max((cell_volts - EMPTY_REST_VOLTS) / (FULL_REST_VOLTS - EMPTY_REST_VOLTS), 0.0), 1.0)


def _offset_score(particles: Particles, profile: BatteryProfile) -> float:
    """How many standard deviations the whole curve lies off the fitted one."""
    assert profile.fitted is not None
    middle = particles.weight @ particles.mean
    off = middle[0] - profile.fitted.mean[OFFSET] + middle[MISFIT]
    return float(off / np.sqrt(profile.fitted.covariance[OFFSET][OFFSET] + profile.fitted.error_volts**2))


def _bad_connector(step_ohm: float, known_ohm: float) -> Finding:
    return Finding(
        kind="bad connector",
        sentence=f"each switched load moves the voltage as {1000 * step_ohm:.0f} mΩ would, "
        f"{step_ohm / known_ohm:.0f} times the measured resistance: feel the connectors, fuse and leads for warmth, "
        "with the load off; if they are sound, check which battery is in the box",
    )


def findings(
    particles: Particles, profile: BatteryProfile, load_rate: float, step_ohm: float | None = None
) -> tuple[Finding, ...]:
    """Empty for a battery that was never fitted, and for one that agrees with its fit.

    Args:
        particles: the posterior.
        load_rate: mean load, units of C20 per hour.
        step_ohm: resistance that switched loads show. A high one explains a voltage that looks like another battery's
            or a worn one's.
    """
    fitted = profile.fitted
    if fitted is None:
        return ()
    known_ohm = max(fitted.resistance_mohm / 1000, MIN_OHM)
    if step_ohm is not None and step_ohm > MAX_STEP_RISE * known_ohm + STEP_MORE_OHM:
        return (_bad_connector(step_ohm, known_ohm),)
    found = []
    weight = particles.weight
    high = quantiles(particles.capacity, weight, (0.90,))[0]
    if high < MIN_CAPACITY_FRACTION * fitted.mean[CAPACITY]:
        found.append(
            Finding(
                kind="capacity fell",
                sentence=f"holds at most {high * profile.c20_ah:.1f} Ah; {fitted.capacity_ah:.1f} Ah were measured "
                f"on {fitted.date}: worn, not full, or cold; run `groundbox battery test`",
            )
        )
    middle = float(weight @ particles.mean[:, RESISTANCE])
    spread = float(np.sqrt(weight @ particles.covariance[:, RESISTANCE, RESISTANCE]))
    known = fitted.mean[2 + RESISTANCE]
    if load_rate > MIN_LOAD_RATE and middle - 1.64 * spread > MAX_RESISTANCE_RISE * max(known, 0.02):
        found.append(
            Finding(
                kind="bad connector?",
                sentence=f"voltage sags under load as if resistance were {middle / max(known, 0.02):.1f} times the "
                "measured one: feel the connectors, fuse and leads for warmth, with the load off",
            )
        )
    if particles.innovation_square > MAX_INNOVATION_SQUARE or abs(_offset_score(particles, profile)) > MAX_OFFSET_SCORE:
        found.append(
            Finding(
                kind="wrong battery?",
                sentence=f"does not behave like {profile.label or 'the battery of this profile'}: "
                "check which battery is in the box, and its leads",
            )
        )
    return tuple(found)


def trust_in(profile: BatteryProfile, found: tuple[Finding, ...]) -> str:
    """How the runtime is known; see `values.Estimate.trust`."""
    if found:
        return "doubtful"
    if profile.fitted is None:
        return "nameplate"
    sure = profile.fitted.runs > 1 and all(row.confirmed for row in profile.history)
    return "measured" if sure else "one_session"


@dataclass(frozen=True, slots=True, kw_only=True)
class HealthReport:
    """State of health as fractions of rated capacity, 0 to about 1.2; None is "not known".

    fraction, fraction_sd: by the newest fit. per_year, per_year_sd: the trend. resistance_rise: over the first fit.
    verdict: one sentence.
    """

    fraction: float | None
    fraction_sd: float | None
    per_year: float | None
    per_year_sd: float | None
    resistance_rise: float | None
    verdict: str


def _trend(rows: list[HistoryRow], rated_ah: float) -> tuple[float, float] | None:
    """Weighted straight line through the rows: change per year and its spread, of rated capacity."""
    days = np.array([(row.date - rows[0].date).days for row in rows], dtype=float)
    if len(rows) < MIN_ROWS or np.ptp(days) < MIN_DAYS:
        return None
    years = days / DAYS_A_YEAR
    fractions = np.array([row.capacity_ah for row in rows]) / rated_ah
    spread = np.maximum(np.array([row.capacity_sd_ah for row in rows]) / rated_ah, 0.01)
    (slope, _), covariance = np.polyfit(years, fractions, 1, w=1 / spread, cov="unscaled")
    return float(slope), float(np.sqrt(covariance[0, 0]))


def _verdict(fraction: float, sd: float, rise: float | None) -> str:
    if fraction + 1.64 * sd < REPLACE_FRACTION:
        return f"replace it: under {REPLACE_FRACTION:.0%} of rated capacity, the criterion of IEEE 1188"
    if fraction - 1.64 * sd > REPLACE_FRACTION:
        if rise is not None and rise > RESISTANCE_RISE:
            return f"sound by capacity, but its resistance rose {rise - 1:.0%}: look into it (IEEE 1188)"
        return f"sound: over {REPLACE_FRACTION:.0%} of rated capacity, the criterion of IEEE 1188"
    return f"close to {REPLACE_FRACTION:.0%} of rated capacity (IEEE 1188): run `groundbox battery test`"


def health(profile: BatteryProfile) -> HealthReport:
    """State of health from the history in the profile; the verdict states where there is not enough of it."""
    rows = sorted(profile.history, key=lambda row: row.date)
    if not rows:
        return HealthReport(
            fraction=None,
            fraction_sd=None,
            per_year=None,
            per_year_sd=None,
            resistance_rise=None,
            verdict="not enough data yet: no discharge deeper than 40 % was ever fitted",
        )
    last, first = rows[-1], rows[0]
    fraction, sd = last.capacity_ah / profile.c20_ah, last.capacity_sd_ah / profile.c20_ah
    rise = last.resistance_mohm / first.resistance_mohm if len(rows) > 1 and last.date > first.date else None
    trend = _trend(rows, profile.c20_ah)
    verdict = _verdict(fraction, sd, rise)
    if trend is None:
        verdict += f"; not enough data yet for a trend ({MIN_ROWS} fits over {MIN_DAYS} days)"
    return HealthReport(
        fraction=fraction,
        fraction_sd=sd,
        per_year=None if trend is None else trend[0],
        per_year_sd=None if trend is None else trend[1],
        resistance_rise=rise,
        verdict=verdict,
    )
