"""A guided calibration: points, doubts about each, a point that checks, writing, reading back, undoing."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import fmean

import click
import platformdirs

from groundbox.errors import BadInput, LinkError
from groundbox.maintenance import calibration as sums
from groundbox.maintenance import doubt as doubts
from groundbox.maintenance import history
from groundbox.maintenance.calibration import Line, Point, Residual
from groundbox.maintenance.dialogue import Dialogue, Fields
from groundbox.maintenance.settings import refusal
from groundbox.ui import calibration_report as report
from groundbox.ui.cmd_board import change, read
from groundbox.ui.options import Number

STEADY_S = 90.0
FIELDS = {
    "voltage": "battery_mv",
    "check": "check_mv",
    "case": "case_centi_c",
    "battery": "battery_centi_c",
    "intake": "intake_centi_c",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationJob:
    """One calibration: channels that are calibrated together.

    Attributes:
        judged: channels that the instrument is compared with; names as in messages.CHANNELS.
        channels: those of them that are calibrated; none for a check alone.
        fitted: channels that are read at each point: those, and their witnesses.
        steps: what a person does before each point.
        check: what a person does before the point that only checks; "" without such a point.
        name: the instrument.
        unit: unit of the instrument, equal to `scale` units of the wire.
        within: maximum difference between the readings of a steady point, in the wire's unit.
        instrument: error of the reference instrument at a value, wire units.
        parts_scale: tolerance of this board's parts, as a multiple of the reference design's.
        temperatures: 1 or 2.
    """

    judged: tuple[str, ...]
    channels: tuple[str, ...]
    fitted: tuple[str, ...]
    steps: tuple[str, ...]
    check: str
    name: str
    unit: str
    scale: int
    within: int
    instrument: Callable[[float], float]
    parts_scale: float
    temperatures: int = 1

    def text(self, value: float) -> str:
        """A value of the wire in the instrument's unit."""
        return f"{value / self.scale:.{3 if self.unit == 'V' else 2}f} {self.unit}"


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenPoint:
    """One point: what the instrument showed; mean before calibration and spread of each channel; wire units."""

    true: float
    raws: dict[str, float]
    spreads: dict[str, float]


def history_file() -> Path:
    """Where the history is: in this user's folder for data."""
    return platformdirs.user_data_path("groundbox", appauthor=False) / "calibrations.jsonl"


def worthwhile(job: CalibrationJob, values: dict[str, int], at: int) -> CalibrationJob:
    """`job` without the channels that this instrument cannot improve."""
    good = []
    for channel in job.channels:
        parts = doubts.parts_of(channel, values)
        if doubts.improves(parts, at, job.instrument(at), job.parts_scale):
            good.append(channel)
        else:
            click.echo(
                f"{channel} stays as it is: your {job.name} is good to {job.text(job.instrument(at))}, "
                f"its parts to {job.text(parts.worst(at, job.parts_scale))} without calibration",
                err=True,
            )
    if good:
        return replace(job, channels=tuple(good))
    return replace(job, channels=(), steps=("Leave everything as it is; this point only checks",), check="")


