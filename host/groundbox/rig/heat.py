"""Heat and air in the simulated case: weather outside, fans, and the case's air, walls and battery.

Every flow of heat is booked, so that a test can balance them. Air: 1.2 kg/m3 and 1005 J/(kg K), so 0.335 W per K and
m3/h. Heat capacities and conductances are assumed, for a case of 20 litres with 5 kg of battery. A case that
`groundbox case fit` learned from sessions becomes a simulated case by `fitted_case`.

Fans take time to turn. They work in pairs, which push and pull one after the other through the same air path. On the
fan curve, pressure falls in a straight line from standstill pressure to free flow; these scale with the speed's square
and the speed (the fan laws, common practice, no source). The path resists with the square of the flow; a blocked filter
and a fan that does not turn resist more. Other numbers are assumed, for 80 mm fans of 2.5 W.
"""

from dataclasses import dataclass
from math import exp, sqrt
from pathlib import Path

from groundbox.rig.electric import along
from groundbox.thermal.case_file import load_case
from groundbox.thermal.model import CaseModel

WATTS_PER_K_AND_M3_PER_H = 0.335
_LONGEST_STEP_S = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SimCaseSettings:
    """One case; J/K and W/K.

    Attributes:
        leak_w_per_k: air through gaps with the fans off.
        sun_area_m2: area that takes up sunlight, times its absorption.
        path: resistance to air, pascal at 1 m3/h squared.
    """

    air_j_per_k: float = 1500.0
    walls_j_per_k: float = 2500.0
    battery_j_per_k: float = 5000.0
    air_walls_w_per_k: float = 2.5
    walls_outside_w_per_k: float = 4.0
    air_battery_w_per_k: float = 0.6
    walls_battery_w_per_k: float = 0.4
    leak_w_per_k: float = 0.1
    sun_area_m2: float = 0.08
    path: float = 0.06


class SimCase:
    """Temperatures in degrees C, and joules in and out since the start."""

    __slots__ = ("_start_c", "air_c", "battery_c", "in_joules", "out_joules", "settings", "walls_c")

    def __init__(self, settings: SimCaseSettings, start_c: float) -> None:
        self.settings = settings
        self.air_c = self.walls_c = self.battery_c = start_c
        self._start_c = start_c
        self.in_joules = self.out_joules = 0.0

    @property
    def stored_joules(self) -> float:
        """Heat held above the start."""
        s, start = self.settings, self._start_c
        return (
            s.air_j_per_k * (self.air_c - start)
            + s.walls_j_per_k * (self.walls_c - start)
            + s.battery_j_per_k * (self.battery_c - start)
        )

    def step(
        self,
        dt_s: float,
        air_joules: float,
        battery_joules: float,
        sun_w_m2: float,
        flow_m3_per_h: float,
        outside_c: float,
    ) -> None:
        """Warms and cools for `dt_s`.

        Args:
            air_joules, battery_joules: heat given to the air and to the battery in that time.
            sun_w_m2: sunshine on the lid.
            flow_m3_per_h: air through the case.
            outside_c: temperature of the air outside.
        """
        parts = int(dt_s / _LONGEST_STEP_S) + 1
        part_s = dt_s / parts
        heats = (air_joules / dt_s, sun_w_m2 * self.settings.sun_area_m2, battery_joules / dt_s)
        for _ in range(parts):
            self._part(part_s, heats, flow_m3_per_h * WATTS_PER_K_AND_M3_PER_H, outside_c)

    def _part(self, dt_s: float, heats: tuple[float, float, float], flow_w_per_k: float, outside_c: float) -> None:
        """Midpoint rule; the heat that leaves is booked with the midpoint's flows, so that the sums balance exactly."""
        s = self.settings
        start = (self.air_c, self.walls_c, self.battery_c)
        air, walls, battery, _ = self._watts(start, heats, flow_w_per_k, outside_c)
        half = dt_s / 2
        middle = (
            start[0] + half * air / s.air_j_per_k,
            start[1] + half * walls / s.walls_j_per_k,
            start[2] + half * battery / s.battery_j_per_k,
        )
        air, walls, battery, out = self._watts(middle, heats, flow_w_per_k, outside_c)
        self.air_c += dt_s * air / s.air_j_per_k
        self.walls_c += dt_s * walls / s.walls_j_per_k
        self.battery_c += dt_s * battery / s.battery_j_per_k
        self.in_joules += dt_s * sum(heats)
        self.out_joules += dt_s * out

    def _watts(
        self, at_c: tuple[float, float, float], heats: tuple[float, float, float], flow_w_per_k: float, outside_c: float
    ) -> tuple[float, float, float, float]:
        """Net watts into air, walls and battery, and watts to the outside."""
        s = self.settings
        air_c, walls_c, battery_c = at_c
        air_walls = s.air_walls_w_per_k * (air_c - walls_c)
        air_battery = s.air_battery_w_per_k * (air_c - battery_c)
        walls_battery = s.walls_battery_w_per_k * (walls_c - battery_c)
        air_out = (s.leak_w_per_k + flow_w_per_k) * (air_c - outside_c)
        walls_out = s.walls_outside_w_per_k * (walls_c - outside_c)
        return (
            heats[0] - air_walls - air_battery - air_out,
            heats[1] + air_walls - walls_battery - walls_out,
            heats[2] + air_battery + walls_battery,
            air_out + walls_out,
        )


