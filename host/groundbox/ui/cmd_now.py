"""`groundbox now`: the advice that the recorder stored last. It computes none itself; stale advice becomes unknown."""

import shutil
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path

import click
import msgspec
from rich.console import Console
from rich.live import Live
from rich.text import Text

from groundbox.advice.limits import RECORDER_STALE_S
from groundbox.advice.result import SessionAdvice
from groundbox.advice.words import age
from groundbox.errors import BadInput
from groundbox.monitor.from_store import latest_advice
from groundbox.settings import Settings
from groundbox.ui.options import chosen_settings, open_reader, settings_options
from groundbox.ui.recording import stop_signals
from groundbox.ui.screen import RUNTIME_MEANS, drawn, line, stamp, warnings

EXAMPLE = """
\b
Examples:
  groundbox now
  groundbox now --follow      redrawn in place until Ctrl-C
  groundbox now --json --database bog.db

\b
Exit status:
  0  clear to launch, or turn back by with severity none or notice
  1  every other verdict; unknown and silent included
  2  wrong input, or no recorder has stored advice
"""
EVERY_S, PLAIN_EVERY_S, WAIT_S = 2.0, 10.0, 0.2


@click.command(epilog=EXAMPLE)
@settings_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object: verdict, action, turn-back time, boxes.")
@click.option("--follow", is_flag=True, help="Repeat until Ctrl-C: in place on a terminal, lines when piped.")
def command(settings_file: Path | None, database: Path | str | None, as_json: bool, follow: bool) -> None:
    """Show the verdict, the turn-back time or runtime, readings and warnings of every box."""
    chosen = chosen_settings(settings_file, database)
    if follow:
        if as_json:
            raise BadInput("--follow", "", "goes without --json; call `groundbox now --json` repeatedly")
        _follow(lambda: _look(chosen), Console(highlight=False))
        return
    advice, age_s = _look(chosen)
    if as_json:
        click.echo(msgspec.json.format(msgspec.json.encode(advice), indent=2))
    else:
        _print(advice, age_s)
    raise SystemExit(exit_status(advice))


def exit_status(advice: SessionAdvice) -> int:
    """0 when the answer is good, else 1."""
    good = advice.verdict == "clear_to_launch"
    flying_well = advice.verdict == "turn_back_by" and advice.severity in ("none", "notice")
    return 0 if good or flying_well else 1


def _look(chosen: Settings) -> tuple[SessionAdvice, float]:
    with open_reader(chosen) as reader:
        found = latest_advice(reader, time.time())
    if found is None:
        raise BadInput(chosen.store, "", "holds no advice of today; start a recorder: groundbox log")
    return found


def _print(advice: SessionAdvice, age_s: float) -> None:
    click.echo(f"{advice.headline}. {advice.action}.")
    for box in advice.boxes:
        click.echo(line(box))
        for warning in warnings(box):
            click.echo(_wrapped(warning))
    if age_s > RECORDER_STALE_S:
        click.echo(f"the recorder's last row is {age(age_s)} old; is `groundbox log` running?")
    if any(box.runtime_low_s is not None for box in advice.boxes):
        click.echo(RUNTIME_MEANS)


def _follow(look: Callable[[], tuple[SessionAdvice, float]], console: Console) -> None:
    """Shows what `look` returns until Ctrl-C."""
    with stop_signals() as stop:
        if not console.is_terminal:
            while not stop.asked:
                advice, _ = look()
                console.print(Text(f"{stamp(advice.made_at_s)} {advice.headline}. {advice.action}."), soft_wrap=True)
                for box in advice.boxes:
                    console.print(Text(f"{stamp(advice.made_at_s)} {line(box)}"), soft_wrap=True)
                _wait(PLAIN_EVERY_S, lambda: stop.asked)
            return
        with Live(console=console, auto_refresh=False, screen=False) as live:
            while not stop.asked:
                live.update(drawn(look()[0], "Ctrl-C ends"), refresh=True)
                _wait(EVERY_S, lambda: stop.asked)


def _wait(seconds: float, ended: Callable[[], bool]) -> None:
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s and not ended():
        time.sleep(WAIT_S)


def _wrapped(words: str) -> str:
    """Indented, and on a terminal broken to its width."""
    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else 10_000
    return textwrap.fill(words, width, initial_indent="  ", subsequent_indent="    ")
