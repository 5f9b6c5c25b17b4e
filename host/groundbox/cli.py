"""The commands a person types. Each is in a module of `groundbox.ui`, imported only when a person types it."""

import io
import os
import sys

import click

import groundbox
from groundbox.errors import GroundboxError
from groundbox.on_demand import OnDemand

NO_ANSWER = 2  # exit status: the input is wrong, or a port, broker or database fails; 1 is the answer "no"

COMMANDS = {
    "acknowledge": "Acknowledge warnings: the buzzer is silent",
    "battery": "A battery's profile, fits and capacity test",
    "board": "Maintenance of a board: firmware, settings, calibration, tests",
    "broker": "A broker for boxes on a network: passwords, rights and certificates",
    "case": "The thermal model of a case, fitted from its sessions",
    "demo": "Two simulated boxes running the real firmware",
    "log": "Record every board, warn, and show one line for each box",
    "mark": "Note a launch, landing, charge or swap",
    "now": "The verdict for each box: turn-back time or runtime",
    "plan": "Launch or wait, loads to switch off, charging between flights",
    "replay": "Run a recorded discharge through the estimator",
    "report": "One page about a session, with its readings as tables",
    "rig": "The real firmware in a simulated box, tested by a scenario",
    "size": "Calculate battery, wires, fuse, air flow and parts of a box",
}


MODULES = {"acknowledge": ("cmd_mark", "acknowledge")}  # module and name of each command that has no module of its own


@click.group(
    cls=OnDemand,
    parts={name: (*MODULES.get(name, (f"cmd_{name}", "command")), text) for name, text in COMMANDS.items()},
)
@click.version_option(groundbox.__version__)
def commands() -> None:
    """Keep field equipment boxes powered and cool for a day of flying."""


def main() -> None:
    """Run a command. An error is one line and exit status 2, never a traceback."""
    # NumPy is loaded only by the commands that need it; on matrices as small as ours its threads wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):  # a letter that the code page of the output lacks ends no command
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        commands()
    except GroundboxError as error:
        click.echo(f"groundbox: {error}", err=True)
        sys.exit(NO_ANSWER)
    except OSError as error:  # a file name that is not allowed, a lost disk
        where = f"{str(error.filename)[:80]}:" if error.filename else "a file, or the output,"
        click.echo(f"groundbox: {where} cannot be used ({error.strerror or error})", err=True)
        sys.exit(NO_ANSWER)