_SPIN_UP_S = 0.7
_SPIN_DOWN_S = 1.6
_STARTS_FROM = 0.12  # fraction of drive under which it does not turn
_STALLED_WATTS_FRACTION = 0.4  # a locked fan's electronics pulse
OK, STALLED, SLOW, NO_TACH = "ok", "stalled", "slow", "no_tach"
NOISY_TACH, RUNS_ON = "noisy_tach", "runs_on"  # pulses of ten times the full speed; a drive that is shorted
FAULTS = (OK, STALLED, SLOW, NO_TACH, NOISY_TACH, RUNS_ON)
_NOISE = 10.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SimFanSettings:
    """One fan; two in a row of the list are a pair in series.

    Attributes:
        full_rpm: speed at full drive.
        watts: power at full drive.
        free_m3_per_h: flow without resistance.
        stall_pascal: pressure without flow.
    """

    full_rpm: float = 3000.0
    watts: float = 2.5
    free_m3_per_h: float = 50.0
    stall_pascal: float = 30.0


class SimFan:
    """One fan.

    Attributes:
        drive: 0 to 1, what the board commands.
        rpm: its speed.
        fault: one of FAULTS.
    """

    __slots__ = ("drive", "fault", "rpm", "settings")

    def __init__(self, settings: SimFanSettings) -> None:
        self.settings = settings
        self.drive = 1.0
        self.rpm = 0.0
        self.fault = OK

    def step(self, dt_s: float, powered: bool) -> None:
        """Changes its speed for `dt_s`."""
        target = self._target(powered)
        if target == self.rpm:
            return
        if self.fault == STALLED:
            self.rpm = 0.0
            return
        self.rpm += (target - self.rpm) * (1 - exp(-dt_s / (_SPIN_UP_S if target > self.rpm else _SPIN_DOWN_S)))
        if abs(target - self.rpm) < 1:
            self.rpm = target

    def steady(self, powered: bool) -> bool:
        """Whether its speed has settled."""
        return self._target(powered) == self.rpm

    def _target(self, powered: bool) -> float:
        if not powered or self.fault == STALLED:
            return 0.0
        if self.fault == RUNS_ON:
            return self.settings.full_rpm
        if self.drive < _STARTS_FROM:
            return 0.0
        return self.settings.full_rpm * self.drive * (0.5 if self.fault == SLOW else 1.0)

    @property
    def watts(self) -> float:
        """Power it takes at its speed and drive."""
        if self.fault == RUNS_ON:
            return self.settings.watts
        if self.drive < _STARTS_FROM:
            return 0.0
        if self.fault == STALLED:
            return self.settings.watts * _STALLED_WATTS_FRACTION * self.drive
        speed = self.rpm / self.settings.full_rpm
        return self.settings.watts * (0.1 * self.drive + 0.9 * speed * speed * speed)

    @property
    def pulse_milli_hz(self) -> int:
        """Tachometer frequency: two pulses a turn (open 4-wire fan specification)."""
        if self.fault == NO_TACH:
            return 0
        shown_rpm = self.settings.full_rpm * _NOISE if self.fault == NOISY_TACH else self.rpm
        return int(shown_rpm * 2 / 60 * 1000)


