"""`groundbox now --follow`: how things stand, again and again; in place on a terminal, plain lines when piped."""

import time
from collections.abc import Callable, Sequence

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.text import Text

from groundbox.monitor.view import BoxView
from groundbox.ui import lines
from groundbox.ui.answer import Answer, answer, verdict, withdrawn_after_s
from groundbox.ui.recording import stop_signals
from groundbox.ui.screen import STYLES, stamp

EVERY_S = 2.0
PLAIN_EVERY_S = 10.0
WAIT_S = 0.2
TONES = {"stop": "bold reverse", "urgent": "bold", "notice": "bold", "unknown": "bold", "good": "bold"}


def follow(look: Callable[[], Sequence[BoxView]], console: Console) -> None:
    """Shows what `look` gives until Ctrl-C."""
    with stop_signals() as stop:
        if not console.is_terminal:
            while not stop.asked:
                for view in look():
                    console.print(Text(f"{stamp(view.state.wall_s)} {lines.line(view)}"), soft_wrap=True)
                _wait(PLAIN_EVERY_S, lambda: stop.asked)
            return
        with Live(console=console, auto_refresh=False, screen=False) as live:
            while not stop.asked:
                live.update(standing(look()), refresh=True)
                _wait(EVERY_S, lambda: stop.asked)


def standing(views: Sequence[BoxView]) -> RenderableType:
    """One look at all, then each box in a few lines that any width stands: the answer, its figures, its warnings."""
    parts: list[RenderableType] = []
    told = [(view, answer(view)) for view in views]
    if len(told) > 1:
        whole = verdict(told)
        parts.append(Text(f"{whole.words}{': ' if whole.because else ''}{whole.because}", TONES[whole.tone]))
    for view, found in told:
        parts += [Text(""), _first(view, found), Padding(Text(_figures(view)), (0, 0, 0, 2))]
        for words, one in zip(lines.warnings(view), view.warnings, strict=True):
            parts.append(Padding(Text(words, "dim" if one.acknowledged else STYLES[one.severity]), (0, 0, 0, 2)))
    if not views:
        parts.append(Text("no box heard in the last 12 hours; is `groundbox log` running?"))
    when = stamp(views[0].state.wall_s) if views else ""
    return Group(*parts, Text(""), Text(f"{when} Ctrl-C ends".strip(), "dim"))


def _first(view: BoxView, found: Answer) -> Text:
    text = Text(f"{view.state.box}  ", "bold")
    text.append(found.sentence if found.tone == "unknown" else f"{found.tone}: {found.sentence}", TONES[found.tone])
    return text


def _figures(view: BoxView) -> str:
    told = lines.battery(view), lines.case(view), lines.fans(view), lines.heat(view), lines.day(view)
    parts = [part for part in told if part]
    silent_s = view.state.silent_s
    if silent_s is None or silent_s > withdrawn_after_s(view.state):
        return f"last known {', '.join(parts)}"
    return ", ".join([lines.lasts(view), *parts] if view.runtime_s else parts)


def _wait(seconds: float, ended: Callable[[], bool]) -> None:
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s and not ended():
        time.sleep(WAIT_S)
