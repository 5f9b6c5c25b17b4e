"""One sentence a box that answers: may I launch, when must I turn back, what is wrong, what do I do. Pure.

The page, the terminal, the report and the voice share it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

from groundbox.advice.state import BoxState
from groundbox.advice.warner import Active
from groundbox.advice.words import clock, listed, span
from groundbox.monitor.board_limits import case_levels_c
from groundbox.monitor.view import BoxView
from groundbox.plan.day import Day
from groundbox.ui.chargers import Need, offer

OLD_S = 10.0  # numbers older than this are marked
URGENT_S = 300.0  # to the turn-back time
WITHDRAWN_S = 60.0  # and older than this no longer answer anything
FEW = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")

# What to do about a stop or urgent warning, on the ground and in flight: short enough to be repeated aloud.
TO_DO = {
    "low_voltage": ("Battery empty: switch the box off and charge it", "Land now: battery nearly empty"),
    "end_voltage": ("Battery at its floor: switch the box off and charge it", "Land: battery at its floor"),
    "brown_out": (
        "Do not launch: {load} may pull the voltage too low",
        "Come home: {load} may pull the voltage too low",
    ),
    "overvoltage": ("Too many volts: switch the charger off at its supply", "Too many volts: land and disconnect"),
    "fuse_open": ("No battery read: check connector and fuse", "Land now: no battery read"),
    "no_charge": ("No charge arrives: check the charger's plug and fuse", ""),
    "charge_heat": ("Stop the charger: the battery is too warm or too cold", ""),
    "heat": ("Open the lid: {case} in the case", "Open the lid: {case} in the case"),
    "fan_stalled": ("{fans} stopped: open the lid{hot}", "{fans} stopped: open the lid{hot}"),
    "sensor_fault": ("A sensor cannot be trusted: check its cable", "A sensor cannot be trusted: watch this box"),
    "restarted": ("The board restarted: check its supply lead", "The board restarted: watch this box"),
    "reserve": ("", "Land earlier: too little left at the planned landing"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """`tone` is "good", "notice", "urgent", "stop" or "unknown"."""

    sentence: str
    tone: str


def answer(view: BoxView, day: Day | None = None, minute: float | None = None) -> Answer:
    """The sentence for one box.

    Args:
        day: whose chargers are at hand, `minute` of it; None guesses one.
    """
    state = view.state
    if state.silent_s is None:
        return Answer(sentence="Not heard yet: plug in its cable and power", tone="unknown")
    if state.silent_s > withdrawn_after_s(state):
        tone = "stop" if state.in_flight else "unknown"
        return Answer(sentence=f"No fresh numbers for {span(state.silent_s)}: check its cable and power", tone=tone)
    wrong = _wrong(view)
    if state.in_flight:
        return _in_flight(view, wrong)
    if wrong is not None:
        return wrong
    if state.charging not in (None, "no"):
        return _charging(view)
    return _on_ground(view, day, minute)


def old_after_s(state: BoxState) -> float:
    """Age from which numbers are marked as old; a simulation faster than life ages faster."""
    return max(OLD_S, state.silent_after_s)


def withdrawn_after_s(state: BoxState) -> float:
    """Age from which numbers no longer answer."""
    return max(WITHDRAWN_S, 2.5 * state.silent_after_s)


def flights(state: BoxState) -> tuple[int, float] | None:
    """(whole flights, one after the other, that leave the reserve on the low number; seconds to spare after them)."""
    if state.runtime_low_s is None or not state.next_flight_s:
        return None
    usable_s = state.runtime_low_s - state.reserve_s
    count = max(int(usable_s // state.next_flight_s), 0)
    return count, usable_s - count * state.next_flight_s


def lack(view: BoxView) -> Need | None:
    """What its battery lacks until one more flight leaves its reserve on the low number; None where unknown."""
    state, estimate = view.state, view.estimate
    if state.runtime_low_s is None or not state.next_flight_s or estimate is None or view.c20_ah is None:
        return None
    if estimate.amps is None or estimate.soc is None:
        return None
    short_s = max(state.next_flight_s + state.reserve_s - state.runtime_low_s, 0.0)
    return Need(
        box=state.box,
        battery=view.battery,
        c20_ah=view.c20_ah,
        missing_ah=(1 - estimate.soc) * view.c20_ah,
        gain_ah=short_s * estimate.amps / 3600,
        battery_c=state.battery_c,
        load_amps=estimate.amps,
    )


def _wrong(view: BoxView) -> Answer | None:
    state = view.state
    for severity in ("stop", "urgent"):
        for one in view.warnings:
            words = TO_DO.get(one.kind, ("", ""))[state.in_flight]
            if one.severity == severity and words:
                return Answer(sentence=_filled(words, view), tone=severity)
    return None


def _filled(words: str, view: BoxView) -> str:
    state, minutes = view.state, view.heat.as_now_min[1]
    stalled = [f"fan {number}" for number, fan in enumerate(state.fans, 1) if fan == "stalled"]
    hot = "" if minutes is None else f", {case_levels_c(view.limits)[1]:.0f} C in about {minutes:.0f} min"
    case = "no reading" if state.case_c is None else f"{state.case_c:.0f} C"
    filled = words.format(
        load=state.heaviest_load or "the largest load", fans=listed(stalled) or "a fan", case=case, hot=hot
    )
    return filled[0].upper() + filled[1:]


def _in_flight(view: BoxView, wrong: Answer | None) -> Answer:
    state = view.state
    if wrong is not None and wrong.tone == "stop":
        return wrong
    aside = f"; {wrong.sentence[0].lower()}{wrong.sentence[1:]}" if wrong else ""
    if view.turn_back_s is None:
        why = "no time home is set" if view.runtime_s else view.unknown_because or "no estimate yet"
        return Answer(sentence=f"Turn-back time unknown: {why}{aside}", tone=wrong.tone if wrong else "unknown")
    left_s = view.turn_back_s - state.wall_s
    if left_s <= 0:
        return Answer(sentence=f"Turn back now: {clock(view.turn_back_s)} is past{aside}", tone="stop")
    tone = "urgent" if left_s <= URGENT_S or wrong else "notice" if left_s <= 600 else "good"
    return Answer(sentence=f"Turn back by {clock(view.turn_back_s)}, in {span(left_s)}{aside}", tone=tone)


def _charging(view: BoxView) -> Answer:
    since_s = view.charging_since_s
    for_ = "" if since_s is None else f" for {span(view.state.wall_s - since_s)}"
    return Answer(sentence=f"Charging{for_}: runtime is told after it, under load", tone="notice")


def _on_ground(view: BoxView, day: Day | None, minute: float | None) -> Answer:
    state = view.state
    if view.runtime_s is None:
        return Answer(sentence=f"Runtime unknown: {view.unknown_because or 'no estimate yet'}", tone="unknown")
    low_s = view.runtime_s[0]
    found = flights(state)
    if found is None or state.next_flight_s is None:
        return Answer(
            sentence=f"Lasts {span(low_s)} at worst; set flight.length_min to be told of flights", tone="good"
        )
    count, spare_s = found
    length = span(state.next_flight_s)
    if count:
        number = FEW[count] if count < len(FEW) else "many"
        more = f"{number} more flight{'s' if count > 1 else ''} of {length}"
        return Answer(sentence=f"Enough for {more}, {span(spare_s)} to spare", tone="good")
    missing_s = state.next_flight_s + state.reserve_s - low_s
    return Answer(
        sentence=f"{_charge_words(view, day, minute)} before launching: {span(missing_s)} short", tone="notice"
    )


def _charge_words(view: BoxView, day: Day | None, minute: float | None) -> str:
    need = lack(view)
    if need is None:
        return "Charge or swap the battery"
    found = offer(day, need, minute=minute)
    if found.hours is None:
        return f"Swap the battery ({found.because})"
    on = f"on {found.charger} " if found.charger else ""
    return f"Charge about {max(ceil(60 * found.hours), 1)} min {on}at {found.amps:.1f} A"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """One look at all boxes: a word or two, `because` of which box and why; tone as of Answer."""

    words: str
    because: str
    tone: str


_WORST = ("stop", "unknown", "urgent", "notice", "good")
_LAUNCH = {"good": "Launch if you like", "notice": "Wait", "urgent": "Do not launch", "stop": "Do not launch"}


def verdict(told: Sequence[tuple[BoxView, Answer]]) -> Verdict:
    """May I launch; in flight, by when to turn back: by the box that allows least."""
    if not told:
        return Verdict(words="No box heard yet", because="", tone="unknown")
    view, worst = min(told, key=lambda one: (_WORST.index(one[1].tone), one[0].turn_back_s or float("inf")))
    if worst.tone == "stop" or not view.state.in_flight:
        words = _LAUNCH.get(worst.tone, "Not known") if not view.state.in_flight else "Act now"
        because = "every box lasts the next flight and its reserve" if worst.tone == "good" else ""
        return Verdict(words=words, because=because or f"{view.state.box}: {worst.sentence}", tone=worst.tone)
    timed = [one for one, _ in told if one.turn_back_s is not None]
    if not timed or worst.tone == "unknown":
        return Verdict(words="Not known", because=f"{view.state.box}: {worst.sentence}", tone=worst.tone)
    first = min(timed, key=lambda one: one.turn_back_s or 0.0)
    left_s = (first.turn_back_s or 0.0) - first.state.wall_s
    because = f"for box {first.state.box}, {span(left_s)} from now"
    because += f"; look at {view.state.box}" if worst.tone == "urgent" and left_s > URGENT_S else ""
    return Verdict(words=f"Turn back by {clock(first.turn_back_s or 0.0)}", because=because, tone=worst.tone)


def aloud(active: Active, view: BoxView | None) -> str:
    """A warning in one short sentence for a spotter to repeat; its own where none is shorter."""
    words = TO_DO.get(active.kind, ("", ""))[view.state.in_flight] if view else ""
    return _filled(words, view) if view and words else active.sentence


def due_now(countdown: "Countdown", views: Sequence[BoxView], wall_s: float) -> str | None:
    """What to say of the turn-back time now, if anything."""
    left_s = {view.state.box: view.turn_back_s - wall_s for view in views if view.turn_back_s is not None}
    return countdown.due(left_s, any(view.state.in_flight for view in views))


STEPS_S = (600.0, 300.0, 120.0, 0.0)


class Countdown:
    """Tells once, as the turn-back time comes: 10, 5 and 2 minutes before, and now."""

    def __init__(self) -> None:
        self._told = float("inf")  # the smallest step told since the launch

    def due(self, left_s: dict[str, float], in_flight: bool) -> str | None:
        """What to say now, if anything.

        Args:
            left_s: box -> seconds until its turn-back time.
        """
        if not in_flight or not left_s:
            self._told = float("inf") if not in_flight else self._told
            return None
        box = min(left_s, key=lambda name: left_s[name])
        reached = [step for step in STEPS_S if left_s[box] <= step]
        if left_s[box] > STEPS_S[0] + 60.0:
            self._told = float("inf")
        if not reached or reached[-1] >= self._told:
            return None
        self._told = reached[-1]
        if self._told == 0:
            return f"Turn back now, for box {box}."
        return f"Turn back in {round(self._told / 60)} minutes, for box {box}."
