"""`groundbox board calibrate`: points with a reference instrument, and the error that remains."""

import json
from collections.abc import Callable
from dataclasses import dataclass
from statistics import fmean

import click
import msgspec

from groundbox.errors import BadInput
from groundbox.maintenance import calibration as sums
from groundbox.maintenance.calibration import Line, Point, Residual
from groundbox.maintenance.dialogue import Dialogue
from groundbox.maintenance.settings import refusal
from groundbox.ui.cmd_board import change, port_argument, read, talking
from groundbox.ui.options import Number
from groundbox.wire.settings import UNITS

STEADY_S = 90.0
BETA, BETA_TOLERANCE = 3950, 0.01  # a thermistor's usual tolerance of B, a fraction: from memory
COLDEST_C, WARMEST_C = -10, 60
FIELDS = {
    "voltage": "battery_mv",
    "check": "check_mv",
    "case": "case_centi_c",
    "battery": "battery_centi_c",
    "intake": "intake_centi_c",
}
VOLTAGE_EXAMPLE = """
\b
Examples:
  groundbox board calibrate voltage /dev/ttyACM0
  groundbox board calibrate voltage --meter-percent 0.05 --meter-digits 3 --two-temperatures

Fuse the supply and check its polarity. Never charge in a closed box. Measure at the battery's terminals or the sense
leads.
"""
TEMPERATURE_EXAMPLE = """
\b
Examples:
  groundbox board calibrate temperature --sensor case
  groundbox board calibrate temperature --sensor battery --one-point

Put sensor and thermometer together into a thin bag, in stirred ice and water (0 °C), then in stirred water of 40 to
50 °C. The thermostat uses the case sensor also while it is in the bag: fans may start, so keep hands away from them.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationJob:
    """One calibration: channels that are calibrated together.

    Attributes:
        channels: names as in messages.CHANNELS.
        steps: what a person does before each point.
        unit: unit of the instrument, equal to `scale` units of the wire.
        within: maximum difference between the readings of a steady point, in the wire's unit.
        instrument: error of the reference instrument at a value, wire units.
        temperatures: 1 or 2.
    """

    channels: tuple[str, ...]
    steps: tuple[str, ...]
    unit: str
    scale: int
    within: int
    instrument: Callable[[float], float]
    temperatures: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PointsTaken:
    """Points and spreads of one channel, in the order they were taken."""

    points: list[Point]
    spreads: list[float]


@click.group()
def command() -> None:
    """Calibrate a board by a reference instrument. Nothing is written before the remaining error is shown."""


@command.command(epilog=VOLTAGE_EXAMPLE)
@port_argument
@click.option(
    "--source",
    type=click.Choice(["both", "monitor", "check"]),
    default="both",
    show_default=True,
    help="Which measurement.",
)
@click.option("--meter-percent", type=Number(0, 5), default=0.5, show_default=True, help="Your meter's error.")
@click.option(
    "--meter-digits", type=click.IntRange(0, 50), default=2, show_default=True, help="And its error in steps of 0.01 V."
)
@click.option("--two-temperatures", is_flag=True, help="Take both points again at another temperature of the board.")
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object; questions go to standard error.")
def voltage(
    port: str | None,
    source: str,
    meter_percent: float,
    meter_digits: int,
    two_temperatures: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Calibrate both voltage measurements, at two voltages and, with --two-temperatures, at two temperatures."""
    with talking(port) as board:
        values = read(board)
        fitted = ["voltage", *(["check"] if values["voltage_monitor_kind"] and values["check_adc_fitted"] else [])]
        channels = tuple(one for one in fitted if source in ("both", "monitor" if one == "voltage" else one))
        if not channels:
            raise BadInput("--source", source, "is not fitted; see groundbox board settings")
        job = CalibrationJob(
            channels=channels,
            steps=("Set the supply to about 11.5 V", "Set the supply to about 14.4 V"),
            unit="V",
            scale=1000,
            within=40,
            instrument=lambda mv: mv * meter_percent / 100 + meter_digits * 10,
            temperatures=2 if two_temperatures else 1,
        )
        _guide(board, job, values, yes, as_json)


@command.command(epilog=TEMPERATURE_EXAMPLE)
@port_argument
@click.option(
    "--sensor",
    type=click.Choice(["case", "battery", "intake"]),
    default="case",
    show_default=True,
    help="Which sensor.",
)
@click.option("--one-point", is_flag=True, help="Move the whole scale by one point.")
@click.option(
    "--thermometer-error", type=Number(0, 5), default=0.5, show_default=True, help="Your thermometer's error in °C."
)
@click.option("--yes", is_flag=True, help="Write without asking.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object; questions go to standard error.")
def temperature(
    port: str | None, sensor: str, one_point: bool, thermometer_error: float, yes: bool, as_json: bool
) -> None:
    """Calibrate one temperature sensor, at one or two temperatures."""
    steps = (
        "Bring sensor and thermometer to the lower temperature",
        "Bring both to the higher one, at least 10 °C above",
    )
    with talking(port) as board:
        values = read(board)
        if not values[f"{sensor}_sensor_kind"]:
            raise BadInput("--sensor", sensor, "is not fitted; see groundbox board settings")
        job = CalibrationJob(
            channels=(sensor,),
            steps=("Bring sensor and thermometer to one temperature",) if one_point else steps,
            unit="°C",
            scale=100,
            within=15,
            instrument=lambda _: thermometer_error * 100,
            temperatures=1,
        )
        _guide(board, job, values, yes, as_json)


