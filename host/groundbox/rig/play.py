"""Plays a scenario: the real firmware in its box, its host beside it, and everything written down."""

from pathlib import Path
from tempfile import TemporaryDirectory

from groundbox.model import Event, Health, Reading
from groundbox.rig.bench import Bench
from groundbox.rig.judge_host import HostWarnings
from groundbox.rig.listener import SHARES, WORDS, Listener
from groundbox.rig.process import best_interpreter
from groundbox.rig.scenario import Scenario
from groundbox.rig.trace import Trace

_LONG_S = 600.0  # in shorter runs compiling to machine code takes longer than it saves


def play(scenario: Scenario, interpreter: str | None = None, firmware: Path | None = None) -> Trace:
    """The run of `scenario`, under the best interpreter there is, with this package's firmware or another folder's."""
    with TemporaryDirectory() as folder:
        return _Run(scenario, interpreter or best_interpreter(), Path(folder), firmware).go()


class _Run:
    def __init__(self, scenario: Scenario, interpreter: str, folder: Path, firmware: Path | None) -> None:
        self._scenario = scenario
        self._trace = Trace()
        self._listener = Listener(scenario.box.name, scenario.box.seed)
        self._host = HostWarnings(scenario.box.name, scenario.cutoff_volts, scenario.box.lead_ohm)
        told = [one for one in scenario.happenings if one.thing in WORDS or one.thing in SHARES]
        self._told = sorted(told, key=lambda one: -one.at_s)
        self._bench = Bench(
            scenario.box,
            folder,
            board_settings=scenario.board_settings,
            happenings=[one for one in scenario.happenings if one not in told],
            interpreter=interpreter,
            native=scenario.lasts_s >= _LONG_S,
            ahead=scenario.lasts_s >= _LONG_S,
            firmware=firmware,
            console=self._listener,
        )
        self._box, self._world = self._bench.box, self._bench.world
        self._world.on_drive(self._drive)

    def go(self) -> Trace:
        trace, world = self._trace, self._world
        with self._bench:
            now_s = 0.0
            while now_s < self._scenario.lasts_s:
                now_s += 1.0
                while self._told and self._told[-1].at_s < now_s:
                    one = self._told.pop()
                    world.run_until(round(one.at_s * 1e6))
                    self._listener.happen(one.thing, one.value)
                world.run_until(round(now_s * 1e6))
                self._look(now_s)
        trace.end_s = self._scenario.lasts_s
        trace.missing, trace.spoilt = self._listener.missing(), self._listener.spoilt
        return trace

    def _drive(self) -> None:
        box, now_s = self._box, self._world.now_us / 1e6
        percents = tuple(round(100 * fan.drive) for fan in box.fans)
        self._trace.drives.append((now_s, percents, tuple(box.output_on), box.buzzer))

    def _look(self, now_s: float) -> None:
        trace, world = self._trace, self._world
        if world.starts > len(trace.starts):
            trace.starts.append((now_s, world.last_cause))
        up = world.pid is not None
        if not trace.up or trace.up[-1][1] != up:
            trace.up.append((now_s, up))
        trace.at_s.append(now_s)
        for name, value in self._truth().items():
            trace.truth.setdefault(name, []).append(value)
        for item in self._listener.take():
            self._take(now_s, item)
        trace.warnings += [(now_s, change) for change in self._host.update(now_s)]

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
        return found | {f"load {name}": "working" if load.working else "starved" for name, load in box.loads.items()}

    def _take(self, now_s: float, item: Reading | Event | Health) -> None:
        if isinstance(item, Health):
            self._trace.late_steps = max(self._trace.late_steps, item.late_steps or 0)
            return
        self._host.take(now_s, item)
        if isinstance(item, Reading):
            self._trace.readings.append((now_s, item))
        else:
            self._trace.events.append((now_s, item))
