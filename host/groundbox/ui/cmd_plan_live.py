"""How the day stands by the store of `groundbox log`, for `groundbox plan --live`; figures say where they are from."""

from collections.abc import Collection
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, cast

from groundbox.advice.words import clock, span
from groundbox.battery.estimate import Estimator
from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.particles import Particles
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Estimate
from groundbox.model import EstimatorState, Event, Mark
from groundbox.monitor.box import Follower
from groundbox.monitor.flight import Flight
from groundbox.monitor.start import SESSION_S, battery_in, follower_for
from groundbox.plan.battery_pool import SocBand, draw, resampled, soc_of
from groundbox.plan.day import since
from groundbox.plan.demand import demand
from groundbox.plan.planner import Plan
from groundbox.plan.replan import KnownNow
from groundbox.settings import Settings
from groundbox.store import Reader
from groundbox.store.rollups import NAMES

FRESH_S = 60.0  # a reading older than this says nothing about what is connected now
SILENT_S = 600.0  # and one older than this leaves a battery's charge to be guessed
CHARGE_AMPS = 0.05  # into a battery, or so much less out of it
LOAD_SHARE = 0.5  # a running box draws this share of its load from the battery at most, if a charger carries it
SHORTEST_FLIGHT_S = 300.0  # one shorter says little about its mean current
READINGS, MEAN_AMPS = NAMES.index("readings") + 1, NAMES.index("battery_mean_amps") + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure of the plan: what it is of, its words, where it is from and how old it is (None: not measured)."""

    of: str
    words: str
    source: str
    age_s: float | None = None


@dataclass(slots=True)
class Standing:
    """How the day stands, as the plan wants to know it."""

    done: list[str] = field(default_factory=list)
    in_air: tuple[str, float] | None = None
    banks: dict[str, Particles] = field(default_factory=dict)
    charges: dict[str, float] = field(default_factory=dict)
    fitted: dict[str, str] = field(default_factory=dict)
    arriving: dict[str, bool] = field(default_factory=dict)
    flight_amps: dict[str, float] = field(default_factory=dict)
    figures: list[Figure] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    silent: dict[str, str] = field(default_factory=dict)  # a sentence for each box that is not heard

    def now(self, minute: float, told: KnownNow) -> KnownNow:
        """As the plan takes it; what a person told wins."""
        return KnownNow(
            minute=minute,
            done=[*self.done, *(name for name in told.done if name not in self.done)],
            in_air=self.in_air,
            charges={**self.charges, **(told.charges or {})},
            banks={name: bank for name, bank in self.banks.items() if name not in (told.charges or {})},
            dead=told.dead,
            gone=told.gone,
            fitted={**self.fitted, **(told.fitted or {})},
            arriving=self.arriving,
            flight_amps=self.flight_amps,
        )


def stands(reader: Reader, settings: Settings, plan: Plan, wall_s: float, given_up: Collection[str]) -> Standing:
    """How the day of `plan` stands at `wall_s`.

    Args:
        given_up: flights that are not to be flown.
    """
    minute = minute_of(plan, wall_s)
    found = Standing()
    flown = _flown(reader, wall_s - 60 * minute, wall_s)
    _flights(found, plan, flown, wall_s, minute, given_up)
    for box in plan.day.boxes:
        _box(found, reader, settings, plan, box, wall_s, minute, flown)
        _measured(found, reader, plan, box, flown)
    for name in plan.day.batteries:
        if name not in found.fitted.values():
            _set_aside(found, reader, settings, plan, name, wall_s, minute)
    return found


def minute_of(plan: Plan, wall_s: float) -> float:
    """Minute of the day, by the clock of this computer; 0 before its start."""
    now = datetime.fromtimestamp(wall_s)
    return max(0.0, since(plan.day.start_clock_min, 60 * now.hour + now.minute + now.second / 60))


def _flown(reader: Reader, began_s: float, until_s: float) -> list[tuple[float, float | None]]:
    """(launched, landed) wall times since the day began, the last perhaps not landed."""
    told: list[Mark | Event] = [*reader.marks(since_s=began_s), *reader.events(since_s=began_s)]
    state, found = Flight(None, None), list[tuple[float, float | None]]()
    for one in sorted(told, key=lambda one: one.wall_s or 0.0):
        at_s = one.wall_s or 0.0
        if at_s <= until_s and state.note(one.kind, at_s):
            found = [*found, (at_s, None)] if one.kind == "launch" else [*found[:-1], (found[-1][0], at_s)]
    return found


def _flights(
    found: Standing,
    plan: Plan,
    flown: list[tuple[float, float | None]],
    wall_s: float,
    minute: float,
    given_up: Collection[str],
) -> None:
    """Flights are taken to be flown in the day's order."""
    names = [flight.name for flight in plan.day.flights if flight.name not in given_up]
    for (launched_s, landed_s), name in zip(flown, names, strict=False):
        if landed_s is None:
            launched_min = minute - (wall_s - launched_s) / 60
            found.in_air = name, launched_min
            words = f"in the air since {plan.day.clock_before(launched_min)}"
            found.figures.append(Figure(of=name, words=words, source="launch mark", age_s=wall_s - launched_s))
        else:
            found.done.append(name)
            words = f"landed at {plan.day.clock_before(minute - (wall_s - landed_s) / 60)}"
            found.figures.append(Figure(of=name, words=words, source="landing mark", age_s=wall_s - landed_s))
    if len(flown) > len(names):
        found.notes.append(f"{len(flown)} launches were marked and the day has {len(names)} flights")


