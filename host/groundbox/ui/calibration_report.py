"""What `groundbox board calibrate` says before it writes: old and new, their consequence, the error that remains."""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import click
import msgspec

from groundbox.maintenance import calibration as sums
from groundbox.maintenance.calibration import Line, Residual
from groundbox.wire.settings import UNITS

BETA, BETA_TOLERANCE = 3950, 0.01  # a thermistor's usual tolerance of B, a fraction: from memory
COLDEST_C, WARMEST_C = -10, 60
# Channel -> setting of the board, and what happens there.
CONSEQUENCES = {
    "voltage": (("low_stop_mv", "the stop level of the voltage begins"),),
    "case": (("fan_on_centi_c", "fans start"), ("case_stop_centi_c", "the third heat level begins")),
    "battery": (("battery_hot_centi_c", "the battery counts as hot"),),
}


def moves(channel: str, values: Mapping[str, int], new: Line, text: Callable[[float], str]) -> list[str]:
    """Old and new correction of `channel`, and where the board's limits move to by its reading of until now."""
    old = sums.line_by(channel, values)
    at = 12_000 if UNITS[channel] == "mv" else 3500
    found = [
        f"{channel}: at {text(at)} the correction is {text(old.true(at) - at)} now, then {text(new.true(at) - at)}"
    ]
    for name, what in CONSEQUENCES.get(channel, ()):
        until_now = text(old.true(new.raw(values[name])))
        found.append(f"  {what} at {text(values[name])}: until now this sensor shows {until_now} there")
    return found


def checked(name: str, doubts: list[str], as_json: bool) -> None:
    """The answer of a check that calibrates nothing."""
    if as_json:
        click.echo(json.dumps({"channels": {}, "doubts": doubts, "written": False}))
        return
    for one in doubts:
        click.echo(f"doubt: {one}")
    click.echo(f"nothing is written{'' if doubts else f': the board agrees with the {name}'}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """All that is shown of one calibration; `points` is 1 where one point moves the scale."""

    box: str
    unit: str
    scale: int
    points: int
    lines: dict[str, Line]
    left: dict[str, Residual]
    before: dict[str, int]
    after: dict[str, int]
    doubts: list[str]
    moves: dict[str, list[str]]

    def print_json(self, written: bool) -> None:
        """One JSON object."""
        channels = {
            channel: {
                "unit": UNITS[channel],
                "line": msgspec.to_builtins(self.lines[channel]),
                "residual": {**msgspec.to_builtins(one), "maximum": one.maximum, "expected": one.expected},
            }
            for channel, one in self.left.items()
        }
        rest = {"before": self.before, "after": self.after, "doubts": self.doubts, "written": written}
        click.echo(json.dumps({"box": self.box, "channels": channels, **rest}))

    def show(self) -> None:
        """Old and new, consequence, remaining error, doubts."""
        for channel, one in self.left.items():
            for line in [*self.moves[channel], *self._errors(channel, one)]:
                click.echo(line)
        for sentence in self.doubts:
            click.echo(f"doubt: {sentence}")

    def _errors(self, channel: str, one: Residual) -> list[str]:
        def text(value: float) -> str:
            return f"{value / self.scale:.3f} {self.unit}"

        lines = [
            f"{channel}: expected error {text(one.expected)}, maximum {text(one.maximum)} with all errors added:",
            f"  {text(one.instrument)} instrument, {text(one.noise)} noise, {text(one.fit)} distance from the line",
        ]
        if one.drift is not None:
            lines.append(f"  {text(one.drift)} drift between the two temperatures")
        elif self.unit == "V":
            lines.append("  drift with temperature: unknown; measure it with --two-temperatures")
        if self.unit == "°C":
            tolerance = f"{100 * BETA_TOLERANCE:.0f} % tolerance in B"
            lines.append(f"  thermistors with {tolerance}: up to {self._curve_c():.2f} °C more elsewhere")
        return lines

    def _curve_c(self) -> float:
        """Maximum error of a thermistor's curve from -10 to 60 °C, corrected at 0 and 45 °C, or moved at 25 °C."""
        corrected = (0, 45) if self.points == 2 else (25,)
        return max(
            abs(sums.beta_error_c(at_c, corrected, BETA, BETA_TOLERANCE)) for at_c in range(COLDEST_C, WARMEST_C + 1, 5)
        )
