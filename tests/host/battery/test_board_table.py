"""The table of a battery for a board: rising, cautious, and whole numbers that its message can hold."""

import pytest

from groundbox.battery.board_table import board_table
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.runtime import from_full
from groundbox.link.commands import command_values
from groundbox.wire.messages import fields_of

LIMITS = RuntimeLimits(cutoff_volts=11.0, lead_ohm=0.02)
NAMES = [name for name, *_ in fields_of("battery_table")][2:]


@pytest.mark.parametrize(("c20_ah", "age_years", "amps"), [(7.2, None, 2.0), (9.0, 3.0, 1.3), (100.0, None, 30.0)])
def test_it_rises_from_nothing_to_less_than_a_full_battery_gives(
    c20_ah: float, age_years: float | None, amps: float
) -> None:
    profile = BatteryProfile(c20_ah=c20_ah, age_years=age_years)
    table = board_table(profile, LIMITS, amps, 600.0)
    assert command_values("battery_table", "mast", 1, dict(zip(NAMES, table, strict=True)))
    load_ma, resistance_mohm, home_s, *points = table
    assert (load_ma, home_s) == (round(1000 * amps), 600)
    assert 5 <= resistance_mohm * c20_ah / 18 <= 400
    volts, times = points[::2], points[1::2]
    assert sorted(set(volts)) == volts
    assert sorted(times) == times
    assert 11000 < volts[0] < volts[-1] < 13000
    assert times[0] == 0
    full_s = 3600 * from_full(profile, amps, 11.0 / 6, 10.0).low_h
    assert 0.3 * full_s < times[-1] + 600 <= 1.02 * full_s


def test_a_battery_that_does_not_bring_the_pilot_home_has_no_table() -> None:
    with pytest.raises(ValueError, match="full battery does not last"):
        board_table(BatteryProfile(c20_ah=7.2), LIMITS, 5.0, 7200.0)
