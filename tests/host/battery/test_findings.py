"""What no lead-acid battery can do is reported whatever its profile states; what it can do is not."""

import pytest

from groundbox.battery.health import gross_findings
from groundbox.battery.profile import BatteryProfile

PROFILE = BatteryProfile(c20_ah=18.0)


@pytest.mark.parametrize(
    ("cell_volts", "charging_hours", "rest_hours", "soc_low", "said"),
    [
        (4.2, 0.0, 0.0, 0.5, "which battery is in the box, its cells"),
        (0.6, 0.0, 0.0, 0.5, "which battery is in the box, its cells"),
        (1.9, 0.5, 0.0, 0.5, "turn the current sensor's two leads"),
        (1.95, 0.0, 0.5, 0.9, "that every load passes it"),
        (1.9, 0.1, 0.0, 0.5, ""),  # a charge that has only begun
        (2.2, 0.5, 0.0, 0.5, ""),
        (1.95, 0.0, 0.5, 0.3, ""),  # empty, and known to be
        (1.95, 0.0, 0.1, 0.9, ""),
        (2.05, 0.0, 0.0, 0.9, ""),
        (1.2, 0.0, 0.0, 0.0, ""),  # drawn far down under load
    ],
)
def test_gross_contradictions(
    cell_volts: float, charging_hours: float, rest_hours: float, soc_low: float, said: str
) -> None:
    found = gross_findings(cell_volts, PROFILE, charging_hours=charging_hours, rest_hours=rest_hours, soc_low=soc_low)
    assert bool(found) == bool(said)
    assert all(said in one.sentence for one in found)
