"""Fans that take time to turn, in pairs that push and pull one after the other through the same air path.

Fan curve: pressure falls in a straight line from standstill pressure to free flow; these scale with the speed's square
and the speed (the fan laws, common practice, no source). The path resists with the square of the flow; a blocked filter
and a fan that stands still resist more. Other numbers are assumed, for 80 mm fans of 2.5 W.
"""

from dataclasses import dataclass
from math import exp, sqrt

_SPIN_UP_S = 0.7
_SPIN_DOWN_S = 1.6
_TURNS_FROM = 0.12  # share of drive under which it does not turn
_STALLED_WATTS_SHARE = 0.4  # a locked fan's electronics pulse
SOUND, STALLED, SLOW, TACH_DEAD = "sound", "stalled", "slow", "tach_dead"
FAULTS = (SOUND, STALLED, SLOW, TACH_DEAD)


@dataclass(frozen=True, slots=True, kw_only=True)
class FanSettings:
    """One fan; two in a row of the list are a pair in series.

    Attributes:
        full_rpm: speed at full drive.
        watts: power at full drive.
        free_m3_per_h: flow without resistance.
        stall_pascal: pressure without flow.
    """

    full_rpm: float = 3000.0
    watts: float = 2.5
    free_m3_per_h: float = 50.0
    stall_pascal: float = 30.0


class Fan:
    """One fan.

    Attributes:
        drive: 0 to 1, what the board commands.
        rpm: its speed.
        fault: one of FAULTS.
    """

    def __init__(self, settings: FanSettings) -> None:
        self.settings = settings
        self.drive = 1.0
        self.rpm = 0.0
        self.fault = SOUND

    def step(self, dt_s: float, powered: bool) -> None:
        """Lets it speed up or run down for `dt_s`."""
        target = self._target(powered)
        if target == self.rpm:
            return
        if self.fault == STALLED:
            self.rpm = 0.0
            return
        self.rpm += (target - self.rpm) * (1 - exp(-dt_s / (_SPIN_UP_S if target > self.rpm else _SPIN_DOWN_S)))
        if abs(target - self.rpm) < 1:
            self.rpm = target

    def steady(self, powered: bool) -> bool:
        """Whether it would go on at its speed."""
        return self._target(powered) == self.rpm

    def _target(self, powered: bool) -> float:
        if not powered or self.fault == STALLED or self.drive < _TURNS_FROM:
            return 0.0
        return self.settings.full_rpm * self.drive * (0.5 if self.fault == SLOW else 1.0)

    @property
    def watts(self) -> float:
        """Power it takes at its speed and drive."""
        if self.drive < _TURNS_FROM:
            return 0.0
        if self.fault == STALLED:
            return self.settings.watts * _STALLED_WATTS_SHARE * self.drive
        share = self.rpm / self.settings.full_rpm
        return self.settings.watts * (0.1 * self.drive + 0.9 * share * share * share)

    @property
    def pulse_milli_hz(self) -> int:
        """Tachometer frequency: two pulses a turn (open 4-wire fan specification)."""
        return 0 if self.fault == TACH_DEAD else int(self.rpm * 2 / 60 * 1000)


def flow_m3_per_h(pair: list[Fan], path: float, blocked: float) -> float:
    """Flow through fans in series.

    Args:
        pair: the fans, one after the other.
        path: pascal at 1 m3/h squared, filter clean.
        blocked: share of the filter's area lost, 0 to under 1.
    """
    lift = slope = 0.0
    resist = path / (1 - min(blocked, 0.98)) ** 2
    for fan in pair:
        settings = fan.settings
        speed = fan.rpm / settings.full_rpm
        if speed < 0.02:
            resist += path  # a standing wheel in the way
            continue
        lift += settings.stall_pascal * speed * speed
        slope += settings.stall_pascal / settings.free_m3_per_h * speed
    if lift == 0:
        return 0.0
    # lift - slope q = resist q^2
    return (sqrt(slope * slope + 4 * resist * lift) - slope) / (2 * resist)
