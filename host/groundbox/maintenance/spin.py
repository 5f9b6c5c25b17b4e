"""The fans' test: what was driven, what turned, and what to think of it. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

SLOW, FAST = 0.75, 1.25  # share of the full speed in the settings; common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """One reading while a fan is tried: its drive, its speed (None: no tachometer) and its state."""

    percent: int
    rpm: int | None
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """What became of one fan.

    Attributes:
        fan: 1 to 4.
        kind: "switched" or "pwm".
        low_percent, low_rpm: drive and speed at the lowest running speed; None when not tried or not known.
        full_rpm: speed at full drive; None when not known.
        good: True, False, or None when only eyes and ears can tell.
        sentence: what to think of it.
    """

    fan: int
    kind: str
    low_percent: int | None
    low_rpm: int | None
    full_rpm: int | None
    good: bool | None
    sentence: str


def speed(seen: Sequence[Seen]) -> tuple[int | None, int | None]:
    """(drive, speed) of a settled fan: its last three readings."""
    last = seen[-3:]
    rpm = [one.rpm for one in last if one.rpm is not None]
    return (last[-1].percent if last else None), (round(median(rpm)) if rpm else None)


def turned_instead(fan: int, seen: Sequence[Mapping[int, Seen]], expected_rpm: Mapping[int, int]) -> int | None:
    """Another fan that turned at full speed, undriven, while `fan` was driven; None for none.

    The breath of one fan turns its partner slowly, so that half its full speed is asked for.
    """
    for other, full in expected_rpm.items():
        own = [one[other] for one in seen[-3:]]
        if other != fan and own and all(one.percent == 0 and (one.rpm or 0) * 2 > full for one in own):
            return other
    return None


def judge(
    fan: int,
    kind: str,
    low: Sequence[Seen],
    full: Sequence[Seen],
    expected_rpm: int,
    stall_percent: int,
    instead: int | None = None,
) -> Verdict:
    """The verdict on one fan.

    Args:
        fan: 1 to 4.
        kind: "switched" or "pwm".
        low: readings at the lowest running speed, oldest first; empty for a switched fan.
        full: readings at full drive.
        expected_rpm: full speed by the settings.
        stall_percent: below this share of the speed expected a fan counts as stalled.
        instead: the fan that turned in its place.
    """
    low_percent, low_rpm = speed(low)
    _, full_rpm = speed(full)
    good, sentence = _think(low_percent, low_rpm, full_rpm, expected_rpm, stall_percent, f"fan{fan}_full_rpm")
    if good is not True and instead is not None:
        good, sentence = False, f"fan {instead} turned in its place: their leads are swapped"
    return Verdict(
        fan=fan,
        kind=kind,
        low_percent=low_percent,
        low_rpm=low_rpm,
        full_rpm=full_rpm,
        good=good,
        sentence=sentence,
    )


def _think(
    low_percent: int | None, low_rpm: int | None, full_rpm: int | None, expected: int, stall_percent: int, name: str
) -> tuple[bool | None, str]:
    if full_rpm is None:
        return None, "no tachometer: watch and hear whether it turned"
    if full_rpm * 100 < expected * stall_percent:
        return False, "does not turn: plug, blades, and the power to it; if you saw it turn, its tachometer lead"
    if full_rpm < SLOW * expected:
        return False, f"slow: under {100 * SLOW:.0f} % of {name}; blocked, worn, or the setting is another fan's"
    if full_rpm > FAST * expected:
        return False, f"faster than {name} says; set {name}={full_rpm}, or a stall will be seen late"
    if low_percent is not None and low_percent < 100 and low_rpm is not None:
        if low_rpm * 10000 < expected * low_percent * stall_percent:
            return False, f"stands at {low_percent} %: raise fan_lowest_percent until it starts every time"
        if low_rpm > 0.9 * full_rpm:
            return False, "does not obey its control wire: full speed at every drive"
    if low_percent == 100:
        return True, "good; it is wanted fully now, so the lowest speed was not tried"
    return True, "good"
