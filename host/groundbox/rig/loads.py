"""What a box feeds: each load rests, and in between goes through bursts."""

from collections.abc import Iterator
from dataclasses import dataclass
from random import Random

_BACK_VOLTS = 0.2  # a load that gave up starts again this far above its lowest voltage: assumed


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadSettings:
    """One load.

    Attributes:
        watts: taken while it rests between bursts; a load without bursts takes it always.
        rest_s: length of the rest, the mean of it when `irregular`.
        bursts: (seconds, watts) one after the other, then rest again.
        irregular: rests are drawn from an exponential distribution.
        output: 1 or 2 when the board can switch it, 0 when it is wired straight through.
        heat_share: part of its power that warms the case.
        lowest_volts: under this it stops working and takes nothing.
    """

    name: str
    watts: float
    rest_s: float = 3600.0
    bursts: tuple[tuple[float, float], ...] = ()
    irregular: bool = False
    output: int = 0
    heat_share: float = 1.0
    lowest_volts: float = 0.0

    @property
    def mean_watts(self) -> float:
        """Mean over rest and bursts."""
        if not self.bursts:
            return self.watts
        joules = self.watts * self.rest_s + sum(seconds * watts for seconds, watts in self.bursts)
        return joules / (self.rest_s + sum(seconds for seconds, _ in self.bursts))


class Load:
    """One load in time.

    Attributes:
        watts: what it asks for now.
        until_s: when that changes by itself.
        wanted: None follows its pattern; True or False is a person's hand on its switch.
        working: False after its voltage fell too low.
    """

    def __init__(self, settings: LoadSettings, seed: str) -> None:
        self.settings = settings
        self.wanted: bool | None = None
        self.working = True
        self._pattern = _pattern(settings, Random(seed))
        self.until_s = 0.0
        self.watts = 0.0
        self.move_to(0.0)

    def move_to(self, now_s: float) -> None:
        """Follows the pattern up to `now_s`."""
        while self.until_s <= now_s:
            seconds, self.watts = next(self._pattern)
            self.until_s += seconds

    def taken(self, powered: bool) -> float:
        """Watts it takes now, on a feed that is `powered` or not."""
        if not powered or not self.working or self.wanted is False:
            return 0.0
        return self.watts

    def feel(self, volts: float) -> None:
        """Stops or starts by the voltage it is fed with."""
        lowest = self.settings.lowest_volts
        if volts < lowest:
            self.working = False
        elif volts >= lowest + _BACK_VOLTS:
            self.working = True


def _pattern(settings: LoadSettings, random: Random) -> Iterator[tuple[float, float]]:
    while True:
        rest_s = random.expovariate(1 / settings.rest_s) if settings.irregular else settings.rest_s
        yield rest_s, settings.watts
        yield from settings.bursts
