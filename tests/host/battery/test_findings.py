"""What no lead-acid battery can do is reported whatever its profile states; what it can do is not."""

from datetime import date

import msgspec
import pytest

from groundbox.battery.health import RESISTANCE, findings, gross_findings
from groundbox.battery.particles import draw_particles
from groundbox.battery.prior import Prior, prior_with_fit, sound_prior
from groundbox.battery.profile import BatteryProfile, FittedCurve

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


def well_fitted(prior: Prior) -> FittedCurve:
    """A fit with the mean of `prior` and a tenth of its spread."""
    return FittedCurve(
        date=date(2026, 5, 1),
        runs=2,
        capacity_ah=18.0,
        capacity_sd_ah=0.5,
        resistance_mohm=40.0,
        error_volts=0.01,
        mean=prior.mean.tolist(),
        covariance=(0.01 * prior.covariance).tolist(),
    )


@pytest.mark.parametrize(
    ("factor", "load_rate", "kinds"), [(1.0, 0.1, []), (1.6, 0.1, []), (2.5, 0.1, ["bad connector?"]), (2.5, 0.01, [])]
)
def test_a_risen_resistance_under_load_suggests_a_bad_connector(
    factor: float, load_rate: float, kinds: list[str]
) -> None:
    prior = sound_prior()
    profile = msgspec.structs.replace(PROFILE, fitted=well_fitted(prior))
    particles = draw_particles(prior_with_fit(profile), 1.0)
    particles.mean[:, RESISTANCE] = factor * prior.mean[2 + RESISTANCE]
    particles.covariance[:, RESISTANCE, RESISTANCE] = 1e-6
    assert [one.kind for one in findings(particles, profile, load_rate)] == kinds
