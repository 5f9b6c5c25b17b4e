"""`groundbox board practice`: a simulated board behind a port, to practise `groundbox board` on."""

import os
import select
import sys
from dataclasses import replace
from pathlib import Path

import click

from groundbox.errors import BadInput
from groundbox.rig import demo_boxes
from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.rig.process import MICROPYTHON
from groundbox.ui.recording import stop_signals

TURN_S = 0.2
COOL_C = 24.0  # its fans stay off
EXAMPLE = """
\b
Examples:
  groundbox board practice bench          then, in another terminal:
  groundbox board fans bench/port

\b
Type a change of the box, or Enter alone for the true voltage, current and temperatures:
  fan1 stalled     fan2 no_tach     fan1 ok     monitor silent     check_error_volts 0.3
  sag_volts 2      2 V lower, as for the second point of a calibration
  case_bath_c 0    the case sensor is in stirred water of 0 °C       case_bath out
  board_warmer_c 20   the board is 20 °C warmer, as for --two-temperatures
  case_drift_c 3   the case sensor reads 3 °C too high
  cable out        cable in           power off      power on

It runs at real speed until Ctrl-C. DIR keeps its flash; delete DIR to start again from nothing.
"""


@click.command(epilog=EXAMPLE)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option("--bare", is_flag=True, help="Start with MicroPython alone, for `install`.")
def command(folder: Path, bare: bool) -> None:
    """A simulated board to practise on, with the real firmware, at the port DIR/port."""
    flash = folder / "flash"
    if folder.is_dir() and any(folder.iterdir()) and not flash.is_dir():
        raise BadInput(folder, "", "holds other files; name a new folder")
    if (folder / "port").exists():
        raise BadInput(folder, "", "a practice board already runs there; end it with Ctrl-C, or name another folder")
    board = SimulatedBoard(replace(demo_boxes.TABLE, start_c=COOL_C), SimClock(), folder)
    if bare:
        _empty(flash)
    if board.interpreter != MICROPYTHON:
        click.echo("MicroPython is not installed: the firmware runs on CPython, and `install` finds no prompt")
    board.start()
    try:
        click.echo(f"A simulated board is at {board.port}. Ctrl-C ends; --help lists what can be typed here.")
        _serve(board)
    finally:
        board.stop()


def _empty(flash: Path) -> None:
    """Leaves no file but those of MicroPython alone."""
    for path in [path for path in flash.rglob("*") if path.is_file()]:
        path.unlink()
    (flash / "main.py").write_text("")


def _serve(board: SimulatedBoard) -> None:
    listening, typed = [sys.stdin.fileno()], b""
    with stop_signals() as stop:
        while board.alive and not stop.asked:
            for source in select.select(listening, [], [], TURN_S)[0]:
                data = os.read(source, 4096)
                listening = listening if data else []  # the input has ended; the board runs on
                *lines, typed = (typed + data).split(b"\n")
                for line in lines:
                    click.echo(_do(board, line.decode(errors="replace").split()))


def _do(board: SimulatedBoard, words: list[str]) -> str:
    """Does what was typed; returns the answer to it."""
    box = board.box
    match words:
        case []:
            volts, amps = box.node.battery_volts, box.node.battery_amps
            air = {"case": box.case.air_c, "battery": box.case.battery_c}
            water = {name: box.senses.probes[name].bath_c for name in air}
            temperatures = ", ".join(
                f"{name} {air_c if water[name] is None else water[name]:.1f} °C" for name, air_c in air.items()
            )
            return f"battery {volts:.2f} V, {amps:.2f} A; {temperatures}"
        case ["cable", "out" | "in" as way]:
            board.plug(way == "in")
        case ["power", "off" | "on" as way]:
            board.power(way == "on")
        case [thing, value]:
            try:
                number = value.replace(",", ".")
                board.set(thing, float(number) if number.lstrip("-").replace(".", "", 1).isdigit() else value)
            except BadInput as error:
                return str(error)
        case _:
            return "write two words, as in: fan1 stalled (or press Enter alone)"
    return "done"
