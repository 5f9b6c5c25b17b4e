"""The record of one run: the truth in the box, what the board drove and reported, and the host's warnings."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from hashlib import sha256

from groundbox.conversion import to_wire
from groundbox.model import Event, Reading, WarningChange

Steps = list[tuple[float, float | str | None]]  # (from when, value): each holds until the next


@dataclass(slots=True)
class Trace:
    """One run; times in seconds since its start.

    Attributes:
        end_s: when it ended.
        truth: name -> one value a second at `at_s`: what play.py reads from the box, `fan N speed`, `load NAME`.
        drives: (when, commanded percent of each fan, outputs, buzzer), at every change.
        up: (when, True while the board runs).
        starts: (when, why) of every start of the board.
        readings, events: as the host received them, in that order.
        warnings: changes of the host's warnings.
        missing: records the host never received.
        damaged: lines the host could not read.
        late_steps: control steps that began late, by the board's own count.
    """

    end_s: float = 0.0
    at_s: list[float] = field(default_factory=list)
    truth: dict[str, list[float | str]] = field(default_factory=dict)
    drives: list[tuple[float, tuple[int, ...], tuple[bool, ...], bool]] = field(default_factory=list)
    up: list[tuple[float, bool]] = field(default_factory=list)
    starts: list[tuple[float, str]] = field(default_factory=list)
    readings: list[tuple[float, Reading]] = field(default_factory=list)
    events: list[tuple[float, Event]] = field(default_factory=list)
    warnings: list[tuple[float, WarningChange]] = field(default_factory=list)
    missing: int = 0
    damaged: int = 0
    late_steps: int = 0

    def fingerprint(self) -> str:
        """The same for two runs only if they were the same to the bit (a board's free memory is not compared)."""
        rows: list[object] = [
            self.at_s,
            sorted(self.truth.items()),
            self.drives,
            self.starts,
            self.warnings,
            self.missing,
        ]
        rows += [(at_s, to_wire(reading)) for at_s, reading in self.readings]
        rows += [(at_s, to_wire(event)) for at_s, event in self.events]
        return sha256(repr(rows).encode()).hexdigest()

    def in_order(self) -> Iterator[tuple[float, Reading]]:
        """The readings that are newer than all before."""
        newest = (-1, -1)
        for at_s, reading in self.readings:
            if (reading.boot, reading.sequence) > newest:
                newest = (reading.boot, reading.sequence)
                yield at_s, reading

    def true_steps(self, name: str) -> Steps:
        """A value of `truth` over time."""
        return list(zip([0.0, *self.at_s[1:]], self.truth[name], strict=True))

    def reported_steps(self, value: Callable[[Reading], float | str | None]) -> Steps:
        """A value of the readings over time."""
        return [(at_s, value(reading)) for at_s, reading in self.in_order()]

    def warned_steps(self, kind: str) -> Steps:
        """Severity of a warning over time, "clear" while it is not active."""
        found: Steps = [(0.0, "clear")]
        for at_s, change in self.warnings:
            if change.warning == kind and change.change in ("raised", "cleared"):
                found.append((at_s, change.severity if change.change == "raised" else "clear"))
        return found