def _guide(board: Dialogue, job: CalibrationJob, values: dict[str, int], yes: bool, as_json: bool) -> None:
    taken = {channel: PointsTaken(points=[], spreads=[]) for channel in job.channels}
    for turn in range(job.temperatures):
        if turn:
            click.prompt(
                "Bring the board to another temperature, at least 15 °C away; then press Enter",
                "",
                show_default=False,
                err=True,
            )
        for step in job.steps:
            _take(board, job, step, values, taken)
    found = {channel: _line(job, one) for channel, one in taken.items()}
    left = {
        channel: sums.residual(found[channel], one.points, _instrument(job, one), one.spreads, job.temperatures)
        for channel, one in taken.items()
    }
    changes = _changes(job, found, taken)
    if reason := refusal(changes, values):
        raise BadInput("points", "", f"{reason}; nothing is written: check the meter and the points")
    _report(job, found, left, as_json)
    if yes or click.confirm("Write this to the board?", err=True):
        change(board, changes, values)
        click.echo(f"box {board.box} is calibrated", err=True)
    else:
        click.echo("nothing is written", err=True)


def _take(
    board: Dialogue, job: CalibrationJob, step: str, values: dict[str, int], taken: dict[str, PointsTaken]
) -> None:
    true = click.prompt(
        f"{step}. What does the reference instrument show, in {job.unit}?", type=Number(-60, 120), err=True
    )
    click.echo("waiting for steady readings ...", err=True)
    readings: dict[str, list[int]] = {channel: [] for channel in job.channels}
    for reading in board.readings(STEADY_S):
        for channel in job.channels:
            value = reading[FIELDS[channel]]
            if isinstance(value, int):
                readings[channel].append(value)
        if all(sums.steady(one, job.within) for one in readings.values()):
            break
    else:
        raise BadInput(
            "board",
            ", ".join(job.channels),
            f"no steady readings within {STEADY_S:.0f} s; nothing is written; wait until it is steady",
        )
    for channel, own in readings.items():
        shown = fmean(own[-sums.STEADY_READINGS :])
        raw = sums.uncorrected(shown, *_points_of(channel, values))
        if abs(true * job.scale - raw) > 1000:
            pair = f"{raw / job.scale:.2f} {job.unit}, the instrument shows {true:.2f} {job.unit}"
            raise BadInput("board", channel, f"reads {pair}: too far apart for a calibration; check leads and sensor")
        click.echo(f"{channel}: read {raw / job.scale:.3f} {job.unit}, true {true:.3f} {job.unit}", err=True)
        taken[channel].points.append(Point(raw=raw, true=true * job.scale))
        taken[channel].spreads.append(sums.spread(own))


def _line(job: CalibrationJob, taken: PointsTaken) -> Line:
    """The line through the points; through one point, the scale is moved."""
    raws = [point.raw for point in taken.points]
    if len(job.steps) > 1 and max(raws) - min(raws) < 1000:
        raise BadInput("points", "", f"are too close; take them at least {1000 / job.scale:g} {job.unit} apart")
    return sums.through(taken.points)


def _instrument(job: CalibrationJob, taken: PointsTaken) -> float:
    return max(job.instrument(abs(point.true)) for point in taken.points)


def _changes(job: CalibrationJob, found: dict[str, Line], taken: dict[str, PointsTaken]) -> dict[str, int | str]:
    changes: dict[str, int | str] = {}
    for channel, line in found.items():
        raws = sorted(point.raw for point in taken[channel].points)
        low, high = (0.0, 5000.0) if len(raws) == 1 else (raws[0], raws[-1])
        changes |= zip(_names(channel), sums.settings_for(line, low, high), strict=True)
    return changes


def _names(channel: str) -> list[str]:
    return [f"{channel}_{what}_{UNITS[channel]}" for what in ("raw1", "true1", "raw2", "true2")]


def _points_of(channel: str, values: dict[str, int]) -> list[int]:
    return [values[name] for name in _names(channel)]


def _report(job: CalibrationJob, found: dict[str, Line], left: dict[str, Residual], as_json: bool) -> None:
    if as_json:
        answer = {
            channel: {
                "unit": UNITS[channel],
                "line": msgspec.to_builtins(found[channel]),
                "residual": {
                    **msgspec.to_builtins(one),
                    "maximum": one.maximum,
                    "expected": one.expected,
                },
            }
            for channel, one in left.items()
        }
        click.echo(json.dumps(answer))
        return
    for channel, one in left.items():
        for line in _sentences(job, channel, one):
            click.echo(line)


def _sentences(job: CalibrationJob, channel: str, one: Residual) -> list[str]:
    def text(value: float) -> str:
        return f"{value / job.scale:.3f} {job.unit}"

    lines = [
        f"{channel}: expected error {text(one.expected)}, maximum {text(one.maximum)} with all errors added:",
        f"  {text(one.instrument)} instrument, {text(one.noise)} noise, {text(one.fit)} distance from the line",
    ]
    if one.drift is not None:
        lines.append(f"  {text(one.drift)} drift between the two temperatures")
    elif job.unit == "V":
        lines.append("  drift with temperature: unknown; measure it with --two-temperatures")
    if job.unit == "°C":
        lines.append(
            f"  thermistors with {100 * BETA_TOLERANCE:.0f} % tolerance in B: up to {_curve_c(job)} °C more elsewhere"
        )
    return lines


def _curve_c(job: CalibrationJob) -> str:
    """Maximum error of a thermistor's curve from -10 to 60 °C, corrected at 0 and 45 °C, or moved at 25 °C."""
    corrected = (0, 45) if len(job.steps) == 2 else (25,)
    errors = [
        abs(sums.beta_error_c(at_c, corrected, BETA, BETA_TOLERANCE)) for at_c in range(COLDEST_C, WARMEST_C + 1, 5)
    ]
    return f"{max(errors):.1f}"
