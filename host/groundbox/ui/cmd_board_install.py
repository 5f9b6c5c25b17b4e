"""`groundbox board install`: firmware into the free slot, on trial, and kept only when it reports."""

import json
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import click
import msgspec

from groundbox.errors import BadInput, LinkError
from groundbox.maintenance.dialogue import Dialogue
from groundbox.maintenance.flash import FolderFlash, maintained
from groundbox.maintenance.install import Installed, Package, Progress, install
from groundbox.rig import image
from groundbox.ui.board_port import chosen_port, port_argument
from groundbox.wire.messages import checksum

MEET_S = 4.0
PROMPT_S = 30.0
REPORT_S = 60.0
BACK_S = 150.0  # the board itself returns to its old slot within 120 s after its start
AGAIN_S = 0.3
EXAMPLE = """
\b
Examples:
  groundbox board install                 the only board that is plugged in
  groundbox board install /dev/ttyACM1
  groundbox board install --folder DIR    into a folder that holds a board's files

On the ground only, with the charger off. While files are copied, the battery is not monitored, the fans run at full
speed, and outputs stay as they are: keep hands away from the blades. The new firmware is kept when it reports within
60 s; otherwise the board returns to the earlier one.
"""


@click.command(epilog=EXAMPLE)
@port_argument
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="A folder with a board's files, in place of PORT.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(port: str | None, folder: Path | None, as_json: bool) -> None:
    """Install or update this package's firmware on a board. A board with only MicroPython is enough."""
    package = _package()
    if folder is not None:
        if port is not None:
            raise BadInput("port", port, "is given together with --folder; remove one of them")
        _say(install(FolderFlash(folder), package, _progress(as_json)), None, as_json)
        return
    port = chosen_port(port)
    enter_maintenance(port)
    try:
        with maintained(port, PROMPT_S) as flash:
            done = install(flash, package, _progress(as_json))
    except KeyboardInterrupt:
        click.echo("interrupted; the board restarts with its earlier firmware", err=True)
        raise
    _say(done, _kept(port, done), as_json)


def _package() -> Package:
    firmware = image.firmware_folder()
    files = {path: source.read_bytes() for path, source in image.files(firmware).items()}
    return Package(files=files, selector=image.selector(firmware).read_bytes())


def _progress(quiet: bool) -> Progress:
    """Progress on one line of a terminal; nothing into a pipe."""
    if quiet or not sys.stderr.isatty():
        return lambda _: None
    return lambda text: click.echo(f"\r{text:<70}", nl=False, err=True)


def enter_maintenance(port: str) -> None:
    """Restarts a running board into maintenance; a board without an answer may be at its prompt already.

    Raises:
        BadInput: it refuses, in flight.
    """
    with Dialogue(port) as board:
        if not board.meet(MEET_S):
            return
        try:
            answer = board.ask("maintenance")
        except LinkError:
            if board.hello:
                raise
            return  # another registry: its answer may have another form
        if answer["result"] != "ok":
            reason = str(answer["reason"] or "refused").replace("_", " ")
            raise BadInput(port, f"box {board.box}", f"refuses maintenance: {reason}")


def _kept(port: str, done: Installed) -> str:
    """The box's name, once the new firmware has reported and is kept.

    Raises:
        LinkError: it does not report; the message states which firmware runs.
    """
    found = _reports(port, REPORT_S, lambda where: where.startswith(done.slot) or where == done.before)
    if found is None and done.before is not None:
        click.echo(
            f"no report within {REPORT_S:.0f} s; waiting until the board returns to its earlier firmware", err=True
        )
        found = _reports(port, BACK_S, lambda where: where == done.before)
    box, slot = found or ("", "")
    if slot == done.slot:
        return box
    state = f"slot {slot} runs again" if slot else "the board does not answer: unplug it and plug it in again"
    raise LinkError(f"{port}: the new firmware does not report and is not kept; {state}")


def _reports(port: str, wait_s: float, wanted: Callable[[str], bool]) -> tuple[str, str] | None:
    """(box, slot) once a board reports from a wanted slot, which it then keeps; None when not in time."""
    end_s = time.monotonic() + wait_s
    while time.monotonic() < end_s:
        with suppress(BadInput, LinkError), Dialogue(port) as board:  # the port vanishes while the board restarts
            if board.meet(MEET_S) and board.hello.get("registry") == checksum():
                where = str(board.ask("get", setting="slot")["value"])
                if wanted(where):
                    return board.box, str(board.ask("keep")["value"]) if where.endswith(":trial") else where
        time.sleep(AGAIN_S)
    return None


def _say(done: Installed, box: str | None, as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps({**msgspec.to_builtins(done), "box": box}))
        return
    click.echo(f"{done.compared} files on the board equal the package's; {done.written} were written.")
    if box is None:
        click.echo(f"Slot {done.slot} is on trial at the next start.")
    else:
        click.echo(f"Box {box} runs slot {done.slot} and keeps it.")
