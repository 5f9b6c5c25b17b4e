"""Plays a scenario: the real firmware in its box, its host beside it, and everything recorded.

The host's warnings come from the same rules that warn in the field.
"""

from pathlib import Path
from tempfile import TemporaryDirectory

from groundbox.advice.state import BoxState
from groundbox.advice.warner import Warner
from groundbox.model import Event, Health, Reading, WarningChange
from groundbox.rig.bench import Bench
from groundbox.rig.console import FRACTIONS, WORDS, SimHost
from groundbox.rig.process import best_interpreter
from groundbox.rig.scenario import Scenario
from groundbox.rig.trace import Trace
from groundbox.wire.messages import RESET_CAUSES

_LONG_S = 600.0  # in shorter runs compiling to machine code takes longer than it saves


def play(scenario: Scenario, interpreter: str | None = None, firmware: Path | None = None) -> Trace:
    """The run of `scenario`, under `interpreter` or the best one, with this package's firmware or another folder's."""
    with TemporaryDirectory() as folder:
        return _Run(scenario, interpreter or best_interpreter(), Path(folder), firmware).run()


class _Run:
    def __init__(self, scenario: Scenario, interpreter: str, folder: Path, firmware: Path | None) -> None:
        self._scenario = scenario
        self._trace = Trace()
        self._host = SimHost(scenario.box.name, scenario.box.seed)
        self._warnings = HostWarnings(scenario.box.name, scenario.cutoff_volts, scenario.box.lead_ohm)
        host_changes = [one for one in scenario.changes if one.thing in WORDS or one.thing in FRACTIONS]
        self._host_changes = sorted(host_changes, key=lambda one: -one.at_s)
        self._bench = Bench(
            scenario.box,
            folder,
            board_settings=scenario.board_settings,
            changes=[one for one in scenario.changes if one not in host_changes],
            interpreter=interpreter,
            native=scenario.lasts_s >= _LONG_S,
            ahead=scenario.lasts_s >= _LONG_S,
            firmware=firmware,
            console=self._host,
        )
        self._box, self._world = self._bench.box, self._bench.world
        self._world.on_drive(self._drive)

    def run(self) -> Trace:
        trace, world = self._trace, self._world
        with self._bench:
            now_s = 0.0
            while now_s < self._scenario.lasts_s:
                now_s += 1.0
                while self._host_changes and self._host_changes[-1].at_s < now_s:
                    one = self._host_changes.pop()
                    world.run_until(round(one.at_s * 1e6))
                    self._host.make_change(one.thing, one.value)
                world.run_until(round(now_s * 1e6))
                self._record(now_s)
        trace.end_s = self._scenario.lasts_s
        trace.missing, trace.damaged = self._host.missing(), self._host.damaged
        return trace

    def _drive(self) -> None:
        box, now_s = self._box, self._world.now_us / 1e6
        percents = tuple(round(100 * fan.drive) for fan in box.fans)
        self._trace.drives.append((now_s, percents, tuple(box.output_on), box.buzzer))

    def _record(self, now_s: float) -> None:
        trace, world = self._trace, self._world
        if world.starts > len(trace.starts):
            trace.starts.append((now_s, world.last_cause))
        up = world.pid is not None
        if not trace.up or trace.up[-1][1] != up:
            trace.up.append((now_s, up))
        trace.at_s.append(now_s)
        for name, value in self._truth().items():
            trace.truth.setdefault(name, []).append(value)
        for item in self._host.take():
            self._take(now_s, item)
        trace.warnings += [(now_s, change) for change in self._warnings.update(now_s)]

    def _truth(self) -> dict[str, float | str]:
        box, node = self._box, self._box.node
        found: dict[str, float | str] = {
            "case": box.case.air_c,
            "walls": box.case.walls_c,
            "battery": box.case.battery_c,
            "voltage": node.battery_volts,
            "equipment": node.equipment_volts,
            "current": node.battery_amps,
            "charge": 100 * box.battery.soc,
            "air": box.flow_m3_per_h,
            "fan watts": sum(fan.watts for fan in box.fans),
        }
        found |= {f"fan {n} speed": fan.rpm for n, fan in enumerate(box.fans, 1)}
        return found | {f"load {name}": "working" if load.working else "stopped" for name, load in box.loads.items()}

    def _take(self, now_s: float, item: Reading | Event | Health) -> None:
        if isinstance(item, Health):
            self._trace.late_steps = max(self._trace.late_steps, item.late_steps or 0)
            return
        self._warnings.take(now_s, item)
        if isinstance(item, Reading):
            self._trace.readings.append((now_s, item))
        else:
            self._trace.events.append((now_s, item))


class HostWarnings:
    """The host's warnings about one box.

    Args:
        box: its name.
        cutoff_volts: at the equipment, where known.
        lead_ohm: from the battery to the equipment.
    """

    def __init__(self, box: str, cutoff_volts: float | None, lead_ohm: float) -> None:
        self._box, self._cutoff_volts, self._lead_ohm = box, cutoff_volts, lead_ohm
        self._warner = Warner()
        self._reading: Reading | None = None
        self._heard_s = 0.0
        self._restarted: tuple[float, str] | None = None
        self._reports_s: dict[str, float] = {}

    def take(self, now_s: float, item: Reading | Event) -> None:
        """Takes a reading or an event that arrived."""
        known = self._reading
        if isinstance(item, Reading):
            if known is None or (item.boot, item.sequence) > (known.boot, known.sequence):
                self._reading, self._heard_s = item, now_s
            return
        self._reports_s[item.kind] = now_s
        if item.kind == "started" and known is not None and item.boot > known.boot:
            self._restarted = (now_s, RESET_CAUSES[item.value] if item.value is not None else "other")

    def update(self, now_s: float) -> list[WarningChange]:
        """The warnings that change now."""
        return self._warner.update(now_s, self._state(now_s))

    def _state(self, now_s: float) -> BoxState:
        reading, restarted = self._reading, self._restarted
        if reading is None:
            return BoxState(box=self._box, wall_s=now_s, watched_s=now_s)
        volts = reading.battery_volts
        return BoxState(
            box=self._box,
            wall_s=now_s,
            watched_s=now_s,
            silent_s=now_s - self._heard_s,
            in_flight=reading.place == "flight",
            battery_volts=volts,
            check_volts=reading.check_volts,
            equipment_volts=None if volts is None else volts - (reading.battery_amps or 0.0) * self._lead_ohm,
            cutoff_volts=self._cutoff_volts,
            low_voltage=reading.low_voltage,
            overvoltage=reading.overvoltage,
            charging=reading.charging,
            case_heat=reading.case_heat,
            battery_heat=reading.battery_heat,
            case_c=reading.case_c,
            battery_c=reading.battery_c,
            fans=tuple(fan.state for fan in reading.fans.values()),
            sensors=tuple(reading.sensors.items()),
            outputs=tuple(reading.outputs.values()),
            button=reading.button,
            reports=tuple((kind, now_s - at_s) for kind, at_s in self._reports_s.items()),
            restarted_s=None if restarted is None else now_s - restarted[0],
            restart_cause=None if restarted is None else restarted[1],
        )
