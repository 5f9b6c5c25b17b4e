"""What must hold for the core whatever comes in: no number of 2**30 or more, no flapping, no unsafe state."""

from collections.abc import Callable
from typing import Any

import pytest
from bench import Box, limits, settings
from hypothesis import assume, given
from hypothesis import settings as effort
from hypothesis import strategies as st

from core.battery import BatteryWatch
from core.control import Control
from core.interface import Inputs
from core.supply import Supply
from core.thermometer import Thermometer
from core.thermostat import Thermostat
from groundbox.wire.line import encode
from groundbox.wire.messages import OUTPUT_STATES, SENSOR_STATES, UNKNOWN
from groundbox.wire.settings import SETTINGS, defaults, refusal_of_all
from uplinks.outbox import Outbox

SMALL = 1 << 30


class Watched(int):
    """A whole number that fails as soon as arithmetic with it leaves a board's small integers."""

    def __hash__(self) -> int:
        return int.__hash__(self)


def _watch(name: str) -> Callable[[int, Any], Any]:
    plain = getattr(int, name)

    def operate(self: int, *others: Any) -> Any:
        result = plain(self, *others)
        if type(result) is int:
            assert -SMALL <= result < SMALL, f"{int(self)} {name} {others} is {result}"
            return Watched(result)
        return result

    return operate


for _name in ("add", "sub", "mul", "floordiv", "mod", "lshift", "rshift", "and", "or", "xor"):
    for _operator in (f"__{_name}__", f"__r{_name}__"):
        setattr(Watched, _operator, _watch(_operator))
for _operator in ("__neg__", "__abs__"):
    setattr(Watched, _operator, _watch(_operator))


@st.composite
def any_settings(draw: st.DrawFn) -> dict[str, int]:
    """Settings anywhere in their ranges, as far as the relations let them."""
    values = defaults()
    for name, _, low, high in draw(st.permutations(SETTINGS)):
        change = {name: draw(st.one_of(st.just(low), st.just(high), st.integers(low, high)))}
        if not refusal_of_all(change, values):
            values.update(change)
    return values


raw_numbers = st.one_of(st.just(0), st.just(65535), st.integers(0, 65535))


def test_the_watch_bites() -> None:
    with pytest.raises(AssertionError):
        Watched(65535) * 18810
    with pytest.raises(AssertionError):
        18810 * Watched(65535)
    assert (Watched(65535) >> 1) * 18810 // 32767 == 18810


@effort(max_examples=60, deadline=None)
@given(any_settings(), st.lists(raw_numbers, min_size=7, max_size=7), st.sampled_from([100, 1000, 5000]))
def test_no_number_leaves_the_small_integers(values: dict[str, int], raws: list[int], step_ms: int) -> None:
    control = Control({name: Watched(value) for name, value in values.items()}, Outbox(8))
    inputs = Inputs()
    window = inputs.window
    window._samples = [Watched(0)] * len(window._samples)  # a list keeps its numbers watched, an array would not
    inputs.pulses = [Watched(0)] * 4  # type: ignore[assignment]
    for i in range(30):
        inputs.monitor_bus, inputs.monitor_shunt = Watched(raws[0]), Watched(raws[1])
        inputs.case_raw, inputs.battery_raw, inputs.intake_raw = (Watched(raw) for raw in raws[2:5])
        for _ in range(500):
            window.put(Watched(raws[5]))
        inputs.pulses[i % 4] = Watched(raws[6])
        control.step(Watched(step_ms), inputs)
        control.close_reading(0)


@effort(max_examples=100, deadline=None)
@given(any_settings(), st.integers(8000, 16000), st.integers(-20000, 20000))
def test_calibrations_at_their_worst_stay_small(values: dict[str, int], mv: int, ma: int) -> None:
    supply = Supply(limits())
    supply._limits.take({name: Watched(value) for name, value in values.items()})
    supply.apply()
    for value in (-32768, -1, 0, mv, 32767):
        supply._battery_line.true(Watched(value))
        supply._check_line.true(Watched(value))
    for value in (-32768, ma, 32767):
        supply._current_line.true(Watched(value))


def test_an_open_shunt_stays_small() -> None:
    worst = {"current_raw1_ma": -30000, "current_true1_ma": -30000, "current_raw2_ma": 30000, "current_true2_ma": 29000}
    values = settings(voltage_monitor_kind=2, shunt_micro_ohm=200, **worst)
    control = Control({name: Watched(value) for name, value in values.items()}, Outbox(8))
    inputs = Inputs()
    for raw in (0x7FFF, 0x8000):
        for _ in range(30):
            inputs.monitor_bus, inputs.monitor_shunt = Watched(24000), Watched(raw)
            control.step(Watched(100), inputs)
    assert SENSOR_STATES[control.reading.current_sensor] == "range"
    assert control.reading.battery_ma == UNKNOWN


temperatures = st.one_of(st.just(UNKNOWN), st.integers(-1000, 8000))


@effort(max_examples=100, deadline=None)
@given(any_settings(), st.lists(st.tuples(temperatures, temperatures, st.booleans()), min_size=1, max_size=200))
def test_hot_or_blind_means_full(values: dict[str, int], seconds: list[tuple[int, int, bool]]) -> None:
    own = limits()
    own.take(values)
    thermostat = Thermostat(own)
    age_ms = 0
    for case, intake, charging in seconds:
        age_ms = 0 if case != UNKNOWN else age_ms + 1000
        thermostat.step(1000, case, age_ms, intake, charging, False)
        percent = thermostat.percent
        assert percent == 0 or own.fan_lowest_percent <= percent <= 100
        if age_ms >= 5000 or (case != UNKNOWN and case >= own.case_notice_centi_c):
            assert percent == 100
        if charging:
            assert percent > 0