def _box(
    found: Standing,
    reader: Reader,
    settings: Settings,
    plan: Plan,
    box: str,
    wall_s: float,
    minute: float,
    flown: list[tuple[float, float | None]],
) -> None:
    inside = battery_in(reader, settings, box)
    if inside is None or inside.name is None:
        found.notes.append(f"nobody said which battery is in {box}: groundbox mark swap {box} BATTERY")
        return
    if inside.name not in plan.day.batteries:
        found.notes.append(f'{box} has "{inside.name}" in, which the day file does not have: add it there')
        return
    found.fitted[box] = inside.name
    follower = follower_for(reader, settings, box, 0.0, wall_s)
    _arriving(found, follower, plan, box, inside.name, wall_s, minute)
    if follower.tracker is None:
        _not_known(found, inside.name, follower.why_not)
        return
    saved = follower.tracker.saved()
    if saved is None or wall_s - saved.wall_s > SESSION_S:
        _not_known(found, inside.name, f"{box} not heard today")
        _silent(found, box, f"{box} has not been heard today: {inside.name} is planned with the charge of the day file")
        return
    known = _believe(found, plan, inside.name, follower.tracker.profile, saved, wall_s, f"estimated in {box}")
    if known is not None and wall_s - saved.wall_s > SILENT_S:
        _drawn_since(found, plan, box, inside.name, saved.wall_s, wall_s, flown)


def _band_words(soc: SocBand) -> str:
    return f"{100 * soc.expected:.0f} % ({100 * soc.low:.0f} to {100 * soc.high:.0f})"


def _silent(found: Standing, box: str, words: str) -> None:
    found.silent[box] = f"{words}. Do not launch on that: connect the box and plan again"


def _drawn_since(
    found: Standing,
    plan: Plan,
    box: str,
    battery: str,
    heard_s: float,
    wall_s: float,
    flown: list[tuple[float, float | None]],
) -> None:
    """A silent box is taken to have run on its battery ever since: the worst that is likely."""
    minute, silent_s = minute_of(plan, wall_s), wall_s - heard_s
    wants = demand(plan.day, plan.day.boxes[box], plan.day.flights[0], minute)
    flying_s = sum(max(0.0, (landed_s or wall_s) - max(launched_s, heard_s)) for launched_s, landed_s in flown)
    bank, drawn_ah = found.banks[battery], 0.0
    for amps, seconds in ((wants.flight_amps, flying_s), (wants.waiting_amps, silent_s - flying_s)):
        draw(bank, plan.pool.profiles[battery], amps, seconds / 3600, plan.day.battery_c(minute))
        drawn_ah += amps * seconds / 3600
    words = f"if it drew {drawn_ah:.1f} Ah since: {_band_words(soc_of(bank))}"
    source = f"declared loads of {box}, not measured (--charge tells better)"
    found.figures.append(Figure(of=battery, words=words, source=source))
    planned = f"{battery} is planned as if nothing had charged it and its loads ran on"
    _silent(found, box, f"{box} has been silent for {span(silent_s)}, since {clock(heard_s)}: {planned}")


