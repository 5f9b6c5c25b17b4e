"""What happens when a schedule is followed: verdicts for each box and flight, charging steps, swaps, boxes off."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from groundbox.advice.result import (
    WORST_FIRST,
)
from groundbox.battery.cell import Array
from groundbox.battery.particles import Particles
from groundbox.plan.battery_pool import SocBand


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightAnswer:
    """One box in one flight. Minutes of the day; runtimes and margin in minutes, `margin_min` on the low number.

    verdict: on the ground "clear_to_launch", "wait" (until `launch_min`), "do_not_launch" (then all but `cause` is
        None) or "unknown" (its box is not heard); in flight "turn_back_by" `turn_back_min`, "return_now" or "unknown".
    cause: why, in words.
    in_air: the flight is out; its numbers count from now.
    instead_of: the battery that is in the box until then, where it is to be swapped.
    """

    flight: str
    box: str
    verdict: str
    cause: str
    in_air: bool = False
    battery: str | None = None
    instead_of: str | None = None
    launch_min: float | None = None
    turn_back_min: float | None = None
    margin_min: float | None = None
    runtime_low_min: float | None = None
    runtime_expected_min: float | None = None
    runtime_high_min: float | None = None
    landing_low_min: float | None = None
    landing_expected_min: float | None = None
    landing_high_min: float | None = None
    limit: str | None = None
    soc_launch: SocBand | None = None
    soc_landing: SocBand | None = None
    case_c: float | None = None
    fan_wh: float | None = None
    loads_off: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeStep:
    """One battery on one charger.

    amps: the maximum current that the charger is set to, or that the sun gives.
    enough_min, full_min: when it has enough for its next flight, and when it is full; None: not in this charge.
    """

    battery: str
    charger: str
    amps: float
    start_min: float
    end_min: float
    soc_start: SocBand
    soc_end: SocBand
    box_running: bool
    in_flight: bool
    taper_hidden: bool
    stage: str
    enough_min: float | None
    full_min: float | None
    last_fifth_hours: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Swap:
    """Another battery goes into a box before a flight; the old one is in until `start_min`."""

    flight: str
    box: str
    battery: str
    instead_of: str
    start_min: float
    end_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """A box that is to be switched off from one minute to another, between two flights or before the first."""

    box: str
    start_min: float
    end_min: float


@dataclass(slots=True)
class DayOutcome:
    """What happens when the schedule is followed.

    traces: by battery (minute, charge).
    banks: the batteries at the end.
    wells: by battery (minute, drawn and wells of its bank), to continue the day from there.
    """

    answers: list[FlightAnswer] = field(default_factory=list)
    pauses: list[Pause] = field(default_factory=list)
    swaps: list[Swap] = field(default_factory=list)
    charges: list[ChargeStep] = field(default_factory=list)
    traces: dict[str, list[tuple[float, SocBand]]] = field(default_factory=dict)
    banks: dict[str, Particles] = field(default_factory=dict)
    wells: dict[str, list[tuple[float, Array, Array]]] = field(default_factory=dict)

    def worst_of(self, flight: str) -> FlightAnswer | None:
        """The answer that decides a flight: the worst verdict over its boxes, then the smallest margin."""
        return worst(answer for answer in self.answers if answer.flight == flight)


def worst(answers: Iterable[FlightAnswer]) -> FlightAnswer | None:
    """The worst of some answers; None without any."""

    def rank(answer: FlightAnswer) -> tuple[int, float, float]:
        margin = float("inf") if answer.margin_min is None else answer.margin_min
        return WORST_FIRST.index(answer.verdict), -(answer.launch_min or 0.0), margin

    return min(answers, key=rank, default=None)
