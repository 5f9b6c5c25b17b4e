"""The state of all boxes as OpenMetrics text. An unknown value is left out, never 0."""

from collections import deque
from collections.abc import Iterable, Iterator, Sequence

from prometheus_client import CollectorRegistry
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.openmetrics.exposition import CONTENT_TYPE_LATEST, generate_latest
from prometheus_client.registry import Collector

from groundbox.link.clock import Moment
from groundbox.model import WarningChange
from groundbox.monitor.view import BoxView

CONTENT_TYPE = CONTENT_TYPE_LATEST
Sample = tuple[tuple[str, ...], float | None]  # labels, value
# Name after "groundbox_", unit, meaning, labels after the box; see _samples for the values.
FAMILIES = (
    ("battery_volts", "volts", "Battery voltage", ()),
    ("battery_amps", "amps", "Battery current, positive while discharging", ()),
    ("battery_charge_ratio", "ratio", "State of charge, 0 to 1", ()),
    ("battery_celsius", "celsius", "Temperature of the battery", ()),
    ("case_celsius", "celsius", "Air temperature in the case", ()),
    ("intake_celsius", "celsius", "Air temperature at the intake", ()),
    ("runtime_seconds", "seconds", "Runtime until cutoff or end voltage: low, expected and high", ("bound",)),
    ("turn_back_timestamp_seconds", "seconds", "Turn-back time, in flight", ()),
    ("reading_age_seconds", "seconds", "Time since the last reading of the box", ()),
    ("fan_rpm", "rpm", "Fan speed in revolutions per minute", ("fan",)),
    ("fan_stalled", "", "1 while a fan is driven and does not turn", ("fan",)),
    ("warning", "", "1 while a warning is active", ("warning", "severity")),
)


class Metrics:
    """A Bridge for programs that ask: `text` gives the state at the last update; called from any thread."""

    def __init__(self) -> None:
        self.notes: deque[str] = deque()
        self._views: tuple[BoxView, ...] = ()
        self._wall_s: float | None = None

    def start(self) -> None:
        """See Bridge."""

    def warn(self, change: WarningChange) -> None:
        """See Bridge."""

    def show(self, views: Sequence[BoxView], moment: Moment) -> None:
        """See Bridge."""
        self._views, self._wall_s = tuple(views), moment.wall_s

    def stop(self) -> None:
        """See Bridge."""

    def text(self) -> bytes:
        """The OpenMetrics text."""
        registry = CollectorRegistry()
        registry.register(_StateCollector(self._views, self._wall_s))
        return bytes(generate_latest(registry))  # type: ignore[no-untyped-call]


class _StateCollector(Collector):
    def __init__(self, views: Sequence[BoxView], wall_s: float | None) -> None:
        self._views, self._wall_s = views, wall_s

    def collect(self) -> Iterable[Metric]:
        """All families."""
        if self._wall_s is not None:
            meaning = "Time of this program's last update; a constant value means that the program hangs"
            yield GaugeMetricFamily("groundbox_updated_timestamp_seconds", meaning, self._wall_s, unit="seconds")
        for name, unit, meaning, labels in FAMILIES:
            family = GaugeMetricFamily(f"groundbox_{name}", meaning, labels=("box", *labels), unit=unit)
            for view in self._views:
                for values, value in _samples(name, view):
                    if value is not None:
                        family.add_metric((view.state.box, *values), value)
            yield family


def _samples(name: str, view: BoxView) -> Iterator[Sample]:
    state, reading, estimate = view.state, view.reading, view.estimate
    plain = {
        "battery_volts": state.battery_volts,
        "battery_amps": reading.battery_amps if reading else None,
        "battery_charge_ratio": estimate.soc if estimate else None,
        "battery_celsius": state.battery_c,
        "case_celsius": state.case_c,
        "intake_celsius": reading.intake_c if reading else None,
        "turn_back_timestamp_seconds": view.turn_back_s if state.in_flight else None,
        "reading_age_seconds": state.silent_s,
    }
    if name in plain:
        yield (), plain[name]
    elif name == "runtime_seconds" and view.runtime_s:
        yield from (((bound,), s) for bound, s in zip(("low", "expected", "high"), view.runtime_s, strict=True))
    elif name == "warning":
        yield from (((one.kind, one.severity), 1.0) for one in view.warnings)
    elif name.startswith("fan_") and reading:
        for number, fan in reading.fans.items():
            stalled = None if fan.state in (None, "absent") else float(fan.state == "stalled")
            yield (str(number),), stalled if name == "fan_stalled" else fan.rpm
