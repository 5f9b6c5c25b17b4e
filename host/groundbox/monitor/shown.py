"""What viewers get: an output's form, and of one box beside the verdict readings, loads, outputs, the day's plan."""

from collections.abc import Mapping, Sequence
from typing import Protocol

from groundbox.advice.limits import fan_levels_c
from groundbox.advice.result import DayShown, FanShown, LoadShown, OutputShown, Readings, SessionAdvice
from groundbox.advice.rules_box import dew_point_of
from groundbox.advice.state import BoxState
from groundbox.battery.values import Estimate
from groundbox.link.clock import Moment
from groundbox.model import Reading, WarningChange
from groundbox.monitor.loads import is_on
from groundbox.monitor.tracker import Tracker
from groundbox.plan.day import Day
from groundbox.settings import BoxSettings, LoadSettings
from groundbox.wire.settings import OUTPUT_KINDS

OFFER_EVERY_S = 30.0
BOUNDS = ("low", "expected", "high")


def readings_shown(state: BoxState, reading: Reading | None, limits: Mapping[str, int]) -> Readings:
    """The newest readings with the levels they are judged by; `limits` are the board's settings as far as reported."""
    fans = reading.fans.items() if reading else ()
    return Readings(
        age_s=state.silent_s,
        battery_volts=state.battery_volts,
        equipment_volts=state.equipment_volts,
        cutoff_volts=state.cutoff_volts,
        end_volts=state.end_volts,
        battery_amps=reading.battery_amps if reading else None,
        charging=state.charging,
        case_c=state.case_c,
        battery_c=state.battery_c,
        intake_c=state.intake_c,
        humidity_percent=state.humidity_percent,
        turn_back_s=reading.turn_back_s if reading else None,
        dew_point_c=dew_point_of(state),
        case_levels_c=state.case_levels_c,
        battery_levels_c=state.battery_levels_c,
        fan_levels_c=fan_levels_c(limits),
        levels_reported=bool(limits),
        fans=tuple(FanShown(fan=number, state=fan.state, rpm=fan.rpm, percent=fan.percent) for number, fan in fans),
    )


def load_shown(load: LoadSettings, reading: Reading, tracker: Tracker) -> LoadShown:
    """A declared load: whether it is on, and the runtime gained when it is switched off."""
    on = is_on(load, reading)
    amps = load.mean_amps(reading.battery_volts or 12.0) * load.fraction
    gained_s = tracker.gained_s(amps) if on and amps else None
    return LoadShown(name=load.name, sheddable=load.sheddable, on=on, gained_s=gained_s)


def outputs_shown(reading: Reading, limits: Mapping[str, int], box: BoxSettings | None) -> tuple[OutputShown, ...]:
    """The outputs that a person may switch: fitted, sheddable by the board's settings, and with a load on it."""
    found = []
    for number, state in reading.outputs.items():
        kind = OUTPUT_KINDS[limits.get(f"output{number}_kind", 0)]
        loads = tuple(load.name for load in box.loads if load.output == number) if box else ()
        if state not in (None, "absent") and kind == "sheddable" and (loads or not box):
            found.append(OutputShown(output=number, on=state == "on", state=state, loads=loads))
    return tuple(found)


def day_shown(last_landing_s: float, empty_s: float | None, reserve_s: float) -> DayShown:
    """Whether a box lasts the day's plan: its reserve is left at the last landing, by the low runtime.

    Args:
        last_landing_s: wall time of the last planned landing.
        empty_s: wall time at which the low runtime ends under the day's plan; None: unknown.
    """
    enough = None if empty_s is None else empty_s - reserve_s >= last_landing_s
    return DayShown(last_landing_at_s=last_landing_s, empty_at_s=empty_s, enough=enough)


class ChargeSentence:
    """How to charge what one more flight lacks; computed every 30 s at most, since charging is simulated for it."""

    def __init__(self) -> None:
        self._offered: tuple[float, str | None] = (float("-inf"), None)

    def words(
        self, now_s: float, box: str, needs_s: float, tracker: Tracker, day: Day | None, reading: Reading | None
    ) -> str | None:
        """An instruction without cautions; None while state of charge or current is unknown, or full is too little.

        `needs_s`: low runtime in seconds that one more flight and its reserve need.
        """
        estimate = tracker.estimate
        if estimate is None or estimate.soc is None:
            return None
        if now_s - self._offered[0] >= OFFER_EVERY_S:
            from groundbox.plan.charge_offer import charge_words  # needs NumPy, as estimates do

            battery_c, words = reading.battery_c if reading else None, None
            gain_ah = tracker.needed_ah(needs_s, battery_c)
            if gain_ah is not None:
                soc = estimate.soc
                words = charge_words(day, box, tracker.profile, soc=soc, gain_ah=gain_ah, battery_c=battery_c)
            self._offered = (now_s, words)
        return self._offered[1]


def runtimes(estimate: Estimate | None) -> dict[str, float | None]:
    """Seconds left by bound; all None while unknown."""
    if estimate is None or estimate.runtime_low_s is None:
        return dict.fromkeys(BOUNDS)
    return {
        "low": estimate.runtime_low_s,
        "expected": estimate.runtime_expected_s,
        "high": estimate.runtime_high_s,
    }


class Output(Protocol):
    """What a person sees and hears."""

    def say(self, wall_s: float, text: str) -> None:
        """One line that stays."""

    def warn(self, change: WarningChange) -> None:
        """A warning was raised, cleared or acknowledged."""

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """The newest advice; called at every turn of the loop. New cues in it are to be spoken."""


class OutputList:
    """Several outputs as one."""

    def __init__(self, outputs: Sequence[Output]) -> None:
        self._outputs = outputs

    def say(self, wall_s: float, text: str) -> None:
        """One line that stays."""
        for output in self._outputs:
            output.say(wall_s, text)

    def warn(self, change: WarningChange) -> None:
        """A warning was raised, cleared or acknowledged."""
        for output in self._outputs:
            output.warn(change)

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """The newest advice."""
        for output in self._outputs:
            output.show(advice, moment)