def _believe(
    found: Standing, plan: Plan, name: str, profile: BatteryProfile, saved: EstimatorState, wall_s: float, source: str
) -> Estimate | None:
    """Takes over what the estimator believes of a battery, where it knows its charge."""
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
    except (KeyError, TypeError, ValueError):  # saved by another version
        _not_known(found, name, "what is stored is of another version")
        return None
    estimate = estimator.estimate()
    if estimator.particles is None or estimate.soc is None:
        _not_known(found, name, estimate.unknown_because or "its charge is not known yet")
        return None
    found.banks[name] = bank = resampled(estimator.particles)
    words = f"charge {_band_words(soc_of(bank))}"
    found.figures.append(Figure(of=name, words=words, source=source, age_s=wall_s - saved.wall_s))
    return estimate


def _not_known(found: Standing, name: str, why: str) -> None:
    found.figures.append(Figure(of=name, words="charge as the day file and the plan have it", source=why))


def _arriving(
    found: Standing, follower: Follower, plan: Plan, box: str, battery: str, wall_s: float, minute: float
) -> None:
    """Whether charge is seen to come in: by the board's word, or a running box that its battery need not feed."""
    reading = follower.reading
    if reading is None or reading.wall_s is None or wall_s - reading.wall_s > FRESH_S:
        return
    if reading.charging not in (None, "no"):
        found.arriving[battery] = True
    elif reading.battery_amps is not None:
        waiting = demand(plan.day, plan.day.boxes[box], plan.day.flights[0], minute).waiting_amps
        found.arriving[battery] = reading.battery_amps < LOAD_SHARE * waiting - CHARGE_AMPS
    elif reading.charging == "no":
        found.arriving[battery] = False


def _measured(found: Standing, reader: Reader, plan: Plan, box: str, flown: list[tuple[float, float | None]]) -> None:
    """Mean current in the flights that have landed, for those to come."""
    count, total = 0.0, 0.0
    for launched_s, landed_s in flown:
        if landed_s is None or landed_s - launched_s < SHORTEST_FLIGHT_S:
            continue
        for row in reader.summed(box, launched_s, landed_s, 60):
            if row[MEAN_AMPS] is not None:
                count, total = count + row[READINGS], total + row[READINGS] * row[MEAN_AMPS]
    if total <= 0:
        return
    found.flight_amps[box] = total / count
    planned = plan.table.demands[0, box].flight_amps if (0, box) in plan.table.demands else None
    words = f"draws {total / count:.2f} A in flight" + (f" (declared {planned:.2f} A)" if planned else "")
    found.figures.append(Figure(of=box, words=words, source="measured in the flights landed so far"))


def _set_aside(
    found: Standing, reader: Reader, settings: Settings, plan: Plan, name: str, wall_s: float, minute: float
) -> None:
    """A battery that is in no box: as it was when it was last seen, and what the plan charged it since."""
    seen = [saved for box in reader.boxes() if (saved := reader.estimator(box, name)) is not None]
    if not seen:
        _not_known(found, name, "never seen in a box")
        return
    newest = max(seen, key=lambda saved: saved.wall_s)
    began_min = minute - (wall_s - newest.wall_s) / 60
    if began_min < 0:
        _not_known(found, name, "not seen today")
        return
    source = f"estimated when last seen, in {newest.box}"
    if _believe(found, plan, name, plan.pool.profiles[name], newest, wall_s, source) is None:
        return
    gained = _planned_charge(plan, name, began_min, minute)
    if gained > 0.005:
        soc = min(1.0, soc_of(found.banks.pop(name)).expected + gained)
        found.charges[name] = soc
        words = f"with the {100 * gained:.0f} % that it should have gained on a charger since: {100 * soc:.0f} %"
        found.figures.append(Figure(of=name, words=words, source="planned, not measured (--charge tells better)"))


def _planned_charge(plan: Plan, name: str, from_min: float, until_min: float) -> float:
    """Share of charge that the plan gave a battery between two minutes."""
    gained = 0.0
    for run in plan.outcome.charges:
        overlap = min(until_min, run.until_min) - max(from_min, run.from_min)
        if run.battery == name and overlap > 0:
            gained += (run.soc_until.expected - run.soc_from.expected) * overlap / (run.until_min - run.from_min)
    return max(0.0, gained)


def figure_line(figure: Figure) -> str:
    """One figure with its origin and age."""
    age = "" if figure.age_s is None else f", {span(figure.age_s)} old"
    return f"  {figure.of}: {figure.words}; {figure.source}{age}"
