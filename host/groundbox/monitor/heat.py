"""How long until one case is hot: as things are, and should its fans stop. One follower of heat a box. Pure.

Uses the case fitted from this box's own sessions where there is one, else an assumed one; measurement corrects either,
and after two minutes it dares a number.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from groundbox.model import Reading
from groundbox.monitor.board_limits import case_levels_c
from groundbox.monitor.loads import declared_amps
from groundbox.settings import LoadSettings
from groundbox.thermal.fit import CaseFit
from groundbox.thermal.model import CaseModel
from groundbox.thermal.rows import HeatRow
from groundbox.thermal.tracker import CaseTracker

LEVELS_C = case_levels_c({})
WORTH_TELLING_MIN = 240.0
ANEW_S = 10.0  # the low number is dear and hardly moves


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatOutlook:
    """Minutes until the case is hot; None: not within hours, or not known.

    as_now_min: to each of the board's three levels, its fans going on as they do.
    stopped_min: to the last of these, `limit_c`, if both fans stop now and the load stays; `stopped_low_min` is what
        one in twenty of the cases that fit the logs undercuts, None where no case was fitted.
    fitted: True where the case was learnt from this box's own sessions, False where it is assumed.
    """

    limit_c: float = LEVELS_C[-1]
    as_now_min: tuple[float | None, ...] = (None,) * len(LEVELS_C)
    stopped_min: float | None = None
    stopped_low_min: float | None = None
    fitted: bool = False


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
        self._early: tuple[float, float | None] = (-math.inf, None)  # time it was worked out, minutes

    def take(self, t_s: float, reading: Reading) -> None:
        """Takes in a reading at `t_s` of the estimator's time; one that lacks what is needed is passed over."""
        row = row_of(t_s, reading, self._loads)
        if row is not None:
            self._fans, self._now_s = row.fans, t_s
            self._tracker.update(row)

    def outlook(self, levels_c: Sequence[float] = LEVELS_C) -> HeatOutlook:
        """How long until it is hot, by the board's three levels."""
        stopped = self._worth(self._tracker.minutes_to(levels_c[-1], 0.0))
        if not self._fans:  # they stand already
            as_now = tuple(self._worth(self._tracker.minutes_to(level_c)) for level_c in levels_c[:-1]) + (stopped,)
        else:
            as_now = tuple(self._worth(self._tracker.minutes_to(level_c, self._fans)) for level_c in levels_c)
        return HeatOutlook(
            limit_c=levels_c[-1],
            as_now_min=as_now,
            stopped_min=stopped,
            stopped_low_min=None if stopped is None else self._stopped_low(levels_c[-1]),
            fitted=self._case is not None,
        )

    def _stopped_low(self, limit_c: float) -> float | None:
        state, drive = self._tracker.state, self._tracker.drive(0.0)
        if self._case is None or state is None or drive is None:
            return None
        if self._now_s - self._early[0] >= ANEW_S:
            self._early = self._now_s, self._case.low_minutes_to(limit_c, state, drive)
        return self._early[1]

    @staticmethod
    def _worth(minutes: float | None) -> float | None:
        return None if minutes is None or minutes > WORTH_TELLING_MIN else minutes


def row_of(
    t_s: float, reading: Reading, loads: Sequence[LoadSettings] = (), sun: float | None = None
) -> HeatRow | None:
    """What a reading says about heat; None where it lacks case, intake or the battery's power.

    `sun` is a share of full sun, where somebody noted it.
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
    """Fans of a pair that turn, 0 to 2, by their shares of full speed; a stalled one does not count.

    Of two pairs the mean is taken.
    """
    fitted = [fan for fan in reading.fans.values() if fan.state not in (None, "absent")]
    if not fitted:
        return 0.0
    shares = [(fan.percent or 0) / 100 for fan in fitted if fan.state not in ("stalled", "off")]
    return min(sum(shares) / math.ceil(len(fitted) / 2), 2.0)
