"""`groundbox board fans|lamp|buzzer`: checks parts of a board, on the ground, while the board keeps control."""

import json
import sys

import click
import msgspec

from groundbox.maintenance.dialogue import Dialogue, Fields
from groundbox.maintenance.fan_check import FanFinding, FanSample, assess, turned_instead
from groundbox.ui.board_port import done, port_argument, talking
from groundbox.ui.cmd_board_settings import read
from groundbox.wire.settings import FAN_KINDS

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
    low = _driven(board, fan, values["fan_lowest_percent"]) if kind == "pwm" else []
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
