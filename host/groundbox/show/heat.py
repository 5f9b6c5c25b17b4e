"""How long until the case is hot if things stay as they are: one follower of heat a box. Pure.

Uses an assumed case (thermal.model's defaults) which measurement corrects; after two minutes it dares a number.
"""

from groundbox.model import Reading
from groundbox.show.answer import CASE_LEVELS_C
from groundbox.thermal.live import Tracker
from groundbox.thermal.model import CaseModel
from groundbox.thermal.rows import Row

WORTH_TELLING_MIN = 240.0
FANS = (1, 2, 3, 4)


class Heat:
    """Follows the readings of one box."""

    def __init__(self) -> None:
        self._tracker = Tracker(CaseModel())
        self._last: Reading | None = None

    def take(self, reading: Reading | None) -> None:
        """Takes in a reading; one seen before, or without what is needed, is passed over."""
        if reading is None or reading is self._last or reading.wall_s is None:
            return
        self._last = reading
        if reading.case_c is None or reading.intake_c is None or reading.battery_volts is None:
            return
        self._tracker.update(
            Row(
                t_s=reading.wall_s,
                case_c=reading.case_c,
                outside_c=reading.intake_c,
                watts=abs(reading.battery_volts * (reading.battery_amps or 0.0)),
                fans=turning(reading),
                block_c=reading.battery_c,
            )
        )

    def minutes(self) -> tuple[float | None, ...]:
        """Minutes to each of the board's case levels, its fans going on as now; None: not within hours or unknown."""
        fans = 0.0 if self._last is None else turning(self._last)
        found = [self._tracker.minutes_to(limit_c, fans) for limit_c in CASE_LEVELS_C]
        return tuple(None if one is None or one > WORTH_TELLING_MIN else one for one in found)


def turning(reading: Reading) -> float:
    """Fans that turn, 0 to 2, by their shares of full speed; a stalled one does not count."""
    shares = [
        (getattr(reading, f"fan{number}_percent") or 0) / 100
        for number in FANS
        if getattr(reading, f"fan{number}_state") not in (None, "absent", "stalled", "off")
    ]
    return min(sum(shares), 2.0)
