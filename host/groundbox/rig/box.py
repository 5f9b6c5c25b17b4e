"""The simulated box: battery, charger, loads, fans, heat and sensors, advanced step by step. Pure and seeded."""

from dataclasses import dataclass, field

from groundbox.rig.electric import SimBattery, SimBatterySettings, SimCharger, SimLoad, SimLoadSettings, SimNode, solve
from groundbox.rig.heat import SimCase, SimCaseSettings, SimFan, SimFanSettings, SimWeather, flow_m3_per_h
from groundbox.rig.senses import SimSensors, SimSensorSettings

_HEAT_EVERY_S = 0.5
_STEADY_VOLTS = 0.001  # from one step to the next
_FANS_LOWEST_VOLTS = 6.0  # assumed
_NOTHING = SimNode(0.0, 0.0, 0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SimBoxSettings:
    """One box on its day.

    Attributes:
        name: 1 to 16 plain characters.
        lead_ohm: from the battery to the equipment, there and back.
        board_watts: drawn by the board itself.
        ticks_start_ms: the board's tick counter at power-on; it wraps at 2**30.
        start_c: temperature of everything at the start; None: the outside temperature.
        board_lowest_volts: at the equipment; under it for longer than its converter bridges, the board is without
            power. None: fed by USB.
        display: a display is on the board's bus; what it shows is in the file `display` beside the flash's folder.
        seed: the same seed and settings give the same run.
    """

    name: str
    battery: SimBatterySettings
    loads: tuple[SimLoadSettings, ...] = ()
    fans: tuple[SimFanSettings, ...] = (SimFanSettings(), SimFanSettings())
    case: SimCaseSettings = field(default_factory=SimCaseSettings)
    senses: SimSensorSettings = field(default_factory=SimSensorSettings)
    weather: SimWeather = field(default_factory=SimWeather)
    lead_ohm: float = 0.02
    board_watts: float = 0.3
    ticks_start_ms: int = 0
    start_c: float | None = None
    board_lowest_volts: float | None = None
    display: bool = False
    seed: int = 1


PRESS_S = 2.0  # a long press: the board asks for 1.5 to 5 s


class SimBox:
    """A box in time.

    Attributes:
        now_s: simulated seconds since the start.
        next_change_s: when a load next switches by itself; no step may go beyond.
        node: voltages and currents over the last step.
        steady: whether a longer step would change nothing that the board measures.
        output_on: whether the board's two switched outputs feed their loads.
        buzzer, lamp: what the board drives.
        button_pressed, fuse_open, tach_leads_crossed, extra_ohm, sag_volts, blocked: set by changes.py: button, fuse,
            tachometers of fans 1 and 2 exchanged, ohms in series with the battery, volts it gives less than it should,
            fraction of the filter's area that is blocked.
        load_joules, lead_joules, charger_joules: energy into loads and fans, into the lead, and from the charger.
    """

    def __init__(self, settings: SimBoxSettings) -> None:
        self.settings = settings
        self.now_s = 0.0
        outside_c, _ = settings.weather.at(0.0)
        start_c = outside_c if settings.start_c is None else settings.start_c
        seed = f"{settings.seed}/{settings.name}"
        self.battery = SimBattery(settings.battery)
        self.charger = SimCharger()
        self.loads = {load.name: SimLoad(load, f"{seed}/{load.name}") for load in settings.loads}
        self.fans = [SimFan(fan) for fan in settings.fans]
        self.case = SimCase(settings.case, start_c)
        self.senses = SimSensors(settings.senses, start_c, f"{seed}/senses")
        self.node = _NOTHING
        self.steady = False
        self.output_on = [True, True]
        self.buzzer = self.lamp = False
        self.presses_s: tuple[float, ...] = ()  # when presses of PRESS_S begin
        self.button_pressed = self.fuse_open = self.tach_leads_crossed = False
        self.extra_ohm = self.sag_volts = self.blocked = 0.0
        self.load_joules = self.lead_joules = self.charger_joules = 0.0
        self.flow_m3_per_h = 0.0
        self._loads = list(self.loads.values())
        self._air_joules = self._battery_joules = self._heat_s = 0.0
        self._watts = self._warming = 0.0
        self.battery.temperature(start_c)
        self._switch_loads()

    @property
    def button_down(self) -> bool:
        """Whether the button is held down now, until it is released or for PRESS_S."""
        return self.button_pressed or any(0 <= self.now_s - at_s < PRESS_S for at_s in self.presses_s)

    def step(self, dt_s: float) -> None:
        """Advances everything by `dt_s`, at most up to `next_change_s`, under the present drives and faults."""
        self.begin_step(dt_s)
        self.advance(dt_s)

    def begin_step(self, dt_s: float) -> None:
        """Works out `node` for a step of `dt_s` that begins now; `advance` must follow."""
        self._watts, self._warming = self._taken()
        before = self.node.battery_volts
        self.node = node = self._solve(self._watts)
        powered = node.equipment_volts > _FANS_LOWEST_VOLTS
        calm = abs(node.battery_volts - before) < _STEADY_VOLTS
        self.steady = calm and all(fan.steady(powered) for fan in self.fans)
        self.senses.average(dt_s, node.battery_volts, node.battery_amps)

    def advance(self, dt_s: float) -> None:
        """Advances by the step that `begin_step` began."""
        node, battery_volts, equipment_volts = self.node, self.node.battery_volts, self.node.equipment_volts
        heat = self.battery.step(dt_s, battery_volts, node.battery_amps) if not self.fuse_open else 0.0
        load_watts = node.load_amps * equipment_volts
        lead_watts = node.load_amps * (battery_volts - equipment_volts)
        fuse_watts = node.battery_amps * node.battery_amps * self.extra_ohm
        self.load_joules += load_watts * dt_s
        self.lead_joules += lead_watts * dt_s
        self.charger_joules += node.charger_amps * battery_volts * dt_s
        fraction = load_watts / self._watts if self._watts > 0 else 0.0
        self._battery_joules += heat - fuse_watts * dt_s
        self._air_joules += (self._warming * fraction + lead_watts + fuse_watts) * dt_s
        for fan in self.fans:
            fan.step(dt_s, equipment_volts > _FANS_LOWEST_VOLTS)
        self.now_s += dt_s
        for load in self._loads:
            load.update_voltage(equipment_volts)
        if self.now_s >= self.next_change_s:
            self._switch_loads()
        self._heat_s += dt_s
        if self._heat_s >= _HEAT_EVERY_S:
            self._warm()

    def _switch_loads(self) -> None:
        for load in self._loads:
            load.move_to(self.now_s)
        self.next_change_s = min((load.until_s for load in self._loads), default=float("inf"))

    def _taken(self) -> tuple[float, float]:
        """Watts drawn, and those of them that warm the air in the case."""
        watts = warming = self.settings.board_watts
        for load in self._loads:
            output = load.settings.output
            taken = load.taken(output == 0 or self.output_on[output - 1])
            watts += taken
            warming += taken * load.settings.heat_fraction
        for fan in self.fans:
            watts += fan.watts
            warming += fan.watts
        return watts, warming

    def _solve(self, watts: float) -> SimNode:
        if self.fuse_open:
            return _NOTHING
        battery = self.battery
        ohms = (battery.ohm(False) + self.extra_ohm, battery.ohm(True) + self.extra_ohm)
        return solve(battery.inner_volts() - self.sag_volts, ohms, self.settings.lead_ohm, watts, self.charger)

    def _warm(self) -> None:
        """Heat changes slowly: it is computed for many steps at once."""
        outside_c, sun_w_m2 = self.settings.weather.at(self.now_s)
        pairs = (self.fans[i : i + 2] for i in range(0, len(self.fans), 2))
        self.flow_m3_per_h = sum(flow_m3_per_h(pair, self.settings.case.path, self.blocked) for pair in pairs)
        case = self.case
        case.step(self._heat_s, self._air_joules, self._battery_joules, sun_w_m2, self.flow_m3_per_h, outside_c)
        self.battery.temperature(case.battery_c)
        for name, true_c in (("case", case.air_c), ("intake", outside_c), ("battery", case.battery_c)):
            self.senses.probes[name].step(self._heat_s, true_c)
        self._air_joules = self._battery_joules = self._heat_s = 0.0
