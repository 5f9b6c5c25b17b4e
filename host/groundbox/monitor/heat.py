"""How long until one case is hot: with its fans as they are, and with its fans stopped. One Heat for each box. Pure.

It uses the case fitted from this box's own sessions, else an assumed case; measurements correct either. It gives a
number after two minutes.
"""

import math
from collections.abc import Sequence

from groundbox.advice.limits import case_levels_c
from groundbox.advice.result import HeatShown
from groundbox.model import Reading
from groundbox.monitor.loads import declared_amps
from groundbox.settings import LoadSettings
from groundbox.thermal.fit import CaseFit
from groundbox.thermal.model import CaseModel
from groundbox.thermal.rows import HeatRow
from groundbox.thermal.tracker import CaseTracker

LEVELS_C = case_levels_c({})
MAX_SHOWN_MIN = 240.0
LOW_EVERY_S = 10.0  # the low value takes long to compute and changes slowly


class Heat:
    """Follows the readings of one box.

    Args:
        case: fitted from its sessions; None for an assumed case.
        loads: declared loads, for a box whose current is not measured.
    """

    def __init__(self, case: CaseFit | None = None, loads: Sequence[LoadSettings] = ()) -> None:
        self._case, self._loads = case, loads
        self._tracker = CaseTracker(case.model if case else CaseModel())
        self._fans = self._now_s = 0.0
        self._low: tuple[float, float | None] = (-math.inf, None)  # when it was computed, minutes

    def take(self, t_s: float, reading: Reading) -> None:
        """Takes in a reading at `t_s` of the estimator's time; one without the values needed is left out."""
        row = row_of(t_s, reading, self._loads)
        if row is not None:
            self._fans, self._now_s = row.fans, t_s
            self._tracker.update(row)

    def outlook(self, levels_c: Sequence[float] = LEVELS_C) -> HeatShown:
        """Minutes to each of the board's three case levels, with fans as now, and to the highest with fans stopped."""
        stopped = self._within_range(self._tracker.minutes_to(levels_c[-1], 0.0))
        if not self._fans:  # they are off already
            as_now = tuple(self._within_range(self._tracker.minutes_to(level_c)) for level_c in levels_c[:-1]) + (
                stopped,
            )
        else:
            as_now = tuple(self._within_range(self._tracker.minutes_to(level_c, self._fans)) for level_c in levels_c)
        return HeatShown(
            limit_c=levels_c[-1],
            levels_min=as_now,
            fans_stopped_min=stopped,
            fans_stopped_low_min=None if stopped is None else self._stopped_low(levels_c[-1]),
            fitted=self._case is not None,
        )

    def _stopped_low(self, limit_c: float) -> float | None:
        state, drive = self._tracker.state, self._tracker.drive(0.0)
        if self._case is None or state is None or drive is None:
            return None
        if self._now_s - self._low[0] >= LOW_EVERY_S:
            self._low = self._now_s, self._case.low_minutes_to(limit_c, state, drive)
        return self._low[1]

    @staticmethod
    def _within_range(minutes: float | None) -> float | None:
        return None if minutes is None or minutes > MAX_SHOWN_MIN else minutes


def row_of(
    t_s: float, reading: Reading, loads: Sequence[LoadSettings] = (), sun: float | None = None
) -> HeatRow | None:
    """The heat values of a reading; None where it lacks case, intake or the battery's power.

    `sun` is the fraction of full sun, where somebody noted it.
    """
    volts = reading.battery_volts
    if reading.case_c is None or reading.intake_c is None or volts is None:
        return None
    amps = reading.battery_amps if reading.battery_amps is not None else declared_amps(loads, volts, reading)
    if amps is None:
        return None
    return HeatRow(
        t_s=t_s,
        case_c=reading.case_c,
        outside_c=reading.intake_c,
        watts=abs(volts * amps),
        fans=turning(reading),
        sun=sun,
        battery_c=reading.battery_c,
    )


def turning(reading: Reading) -> float:
    """Fans of a pair that turn, 0 to 2, by their fraction of full speed; a stalled or doubtful one does not count.

    Of two pairs the mean is taken.
    """
    fitted = [fan for fan in reading.fans.values() if fan.state not in (None, "absent")]
    if not fitted:
        return 0.0
    fractions = [(fan.percent or 0) / 100 for fan in fitted if fan.state not in ("stalled", "too_fast", "off")]
    return min(sum(fractions) / math.ceil(len(fitted) / 2), 2.0)
