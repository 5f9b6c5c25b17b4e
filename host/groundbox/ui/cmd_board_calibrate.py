"""`groundbox board calibrate`: voltage and temperature by a reference instrument, their history, undoing."""

import click

from groundbox.errors import BadInput
from groundbox.maintenance import history
from groundbox.maintenance.doubt import TEMPERATURES
from groundbox.ui.calibration_guide import CalibrationJob, guide, history_file, take_back, worthwhile
from groundbox.ui.cmd_board import port_argument, read, talking
from groundbox.ui.options import Number

VOLTAGE_EXAMPLE = """
\b
Examples:
  groundbox board calibrate voltage --meter-percent 0.05 --meter-digits 1
  groundbox board calibrate voltage /dev/ttyACM0 --meter-percent 0.05 --two-temperatures
  groundbox board calibrate voltage --undo

Fuse the supply and check its polarity. Never charge in a closed box. Measure at the battery's terminals or the sense
leads. A meter that is no better than the board's own parts calibrates nothing; it only checks.
"""
TEMPERATURE_EXAMPLE = """
\b
Examples:
  groundbox board calibrate temperature --sensor case --thermometer-error 0.2
  groundbox board calibrate temperature --sensor battery --one-point
  groundbox board calibrate temperature --sensor case --undo

Put sensor and thermometer together into a thin bag, in stirred ice and water (0 °C), then in stirred water of 40 to
50 °C, then of 30 °C. The thermostat uses the case sensor also while it is in the bag: fans may start, so keep hands
away from them.
"""


parts_option = click.option(
    "--parts-scale",
    type=Number(1, 20),
    default=1.0,
    show_default=True,
    help="Tolerance of your parts, as a multiple of those in hardware/parts.md.",
)
undo_option = click.option("--undo", is_flag=True, help="Take the newest calibration back.")


@click.group()
def command() -> None:
    """Calibrate a board by a reference instrument. It shows doubts and the remaining error before it writes."""


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
@parts_option
@click.option("--two-temperatures", is_flag=True, help="Take both points again at another temperature of the board.")
@undo_option
@click.option("--yes", is_flag=True, help="Write without asking, unless there is a doubt.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object; questions go to standard error.")
def voltage(
    port: str | None,
    source: str,
    meter_percent: float,
    meter_digits: int,
    parts_scale: float,
    two_temperatures: bool,
    undo: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Calibrate both voltage measurements, at two voltages and, with --two-temperatures, at two temperatures."""
    with talking(port) as board:
        values = read(board)
        fitted = ("voltage", *(["check"] if values["voltage_monitor_kind"] and values["check_adc_fitted"] else []))
        channels = tuple(one for one in fitted if source in ("both", "monitor" if one == "voltage" else one))
        if undo:
            take_back(board, values, {"voltage", "check"})
            return
        if not channels:
            raise BadInput("--source", source, "is not fitted; see groundbox board settings")
        job = CalibrationJob(
            judged=channels,
            channels=channels,
            fitted=fitted,
            steps=("Set the supply to about 11.5 V", "Set the supply to about 14.4 V"),
            check="Set the supply to about 12.5 V; this point checks the others",
            name="meter",
            unit="V",
            scale=1000,
            within=40,
            instrument=lambda mv: mv * meter_percent / 100 + meter_digits * 10,
            parts_scale=parts_scale,
            temperatures=2 if two_temperatures else 1,
        )
        guide(board, worthwhile(job, values, 12_000), values, yes, as_json)


@command.command(epilog=TEMPERATURE_EXAMPLE)
@port_argument
@click.option(
    "--sensor",
    type=click.Choice(TEMPERATURES),
    default="case",
    show_default=True,
    help="Which sensor.",
)
@click.option("--one-point", is_flag=True, help="Move the whole scale by one point.")
@click.option(
    "--thermometer-error", type=Number(0, 5), default=0.5, show_default=True, help="Your thermometer's error in °C."
)
@parts_option
@undo_option
@click.option("--yes", is_flag=True, help="Write without asking, unless there is a doubt.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object; questions go to standard error.")
def temperature(
    port: str | None,
    sensor: str,
    one_point: bool,
    thermometer_error: float,
    parts_scale: float,
    undo: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Calibrate one temperature sensor, at one or two temperatures."""
    steps = (
        "Bring sensor and thermometer to the lower temperature",
        "Bring both to the higher one, at least 10 °C above",
    )
    with talking(port) as board:
        values = read(board)
        if undo:
            take_back(board, values, {sensor})
            return
        if not values[f"{sensor}_sensor_kind"]:
            raise BadInput("--sensor", sensor, "is not fitted; see groundbox board settings")
        job = CalibrationJob(
            judged=(sensor,),
            channels=(sensor,),
            fitted=tuple(one for one in TEMPERATURES if values[f"{one}_sensor_kind"]),
            steps=("Bring sensor and thermometer to one temperature",) if one_point else steps,
            check="" if one_point else "Bring both to a temperature between; this point checks the others",
            name="thermometer",
            unit="°C",
            scale=100,
            within=15,
            instrument=lambda _: thermometer_error * 100,
            parts_scale=parts_scale,
        )
        guide(board, worthwhile(job, values, 4500), values, yes, as_json)


@command.command("history", epilog="Example: groundbox board calibrate history mast")
@click.argument("box", required=False)
def show_history(box: str | None) -> None:
    """List the calibrations that this computer has written, newest last."""
    for entry in history.entries(history_file()):
        if box in (None, entry.box):
            moves = (f"{name} {entry.before[name]} -> {entry.after[name]}" for name in entry.after)
            click.echo(f"{entry.at} {entry.box} {entry.what} {', '.join(entry.channels)}: {'; '.join(moves)}")
