"""What `groundbox log` shows: lines that stay, and how things stand, redrawn in place on a terminal."""

import time
from collections.abc import Sequence
from dataclasses import replace
from typing import TextIO

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from groundbox.advice.warner import Active
from groundbox.advice.words import span
from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.monitor.view import BoxView
from groundbox.ui import lines
from groundbox.ui.answer import Countdown, aloud, due_now
from groundbox.ui.sound import Sounder

REDRAW_S = 0.25
PLAIN_EVERY_S = 10.0
LAST_STEP = "Turn back in 2 minutes"  # the one step of the countdown that is no warning of its own
STYLES = {"notice": "", "urgent": "bold", "stop": "bold reverse"}


class Screen:
    """An Output. On a terminal the standing is redrawn in place; piped, each box gets a line now and then.

    Args:
        console: where to.
        sounder: how warnings are heard.
        foot: a line under the boxes.
        kept: also gets every line that stays.
    """

    def __init__(self, console: Console, sounder: Sounder, foot: str = "", kept: TextIO | None = None) -> None:
        self._kept = kept
        self._console, self.sounder, self.foot = console, sounder, foot
        self._live: Live | None = None
        self._unheard: list[Active] = []
        self._countdown = Countdown()
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

    def sound(self, active: Active) -> None:
        """A warning to be heard, once it is known how things stand with it."""
        self._unheard.append(active)

    def show(self, views: Sequence[BoxView], moment: Moment) -> None:
        """How things stand; sounds what waits, and draws when it is time to."""
        self._sound(views, moment.wall_s)
        every_s = REDRAW_S if self._live else PLAIN_EVERY_S
        if moment.real_s - self._drawn_s < every_s:
            return
        self._drawn_s = moment.real_s
        if self._live:
            self._last = standing(views, moment, self.foot)
            self._live.update(self._last, refresh=True)
        else:
            for view in views:
                self._console.print(Text(f"{stamp(moment.wall_s)} {lines.line(view)}"), soft_wrap=True)

    def _sound(self, views: Sequence[BoxView], wall_s: float) -> None:
        by_box = {view.state.box: view for view in views}
        for active in self._unheard:
            self.sounder.sound(replace(active, sentence=aloud(active, by_box.get(active.box))))
        self._unheard.clear()
        due = due_now(self._countdown, views, wall_s)
        if due and due.startswith(LAST_STEP):
            first = min(
                (view for view in views if view.turn_back_s is not None), key=lambda view: view.turn_back_s or 0
            )
            box = first.state.box
            self.sounder.sound(Active(box=box, kind="turn_back", severity="stop", sentence=due, acknowledged=False))


def stamp(wall_s: float) -> str:
    """Time of day "14:32:07"."""
    return time.strftime("%H:%M:%S", time.localtime(wall_s))


def standing(views: Sequence[BoxView], moment: Moment, foot: str) -> RenderableType:
    """A line for each box, its warnings under it."""
    parts: list[RenderableType] = [Text("")]
    table = _grid()
    for view in views:
        table.add_row(
            Text(view.state.box, "bold"), lines.answer(view), lines.battery(view), lines.case(view), lines.fans(view)
        )
        if view.warnings:
            parts += [table, *_warnings(view)]
            table = _grid()
    if not views:
        table.add_row("", "no box heard yet", "", "", "")
    return Group(*parts, table, Text(f"{stamp(moment.wall_s)} {_flight(views)}"), Text(foot, "dim"))


def _flight(views: Sequence[BoxView]) -> str:
    if not any(view.state.in_flight for view in views):
        return "on the ground"
    left_s = next((view.state.landing_in_s for view in views if view.state.landing_in_s is not None), None)
    if left_s is None:
        return "in flight"
    return f"in flight, landing planned in {span(left_s)}" if left_s >= 0 else f"in flight, {span(-left_s)} overdue"


def _grid() -> Table:
    """Fixed widths, so that the parts of the list stand under each other in 80 columns."""
    table = Table.grid(padding=(0, 1))
    for width in (10, 35, 7, 9, 13):
        table.add_column(width=width, overflow="fold")
    return table


def _warnings(view: BoxView) -> list[RenderableType]:
    return [
        Padding(Text(words, STYLES[one.severity] if not one.acknowledged else "dim"), (0, 0, 0, 11))
        for words, one in zip(lines.warnings(view), view.warnings, strict=True)
    ]