def guide(board: Dialogue, job: CalibrationJob, values: dict[str, int], yes: bool, as_json: bool) -> None:
    steps = [*job.steps * job.temperatures, *([job.check] if job.check else [])]
    taken: list[TakenPoint] = []
    found: list[doubts.Doubt] = []
    for number, step in enumerate(steps):
        if job.temperatures > 1 and number == len(job.steps):
            ask = "Bring the board to another temperature, at least 15 °C away; then press Enter"
            click.prompt(ask, "", show_default=False, err=True)
        taken.append(_take(board, job, f"Point {number + 1} of {len(steps)}: {step}", values))
        found += _judged(job, values, taken[-1])
    if not job.channels:
        report.checked(job.name, [one.sentence for one in found], as_json)
        return
    own = taken[: len(job.steps) * job.temperatures]
    lines = {channel: _line(job, [_point(one, channel) for one in own]) for channel in job.channels}
    left = {channel: _residual(job, channel, lines[channel], own) for channel in job.channels}
    if job.check:
        _check(job, values, taken[-1], lines, left)
    changes = {name: value for channel in job.channels for name, value in _settings(channel, lines[channel], own)}
    if reason := refusal(changes, values):
        raise BadInput("points", "", f"{reason}; nothing is written: check the {job.name} and the points")
    sentences = [one.sentence for one in found]
    shown = report.Report(
        box=board.box,
        unit=job.unit,
        scale=job.scale,
        points=len(job.steps),
        lines=lines,
        left=left,
        before={name: values[name] for name in changes},
        after=changes,
        doubts=sentences,
        moves={channel: report.moves(channel, values, lines[channel], job.text) for channel in job.channels},
    )
    if not as_json:
        shown.show()
    if found and yes:
        raise BadInput("points", "", f"{sentences[0]}; nothing is written: type it without --yes to answer this doubt")
    sure = yes or click.confirm(
        "Write this although there is a doubt?" if found else "Write this to the board?", err=True
    )
    written = _write(board, job.channels, values, changes, own) if sure else {}
    if as_json:
        shown.print_json(sure)
    if not sure:
        click.echo("nothing is written", err=True)
        return
    after = ", ".join(f"{one} {job.text(written[one])}" for one in job.channels if one in written)
    click.echo(
        f"box {board.box} is calibrated and read back; now it shows {after or 'no reading'}; "
        f"the {job.name} showed {job.text(taken[-1].true)} last",
        err=True,
    )


def _take(board: Dialogue, job: CalibrationJob, step: str, values: dict[str, int]) -> TakenPoint:
    click.prompt(f"{step}; then press Enter", "", show_default=False, err=True)
    live = _now(board, job.fitted)
    click.echo("the board shows " + ", ".join(f"{one} {job.text(value)}" for one, value in live.items()), err=True)
    true = click.prompt(f"What does the {job.name} show, in {job.unit}?", type=Number(-60, 120), err=True) * job.scale
    click.echo("waiting for steady readings ...", err=True)
    readings: dict[str, list[int]] = {channel: [] for channel in job.fitted}
    for reading in board.readings(STEADY_S):
        for channel in job.fitted:
            value = reading[FIELDS[channel]]
            if isinstance(value, int):
                readings[channel].append(value)
        if all(sums.steady(readings[one], job.within) for one in job.judged):
            break
    else:
        names = ", ".join(job.judged)
        fix = f"no steady readings within {STEADY_S:.0f} s; nothing is written; wait until it is steady"
        raise BadInput("board", names, fix)
    raws = {
        channel: sums.line_by(channel, values).raw(fmean(own[-sums.STEADY_READINGS :]))
        for channel, own in readings.items()
        if own
    }
    return TakenPoint(true=true, raws=raws, spreads={one: sums.spread(own) for one, own in readings.items() if own})


def _now(board: Dialogue, channels: tuple[str, ...]) -> dict[str, int]:
    """What the board shows now, of the channels with a reading."""
    reading: Fields = next(iter(board.readings(5.0)), {})
    found = {channel: reading.get(FIELDS[channel]) for channel in channels}
    return {channel: value for channel, value in found.items() if isinstance(value, int)}


def _judged(job: CalibrationJob, values: dict[str, int], taken: TakenPoint) -> list[doubts.Doubt]:
    """The doubts in one point; a point that parts in order cannot explain ends the calibration."""
    instrument = job.name, job.instrument(abs(taken.true))
    found = []
    for channel in job.judged:
        if channel in taken.raws:
            one = doubts.doubt(channel, taken.true, taken.raws, values, instrument, job.parts_scale, job.text)
            found += [one] if one else []
    if any(one.certain for one in found):
        text = "; ".join(one.sentence for one in found)
        raise BadInput("points", "", f"{text}; nothing is written")
    return found


