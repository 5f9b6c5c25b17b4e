"""The charge model against measured recharges and data-sheet times; one set of defaults for all."""

import csv
import os
from pathlib import Path

import pytest

from groundbox.plan.charge_model import (
    ChargedBattery,
    ChargerModel,
    charge,
    full_at,
    hours_until,
    hours_until_full,
    missing_at,
)

# Recharges of one 17 Ah valve-regulated block at 3 A nominal to 14.4 V, 27 to 28 C in the case while charging
# (faster-lead-acid, V. Sulzer 2019, BSD-3-Clause): Ah drawn, hours to 14.3 V, Ah in by then, amps 1, 2, 4 h after.
RECHARGES = [
    (19.84, 6.52, 17.15, 1.21, 0.74, 0.33),
    (19.67, 6.30, 16.68, 1.24, 0.69, 0.20),
    (19.28, 6.23, 16.46, 1.18, 0.61, 0.30),
    (18.97, 6.20, 16.39, 1.15, 0.60, 0.37),
    (18.29, 6.02, 15.92, 1.13, 0.60, 0.28),
]
BLOCK = ChargedBattery(c20_ah=17, health=19.3 / 17, battery_c=27.5)


def _held_amps(hours: float, in_ah: float) -> float:
    """What the charger really held: the recording sags from 2.9 to 2.4 A."""
    return in_ah / hours


@pytest.mark.parametrize(("drawn", "hours", "in_ah", "amps1", "amps2", "amps4"), RECHARGES)
def test_each_measured_recharge(
    drawn: float, hours: float, in_ah: float, amps1: float, amps2: float, amps4: float
) -> None:
    """Time and ampere-hours to 14.3 V within 10 %; the tail is held against the mean below."""
    charger = ChargerModel(amps=_held_amps(hours, in_ah))
    reached = hours_until(BLOCK, charger, drawn, missing_at(BLOCK, charger.amps, 14.3))
    assert reached == pytest.approx(hours, rel=0.10)
    assert charge(BLOCK, charger, drawn, hours).in_ah == pytest.approx(in_ah, rel=0.10)


def test_the_measured_tail() -> None:
    """14.3 V after 6.0 to 6.5 h with 86 % back; then 1.2, 0.65 and 0.3 A after 1, 2 and 4 h: each within 10 %."""
    drawn = sum(row[0] for row in RECHARGES) / len(RECHARGES)
    held = sum(_held_amps(row[1], row[2]) for row in RECHARGES) / len(RECHARGES)
    charger = ChargerModel(amps=held)
    reached = hours_until(BLOCK, charger, drawn, missing_at(BLOCK, held, 14.3))
    assert reached is not None
    assert 6.0 * 0.9 <= reached <= 6.5 * 1.1
    assert charge(BLOCK, charger, drawn, reached).in_ah / drawn == pytest.approx(0.86, rel=0.10)
    for hours, amps in ((1, 1.2), (2, 0.65), (4, 0.3)):
        assert charge(BLOCK, charger, drawn, reached + hours).amps == pytest.approx(amps, rel=0.10)


def test_charge_factor() -> None:
    """Ampere-hours in over out by the end of the same recharges: 1.04 to 1.10."""
    state = charge(BLOCK, ChargerModel(amps=2.65), 19.5, 6.3 + 5)
    assert 1.03 <= state.in_ah / 19.5 <= 1.11


def test_a_partial_recharge_not_used_for_the_defaults() -> None:
    """7.21 Ah drawn at 2.69 A: 0.81 and 0.44 A one and two hours after 14.3 V (same source).

    The charge before had not been finished, so more was missing than had been drawn; the model receives the voltage
    reached and must give the tail (loosely: one run, and its tail lies a third under the others').
    """
    charger = ChargerModel(amps=2.49)
    missing = missing_at(BLOCK, charger.amps, 14.3)
    for hours, amps in ((1, 0.81), (2, 0.44)):
        assert charge(BLOCK, charger, missing, hours).amps == pytest.approx(amps, rel=0.60)


def _sheet_amps() -> float:
    """The sheet names no current; its two times differ by 6 h for half of 5 Ah, and 2 % of that is not stored."""
    return 2.5 / 6 / 0.98


@pytest.mark.parametrize(("missing_ah", "hours"), [(5.0, 16.0), (2.5, 10.0)])
def test_data_sheet_times_in_cycle_use(missing_ah: float, hours: float) -> None:
    """5 Ah block: 16 h from empty, 10 h from half, at 14.5 to 15.0 V (maker's sheet NP125, secondary copy)."""
    block = ChargedBattery(c20_ah=5)
    charger = ChargerModel(amps=_sheet_amps(), absorption_volts=14.5)
    assert hours_until_full(block, charger, missing_ah) == pytest.approx(hours, rel=0.10)


@pytest.mark.parametrize(("missing_ah", "hours"), [(5.0, 24.0), (2.5, 20.0)])
def test_data_sheet_times_in_standby_use(missing_ah: float, hours: float) -> None:
    """Same sheet, 13.4 to 13.8 V: 24 h from empty, 20 h from half; within 15 %, and no default comes from it."""
    block = ChargedBattery(c20_ah=5)
    charger = ChargerModel(amps=_sheet_amps(), absorption_volts=13.6)
    assert hours_until(block, charger, missing_ah, full_at(block, 13.6)) == pytest.approx(hours, rel=0.15)


def _logged_recharges(path: Path) -> list[list[tuple[float, float, float]]]:
    """(hours, volts, amps in) of every stretch charged at more than 2 A, up to the first rest."""
    stretches: list[list[tuple[float, float, float]]] = []
    charging = False
    for row in csv.DictReader(path.read_text().splitlines()):
        hours, volts, amps = float(row["t_s"]) / 3600, float(row["volts"]), -float(row["amps"])
        if amps > 2.0 and not charging:
            stretches.append([])
            charging = True
        charging = charging and amps > 0.15
        if charging:
            stretches[-1].append((hours - (stretches[-1][0][0] if stretches[-1] else 0.0), volts, amps))
    return [[(h if i else 0.0, v, a) for i, (h, v, a) in enumerate(s)] for s in stretches]


@pytest.mark.skipif("GROUNDBOX_CHECK_DATA" not in os.environ, reason="GROUNDBOX_CHECK_DATA is not set: no recordings")
def test_the_recording_itself() -> None:
    """The same block's first recorded recharge, read row by row: within 0.3 A RMS after 14.3 V (0.25 when written)."""
    path = Path(os.environ["GROUNDBOX_CHECK_DATA"]) / "data" / "vrla17_first_40h_with_recharge.csv"
    rows = _logged_recharges(path)[0]
    turn = next(hours for hours, volts, _ in rows if volts >= 14.3)
    held = sum(amps for hours, _, amps in rows if hours <= turn) / sum(1 for hours, _, _ in rows if hours <= turn)
    charger = ChargerModel(amps=held)
    errors = [(charge(BLOCK, charger, 19.74, hours).amps - amps) ** 2 for hours, _, amps in rows if hours > turn]
    assert len(errors) > 20
    assert (sum(errors) / len(errors)) ** 0.5 < 0.3
