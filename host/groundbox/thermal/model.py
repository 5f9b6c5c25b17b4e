r"""Heat in one case: the air in it and its walls, with fans between the air and outside. Plain floats.

    electronics' watts --> air ---- fans --> outside
                          |   \\
                          |    battery
                          |   /
    sun on the lid ----> walls ------------> outside

Air and walls are two nodes joined by conductances; with constant inputs each step is exact (closed form), so its
length does not matter. The battery follows the air by hours and is a boundary within steps of a few minutes.
"Watts" are what the box takes from its battery or charger; the part that leaves as light or through a USB plug is
included in the fitted conductances. Heat of air moved: 1.2 kg/m3 x 1005 J/(kg K) (from memory); 50 W and 10 K need
15 m3/h.
"""

import math
from dataclasses import dataclass
from types import ModuleType
from typing import Any

SECONDS_PER_MINUTE = 60.0
BATTERY_STEP_S = 120.0
LONGEST_S = 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseModel:
    """What one case does with heat; every field a positive number.

    The defaults are a closed plastic case of 40 x 30 x 20 cm with one pair of fans in series (assumed, not measured).
    """

    air_j_per_k: float = 1000.0  # air, boards and whatever follows within minutes
    wall_j_per_k: float = 4000.0  # walls and whatever follows them
    air_wall_w_per_k: float = 4.0
    wall_outside_w_per_k: float = 3.0
    fan_one_w_per_k: float = 4.0  # carried out by the air stream with one fan of the pair at full speed
    fan_two_w_per_k: float = 7.0  # with both
    air_battery_w_per_k: float = 0.4  # between the air and the battery
    wall_battery_w_per_k: float = 0.2  # between the walls and the battery
    battery_lag_s: float = 10800.0  # of the battery behind both; with their sum, 6.5 kJ/K or 7 kg of battery
    sun_watts: float = 30.0  # into the walls in full sun (1000 W/m2 on a lid lying flat)

    def __post_init__(self) -> None:
        for name in NAMES:
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} is {value}: write a number above 0")

    def fan_w_per_k(self, fans: float) -> float:
        """Conductance of the air stream in W/K; `fans` is 0 to 2, the sum of the pair's fractions of full speed."""
        return float(fan_conductance(fans, self.fan_one_w_per_k, self.fan_two_w_per_k))

    def rise_k_per_w(self, fans: float) -> float:
        """Steady rise of the air over outside, in K for each watt in the case, without sun."""
        return steady(self, Drive(watts=1.0, outside_c=0.0, fans=fans)).air_c


NAMES = tuple(CaseModel.__dataclass_fields__)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseState:
    """Temperatures now, °C; a battery temperature of None takes no heat."""

    air_c: float
    wall_c: float
    battery_c: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Drive:
    """What acts on the case while a step lasts; `sun` is a fraction of full sun, 0 to 1; `fans` 0 to 2 as above."""

    watts: float
    outside_c: float
    fans: float = 0.0
    sun: float = 0.0


def fan_conductance(fans: Any, one: Any, two: Any) -> Any:
    """Piecewise linear through 0, one fan, both fans; floats or NumPy arrays."""
    return one * fans * (fans <= 1) + (one + (two - one) * (fans - 1)) * (fans > 1)


def steady_rise(
    aw: Any, wo: Any, fan: Any, watts: Any, sun_watts: Any, ab: Any = 0.0, wb: Any = 0.0, battery_rise: Any = 0.0
) -> tuple[Any, Any]:
    """Steady rise of air and walls over outside, K, at a constant battery temperature `battery_rise` over outside.

    Conductances in W/K: `aw` air to walls, `wo` walls to outside, `fan` the air stream, `ab` and `wb` air and walls to
    the battery. Floats or NumPy arrays, as in `transition`.
    """
    air, wall = aw + fan + ab, aw + wo + wb
    air_watts, wall_watts = watts + ab * battery_rise, sun_watts + wb * battery_rise
    det = air * wall - aw * aw
    return (wall * air_watts + aw * wall_watts) / det, (aw * air_watts + air * wall_watts) / det


def _modes(ca: Any, cw: Any, aw: Any, air_lost: Any, wall_lost: Any, lib: ModuleType) -> tuple[Any, ...]:
    """The rate matrix (its air row, then its wall row) and its two rates, slow and fast, all in 1/s."""
    a11, a12, a21, a22 = -(aw + air_lost) / ca, aw / ca, aw / cw, -(aw + wall_lost) / cw
    middle, half = (a11 + a22) / 2, lib.sqrt((a11 - a22) ** 2 / 4 + a12 * a21)
    return a11, a12, a21, a22, middle + half, middle - half


def transition(
    ca: Any, cw: Any, aw: Any, air_lost: Any, wall_lost: Any, seconds: Any, lib: ModuleType = math
) -> tuple[Any, Any, Any, Any]:
    """(p11, p12, p21, p22): the part of a deviation (air, walls) from the steady state that remains after `seconds`.

    The matrix exponential of a 2 x 2 matrix with two real rates. `air_lost` and `wall_lost` are the conductances from
    each to everything but the other, W/K; `lib` is math, or numpy for arrays.
    """
    a11, a12, a21, a22, slow, fast = _modes(ca, cw, aw, air_lost, wall_lost, lib)
    e_slow, e_fast = lib.exp(slow * seconds), lib.exp(fast * seconds)
    s = (e_slow - e_fast) / (slow - fast)
    c = e_slow - slow * s
    return c + a11 * s, a12 * s, a21 * s, c + a22 * s


