"""Whether a reference instrument can be right: the error that parts explain, and what the other sensors show. Pure.

Values are in the channel's unit on the wire (mV, hundredths of a degree). They are readings before calibration: an
earlier calibration by a wrong instrument must not testify.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import hypot

from groundbox.wire.settings import MONITOR_KINDS, SENSOR_KINDS

TEMPERATURES = ("case", "battery", "intake")
SAME_AIR_CENTI_C = 150  # two places in a case that has rested: common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsError:
    """Maximum error that parts in order explain: `fixed` + `share` of the distance from `around`.

    Attributes:
        likely: fraction of it that nine boxes in ten are within (root of the sum of squares).
        left: fraction of it that a calibration by a perfect instrument leaves.
    """

    fixed: float
    share: float
    around: float
    likely: float
    left: float

    def worst(self, value: float, scale: float = 1.0) -> float:
        """Maximum error at `value`; `scale` for parts of a wider tolerance."""
        return (self.fixed + self.share * abs(value - self.around)) * scale


# ina226, divider, ntc: hardware/budget.py, compared in a test. ina219: twice the budget's gain and its 4 mV step, from
# memory. onewire: 0.5 °C from -10 to 85 °C, its maker's sheet.
PARTS = {
    "ina226": PartsError(fixed=9, share=0.0027, around=0, likely=0.62, left=0.36),
    "ina219": PartsError(fixed=15, share=0.0064, around=0, likely=0.62, left=0.36),
    "divider": PartsError(fixed=43, share=0.0065, around=0, likely=0.38, left=0.67),
    "ntc": PartsError(fixed=75, share=0.02, around=2500, likely=0.48, left=0.6),
    "onewire": PartsError(fixed=50, share=0, around=0, likely=0.6, left=0.5),
}


def parts_of(channel: str, values: Mapping[str, int]) -> PartsError:
    """What measures `channel` on a board with these settings."""
    if channel in TEMPERATURES:
        kind = SENSOR_KINDS[values[f"{channel}_sensor_kind"]]
        return PARTS["onewire" if kind == "onewire" else "ntc"]
    monitor = MONITOR_KINDS[values["voltage_monitor_kind"]]
    return PARTS[monitor if channel == "voltage" and monitor != "none" else "divider"]


def improves(parts: PartsError, value: float, instrument: float, scale: float = 1.0) -> bool:
    """True when a calibration by an instrument with this error leaves less error than the parts have alone."""
    worst = parts.worst(value, scale)
    return instrument + parts.left * worst < worst


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """Why a point may be wrong; `certain` when parts in order cannot explain it."""

    certain: bool
    sentence: str


def doubt(
    channel: str,
    true: float,
    raws: Mapping[str, float],
    values: Mapping[str, int],
    instrument: tuple[str, float],
    scale: float,
    text: Callable[[float], str],
) -> Doubt | None:
    """The doubt in one point of `channel`; None when parts and instrument explain the difference.

    Args:
        channel: the channel.
        true: what the instrument shows.
        raws: readings before calibration of this channel and of its witnesses.
        values: the board's settings.
        instrument: name and maximum error of the instrument.
        scale: of the parts' tolerance.
        text: writes a value with its unit.
    """
    name, error = instrument
    raw = raws[channel]
    own = parts_of(channel, values)
    worst = own.worst(raw, scale)
    gap = abs(true - raw)
    if gap <= hypot(own.likely * worst, error):
        return None
    apart = SAME_AIR_CENTI_C if channel in TEMPERATURES else 0
    others = {one: parts_of(one, values).worst(value, scale) + apart for one, value in raws.items() if one != channel}
    agree = [one for one, limit in others.items() if abs(raws[one] - raw) <= limit + worst]
    against = [one for one, limit in others.items() if abs(raws[one] - true) <= limit + error and one not in agree]
    shown = f"{channel} {text(raw)}"
    if agree:
        shown = ", ".join([shown, *(f"{one} {text(raws[one])}" for one in agree)])
        fix = f"they agree; check the {name}"
    elif against:
        fix = f"{', '.join(against)} agrees with the {name}; check leads and parts of {channel}"
    else:
        fix = f"check the {name}, then the leads and parts of {channel}"
    return Doubt(
        certain=gap > worst + error,
        sentence=f"{shown}, {name} {text(true)}: off by {text(gap)}, parts explain {text(worst)}; {fix}",
    )


def off_the_line(given: float, true: float, left: float, noise: float, instrument: float) -> bool:
    """True when a point beside the calibration's own contradicts it: `given` by the line, `true` by the instrument."""
    return abs(given - true) > left + noise + instrument
