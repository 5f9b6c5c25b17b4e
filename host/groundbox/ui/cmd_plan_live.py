"""The day by the store of `groundbox log`, for `groundbox plan --live`; each figure states its source."""

from collections.abc import Collection
from dataclasses import dataclass, field, replace
from typing import Any, cast

from groundbox.advice.result import SessionAdvice
from groundbox.advice.words import age, clock
from groundbox.battery.estimate import Estimator
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.particles import Particles
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Estimate
from groundbox.model import EstimatorState
from groundbox.monitor.follower import Follower
from groundbox.monitor.from_store import SESSION_S, battery_in, flights_flown, follower_for
from groundbox.plan.battery_pool import SocBand, draw, resampled, soc_of
from groundbox.plan.demand import demand
from groundbox.plan.planner import Plan
from groundbox.plan.replan import KnownNow
from groundbox.plan.standing import DayStanding, Flown, minute_of, since_start, standing_at
from groundbox.settings import Settings
from groundbox.store import Reader

FRESH_S = 60.0  # an older reading states nothing about what is connected now
SILENT_S = 600.0  # an older reading leaves the state of charge unknown
CHARGE_AMPS = 0.05  # into a battery, or so much less out of it
LOAD_FRACTION = 0.5  # a running box draws at most this fraction of its load from the battery on a charger


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of the plan: of what, its words, its source, and its age (None: not measured)."""

    of: str
    words: str
    source: str
    age_s: float | None = None


@dataclass(slots=True)
class LiveStanding:
    """The day by the store: flights, batteries, currents, and where each figure is from."""

    flights: DayStanding
    banks: dict[str, Particles] = field(default_factory=dict)
    charges: dict[str, float] = field(default_factory=dict)
    fitted: dict[str, str] = field(default_factory=dict)
    arriving: dict[str, bool] = field(default_factory=dict)
    flight_amps: dict[str, float] = field(default_factory=dict)
    figures: list[Figure] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    silent: dict[str, str] = field(default_factory=dict)  # a sentence for each box that is not heard
    unheard: dict[str, str] = field(default_factory=dict)  # why, for the battery in each of those

    def now(self, reported: KnownNow) -> KnownNow:
        """As the plan takes it; what a person reported wins."""
        flights, stated = self.flights, reported.charges or {}
        in_air = None
        if flights.flying is not None and flights.launched_min is not None:
            in_air = flights.flying, flights.launched_min
        return KnownNow(
            minute=flights.plan_min,
            done=flights.done,
            in_air=in_air,
            over=flights.over,
            charges={**self.charges, **stated},
            banks={name: bank for name, bank in self.banks.items() if name not in stated},
            unheard={name: why for name, why in self.unheard.items() if name not in stated},
            failed=reported.failed,
            lost=reported.lost,
            fitted={**self.fitted, **(reported.fitted or {})},
            arriving=self.arriving,
            flight_amps=self.flight_amps,
        )


def live_standing(
    reader: Reader,
    settings: Settings,
    plan: Plan,
    wall_s: float,
    given_up: Collection[str],
    advice: SessionAdvice | None = None,
) -> LiveStanding:
    """The day of `plan` by the store at `wall_s`.

    Args:
        given_up: flights that are not to be flown.
        advice: what the recorder advises now; None where none runs.
    """
    day = plan.day
    minute = max(0.0, minute_of(day, wall_s))
    flown = since_start(day, wall_s, flights_flown(reader, wall_s, advice))
    flights = standing_at(replace(day, date=None), wall_s, flown, given_up)
    assert flights is not None, "a day without a date is of any date"
    found = LiveStanding(flights=flights)
    _flights(found, plan, flown, wall_s, given_up)
    for box in day.boxes:
        _box(found, reader, settings, plan, box, wall_s, minute, flown)
    for name in day.batteries:
        if name not in found.fitted.values():
            _set_aside(found, reader, settings, plan, name, wall_s, minute)
    return found


def _flights(
    found: LiveStanding,
    plan: Plan,
    flown: list[Flown],
    wall_s: float,
    given_up: Collection[str],
) -> None:
    """A figure for each flight flown, in the day's order."""
    names = [flight.name for flight in plan.day.flights if flight.name not in given_up]
    minute, clock_before = found.flights.minute, plan.day.clock_before
    for (launched_s, landed_s), name in zip(flown, names, strict=False):
        if landed_s is None:
            words = f"in the air since {clock_before(minute - (wall_s - launched_s) / 60)}"
            found.figures.append(Figure(of=name, words=words, source="launch mark", age_s=wall_s - launched_s))
        else:
            words = f"landed at {clock_before(minute - (wall_s - landed_s) / 60)}"
            found.figures.append(Figure(of=name, words=words, source="landing mark", age_s=wall_s - landed_s))
    if found.flights.unplanned:
        found.notes.append(f"{len(flown)} launches are marked and the day has {len(names)} flights")


