"""A case now: the temperature of its walls, heat that is not logged, and the time to a limit. Needs no NumPy."""

import math

from groundbox.thermal.model import CaseModel, CaseState, Drive, minutes_to, predict
from groundbox.thermal.rows import LONGEST_GAP_S, HeatRow

AIR_S = 15.0  # time constant with which the modelled air is corrected to the measured one
EXTRA_S = 600.0  # and with which a lasting correction becomes unlogged heat
LOAD_S = 300.0  # the load to come is the mean over about this time
MIN_OBSERVED_S = 120.0


class CaseTracker:
    """Follows one case row by row.

    Attributes:
        state: air, walls and battery; None before the first row.
        extra_watts: heat in the air that logged watts and noted sun do not explain, such as sun that is not noted.
    """

    def __init__(self, model: CaseModel) -> None:
        self.model = model
        self.state: CaseState | None = None
        self.extra_watts = 0.0
        self._row: HeatRow | None = None
        self._watts = 0.0
        self._observed_s = 0.0

    def update(self, row: HeatRow) -> None:
        """Takes in the next row; repeated and older ones are skipped, a gap starts it again."""
        if self._row is not None and self.state is not None:
            dt_s = row.t_s - self._row.t_s
            if dt_s <= 0:
                return
            if dt_s <= LONGEST_GAP_S:
                self._follow(self.state, row, dt_s)
                return
        self._begin(row)

    def drive(self, fans: float) -> Drive | None:
        """What acts on the case if its load and weather stay and `fans` (0 to 2) run; None before the first row."""
        if self._row is None:
            return None
        watts = self._watts + self.extra_watts
        return Drive(watts=watts, outside_c=self._row.outside_c, fans=fans, sun=self._row.sun or 0.0)

    def minutes_to(self, limit_c: float, fans: float = 0.0) -> float | None:
        """Minutes until the air is at `limit_c` if from now on `fans` run; None: not within a day, or not yet known.

        `known` distinguishes the two.
        """
        drive = self.drive(fans)
        if self.state is None or drive is None or not self.known:
            return None
        return minutes_to(limit_c, self.model, self.state, drive)

    @property
    def known(self) -> bool:
        """It has observed the case for long enough."""
        return self._observed_s >= MIN_OBSERVED_S

    def _begin(self, row: HeatRow) -> None:
        self._row, self._watts, self._observed_s, self.extra_watts = row, row.watts, 0.0, 0.0
        inner, outer = self.model.air_wall_w_per_k, self.model.wall_outside_w_per_k
        sun = (row.sun or 0.0) * self.model.sun_watts
        wall_c = (inner * row.case_c + outer * row.outside_c + sun) / (inner + outer)
        self.state = CaseState(air_c=row.case_c, wall_c=wall_c, battery_c=row.battery_c)

    def _follow(self, state: CaseState, row: HeatRow, dt_s: float) -> None:
        acting = Drive(watts=row.watts + self.extra_watts, outside_c=row.outside_c, fans=row.fans, sun=row.sun or 0.0)
        predicted = predict(self.model, state, acting, dt_s)
        correction_k = (1 - math.exp(-dt_s / AIR_S)) * (row.case_c - predicted.air_c)
        self.extra_watts += self.model.air_j_per_k * correction_k / EXTRA_S
        self._watts += (1 - math.exp(-dt_s / LOAD_S)) * (row.watts - self._watts)
        battery_c = predicted.battery_c if row.battery_c is None else row.battery_c
        self.state = CaseState(air_c=predicted.air_c + correction_k, wall_c=predicted.wall_c, battery_c=battery_c)
        self._row, self._observed_s = row, self._observed_s + dt_s
