"""What happens when a schedule is followed, as told: answers, charges, pauses."""

from dataclasses import dataclass, field

from groundbox.battery.cell import Array
from groundbox.battery.particles import Particles
from groundbox.plan.battery_pool import SocBand

IN_AIR = "in the air"


@dataclass(frozen=True, slots=True, kw_only=True)
class FlightAnswer:
    """One box in one flight. Minutes of the day; runtimes and margin in minutes, `margin_min` on the low number.

    instead_of: the battery that was in the box until then, where it is to be swapped.
    verdict: "launch", "wait" (until `launch_min`), "in the air" (numbers from now on), or "not today" (then all but
        `because` is None).
    """

    flight: str
    box: str
    verdict: str
    because: str
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

    amps: the most that it is set to, or that the sun gives.
    enough_min, full_min: when it has enough for its next flight, and when it is full.
    """

    battery: str
    charger: str
    amps: float
    from_min: float
    until_min: float
    soc_from: SocBand
    soc_until: SocBand
    box_running: bool
    in_flight: bool
    taper_hidden: bool
    stage: str
    enough_min: float | None
    full_min: float | None
    last_fifth_hours: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Pause:
    """A box that is to be switched off from one minute to another, between two flights or before the first."""

    box: str
    from_min: float
    until_min: float


@dataclass(slots=True)
class DayOutcome:
    """What happens when the schedule is followed.

    traces: by battery (minute, charge).
    banks: as they are at the end.
    wells: by battery (minute, drawn and wells of its bank), to take up the day from there.
    """

    answers: list[FlightAnswer] = field(default_factory=list)
    pauses: list[Pause] = field(default_factory=list)
    charges: list[ChargeStep] = field(default_factory=list)
    traces: dict[str, list[tuple[float, SocBand]]] = field(default_factory=dict)
    banks: dict[str, Particles] = field(default_factory=dict)
    wells: dict[str, list[tuple[float, Array, Array]]] = field(default_factory=dict)