def flow_m3_per_h(pair: list[SimFan], path: float, blocked: float) -> float:
    """Flow through fans in series.

    Args:
        pair: the fans, one after the other.
        path: pascal at 1 m3/h squared, filter clean.
        blocked: fraction of the filter's area that is blocked, 0 to under 1.
    """
    lift = slope = 0.0
    resist = path / (1 - min(blocked, 0.98)) ** 2
    for fan in pair:
        settings = fan.settings
        speed = fan.rpm / settings.full_rpm
        if speed < 0.02:
            resist += path  # a rotor at rest in the way
            continue
        lift += settings.stall_pascal * speed * speed
        slope += settings.stall_pascal / settings.free_m3_per_h * speed
    if lift == 0:
        return 0.0
    # lift - slope q = resist q^2
    return (sqrt(slope * slope + 4 * resist * lift) - slope) / (2 * resist)


@dataclass(frozen=True, slots=True, kw_only=True)
class SimWeather:
    """Straight lines between rows of (seconds, value), times counted from the start of the simulation.

    Attributes:
        outside_c: temperature of the air.
        sun_w_m2: sunshine on a horizontal lid.
    """

    outside_c: tuple[tuple[float, float], ...] = ((0.0, 25.0),)
    sun_w_m2: tuple[tuple[float, float], ...] = ((0.0, 0.0),)

    def at(self, now_s: float) -> tuple[float, float]:
        """(temperature of the air in degrees C, sunshine in W/m2) at `now_s`."""
        return along(self.outside_c, now_s), along(self.sun_w_m2, now_s)


FULL_SUN_W_M2 = 1000.0
_MIN_PATH, _MAX_PATH = 1e-4, 1e4


def fitted_case(path: Path) -> SimCaseSettings:
    """The case in the file of `groundbox case fit`.

    Raises:
        BadInput: the file cannot be read.
    """
    return as_settings(load_case(path).fit.model)


def as_settings(model: CaseModel, fan: SimFanSettings | None = None) -> SimCaseSettings:
    """The simulated case with the same heat behaviour as `model`.

    The path's resistance is set so that both fans at full speed carry as much; one fan alone follows from the fans'
    own curve, so a case whose fitted single fan differs from that agrees with both fans and with none.
    """
    ab, wb = model.air_battery_w_per_k, model.wall_battery_w_per_k
    return SimCaseSettings(
        air_j_per_k=model.air_j_per_k,
        walls_j_per_k=model.wall_j_per_k,
        battery_j_per_k=(ab + wb) * model.battery_lag_s,
        air_walls_w_per_k=model.air_wall_w_per_k,
        walls_outside_w_per_k=model.wall_outside_w_per_k,
        air_battery_w_per_k=ab,
        walls_battery_w_per_k=wb,
        leak_w_per_k=0.0,
        sun_area_m2=model.sun_watts / FULL_SUN_W_M2,
        path=_path(model.fan_two_w_per_k / WATTS_PER_K_AND_M3_PER_H, fan or SimFanSettings()),
    )


def _path(wanted_m3_per_h: float, settings: SimFanSettings) -> float:
    """Resistance of the path through which a pair at full speed moves so much; at least the minimum."""
    pair = [SimFan(settings), SimFan(settings)]
    for fan in pair:
        fan.rpm = settings.full_rpm
    low, high = _MIN_PATH, _MAX_PATH
    for _ in range(100):
        middle = (low * high) ** 0.5
        low, high = (middle, high) if flow_m3_per_h(pair, middle, 0.0) > wanted_m3_per_h else (low, middle)
    return low
