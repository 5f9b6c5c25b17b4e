"""`groundbox board practice`: a simulated board behind a port, to try the other parts of `groundbox board` on."""

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
COOL_C = 24.0  # so that its fans are off
EXAMPLE = """
\b
Examples:
  groundbox board practice bench          then, in another terminal:
  groundbox board fans bench/port

\b
Type here what happens to the box, or Enter alone for what a meter and a thermometer show:
  fan1 stalled     fan2 no_tach     fan1 ok     monitor silent     check_error_volts 0.3
  sag_volts 2      another voltage, as for a second point of a calibration
  case_drift_c 3   the case's sensor shows 3 C too much
  cable out        cable in           power off      power on

It runs at real speed until Ctrl-C. DIR keeps its flash; delete DIR to begin anew.
"""


@click.command(epilog=EXAMPLE)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option("--bare", is_flag=True, help="A board with nothing but MicroPython, for `install`.")
def command(folder: Path, bare: bool) -> None:
    """A simulated board to practise on, with the real firmware, at the port DIR/port."""
    flash = folder / "flash"
    if folder.is_dir() and any(folder.iterdir()) and not flash.is_dir():
        raise BadInput(folder, "", "holds something else; name a new folder")
    if (folder / "port").exists():
        raise BadInput(folder, "", "a practice board runs there already; end that with Ctrl-C, or name another folder")
    board = SimulatedBoard(replace(demo_boxes.TABLE, start_c=COOL_C), SimClock(), folder)
    if bare:
        _empty(flash)
    if board.interpreter != MICROPYTHON:
        click.echo("there is no MicroPython here: the firmware runs on CPython, and `install` has no prompt to go to")
    board.start()
    try:
        click.echo(f"A simulated board is at {board.port}. Ctrl-C ends; --help tells what may be typed here.")
        _serve(board)
    finally:
        board.stop()


def _empty(flash: Path) -> None:
    """Leaves what MicroPython alone leaves; pins.py also tells the simulation what hangs where."""
    for path in [path for path in flash.rglob("*") if path.is_file() and path.name != "pins.py"]:
        path.unlink()
    (flash / "main.py").write_text("")


def _serve(board: SimulatedBoard) -> None:
    listening, typed = [sys.stdin.fileno()], b""
    with stop_signals() as stop:
        while board.alive and not stop.asked:
            for source in select.select(listening, [], [], TURN_S)[0]:
                said = os.read(source, 4096)
                listening = listening if said else []  # nobody types any more: it runs on
                *lines, typed = (typed + said).split(b"\n")
                for line in lines:
                    click.echo(_do(board, line.decode(errors="replace").split()))


def _do(board: SimulatedBoard, words: list[str]) -> str:
    """Does what was typed; what to say to it."""
    box = board.box
    match words:
        case []:
            volts, amps = box.node.battery_volts, box.node.battery_amps
            return f"battery {volts:.2f} V, {amps:.2f} A; case {box.case.air_c:.1f} C, block {box.case.battery_c:.1f} C"
        case ["cable", "out" | "in" as way]:
            board.plug(way == "in")
        case ["power", "off" | "on" as way]:
            board.power(way == "on")
        case [thing, value]:
            try:
                board.set(thing, float(value) if value.lstrip("-").replace(".", "", 1).isdigit() else value)
            except BadInput as error:
                return str(error)
        case _:
            return "wants two words, as in: fan1 stalled (or Enter alone)"
    return "done"
