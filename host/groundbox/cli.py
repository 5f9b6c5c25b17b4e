"""The commands a person types. Each is one module of `groundbox.ui`, imported only when it is asked for."""

import os
import sys

import click

import groundbox
from groundbox.errors import GroundboxError
from groundbox.on_demand import OnDemand

COMMANDS = {
    "acknowledge": "Quiet warnings you have seen",
    "battery": "A battery's profile, fits and capacity test",
    "board": "Care of a board: firmware, settings, calibration, tests",
    "broker": "A broker for boxes on a network: passwords, rights and certificates",
    "case": "What a box's case does with heat, learnt from its sessions",
    "demo": "Two simulated boxes running the real firmware",
    "log": "Record every board found, warn, and show one line a box",
    "mark": "Note a launch, landing, charge or swap",
    "now": "One line a box: turn-back time or runtime left",
    "plan": "Launch or wait, loads to switch off, charging between flights",
    "replay": "Run a recorded discharge through the estimator",
    "report": "One page about an session, its readings beside it",
    "rig": "The real firmware in a simulated box, put to the test by a scenario",
    "size": "Battery, wire, fuse, air and parts of a box on paper",
}


@click.group(cls=OnDemand, parts={name: (f"cmd_{name}", "command", text) for name, text in COMMANDS.items()})
@click.version_option(groundbox.__version__)
def commands() -> None:
    """Keep field equipment boxes powered and cool through a flying day."""


def main() -> None:
    """Run a command; an error a person can mend is one line and exit status 1, never a traceback."""
    # NumPy is loaded only by the commands that need it; on matrices as small as ours its threads wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        commands()
    except GroundboxError as error:
        click.echo(f"groundbox: {error}", err=True)
        sys.exit(1)
    except OSError as error:  # a name that no file system takes, a disk that is gone
        where = f"{str(error.filename)[:80]}:" if error.filename else "a file, or what this prints to,"
        click.echo(f"groundbox: {where} cannot be used ({error.strerror or error})", err=True)
        sys.exit(1)
