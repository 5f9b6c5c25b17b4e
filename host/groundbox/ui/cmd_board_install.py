"""`groundbox board install`: firmware into the free slot, tried, and kept only when it reports."""

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
from groundbox.maintenance.install import Installed, Package, Tell, install
from groundbox.rig import image
from groundbox.ui.board_port import chosen_port, port_argument
from groundbox.wire.messages import checksum

MEET_S = 4.0
PROMPT_S = 30.0
REPORT_S = 60.0
BACK_S = 150.0  # the board itself goes back two minutes after its start at the latest
AGAIN_S = 0.3
EXAMPLE = """
\b
Examples:
  groundbox board install                 the only board that is plugged in
  groundbox board install /dev/ttyACM1
  groundbox board install --folder DIR    into a folder that holds a board's files

On the ground only. While files are copied nothing watches the battery and the fans run fully; outputs stay as they
are. The new firmware is kept when it reports within a minute; else the board goes back to the one it had.
"""


@click.command(epilog=EXAMPLE)
@port_argument
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="A board's files in place of a port.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def command(port: str | None, folder: Path | None, as_json: bool) -> None:
    """Put this package's firmware on a board, or update it. A board with nothing but MicroPython will do."""
    package = _package()
    if folder is not None:
        if port is not None:
            raise BadInput("port", port, "give a port or --folder, not both")
        _say(install(FolderFlash(folder), package, _tell(as_json)), None, as_json)
        return
    port = chosen_port(port)
    leave(port)
    try:
        with maintained(port, PROMPT_S) as flash:
            done = install(flash, package, _tell(as_json))
    except KeyboardInterrupt:
        click.echo("given up; the board restarts with the firmware it had", err=True)
        raise
    _say(done, _kept(port, done), as_json)


def _package() -> Package:
    firmware = image.firmware_folder()
    files = {path: source.read_bytes() for path, source in image.files(firmware).items()}
    return Package(files=files, selector=image.selector(firmware).read_bytes())


def _tell(quiet: bool) -> Tell:
    """Progress on one line of a terminal; a pipe needs none."""
    if quiet or not sys.stderr.isatty():
        return lambda _: None
    return lambda text: click.echo(f"\r{text:<70}", nl=False, err=True)


def leave(port: str) -> None:
    """Has a running board restart for maintenance; one that does not answer may be at its prompt already.

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
            return  # another registry: the answer may be of a form we do not know
        if answer["result"] != "ok":
            reason = str(answer["reason"] or "refused").replace("_", " ")
            raise BadInput(port, f"box {board.box}", f"does not go into maintenance: {reason}")


def _kept(port: str, done: Installed) -> str:
    """The box's name, once the new firmware has reported and is kept.

    Raises:
        LinkError: it did not; tells what runs now.
    """
    found = _reports(port, REPORT_S, lambda where: where.startswith(done.slot) or where == done.before)
    if found is None and done.before is not None:
        click.echo(f"no report within {REPORT_S:.0f} s; waiting for the board to go back by itself", err=True)
        found = _reports(port, BACK_S, lambda where: where == done.before)
    box, slot = found or ("", "")
    if slot == done.slot:
        return box
    state = f"slot {slot} runs again" if slot else "nothing has been heard since: draw the plug and put it in again"
    raise LinkError(f"{port}: the new firmware did not prove itself and is not kept; {state}")


def _reports(port: str, wait_s: float, wanted: Callable[[str], bool]) -> tuple[str, str] | None:
    """(box, slot) once a board reports from a slot that is wanted, one on trial kept; None when not in time."""
    late_s = time.monotonic() + wait_s
    while time.monotonic() < late_s:
        with suppress(BadInput, LinkError), Dialogue(port) as board:  # the port comes and goes with the board
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
        click.echo(f"Slot {done.slot} is tried at the next start.")
    else:
        click.echo(f"Box {box} runs slot {done.slot} and keeps it.")
