"""How one box stands, for whatever shows it."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from groundbox.advice.state import BoxState
from groundbox.advice.warner import Active
from groundbox.battery.values import Estimate
from groundbox.model import Reading
from groundbox.monitor.ahead import DayLook
from groundbox.monitor.heat import HeatOutlook


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadCost:
    """A declared load, whether it is on, and by how many seconds the expected runtime grows without it."""

    name: str
    sheddable: bool
    on: bool
    gained_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxView:
    """One box as a screen shows it.

    `runtime_s` is low, expected, high from now on; `turn_back_s` and `charging_since_s` are wall times.
    """

    state: BoxState
    reading: Reading | None
    battery: str | None
    estimate: Estimate | None
    runtime_s: tuple[float, float, float] | None
    unknown_because: str | None
    turn_back_s: float | None
    charging_since_s: float | None
    warnings: tuple[Active, ...]
    c20_ah: float | None = None
    loads: tuple[LoadCost, ...] = ()
    heat: HeatOutlook = HeatOutlook()
    day: DayLook | None = None
    limits: Mapping[str, int] = field(default_factory=dict)  # the board's own settings, as far as it told them
