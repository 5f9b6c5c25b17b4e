"""Raises, clears and acknowledges warnings: pure, time is an argument."""

from collections.abc import Iterable
from dataclasses import dataclass, field

from groundbox.advice.condition import SEVERITIES, Condition
from groundbox.advice.state import BoxState
from groundbox.advice.table import KINDS, TABLE
from groundbox.model import WarningChange


@dataclass(frozen=True, slots=True, kw_only=True)
class Active:
    """A warning that is up: its present sentence, and whether a person has acknowledged it."""

    box: str
    kind: str
    severity: str
    sentence: str
    acknowledged: bool


@dataclass(slots=True)
class _Row:
    """Where one row of the table stands for one box; `since_s` is when its verdict turned against its standing."""

    raised: bool = False
    sentence: str = ""
    since_s: float | None = None


@dataclass(slots=True)
class _Box:
    rows: list[_Row] = field(default_factory=lambda: [_Row() for _ in TABLE])
    acknowledged: dict[str, int] = field(default_factory=dict)  # kind: severity seen, as index
    shown: dict[str, int] = field(default_factory=dict)  # kind: severity shown, as index


class Warner:
    """All warnings of all boxes."""

    def __init__(self) -> None:
        self._boxes: dict[str, _Box] = {}

    def restore(self, open_warnings: Iterable[WarningChange]) -> None:
        """Takes up warnings that were raised or acknowledged when the program last ended."""
        for change in open_warnings:
            box = self._boxes.setdefault(change.box, _Box())
            for condition, row in zip(TABLE, box.rows, strict=True):
                if (condition.kind, condition.severity) == (change.warning, change.severity):
                    row.raised, row.sentence = True, change.sentence
                    level = SEVERITIES.index(change.severity)
                    box.shown[change.warning] = level
                    if change.change == "acknowledged":
                        box.acknowledged[change.warning] = level
                    break

    def update(self, now_s: float, state: BoxState) -> list[WarningChange]:
        """What changes at `now_s` (seconds of a clock that never steps back), most severe first."""
        box = self._boxes.setdefault(state.box, _Box())
        for condition, row in zip(TABLE, box.rows, strict=True):
            _step(condition, row, now_s, state)
        changes = [change for kind in KINDS if (change := self._changed(kind, box, state))]
        return sorted(changes, key=lambda change: -SEVERITIES.index(change.severity))

    def acknowledge(self, box: str, kind: str | None, wall_s: float) -> list[WarningChange]:
        """A person has seen warning `kind` of `box`, or all of them: they fall silent until they get worse."""
        changes = []
        for active in self.active(box):
            if kind in (None, active.kind) and not active.acknowledged:
                self._boxes[box].acknowledged[active.kind] = SEVERITIES.index(active.severity)
                changes.append(_change(active, "acknowledged", wall_s))
        return changes

    def active(self, box: str | None = None) -> list[Active]:
        """Warnings that are up, most severe first."""
        names = sorted(self._boxes) if box is None else [box] if box in self._boxes else []
        found = [self._active(name, kind) for name in names for kind in self._boxes[name].shown]
        return sorted(found, key=lambda active: -SEVERITIES.index(active.severity))

    def _active(self, name: str, kind: str) -> Active:
        box = self._boxes[name]
        level = box.shown[kind]
        row = _speaker(kind, box, SEVERITIES[level])
        seen = box.acknowledged.get(kind, -1) >= level
        return Active(box=name, kind=kind, severity=SEVERITIES[level], sentence=row.sentence, acknowledged=seen)

    def _changed(self, kind: str, box: _Box, state: BoxState) -> WarningChange | None:
        levels = [
            SEVERITIES.index(condition.severity)
            for condition, row in zip(TABLE, box.rows, strict=True)
            if row.raised and condition.kind == kind
        ]
        before = box.shown.get(kind)
        if not levels:
            if before is None:
                return None
            last = self._active(state.box, kind)
            del box.shown[kind]
            box.acknowledged.pop(kind, None)
            return _change(last, "cleared", state.wall_s)
        box.shown[kind] = max(levels)
        box.acknowledged[kind] = min(box.acknowledged.get(kind, -1), max(levels))
        return None if before == max(levels) else _change(self._active(state.box, kind), "raised", state.wall_s)


def present(change: WarningChange, state: BoxState) -> str:
    """The sentence of a warning that is up, with the figures of `state`; as it was raised where those do not tell."""
    for condition in TABLE if state.silent_s is not None else ():
        if (condition.kind, condition.severity) == (change.warning, change.severity):
            verdict = None if _cannot_tell(condition, state) else condition.rule(state, True)
            if verdict:
                return condition.sentence(verdict, state)
    return change.sentence


def _cannot_tell(condition: Condition, state: BoxState) -> bool:
    return condition.from_reading and state.is_silent


def _step(condition: Condition, row: _Row, now_s: float, state: BoxState) -> None:
    """Judges one row. Unknown leaves it where it is: it neither raises nor clears."""
    verdict = None if _cannot_tell(condition, state) else condition.rule(state, row.raised)
    if verdict is None:
        return
    if verdict:
        row.sentence = condition.sentence(verdict, state)
    if bool(verdict) == row.raised:
        row.since_s = None
        return
    if row.since_s is None:
        row.since_s = now_s
    if now_s - row.since_s >= (condition.clear_s if row.raised else condition.delay_s):
        row.raised, row.since_s = bool(verdict), None


def _speaker(kind: str, box: _Box, severity: str) -> _Row:
    rows = [
        row
        for condition, row in zip(TABLE, box.rows, strict=True)
        if condition.kind == kind and condition.severity == severity
    ]
    return next((row for row in rows if row.raised), rows[0])


def _change(active: Active, change: str, wall_s: float) -> WarningChange:
    return WarningChange(
        box=active.box,
        warning=active.kind,
        severity=active.severity,
        change=change,
        sentence=active.sentence,
        wall_s=wall_s,
    )
