"""What it looks like when voltage and amp-hours contradict the battery's measured prior, in plain sentences."""

import numpy as np

from groundbox.battery.bank import MISFIT, Bank
from groundbox.battery.forward import quantiles
from groundbox.battery.population import CAPACITY
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import REST_FULL, Finding

FALLEN = 0.90  # of the fitted capacity, with 90 % belief
RESISTANCE, RISEN = 5, 1.8  # place among the coefficients; times the fitted one, with 95 % belief
STRANGE = 4.0  # spreads of the measured curve
SURPRISE = 6.0  # mean square of standardised surprises, 1 where the prior fits
STEP_RISEN, STEP_MORE_OHM = 2.0, 0.06  # times the fitted one and more, as switched loads show it (assumed)
LEAST_OHM = 0.01  # of battery, leads and shunt together (assumed)
LEAST_CELL_VOLTS, MOST_CELL_VOLTS = 1.0, 2.9  # cutoffs end above, equalising charges below (common practice)
LONG_HOURS, CHARGED_VOLTS, REST_OFF = 0.25, 1.95, 0.5  # assumed; a charge stands over 2 V a cell within minutes
REST_EMPTY = 1.942  # volts per cell at rest, AGM, from memory
LEAST_LOAD = 0.05  # units of C20 per hour: below that resistance shows too little


def gross(
    cell_volts: float, profile: BatteryProfile, *, charging_hours: float, rest_hours: float, soc_low: float
) -> tuple[Finding, ...]:
    """What cannot be true of any lead-acid battery, whatever its profile know.

    Args:
        charging_hours, rest_hours: for how long the current measured has been that of a charge, or none.
        soc_low: the least charge believed, 0 to 1.
    """
    volts = cell_volts * profile.cells
    if not LEAST_CELL_VOLTS <= cell_volts <= MOST_CELL_VOLTS:
        sentence = (
            f"{volts:.1f} V is {cell_volts:.2f} V for each of the {profile.cells} cells in its profile, which none "
            "has: check which battery is in the box, its cells in the profile, and the leads"
        )
    elif charging_hours >= LONG_HOURS and cell_volts < CHARGED_VOLTS:
        sentence = (
            f"the current reads as a charge, yet {volts:.1f} V is no voltage of one: "
            "turn the current sensor's two leads"
        )
    elif rest_hours >= LONG_HOURS and soc_low - told_by_rest(cell_volts) > REST_OFF:
        sentence = (
            f"no current is measured, yet {volts:.1f} V is that of a battery drawn far down: check the current "
            "sensor's leads, and that every load passes it; until then trust the voltage"
        )
    else:
        return ()
    return (Finding(kind="wrong battery?", sentence=sentence),)


def told_by_rest(cell_volts: float) -> float:
    """Charge, 0 to 1, of a battery that stands at so many volts a cell after a rest."""
    return min(max((cell_volts - REST_EMPTY) / (REST_FULL - REST_EMPTY), 0.0), 1.0)


def _offset_score(bank: Bank, profile: BatteryProfile) -> float:
    """How many spreads the whole curve lies off the measured one."""
    assert profile.fitted is not None
    middle = bank.weight @ bank.mean
    off = middle[0] - profile.fitted.mean[2] + middle[MISFIT]
    return float(off / np.sqrt(profile.fitted.covariance[2][2] + profile.fitted.error_volts**2))


def _bad_connector(step_ohm: float, known_ohm: float) -> Finding:
    return Finding(
        kind="bad connector",
        sentence=f"each switched load moves the voltage as through {1000 * step_ohm:.0f} mohm, "
        f"{step_ohm / known_ohm:.0f} times the measured: feel the connectors, fuse and leads for warmth, with the load "
        "off; if they are sound, check which battery is in the box",
    )


def findings(
    bank: Bank, profile: BatteryProfile, load_rate: float, step_ohm: float | None = None
) -> tuple[Finding, ...]:
    """Empty for a battery without a measured prior, and for one that behaves.

    step_ohm: resistance that switched loads show. Much of it explains away a voltage that looks like another battery's
    or a worn one's: at rest it would be as it should.
    """
    fitted = profile.fitted
    if fitted is None:
        return ()
    known_ohm = max(fitted.resistance_mohm / 1000, LEAST_OHM)
    if step_ohm is not None and step_ohm > STEP_RISEN * known_ohm + STEP_MORE_OHM:
        return (_bad_connector(step_ohm, known_ohm),)
    found = []
    weight = bank.weight
    high = quantiles(bank.capacity, weight, (0.90,))[0]
    if high < FALLEN * fitted.mean[CAPACITY]:
        found.append(
            Finding(
                kind="capacity fell",
                sentence=f"gives at most {high * profile.c20_ah:.1f} Ah, {fitted.capacity_ah:.1f} Ah were measured "
                f"on {fitted.date}: worn, not full, or cold; run `groundbox battery test`",
            )
        )
    middle = float(weight @ bank.mean[:, RESISTANCE])
    spread = float(np.sqrt(weight @ bank.covariance[:, RESISTANCE, RESISTANCE]))
    known = fitted.mean[2 + RESISTANCE]
    if load_rate > LEAST_LOAD and middle - 1.64 * spread > RISEN * max(known, 0.02):
        found.append(
            Finding(
                kind="bad connector?",
                sentence=f"voltage sags under load as if resistance were {middle / max(known, 0.02):.1f} times the "
                "measured one: feel the connectors, fuse and leads for warmth, with the load off",
            )
        )
    if bank.surprise > SURPRISE or abs(_offset_score(bank, profile)) > STRANGE:
        found.append(
            Finding(
                kind="wrong battery?",
                sentence=f"does not behave like {profile.label or 'the battery this profile describe'}: "
                "check which battery is in the box, and its leads",
            )
        )
    return tuple(found)