def _box(
    found: LiveStanding,
    reader: Reader,
    settings: Settings,
    plan: Plan,
    box: str,
    wall_s: float,
    minute: float,
    flown: list[Flown],
) -> None:
    inside = battery_in(reader, settings, box)
    if inside is None or inside.name is None:
        found.notes.append(f"the battery in {box} is not known: type groundbox mark swap {box} BATTERY")
        return
    if inside.name not in plan.day.batteries:
        found.notes.append(f'{box} has battery "{inside.name}", and the day file does not have it: add it there')
        return
    found.fitted[box] = inside.name
    follower = follower_for(reader, settings, box, 0.0, wall_s)
    _arriving(found, follower, plan, box, inside.name, wall_s, minute)
    _usual(found, plan, box, follower)
    if follower.tracker is None:
        _not_known(found, inside.name, follower.why_not)
        return
    saved = follower.tracker.saved()
    if saved is None or wall_s - saved.wall_s > SESSION_S:
        _not_known(found, inside.name, f"{box} not heard today")
        _silent(
            found,
            box,
            inside.name,
            f"{box} has not been heard today: {inside.name} is planned with the state of charge in the day file",
        )
        return
    known = _known(found, plan, inside.name, follower.tracker.profile, saved, wall_s, f"estimated in {box}")
    if known is not None and wall_s - saved.wall_s > SILENT_S:
        _drawn_since(found, plan, box, inside.name, saved.wall_s, wall_s, flown)


def _band_words(soc: SocBand) -> str:
    return f"{100 * soc.expected:.0f} % ({100 * soc.low:.0f} to {100 * soc.high:.0f})"


def _silent(found: LiveStanding, box: str, battery: str, words: str) -> None:
    found.unheard[battery] = f"{box} is not heard"
    found.silent[box] = f"{words}. Do not launch with that: connect the box and plan again"


def _drawn_since(
    found: LiveStanding,
    plan: Plan,
    box: str,
    battery: str,
    heard_s: float,
    wall_s: float,
    flown: list[Flown],
) -> None:
    """A silent box counts as running on its battery since it was last heard."""
    minute, silent_s = max(0.0, minute_of(plan.day, wall_s)), wall_s - heard_s
    wants = demand(plan.day, plan.day.boxes[box], plan.day.flights[0], minute)
    flying_s = sum(max(0.0, (landed_s or wall_s) - max(launched_s, heard_s)) for launched_s, landed_s in flown)
    bank, drawn_ah = found.banks[battery], 0.0
    for amps, seconds in ((wants.flight_amps, flying_s), (wants.waiting_amps, silent_s - flying_s)):
        draw(bank, plan.pool.profiles[battery], amps, seconds / 3600, plan.day.battery_c(minute))
        drawn_ah += amps * seconds / 3600
    words = f"{_band_words(soc_of(bank))} if its loads drew {drawn_ah:.1f} Ah since"
    source = f"declared loads of {box}, not measured (correct it with --charge)"
    found.figures.append(Figure(of=battery, words=words, source=source))
    planned = f"{battery} is planned without any charge and with its loads on"
    _silent(found, box, battery, f"{box} has been silent for {age(silent_s)}, since {clock(heard_s)}: {planned}")