def _parts(model: CaseModel, state: CaseState, drive: Drive) -> tuple[float, float, float, float, float]:
    """Arguments of `transition`: a battery takes heat from the air as fans do, and from the walls as outside does."""
    ab, wb = (0.0, 0.0) if state.battery_c is None else (model.air_battery_w_per_k, model.wall_battery_w_per_k)
    air_lost, wall_lost = model.fan_w_per_k(drive.fans) + ab, model.wall_outside_w_per_k + wb
    return model.air_j_per_k, model.wall_j_per_k, model.air_wall_w_per_k, air_lost, wall_lost


def _settled(
    model: CaseModel, drive: Drive, aw: float, ab: float, wb: float, battery_rise: float
) -> tuple[float, float]:
    fan, sun = model.fan_w_per_k(drive.fans), drive.sun * model.sun_watts
    air, wall = steady_rise(aw, model.wall_outside_w_per_k, fan, drive.watts, sun, ab, wb, battery_rise)
    return drive.outside_c + air, drive.outside_c + wall


def _end(model: CaseModel, state: CaseState, drive: Drive) -> CaseState:
    """Steady state of air and walls while the battery temperature stays constant."""
    ab, wb, rise = 0.0, 0.0, 0.0
    if state.battery_c is not None:
        ab, wb, rise = model.air_battery_w_per_k, model.wall_battery_w_per_k, state.battery_c - drive.outside_c
    air_c, wall_c = _settled(model, drive, model.air_wall_w_per_k, ab, wb, rise)
    return CaseState(air_c=air_c, wall_c=wall_c, battery_c=state.battery_c)


def steady(model: CaseModel, drive: Drive) -> CaseState:
    """State in which the case settles under a constant `drive`, after hours: the battery then only conducts heat."""
    ab, wb = model.air_battery_w_per_k, model.wall_battery_w_per_k
    air_c, wall_c = _settled(model, drive, model.air_wall_w_per_k + ab * wb / (ab + wb), 0.0, 0.0, 0.0)
    return CaseState(air_c=air_c, wall_c=wall_c, battery_c=(ab * air_c + wb * wall_c) / (ab + wb))


def predict(model: CaseModel, state: CaseState, drive: Drive, seconds: float) -> CaseState:
    """State after `seconds` (0 or more) of a constant `drive`; exact without a battery temperature."""
    if state.battery_c is None:
        return _step(model, state, drive, seconds)
    parts = max(1, math.ceil(seconds / BATTERY_STEP_S))
    for _ in range(parts):
        state = _step(model, state, drive, seconds / parts)
    return state


def _step(model: CaseModel, state: CaseState, drive: Drive, seconds: float) -> CaseState:
    end = _end(model, state, drive)
    p11, p12, p21, p22 = transition(*_parts(model, state, drive), seconds)
    air, wall = state.air_c - end.air_c, state.wall_c - end.wall_c
    air_c, wall_c, battery_c = end.air_c + p11 * air + p12 * wall, end.wall_c + p21 * air + p22 * wall, state.battery_c
    if battery_c is not None:
        ab, wb = model.air_battery_w_per_k, model.wall_battery_w_per_k
        around_c = (ab * (state.air_c + air_c) + wb * (state.wall_c + wall_c)) / 2 / (ab + wb)
        battery_c += (around_c - battery_c) * (1 - math.exp(-seconds / model.battery_lag_s))
    return CaseState(air_c=air_c, wall_c=wall_c, battery_c=battery_c)


def minutes_to(limit_c: float, model: CaseModel, state: CaseState, drive: Drive) -> float | None:
    """Minutes until the air first reaches `limit_c` under a constant `drive`; 0 if it has, None if not within a day."""
    seconds, step = 0.0, LONGEST_S if state.battery_c is None else BATTERY_STEP_S
    while seconds < LONGEST_S:
        crossing = _crossing_s(limit_c, model, state, drive, step)
        if crossing is not None:
            return (seconds + crossing) / SECONDS_PER_MINUTE
        state, seconds = _step(model, state, drive, step), seconds + step
    return None


def _turning_s(model: CaseModel, state: CaseState, drive: Drive) -> float:
    """Seconds to the extremum of the air temperature, at most one, at a constant battery temperature; inf if none."""
    a11, a12, _, _, slow, fast = _modes(*_parts(model, state, drive), math)
    end = _end(model, state, drive)
    air = state.air_c - end.air_c
    slope = a11 * air + a12 * (state.wall_c - end.wall_c)
    in_slow, in_fast = slope - fast * air, slow * air - slope  # each times the same positive number
    if in_slow * in_fast >= 0:
        return math.inf
    ratio = -in_fast * fast / (in_slow * slow)
    return math.log(ratio) / (slow - fast) if ratio > 1 else math.inf


def _crossing_s(limit_c: float, model: CaseModel, state: CaseState, drive: Drive, step: float) -> float | None:
    """Second within `step` at which the air first reaches the limit; None if it does not."""
    if state.air_c >= limit_c:
        return 0.0
    low, high = 0.0, min(step, _turning_s(model, state, drive))
    if _step(model, state, drive, high).air_c < limit_c:
        low, high = high, step
        if _step(model, state, drive, high).air_c < limit_c:
            return None
    while high - low > 0.01:
        middle = (low + high) / 2
        if _step(model, state, drive, middle).air_c >= limit_c:
            high = middle
        else:
            low = middle
    return high