@effort(max_examples=100, deadline=None)
@given(any_settings(), st.lists(st.integers(1500, 4400), min_size=1, max_size=300))
def test_least_times_are_kept_without_an_override(values: dict[str, int], cases: list[int]) -> None:
    own = limits()
    own.take(values)
    assume(own.case_notice_centi_c > 4400)
    thermostat = Thermostat(own)
    lengths: list[list[int]] = []
    for case in cases:
        thermostat.step(1000, case, 0, UNKNOWN, 0, False)
        on = int(thermostat.percent > 0)
        if not lengths or lengths[-1][0] != on:
            lengths.append([on, 0])
        lengths[-1][1] += 1
    for on, seconds in lengths[1:-1]:  # the first pause owes nothing, the last is not over
        assert seconds >= (own.fan_shortest_run_s if on else own.fan_shortest_pause_s)


@effort(max_examples=50, deadline=None)
@given(st.booleans(), st.lists(st.integers(3101, 3499), min_size=1, max_size=200))
def test_hysteresis_never_flips_inside_its_band(on: bool, cases: list[int]) -> None:
    thermostat = Thermostat(limits(fan_shortest_run_s=2, fan_start_mask_ms=1000, fan_stall_s=1, fan_shortest_pause_s=0))
    thermostat.step(1000, 3600 if on else 2500, 0, UNKNOWN, 0, False)
    for case in cases:
        thermostat.step(1000, case, 0, UNKNOWN, 0, False)
        assert (thermostat.percent > 0) == on


@effort(max_examples=50, deadline=None)
@given(st.lists(st.tuples(st.integers(9500, 13300), st.integers(1, 90)), min_size=1, max_size=30))
def test_lower_voltage_never_means_a_lower_level(pieces: list[tuple[int, int]]) -> None:
    higher, lower = BatteryWatch(limits()), BatteryWatch(limits())
    for mv, seconds in pieces:
        for _ in range(seconds):
            higher.step(1000, mv, mv, 2000, 2500)
            lower.step(1000, mv - 100, mv - 100, 2000, 2500)
            assert lower.low_voltage >= higher.low_voltage


@effort(max_examples=60, deadline=None)
@given(st.lists(st.tuples(raw_numbers, st.integers(1, 6)), min_size=1, max_size=20), st.sampled_from([1, 2]))
def test_a_thermometer_tells_a_temperature_or_a_fault(pieces: list[tuple[int, int]], kind: int) -> None:
    thermometer = Thermometer(limits(case_sensor_kind=kind), "case")
    for raw, seconds in pieces:
        for _ in range(seconds):
            thermometer.put(raw)
            thermometer.settle(1000, UNKNOWN)
            channel = thermometer.channel
            assert channel.value == UNKNOWN or -4000 <= channel.value <= 12500
            if SENSOR_STATES[channel.state] != "ok":
                assert channel.value == UNKNOWN


mishaps = st.fixed_dictionaries(
    {
        "battery_mv": st.one_of(st.just(UNKNOWN), st.integers(0, 40000), st.integers(9500, 15500)),
        "check_mv": st.one_of(st.none(), st.just(UNKNOWN), st.integers(0, 18000)),
        "battery_ma": st.one_of(st.just(UNKNOWN), st.integers(-40000, 40000), st.integers(-5000, 5000)),
        "case": st.one_of(st.just(UNKNOWN), st.integers(-3900, 12400), st.integers(2000, 6500)),
        "battery": st.one_of(st.just(UNKNOWN), st.integers(-3900, 12400)),
        "intake": st.one_of(st.just(UNKNOWN), st.integers(-3900, 12400)),
        "case_counts": st.one_of(st.none(), raw_numbers),
        "stuck": st.sampled_from([(), (1,), (1, 2)]),
        "button": st.sampled_from([0, 0, 1]),
    }
)


@effort(max_examples=40, deadline=None)
@given(st.lists(st.tuples(mishaps, st.integers(1, 20)), min_size=1, max_size=12))
def test_a_day_of_mishaps(pieces: list[tuple[dict[str, Any], int]]) -> None:
    """Every record can be sent, the essential output stays on, a shed one comes back only by charging or cooling."""
    box = Box()
    outputs = box.control.outputs
    dropped = False
    for changes, seconds in pieces:
        for name, value in changes.items():
            setattr(box, name, value)
        for _ in range(seconds):
            reading = box.run(1)
            cooled = reading.case_heat < 2
            assert outputs.output1_on == 1
            if dropped and not reading.charging and not cooled:
                assert OUTPUT_STATES[reading.output2] == "shed"
            dropped = OUTPUT_STATES[reading.output2] == "shed"
            if SENSOR_STATES[reading.case_sensor] != "ok":
                assert (outputs.fan1_percent, outputs.fan2_percent) == (100, 100)
    for sequence in range(box.outbox.oldest, box.outbox.sequence + 1):
        name, values = box.outbox.unpack(sequence)
        encode(name, ["table", 1, sequence, *values])


def test_settings_helper_refuses_what_the_board_would() -> None:
    with pytest.raises(AssertionError):
        settings(fan_on_centi_c=9000)
