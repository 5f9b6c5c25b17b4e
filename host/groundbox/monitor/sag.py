"""What the equipment's voltage does when the largest load starts. Pure.

The battery's resistance is seen in the readings themselves: the lowest voltage against the highest current of the same
second. Until a load has shown it, the profile' fitted value, else an ordinary one for the battery's size.
"""

from collections import deque

from groundbox.model import Reading

SHOWN_AMPS = 0.8  # a swing of current that shows a resistance
REMEMBERED = 20
WORST_S = 60.0
OHM_AH = 0.45  # ohms times ampere-hours of an ordinary block, its polarisation in a second included (assumed)
HIGHEST_OHM = 1.0
NO_CONTACT_VOLTS = 1.0  # lower than any load pulls a battery: contact was lost (the board's own bound)


class Sag:
    """Follows one battery.

    Args:
        lead_ohm: leads, fuse and connectors between battery and equipment.
        c20_ah, fitted_ohm: from the profile.
    """

    def __init__(self, lead_ohm: float, c20_ah: float | None, fitted_ohm: float | None = None) -> None:
        self._lead_ohm = lead_ohm
        self._profile_ohm = fitted_ohm or (OHM_AH / c20_ah if c20_ah else None)
        self._seen: deque[float] = deque(maxlen=REMEMBERED)
        self._worst: deque[tuple[float, float]] = deque()  # (uptime, equipment volts), rising

    def take(self, reading: Reading) -> None:
        """Takes one reading."""
        lowest, highest = reading.battery_min_volts, reading.battery_max_amps
        if lowest is None or lowest < NO_CONTACT_VOLTS:
            return
        volts, amps = reading.battery_volts, reading.battery_amps
        if volts is not None and amps is not None and highest is not None and highest - amps >= SHOWN_AMPS:
            self._seen.append(min(max((volts - lowest) / (highest - amps), 0.0), HIGHEST_OHM))
        now_s = reading.uptime_ms / 1000
        at_equipment = lowest - max(highest or 0.0, 0.0) * self._lead_ohm
        while self._worst and (self._worst[-1][1] >= at_equipment or self._worst[-1][0] > now_s):
            self._worst.pop()
        self._worst.append((now_s, at_equipment))
        while self._worst[0][0] < now_s - WORST_S:
            self._worst.popleft()

    @property
    def ohm(self) -> float | None:
        """The battery's resistance: the middle one of those seen, else the profile'; None while nothing is known."""
        return sorted(self._seen)[len(self._seen) // 2] if self._seen else self._profile_ohm

    def expected(self, volts: float | None, amps: float | None, more_amps: float) -> float | None:
        """Volts at the equipment when `more_amps` start; no better than the worst of the last minute."""
        seen = self._worst[0][1] if self._worst else None
        if volts is None or amps is None or self.ohm is None:
            return seen
        predicted = volts - amps * self._lead_ohm - more_amps * (self.ohm + self._lead_ohm)
        return predicted if seen is None else min(predicted, seen)
