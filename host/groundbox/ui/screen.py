"""Advice as text: one line for each box, and what `groundbox log` shows, redrawn in place on a terminal."""

import time
from typing import TextIO

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from groundbox.advice.limits import DATA_WITHDRAWN_S
from groundbox.advice.result import BoxAdvice, SessionAdvice
from groundbox.advice.words import age, celsius, clock, listed, needed, rounded_down_s, volts
from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.ui.sound import Sounder

HOT_WITHIN_MIN = 60.0
RUNTIME_MEANS = "runtime: minutes low / expected / high"


def runtime(box: BoxAdvice) -> str:
    """ "runtime 61 / 75 / 92 min (nameplate)"; "" while it is unknown."""
    bounds = (box.runtime_low_s, box.runtime_expected_s, box.runtime_high_s)
    if box.runtime_low_s is None:
        return ""
    minutes = " / ".join("?" if seconds is None else str(int(rounded_down_s(seconds) // 60)) for seconds in bounds)
    return f"runtime {minutes} min{f' ({box.trust})' if box.trust else ''}"


_FAN_FAULTS: dict[str | None, str] = {"stalled": "stalled", "too_fast": "doubtful", "runs_on": "runs on"}


def fans(box: BoxAdvice) -> str:
    """ "fans off", "fans on", "fan 2 stalled", "no fans"."""
    fitted = [fan for fan in box.readings.fans if fan.state not in (None, "absent")]
    if not fitted:
        return "no fans"
    faulty = [f"fan {fan.fan} {_FAN_FAULTS[fan.state]}" for fan in fitted if fan.state in _FAN_FAULTS]
    if faulty:
        return listed(faulty)
    if any(fan.state in ("running", "starting") for fan in fitted):
        return "fans on"
    return "fans driven" if any(fan.percent for fan in fitted) else "fans off"


def battery(box: BoxAdvice) -> str:
    """Voltage at the battery."""
    return volts(box.readings.battery_volts)


def case(box: BoxAdvice) -> str:
    """ "case 38 °C"."""
    return f"case {celsius(box.readings.case_c)}"


def humidity(box: BoxAdvice) -> str:
    """ "humidity 62 %, dew point 18 °C"; "" without a sensor."""
    percent = box.readings.humidity_percent
    return "" if percent is None else f"humidity {percent:.0f} %, dew point {celsius(box.readings.dew_point_c)}"


def heat(box: BoxAdvice) -> str:
    """ "60 °C in 12 min if its fans stop"; "" where that is far off or unknown."""
    outlook = box.heat
    if outlook is None:
        return ""
    low = outlook.fans_stopped_low_min
    minutes = outlook.fans_stopped_min if low is None else low
    if minutes is None or minutes > HOT_WITHIN_MIN:
        return ""
    fitted = any(fan.state not in (None, "absent") for fan in box.readings.fans)
    about = "about " if low is None else ""
    return f"{celsius(outlook.limit_c)} in {about}{minutes:.0f} min{' if its fans stop' if fitted else ''}"


def day(box: BoxAdvice) -> str:
    """Whether the box lasts the day's plan; "" where there is no plan, or it is unknown."""
    outlook = box.day
    if outlook is None or outlook.empty_at_s is None:
        return ""
    if outlook.enough:
        return "lasts the day's plan"
    return f"by the day's plan empty at {clock(outlook.empty_at_s)}, last landing {clock(outlook.last_landing_at_s)}"


def warnings(box: BoxAdvice) -> list[str]:
    """One line for each warning that is up, its severity in words."""
    return [
        f"{one.severity.upper()}{' (acknowledged)' if one.acknowledged else ''}: {one.sentence} [{one.kind}]"
        for one in box.warnings
    ]


def figures(box: BoxAdvice) -> list[str]:
    """Runtime and readings; of a silent box the last readings with their age."""
    if box.readings.age_s is None:
        return []
    known = [part for part in (battery(box), case(box), fans(box), humidity(box)) if part]
    if box.readings.age_s > box.stale_after_s:
        shown = f"last known {age(box.readings.age_s)} ago: {', '.join(known)}"
        return [shown] if box.readings.age_s > DATA_WITHDRAWN_S else [part for part in (runtime(box), shown) if part]
    return [part for part in (runtime(box), *known, heat(box), day(box)) if part]


def line(box: BoxAdvice) -> str:
    """All in one line, for where nothing can be redrawn."""
    active = [f"{one.severity.upper()} {one.kind}" for one in box.warnings]
    return f"{box.box}: {'; '.join([box.headline, *figures(box), *active])}"


REDRAW_S = 0.25
PLAIN_EVERY_S = 10.0
SPOKEN_WITHIN_S = 10.0  # an older cue is not spoken
STYLES = {"none": "", "notice": "", "unknown": "bold", "urgent": "bold", "stop": "bold reverse"}


class Screen:
    """An Output. On a terminal the advice is redrawn in place; piped, each box gets a line now and then.

    Args:
        console: where to.
        sounder: how cues are heard.
        foot: a line under the boxes.
        kept: also gets every line that stays.
    """

    def __init__(self, console: Console, sounder: Sounder, foot: str = "", kept: TextIO | None = None) -> None:
        self._kept = kept
        self._console, self.sounder, self.foot = console, sounder, foot
        self._live: Live | None = None
        self._spoken = 0  # number of the newest cue spoken
        if console.is_terminal:  # stdout stays as it is: the bell goes straight to the terminal
            self._live = Live(console=console, auto_refresh=False, transient=True, redirect_stdout=False)
        self._drawn_s = float("-inf")
        self._last: RenderableType | None = None

    def __enter__(self) -> "Screen":
        if self._live:
            self._live.start()
        return self

    def __exit__(self, *error: object) -> None:
        if self._live:
            self._live.stop()
            if self._last is not None:
                self._console.print(self._last)
        self.sounder.close()

    def say(self, wall_s: float, text: str) -> None:
        """One line that stays."""
        self._print(Text(f"{stamp(wall_s)} {text}"))

    def warn(self, change: WarningChange) -> None:
        """A line when a warning is raised, cleared or acknowledged."""
        if change.change == "raised":
            text = Text(f"{stamp(change.wall_s)} ")
            text.append(change.severity.upper(), STYLES[change.severity])
            text.append(f" {change.box}: {change.sentence}")
        else:
            text = Text(f"{stamp(change.wall_s)} {change.change} {change.box}: {change.warning}")
        self._print(text)

    def _print(self, text: Text) -> None:
        self._console.print(text, soft_wrap=not self._console.is_terminal)
        if self._kept:
            self._kept.write(f"{text.plain}\n")

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """The newest advice: speaks its new cues, and draws when it is time to."""
        for cue in advice.cues:
            if cue.number > self._spoken:
                self._spoken = cue.number
                if advice.made_at_s - cue.at_s <= SPOKEN_WITHIN_S:
                    self.sounder.sound(cue.spoken, cue.severity)
        self.sounder.turn()
        every_s = REDRAW_S if self._live else PLAIN_EVERY_S
        if moment.real_s - self._drawn_s < every_s:
            return
        self._drawn_s = moment.real_s
        if self._live:
            self._last = drawn(advice, self.foot)
            self._live.update(self._last, refresh=True)
        else:
            for box in advice.boxes:
                self._console.print(Text(f"{stamp(moment.wall_s)} {line(box)}"), soft_wrap=True)


def stamp(wall_s: float) -> str:
    """Time of day "14:32:07"."""
    return time.strftime("%H:%M:%S", time.localtime(wall_s))


def drawn(advice: SessionAdvice, foot: str) -> RenderableType:
    """All boxes first, then each box with its figures and warnings, at any width."""
    parts: list[RenderableType] = [Text("")]
    if len(advice.boxes) != 1:
        parts += [Text(advice.headline, STYLES[advice.severity]), Text(f"{advice.action}."), Text("")]
    for box in advice.boxes:
        parts += _box(box)
    ends = f"{stamp(advice.made_at_s)} {_flight(advice)}"
    return Group(*parts, Text(ends), Text(foot, "dim"))


def _box(box: BoxAdvice) -> list[RenderableType]:
    table = Table.grid(padding=(0, 1))
    table.add_column(width=10, overflow="fold")
    table.add_column(overflow="fold")
    table.add_row(Text(box.box, "bold"), Text(box.headline, STYLES[box.severity]))
    if known := figures(box):
        table.add_row("", Text("; ".join(known)))
    shown: list[RenderableType] = [table]
    for words, one in zip(warnings(box), box.warnings, strict=True):
        shown.append(Padding(Text(words, "dim" if one.acknowledged else STYLES[one.severity]), (0, 0, 0, 11)))
    return shown


def _flight(advice: SessionAdvice) -> str:
    flight = advice.flight
    if not flight.in_flight:
        return "on the ground"
    returning = ", the pilot is returning" if flight.returning else ""
    if flight.landing_at_s is None:
        return f"in flight{returning}"
    left_s = flight.landing_at_s - advice.made_at_s
    if left_s < 0:
        return f"in flight{returning}, landing overdue by {age(-left_s)}"
    return f"in flight{returning}, landing planned in {needed(left_s)}"
