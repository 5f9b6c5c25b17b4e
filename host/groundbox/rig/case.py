"""Heat in a case: air with the electronics in it, walls with the sun on the lid, and the battery.

Every flow of heat is booked, so that a test can balance them. Air: 1.2 kg/m3 and 1005 J/(kg K), so 0.335 W per K and
m3/h. Capacities and conductances are assumed, for a case of 20 litres with 5 kg of battery.
"""

from dataclasses import dataclass

WATTS_PER_K_AND_M3_PER_H = 0.335
_LONGEST_STEP_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseSettings:
    """One case; J/K and W/K.

    Attributes:
        leak_w_per_k: air through gaps with the fans off.
        sun_area_m2: area that takes up sunlight, times its absorption.
        path: resistance to air, pascal at 1 m3/h squared.
    """

    air_j_per_k: float = 1500.0
    walls_j_per_k: float = 2500.0
    battery_j_per_k: float = 5000.0
    air_walls_w_per_k: float = 2.5
    walls_outside_w_per_k: float = 4.0
    air_battery_w_per_k: float = 0.6
    walls_battery_w_per_k: float = 0.4
    leak_w_per_k: float = 0.1
    sun_area_m2: float = 0.08
    path: float = 0.06


class Case:
    """Temperatures in degrees C, and joules in and out since the start."""

    def __init__(self, settings: CaseSettings, start_c: float) -> None:
        self.settings = settings
        self.air_c = self.walls_c = self.battery_c = start_c
        self._start_c = start_c
        self.in_joules = self.out_joules = 0.0

    @property
    def stored_joules(self) -> float:
        """Heat held above the start."""
        s, start = self.settings, self._start_c
        return (
            s.air_j_per_k * (self.air_c - start)
            + s.walls_j_per_k * (self.walls_c - start)
            + s.battery_j_per_k * (self.battery_c - start)
        )

    def step(
        self,
        dt_s: float,
        air_joules: float,
        battery_joules: float,
        sun_w_m2: float,
        flow_m3_per_h: float,
        outside_c: float,
    ) -> None:
        """Warms and cools for `dt_s`.

        Args:
            air_joules, battery_joules: heat given to the air and to the battery in that time.
            sun_w_m2: sunshine on the lid.
            flow_m3_per_h: air through the case.
            outside_c: temperature of the air outside.
        """
        parts = int(dt_s / _LONGEST_STEP_S) + 1
        part_s = dt_s / parts
        heats = (air_joules / dt_s, sun_w_m2 * self.settings.sun_area_m2, battery_joules / dt_s)
        for _ in range(parts):
            self._part(part_s, heats, flow_m3_per_h * WATTS_PER_K_AND_M3_PER_H, outside_c)

    def _part(self, dt_s: float, heats: tuple[float, float, float], flow_w_per_k: float, outside_c: float) -> None:
        """Midpoint rule; what leaves is booked with the midpoint's flows, so that the books balance exactly."""
        s = self.settings
        start = (self.air_c, self.walls_c, self.battery_c)
        air, walls, block, _ = self._watts(start, heats, flow_w_per_k, outside_c)
        half = dt_s / 2
        middle = (
            start[0] + half * air / s.air_j_per_k,
            start[1] + half * walls / s.walls_j_per_k,
            start[2] + half * block / s.battery_j_per_k,
        )
        air, walls, block, out = self._watts(middle, heats, flow_w_per_k, outside_c)
        self.air_c += dt_s * air / s.air_j_per_k
        self.walls_c += dt_s * walls / s.walls_j_per_k
        self.battery_c += dt_s * block / s.battery_j_per_k
        self.in_joules += dt_s * sum(heats)
        self.out_joules += dt_s * out

    def _watts(
        self, at_c: tuple[float, float, float], heats: tuple[float, float, float], flow_w_per_k: float, outside_c: float
    ) -> tuple[float, float, float, float]:
        """Net watts into air, walls and block, and watts to the outside."""
        s = self.settings
        air_c, walls_c, battery_c = at_c
        air_walls = s.air_walls_w_per_k * (air_c - walls_c)
        air_block = s.air_battery_w_per_k * (air_c - battery_c)
        walls_block = s.walls_battery_w_per_k * (walls_c - battery_c)
        air_out = (s.leak_w_per_k + flow_w_per_k) * (air_c - outside_c)
        walls_out = s.walls_outside_w_per_k * (walls_c - outside_c)
        return (
            heats[0] - air_walls - air_block - air_out,
            heats[1] + air_walls - walls_block - walls_out,
            heats[2] + air_block + walls_block,
            air_out + walls_out,
        )
