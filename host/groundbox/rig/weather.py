"""Air and sun outside, over the simulated day."""

from dataclasses import dataclass

from groundbox.rig.lead_acid import along


@dataclass(frozen=True, slots=True, kw_only=True)
class Weather:
    """Straight lines between rows of (seconds, value), times counted from the start of the simulation.

    Attributes:
        outside_c: temperature of the air.
        sun_w_m2: sunshine on a lid lying flat.
    """

    outside_c: tuple[tuple[float, float], ...] = ((0.0, 25.0),)
    sun_w_m2: tuple[tuple[float, float], ...] = ((0.0, 0.0),)

    def at(self, now_s: float) -> tuple[float, float]:
        """(temperature of the air in degrees C, sunshine in W/m2) at `now_s`."""
        return along(self.outside_c, now_s), along(self.sun_w_m2, now_s)
