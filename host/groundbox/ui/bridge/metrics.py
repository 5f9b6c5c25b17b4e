"""The state of all boxes as OpenMetrics text. An unknown value is left out, never 0."""

from collections import deque
from collections.abc import Iterable, Iterator

from prometheus_client import CollectorRegistry
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import generate_latest
from prometheus_client.registry import Collector

from groundbox.advice.result import SEVERITY_RANK, BoxAdvice, SessionAdvice
from groundbox.link.clock import Moment
from groundbox.ui.bridge import Bridge

Sample = tuple[tuple[str, ...], float | None]  # labels, value
# Name after "groundbox_", unit, meaning, labels after the box; see _samples for the values.
FAMILIES = (
    ("battery_volts", "volts", "Battery voltage", ()),
    ("battery_amps", "amps", "Battery current, positive while discharging", ()),
    ("battery_charge_ratio", "ratio", "State of charge, 0 to 1", ()),
    ("battery_celsius", "celsius", "Temperature of the battery", ()),
    ("case_celsius", "celsius", "Air temperature in the case", ()),
    ("intake_celsius", "celsius", "Air temperature at the intake", ()),
    ("humidity_ratio", "ratio", "Relative humidity in the case, 0 to 1", ()),
    ("dew_point_celsius", "celsius", "Dew point of the air in the case", ()),
    ("verdict", "", "1 for the present verdict on the box", ("verdict",)),
    ("severity_rank", "", "0 none, 1 notice, 2 unknown, 3 urgent, 4 stop", ()),
    ("runtime_seconds", "seconds", "Runtime until cutoff or end voltage: low, expected and high", ("bound",)),
    ("turn_back_timestamp_seconds", "seconds", "Turn-back time, in flight", ()),
    ("reading_age_seconds", "seconds", "Time since the last reading of the box", ()),
    ("fan_rpm", "rpm", "Fan speed in revolutions per minute", ("fan",)),
    ("fan_stalled", "", "1 while a fan is driven and does not turn", ("fan",)),
    ("warning", "", "1 while a warning is active", ("warning", "severity")),
)


class Metrics(Bridge):
    """A Bridge for programs that ask: `text` gives the state at the last update; called from any thread."""

    def __init__(self) -> None:
        self.notes = deque()
        self._advice: SessionAdvice | None = None

    def show(self, advice: SessionAdvice, moment: Moment) -> None:
        """See Bridge."""
        self._advice = advice

    def text(self) -> bytes:
        """The OpenMetrics text."""
        registry = CollectorRegistry()
        registry.register(_AdviceCollector(self._advice))
        return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


class _AdviceCollector(Collector):
    def __init__(self, advice: SessionAdvice | None) -> None:
        self._advice = advice

    def collect(self) -> Iterable[Metric]:
        """All families."""
        boxes = self._advice.boxes if self._advice else ()
        if self._advice is not None:
            meaning = "Time of this program's last update; a constant value means that the program hangs"
            made_s = self._advice.made_at_s
            yield GaugeMetricFamily("groundbox_updated_timestamp_seconds", meaning, made_s, unit="seconds")
        for name, unit, meaning, labels in FAMILIES:
            family = GaugeMetricFamily(f"groundbox_{name}", meaning, labels=("box", *labels), unit=unit)
            for box in boxes:
                for values, value in _samples(name, box):
                    if value is not None:
                        family.add_metric((box.box, *values), value)
            yield family


def _samples(name: str, box: BoxAdvice) -> Iterator[Sample]:
    readings = box.readings
    plain = {
        "battery_volts": readings.battery_volts,
        "battery_amps": readings.battery_amps,
        "battery_charge_ratio": box.soc,
        "battery_celsius": readings.battery_c,
        "case_celsius": readings.case_c,
        "intake_celsius": readings.intake_c,
        "humidity_ratio": None if readings.humidity_percent is None else readings.humidity_percent / 100,
        "dew_point_celsius": readings.dew_point_c,
        "turn_back_timestamp_seconds": box.turn_back_at_s,
        "reading_age_seconds": readings.age_s,
    }
    if name in plain:
        yield (), plain[name]
    elif name == "runtime_seconds":
        bounds = (("low", box.runtime_low_s), ("expected", box.runtime_expected_s), ("high", box.runtime_high_s))
        yield from (((bound,), seconds) for bound, seconds in bounds)
    elif name == "verdict":
        yield (box.verdict,), 1.0
    elif name == "severity_rank":
        yield (), float(SEVERITY_RANK[box.severity])
    elif name == "warning":
        yield from (((one.kind, one.severity), 1.0) for one in box.warnings)
    elif name.startswith("fan_"):
        for fan in readings.fans:
            stalled = None if fan.state in (None, "absent") else float(fan.state == "stalled")
            yield (str(fan.fan),), stalled if name == "fan_stalled" else fan.rpm
