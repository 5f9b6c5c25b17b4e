"""Raises, clears and acknowledges warnings, and decides when one sounds: pure, time is an argument."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from groundbox.advice.conditions import KINDS, TABLE, Condition
from groundbox.advice.hazards import forbids
from groundbox.advice.result import SEVERITIES
from groundbox.advice.state import BoxState
from groundbox.model import WarningChange

SOUND_AGAIN_S = {"urgent": 30.0, "stop": 10.0}  # a notice sounds once


@dataclass(frozen=True, slots=True, kw_only=True)
class ActiveWarning:
    """A warning that is up: its present words, and whether a person has acknowledged it."""

    box: str
    kind: str
    severity: str
    facts: str
    action: str
    sentence: str
    spoken: str
    acknowledged: bool
    condition: Condition


@dataclass(slots=True)
class _Row:
    """State of one row of the table for one box; `since_s` is when its finding turned against it."""

    raised: bool = False
    facts: str = ""
    since_s: float | None = None


@dataclass(slots=True)
class _BoxWarnings:
    state: BoxState | None = None
    rows: list[_Row] = field(default_factory=lambda: [_Row() for _ in TABLE])
    acknowledged: dict[str, int] = field(default_factory=dict)  # kind: severity acknowledged, as index
    shown: dict[str, int] = field(default_factory=dict)  # kind: severity shown, as index


class Warner:
    """All warnings of all boxes."""

    def __init__(self) -> None:
        self._boxes: dict[str, _BoxWarnings] = {}
        self._sounded_s: dict[tuple[str, str, str], float] = {}

    def restore(self, open_warnings: Iterable[WarningChange]) -> None:
        """Takes over warnings that were raised or acknowledged when an earlier program ended."""
        for change in open_warnings:
            box = self._boxes.setdefault(change.box, _BoxWarnings(state=BoxState(box=change.box, wall_s=change.wall_s)))
            for condition, row in zip(TABLE, box.rows, strict=True):
                if (condition.kind, condition.severity) == (change.warning, change.severity):
                    row.raised, row.facts = True, change.sentence.partition(". ")[0]
                    level = SEVERITIES.index(change.severity)
                    box.shown[change.warning] = level
                    if change.change == "acknowledged":
                        box.acknowledged[change.warning] = level
                    break

    def update(self, now_s: float, state: BoxState) -> list[WarningChange]:
        """What changes at `now_s` (seconds of a clock that never steps back), most severe first."""
        box = self._boxes.setdefault(state.box, _BoxWarnings())
        box.state = state
        for condition, row in zip(TABLE, box.rows, strict=True):
            _step(condition, row, now_s, state)
        changes = [change for kind in KINDS if (change := self._changed(kind, box, state))]
        return sorted(changes, key=lambda change: -SEVERITIES.index(change.severity))

    def acknowledge(self, box: str, kind: str | None, wall_s: float, *, stops_too: bool = True) -> list[WarningChange]:
        """A person acknowledges warning `kind` of `box`, or all of them: they are silent until they get worse.

        `stops_too` False leaves those of severity stop: they sound on.
        """
        changes = []
        for active in self.active(box):
            if active.severity == "stop" and not stops_too:
                continue
            if kind in (None, active.kind) and not active.acknowledged:
                self._boxes[box].acknowledged[active.kind] = SEVERITIES.index(active.severity)
                changes.append(_change(active, "acknowledged", wall_s))
        return changes

    def active(self, box: str | None = None) -> list[ActiveWarning]:
        """Warnings that are up, most severe first; of all boxes, or of `box`."""
        names = sorted(self._boxes) if box is None else [box] if box in self._boxes else []
        found = []
        for name in names:
            of_box = [self._active(name, kind) for kind in self._boxes[name].shown]
            found += [_within_hazards(one, of_box, self._boxes[name].state) for one in of_box]
        return sorted(found, key=lambda active: -SEVERITIES.index(active.severity))

    def to_sound(self, now_s: float) -> list[ActiveWarning]:
        """Warnings to sound at `now_s`: new ones at once, urgent and stop again until a person acknowledges them."""
        waiting = {(one.box, one.kind, one.severity): one for one in self.active() if not one.acknowledged}
        self._sounded_s = {key: at for key, at in self._sounded_s.items() if key in waiting}
        due = {key: one for key, one in waiting.items() if self._is_due(key, now_s)}
        self._sounded_s |= dict.fromkeys(due, now_s)
        return list(due.values())

    def _is_due(self, key: tuple[str, str, str], now_s: float) -> bool:
        if key not in self._sounded_s:
            return True
        again_s = SOUND_AGAIN_S.get(key[2])
        return again_s is not None and now_s - self._sounded_s[key] >= again_s

    def _active(self, name: str, kind: str) -> ActiveWarning:
        box = self._boxes[name]
        level = box.shown[kind]
        condition, row = _row_of(kind, box, SEVERITIES[level])
        state = box.state
        assert state is not None
        return ActiveWarning(
            box=name,
            kind=kind,
            severity=SEVERITIES[level],
            facts=row.facts,
            action=condition.action(state),
            sentence=condition.sentence(row.facts, state),
            spoken=condition.spoken(state),
            acknowledged=box.acknowledged.get(kind, -1) >= level,
            condition=condition,
        )

    def _changed(self, kind: str, box: _BoxWarnings, state: BoxState) -> WarningChange | None:
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


def _within_hazards(one: ActiveWarning, others: Sequence[ActiveWarning], state: BoxState | None) -> ActiveWarning:
    """The warning, with the act of a hazard that is present too where that hazard forbids its own act."""
    for other in others:
        hazard = other.condition.hazard
        if state and other is not one and forbids(hazard, one.action, in_flight=state.in_flight):
            facts = f"{one.facts[:1].upper()}{one.facts[1:]}"
            sentence = f"{facts}. First: {other.action[:1].lower()}{other.action[1:]}."
            return replace(one, action=other.action, spoken=other.spoken, sentence=sentence)
    return one


def _step(condition: Condition, row: _Row, now_s: float, state: BoxState) -> None:
    """Judges one row. Unknown leaves it as it is: it neither raises nor clears. What cannot come here ends at once."""
    if not condition.possible(state):
        row.raised, row.since_s = False, None
        return
    finding = condition.judge(state, row.raised)
    if finding is None:
        return
    if finding:
        row.facts = finding
    if bool(finding) == row.raised:
        row.since_s = None
        return
    if row.since_s is None:
        row.since_s = now_s
    if now_s - row.since_s >= (condition.clear_s if row.raised else condition.delay_s):
        row.raised, row.since_s = bool(finding), None


def _row_of(kind: str, box: _BoxWarnings, severity: str) -> tuple[Condition, _Row]:
    rows = [
        (condition, row)
        for condition, row in zip(TABLE, box.rows, strict=True)
        if condition.kind == kind and condition.severity == severity
    ]
    return next((one for one in rows if one[1].raised), rows[0])


def _change(active: ActiveWarning, change: str, wall_s: float) -> WarningChange:
    return WarningChange(
        box=active.box,
        warning=active.kind,
        severity=active.severity,
        change=change,
        sentence=active.sentence,
        wall_s=wall_s,
    )
