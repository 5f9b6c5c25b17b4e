"""`groundbox board`: maintenance of a board; here its port, its settings, and checks of fans, lamp and buzzer.

Each other part is one module, imported only when it is used. The board keeps control during a check."""

import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import click
import msgspec
from serial.tools import list_ports

from groundbox.errors import BadInput, LinkError
from groundbox.maintenance import settings as board_settings
from groundbox.maintenance.dialogue import Dialogue, Fields
from groundbox.maintenance.fan_check import FanFinding, FanSample, assess, turned_instead
from groundbox.on_demand import OnDemand
from groundbox.wire.messages import checksum
from groundbox.wire.settings import FAN_KINDS, SETTINGS

# Name -> (module of groundbox.ui, its command, line of help).
COMMANDS = {
    "battery": ("cmd_board_battery", "command", "Give a board the table of its battery, for flights without a host"),
    "buzzer": ("cmd_board", "buzzer", "Sound a board's buzzer for a moment"),
    "calibrate": ("cmd_board_calibrate", "command", "Calibrate voltage or temperature, step by step"),
    "fans": ("cmd_board", "fans", "Run each fan and report whether it is good"),
    "install": (
        "cmd_board_install",
        "command",
        "Install this package's firmware on a board; it returns to the earlier one on a fault",
    ),
    "lamp": ("cmd_board", "lamp", "Light a board's lamp for a moment"),
    "network": ("cmd_board_install", "network", "Give a board the address and secrets of its broker"),
    "practice": ("cmd_board_practice", "command", "A simulated board for practice"),
    "settings": ("cmd_board_settings", "settings", "Read a board's settings, change, save or restore them"),
}


@click.group(cls=OnDemand, parts=COMMANDS, epilog="Example: groundbox board settings /dev/ttyACM0 fan_on_centi_c=3400")
def command() -> None:
    """Maintenance of a board: firmware, settings, calibration, checks of fans, lamp and buzzer.

    Each part takes the PORT of the board, or finds the only one that is plugged in. Stop `groundbox log` first: one
    program can use a port.
    """


MEET_S = 8.0

port_argument = click.argument("port", required=False)


def chosen_port(port: str | None) -> str:
    """`port`, or the only USB serial port there is.

    Raises:
        BadInput: there is none, or more than one.
    """
    if port is not None:
        return port
    found: list[str] = sorted(one.device for one in list_ports.comports() if one.vid is not None)
    if len(found) == 1:
        return found[0]
    if not found:
        raise BadInput("port", "", "no board is plugged in; plug it in, or give its PORT")
    raise BadInput("port", "", f"several boards are plugged in; give one of {', '.join(found)}")


@contextmanager
def talking(port: str | None) -> Iterator[Dialogue]:
    """A board that runs this package's firmware.

    Raises:
        BadInput: the port cannot be opened, or the board has another firmware.
        LinkError: no board answers there.
    """
    with Dialogue(chosen_port(port)) as board:
        if not board.meet(MEET_S):
            raise LinkError(
                f"{board.port}: no board answers within {MEET_S:.0f} s; it may have no firmware, or be in maintenance; "
                "type: groundbox board install"
            )
        if not board.hello or board.hello["registry"] != checksum():
            raise BadInput(
                board.port, f"box {board.box}", "has another firmware than this package; type: groundbox board install"
            )
        yield board


def done(answer: Fields) -> Fields:
    """`answer`, when the board has carried out the command.

    Raises:
        BadInput: it refused; the message is its reason.
    """
    if answer["result"] != "ok":
        raise BadInput("board", str(answer["setting"] or ""), str(answer["reason"] or "refused").replace("_", " "))
    return answer


def read(board: Dialogue) -> dict[str, int]:
    """The board's settings."""
    found = board.settings(len(SETTINGS))
    board.box = str(found["box"]["value"])
    return {name: int(str(answer["value"])) for name, answer in found.items() if name != "box"}


def change(board: Dialogue, wanted: dict[str, int | str], values: dict[str, int], confirmed: str = "no") -> None:
    """Changes settings, in steps that the board accepts; `confirmed` is "yes" when a person wants it in flight too.

    Raises:
        BadInput: refused, here before anything is sent, or by the board.
    """
    if reasons := board_settings.refusals(wanted, values):
        raise BadInput("settings", "", "; ".join(reasons))
    steps = board_settings.path(wanted, values)
    if steps is None:
        raise BadInput(
            "settings", ", ".join(wanted), "the board would refuse each single change; change them in smaller steps"
        )
    for name, value in steps:
        done(board.ask("set", setting=name, value=str(value), confirmed=confirmed))
    if "box" in wanted:  # last: answers carry the box's current name
        done(board.ask("set", setting="box", value=str(wanted["box"]), confirmed=confirmed))
        board.box = str(wanted["box"])