def _known(
    found: LiveStanding,
    plan: Plan,
    name: str,
    profile: BatteryProfile,
    saved: EstimatorState,
    wall_s: float,
    source: str,
) -> Estimate | None:
    """Takes over the estimator's particles of a battery, where its state of charge is known."""
    rated = plan.pool.profiles[name].c20_ah
    if profile.c20_ah != rated:
        found.notes.append(
            f"{name} has {rated:g} Ah in the day file and {profile.c20_ah:g} Ah in its profile: correct one"
        )
        return None
    try:
        estimator = Estimator.resume(
            profile, RuntimeLimits(cutoff_volts=0.0), cast(dict[str, Any], saved.state["estimator"])
        )
    except (KeyError, TypeError, ValueError):  # written by another version
        _not_known(found, name, "the stored estimate is of another version")
        return None
    estimate = estimator.estimate()
    if estimator.particles is None or estimate.soc is None:
        _not_known(found, name, estimate.unknown_because or "its state of charge is not known yet")
        return None
    found.banks[name] = bank = resampled(estimator.particles)
    words = f"state of charge {_band_words(soc_of(bank))}"
    found.figures.append(Figure(of=name, words=words, source=source, age_s=wall_s - saved.wall_s))
    return estimate


def _not_known(found: LiveStanding, name: str, why: str) -> None:
    found.figures.append(Figure(of=name, words="state of charge by the day file and the plan", source=why))


def _arriving(
    found: LiveStanding, follower: Follower, plan: Plan, box: str, battery: str, wall_s: float, minute: float
) -> None:
    """Whether charge arrives: by the board, or by a running box that does not draw on its battery."""
    reading = follower.reading
    if reading is None or reading.wall_s is None or wall_s - reading.wall_s > FRESH_S:
        return
    if reading.charging not in (None, "no"):
        found.arriving[battery] = True
    elif reading.battery_amps is not None:
        waiting = demand(plan.day, plan.day.boxes[box], plan.day.flights[0], minute).waiting_amps
        found.arriving[battery] = reading.battery_amps < LOAD_FRACTION * waiting - CHARGE_AMPS
    elif reading.charging == "no":
        found.arriving[battery] = False


def _usual(found: LiveStanding, plan: Plan, box: str, follower: Follower) -> None:
    """The habit of the box in flight, for the flights to come: the number that the recorder uses."""
    amps = follower.usual_flight_amps
    if amps is None:
        return
    found.flight_amps[box] = amps
    planned = plan.table.demands[0, box].flight_amps if (0, box) in plan.table.demands else None
    words = f"draws {amps:.2f} A in flight" + (f" (declared {planned:.2f} A)" if planned else "")
    found.figures.append(Figure(of=box, words=words, source="measured in its flights"))


def _set_aside(
    found: LiveStanding, reader: Reader, settings: Settings, plan: Plan, name: str, wall_s: float, minute: float
) -> None:
    """A battery that is in no box: its last estimate, and what the plan charged since."""
    stored = [saved for box in reader.boxes() if (saved := reader.estimator(box, name)) is not None]
    if not stored:
        _not_known(found, name, "never heard in a box")
        return
    newest = max(stored, key=lambda saved: saved.wall_s)
    began_min = minute - (wall_s - newest.wall_s) / 60
    if began_min < 0:
        _not_known(found, name, "not heard today")
        return
    source = f"estimated when last heard, in {newest.box}"
    if _known(found, plan, name, plan.pool.profiles[name], newest, wall_s, source) is None:
        return
    gained = _planned_charge(plan, name, began_min, minute)
    if gained > 0.005:
        soc = min(1.0, soc_of(found.banks.pop(name)).expected + gained)
        found.charges[name] = soc
        words = f"{100 * soc:.0f} %, with the {100 * gained:.0f} % planned from a charger since"
        found.figures.append(Figure(of=name, words=words, source="planned, not measured (correct it with --charge)"))


def _planned_charge(plan: Plan, name: str, from_min: float, until_min: float) -> float:
    """State of charge that the plan gains for a battery between two minutes, as a fraction."""
    gained = 0.0
    for run in plan.outcome.charges:
        overlap = min(until_min, run.end_min) - max(from_min, run.start_min)
        if run.battery == name and overlap > 0:
            gained += (run.soc_end.expected - run.soc_start.expected) * overlap / (run.end_min - run.start_min)
    return max(0.0, gained)


def figure_line(figure: Figure) -> str:
    """One figure with its source and age."""
    measured = "" if figure.age_s is None else f", {age(figure.age_s)} old"
    return f"  {figure.of}: {figure.words}; {figure.source}{measured}"