def _point(taken: TakenPoint, channel: str) -> Point:
    return Point(raw=taken.raws[channel], true=taken.true)


def _line(job: CalibrationJob, points: list[Point]) -> Line:
    """The line through the points; through one point, the scale is moved."""
    raws = [point.raw for point in points]
    if len(job.steps) > 1 and max(raws) - min(raws) < 1000:
        raise BadInput("points", "", f"are too close; take them at least {1000 / job.scale:g} {job.unit} apart")
    return sums.through(points)


def _residual(job: CalibrationJob, channel: str, line: Line, own: list[TakenPoint]) -> Residual:
    points = [_point(one, channel) for one in own]
    instrument = max(job.instrument(abs(one.true)) for one in own)
    return sums.residual(line, points, instrument, [one.spreads[channel] for one in own], job.temperatures)


def _check(
    job: CalibrationJob,
    values: dict[str, int],
    taken: TakenPoint,
    lines: dict[str, Line],
    left: dict[str, Residual],
) -> None:
    for channel in job.channels:
        given = lines[channel].true(taken.raws[channel])
        parts = doubts.parts_of(channel, values)
        rest = parts.left * parts.worst(taken.true, job.parts_scale) + (left[channel].drift or 0)
        if doubts.off_the_line(given, taken.true, rest, left[channel].noise, job.instrument(abs(taken.true))):
            shown = f"by the others {job.text(given)}, {job.name} {job.text(taken.true)}"
            raise BadInput("point", str(channel), f"{shown}: one point is wrong; nothing is written; take all again")


def _settings(channel: str, line: Line, own: list[TakenPoint]) -> list[tuple[str, int]]:
    raws = sorted(one.raws[channel] for one in own)
    low, high = (0.0, 5000.0) if len(raws) == 1 else (raws[0], raws[-1])
    return list(zip(sums.names(channel), sums.settings_for(line, low, high), strict=True))


def _write(
    board: Dialogue,
    channels: tuple[str, ...],
    values: dict[str, int],
    changes: dict[str, int],
    own: list[TakenPoint],
) -> dict[str, int]:
    """Writes changes and reads them back, and what the board then shows; the history has them first."""
    points = {one: [(taken.raws[one], taken.true) for taken in own] for one in channels if own}
    what = "calibrate" if own else "undo"
    entry = history.CalibrationEntry(
        at=history.now(),
        box=board.box,
        what=what,
        channels=list(channels),
        points=points,
        before={name: values[name] for name in changes},
        after=changes,
    )
    if own:
        history.add(history_file(), entry)
    try:
        change(board, dict(changes), values)
        there = read(board)
    except (BadInput, LinkError) as error:
        raise LinkError(
            f"{error}; the board may have a part of it: type groundbox board calibrate ... --undo"
        ) from error
    if wrong := [name for name, value in changes.items() if there[name] != value]:
        raise BadInput(
            "board", ", ".join(wrong), "reads back another value; type: groundbox board calibrate ... --undo"
        )
    if not own:
        history.add(history_file(), entry)
    return _now(board, channels)


def take_back(board: Dialogue, values: dict[str, int], channels: set[str]) -> None:
    entry = history.newest(history_file(), board.box, channels)
    if entry is None:
        raise BadInput("--undo", board.box, "this computer has calibrated nothing there that is not undone")
    for name, new in entry.after.items():
        if not min(new, entry.before[name]) <= values[name] <= max(new, entry.before[name]):
            fix = f"is {values[name]}, not {new} as calibrated on {entry.at}; set it by groundbox board settings"
            raise BadInput("--undo", name, fix)
    _write(board, tuple(entry.channels), values, entry.before, [])
    click.echo(f"box {board.box}: the calibration of {', '.join(entry.channels)} of {entry.at} is undone", err=True)
