"""The check of the fans: what was driven, what turned, and the finding on each fan. Pure.

Every finding that sends a hand to a fan says first to unplug the battery.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

SLOW, FAST = 0.75, 1.25  # fraction of the full speed in the settings; common practice, no source
OPEN_LOOP = 0.9  # at the lowest drive a fan above this fraction of its full speed ignores its control wire
UNPLUG = "unplug the battery, then"


@dataclass(frozen=True, slots=True, kw_only=True)
class FanSample:
    """One reading while a fan is checked: its drive, its speed (None: no tachometer) and its state."""

    percent: int
    rpm: int | None
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FanFinding:
    """The finding on one fan.

    Attributes:
        fan: 1 to 4.
        kind: one of wire.settings.FAN_KINDS.
        low_percent, low_rpm: drive and speed at the lowest running speed; None when not checked or not known.
        full_rpm: speed at full drive; None when not known.
        good: True, False, or None when only a person can see and hear it.
        sentence: what is wrong and what to do, or that it is good.
    """

    fan: int
    kind: str
    low_percent: int | None
    low_rpm: int | None
    full_rpm: int | None
    good: bool | None
    sentence: str


def speed(readings: Sequence[FanSample]) -> tuple[int | None, int | None]:
    """(drive, speed) of a settled fan: its last three readings."""
    last = readings[-3:]
    rpm = [one.rpm for one in last if one.rpm is not None]
    return (last[-1].percent if last else None), (round(median(rpm)) if rpm else None)


def turned_instead(
    fan: int, readings: Sequence[Mapping[int, FanSample]], expected_rpm: Mapping[int, int]
) -> int | None:
    """Another fan that turned without drive while `fan` was driven; None for none.

    The air stream of one fan turns its partner slowly, so the other must exceed half of its full speed.
    """
    for other, full in expected_rpm.items():
        own = [one[other] for one in readings[-3:]]
        if other != fan and own and all(one.percent == 0 and (one.rpm or 0) * 2 > full for one in own):
            return other
    return None


def assess(
    fan: int,
    kind: str,
    low: Sequence[FanSample],
    full: Sequence[FanSample],
    expected_rpm: int,
    stall_percent: int,
    instead: int | None = None,
) -> FanFinding:
    """The finding on one fan.

    Args:
        fan: 1 to 4.
        kind: one of wire.settings.FAN_KINDS.
        low: readings at the lowest running speed, oldest first; empty for a switched fan.
        full: readings at full drive.
        expected_rpm: full speed by the settings.
        stall_percent: below this percentage of the expected speed a fan counts as stalled.
        instead: the fan that turned in its place.
    """
    low_percent, low_rpm = speed(low)
    _, full_rpm = speed(full)
    good, sentence = _finding(low_percent, low_rpm, full_rpm, expected_rpm, stall_percent, f"fan{fan}_full_rpm")
    if good is not True and instead is not None:
        good, sentence = False, f"fan {instead} turned instead: {UNPLUG} exchange the leads of the two fans"
    return FanFinding(
        fan=fan,
        kind=kind,
        low_percent=low_percent,
        low_rpm=low_rpm,
        full_rpm=full_rpm,
        good=good,
        sentence=sentence,
    )


def _finding(
    low_percent: int | None, low_rpm: int | None, full_rpm: int | None, expected: int, stall_percent: int, name: str
) -> tuple[bool | None, str]:
    if full_rpm is None:
        return None, "no tachometer: watch and listen from outside whether it turned"
    if full_rpm * 100 < expected * stall_percent:
        return False, f"does not turn: {UNPLUG} check its plug, blades and supply, and its tachometer lead if it turned"
    if full_rpm < SLOW * expected:
        return False, f"slow, under {100 * SLOW:.0f} % of {name}: {UNPLUG} clean or replace it, or correct the setting"
    if full_rpm > FAST * expected:
        return False, f"faster than {name}: set {name}={full_rpm}, or a stall is detected late"
    if low_percent is not None and low_percent < 100 and low_rpm is not None:
        if low_rpm * 10000 < expected * low_percent * stall_percent:
            return False, f"does not turn at {low_percent} %: raise fan_lowest_percent until it always starts"
        if low_rpm > OPEN_LOOP * full_rpm:
            return False, f"runs at full speed at every drive: {UNPLUG} check its control wire"
    if low_percent == 100:
        return True, "good; the board needs full speed now, so the lowest speed was not checked"
    return True, "good"