SETTLE_S = 7
FANS_EXAMPLE = """
\b
Example: groundbox board fans /dev/ttyACM0

Each fan runs alone, 7 s at full drive and 7 s at the lowest running speed. The thermostat has priority: in a hot case
all fans run. Keep hands and leads away from the blades; unplug the battery before you touch a fan.
Exit status 1 when a fan has a fault.
"""


@click.command(epilog=FANS_EXAMPLE)
@port_argument
@click.option("--json", "as_json", is_flag=True, help="One JSON object.")
def fans(port: str | None, as_json: bool) -> None:
    """Run each fan and report whether it is good. Clear the blades first, with the battery unplugged."""
    with talking(port) as board:
        values = read(board)
        fitted = [fan for fan in (1, 2, 3, 4) if values[f"fan{fan}_kind"]]
        click.echo("Fans start now, without further warning: keep hands and leads away from the blades.", err=True)
        findings = [_check(board, fan, values) for fan in fitted]
    _show(findings, as_json)
    if any(finding.good is False for finding in findings):
        sys.exit(1)


@click.command(epilog="Example: groundbox board lamp --seconds 5")
@port_argument
@click.option("--seconds", type=click.IntRange(1, 30), default=3, show_default=True, help="For how long.")
def lamp(port: str | None, seconds: int) -> None:
    """Light the lamp, so that you can see it."""
    _signal(port, "lamp", seconds, "lit")


@click.command(epilog="Example: groundbox board buzzer --seconds 2")
@port_argument
@click.option("--seconds", type=click.IntRange(1, 30), default=2, show_default=True, help="For how long.")
def buzzer(port: str | None, seconds: int) -> None:
    """Sound the buzzer, so that you can hear it. A silenced warning stays silent."""
    _signal(port, "buzzer", seconds, "sounding")


def _signal(port: str | None, part: str, seconds: int, doing: str) -> None:
    with talking(port) as board:
        done(board.ask("try_out", part=part, percent=100, seconds=seconds))
        click.echo(f"box {board.box}: {part} {doing} for {seconds} s")
        click.echo("If not: unplug the battery, then check its leads and pin")


def _check(board: Dialogue, fan: int, values: dict[str, int]) -> FanFinding:
    kind = FAN_KINDS[values[f"fan{fan}_kind"]]
    full = _driven(board, fan, 100)
    low = _driven(board, fan, values["fan_lowest_percent"]) if kind != "switched" else []
    expected = {other: values[f"fan{other}_full_rpm"] for other in (1, 2, 3, 4)}
    instead = turned_instead(fan, [{n: _sample(one, n) for n in expected} for one in full], expected)
    own = [[_sample(one, fan) for one in readings] for readings in (low, full)]
    return assess(fan, kind, own[0], own[1], expected[fan], values["fan_stall_percent"], instead)


def _driven(board: Dialogue, fan: int, percent: int) -> list[Fields]:
    """The readings while one fan is driven."""
    done(board.ask("try_out", part=f"fan{fan}", percent=percent, seconds=SETTLE_S + 1))
    return list(board.readings(SETTLE_S))


def _sample(reading: Fields, fan: int) -> FanSample:
    rpm = reading[f"fan{fan}_rpm"]
    return FanSample(
        percent=int(reading[f"fan{fan}_percent"] or 0),
        rpm=None if rpm is None else int(rpm),
        state=str(reading[f"fan{fan}_state"]),
    )


def _show(findings: list[FanFinding], as_json: bool) -> None:
    if as_json:
        click.echo(json.dumps({"fans": msgspec.to_builtins(findings)}))
        return
    for one in findings:
        low = "" if one.low_rpm is None or one.low_percent == 100 else f", {one.low_rpm} rpm at {one.low_percent} %"
        speed = "" if one.full_rpm is None else f"{one.full_rpm} rpm at full drive{low}: "
        click.echo(f"fan {one.fan}: {speed}{one.sentence}")
    if not findings:
        click.echo("no fan is fitted; fit one: groundbox board settings fan1_kind=1")
