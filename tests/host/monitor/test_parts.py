"""The pure parts of the monitor, each on its own."""

import random
from concurrent.futures import Future
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox.errors import LinkError
from groundbox.model import Event, FanReading, Reading
from groundbox.monitor.flight import Flight
from groundbox.monitor.loads import Sag, declared_amps, largest_start, most_fragile, peak_above_mean, sheddable
from groundbox.monitor.reading_order import WAIT_S, InOrder, Timeline
from groundbox.monitor.recorder import Recorder
from groundbox.settings import LoadSettings


def _reading(sequence: int, boot: int = 1, **values: object) -> Reading:
    return Reading(box="mast", boot=boot, sequence=sequence, uptime_ms=1000 * sequence, **values)  # type: ignore[arg-type]


@given(st.lists(st.booleans(), min_size=1, max_size=60), st.randoms(use_true_random=False))
def test_whatever_the_order_of_arrival_readings_come_out_as_measured(kinds: list[bool], dice: random.Random) -> None:
    records: list[Reading | Event] = [
        _reading(n) if is_reading else Event(box="mast", boot=1, sequence=n, uptime_ms=1000 * n, kind="swap")
        for n, is_reading in enumerate(kinds, 1)
    ]
    order, out = InOrder(boot=1, sequence=0), []
    shuffled = records[:]
    dice.shuffle(shuffled)
    for record in [*shuffled, *shuffled]:  # everything twice
        order.add(record)
        out += order.ready(0.0)
    assert [reading.sequence for reading in out] == [r.sequence for r in records if isinstance(r, Reading)]


def test_a_gap_holds_up_what_follows_only_so_long() -> None:
    order = InOrder(boot=1, sequence=1)
    order.add(_reading(2))
    order.add(_reading(4))
    assert [r.sequence for r in order.ready(0.0)] == [2]
    assert order.ready(WAIT_S - 1) == []
    order.add(_reading(5))
    assert [r.sequence for r in order.ready(WAIT_S)] == [4, 5]
    order.add(_reading(3))  # too late
    assert order.ready(WAIT_S + 100) == []


def test_a_new_start_follows_without_waiting() -> None:
    order = InOrder(boot=1, sequence=7)
    order.add(_reading(1, boot=2))
    assert len(order.ready(0.0)) == 1


@given(
    st.lists(
        st.tuples(st.integers(0, 1), st.integers(1, 100), st.none() | st.floats(1.7e9, 1.9e9)), min_size=1, max_size=40
    )
)
def test_the_estimators_time_only_goes_forward(steps: list[tuple[int, int, float | None]]) -> None:
    """Whatever the host's clock shows; and within a start it moves exactly as the board's uptime does."""
    line, boot, uptime_s, last, last_key = Timeline(), 1, 0, float("-inf"), (0, 0)
    for restarts, passed_s, wall_s in steps:
        boot, uptime_s = (boot + 1, 0) if restarts else (boot, uptime_s)
        uptime_s += passed_s
        at_s = line.at(boot, 1000 * uptime_s, wall_s)
        if at_s is None:
            assert wall_s is None
            continue
        assert at_s > last
        if last_key[0] == boot:
            assert at_s - last == pytest.approx(uptime_s - last_key[1], abs=1e-3)
        last, last_key = at_s, (boot, uptime_s)


def test_records_of_an_earlier_start_have_no_place_any_more() -> None:
    line = Timeline()
    assert line.at(2, 1000, 1.8e9) == 1.8e9
    assert line.at(1, 5000, 1.8e9 - 100) is None


def test_a_flight_takes_a_mark_once() -> None:
    flight = Flight(2100.0, 480.0)
    assert flight.grounded_s is None
    assert flight.landing_in_s(0.0) is None
    assert not flight.note("landing", 90.0)
    assert not flight.note("returning", 95.0)
    assert flight.note("launch", 100.0)
    assert not flight.note("launch", 101.0)  # the board's echo
    assert flight.landing_in_s(200.0) == 2000.0
    assert flight.note("returning", 300.0)
    assert not flight.note("returning", 301.0)
    assert flight.shown(400.0, 1400.0).landing_at_s == 3200.0
    assert flight.note("landing", 500.0)
    assert not flight.note("launch", 400.0)  # a late record of an older press
    assert not flight.note("swap", 600.0)
    assert (flight.flown, flight.returning, flight.in_flight) == (1, False, False)


def test_a_flight_is_shown_by_the_wall_clock_as_it_is_set_now() -> None:
    flight = Flight(2100.0, 480.0)
    for kind, now_s in (("launch", 100.0), ("landing", 500.0), ("launch", 600.0)):
        assert flight.note(kind, now_s)
    shown = flight.shown(700.0, 5000.0)
    assert (shown.launched_at_s, shown.landing_at_s, shown.flown) == (4900.0, 7000.0, 1)
    assert shown.flights == ((4400.0, 4800.0), (4900.0, None))
    assert flight.shown(700.0, 9000.0).flights == ((8400.0, 8800.0), (8900.0, None))


def test_the_batterys_resistance_is_seen_in_the_readings() -> None:
    """12.4 V behind 60 milliohm: 1 A mean, 4 A for a moment. Ohm's law."""
    sag = Sag(lead_ohm=0.04, c20_ah=9.0)
    assert sag.ohm == pytest.approx(0.05)
    for n in range(1, 25):
        low, mean = 12.4 - 4 * 0.06, 12.4 - 1 * 0.06
        sag.take(_reading(n, battery_volts=mean, battery_min_volts=low, battery_amps=1.0, battery_max_amps=4.0))
    assert sag.ohm == pytest.approx(0.06)
    assert sag.expected(mean, 1.0, 3.0) == pytest.approx(12.4 - 4 * 0.06 - 4 * 0.04)
    assert sag.expected(mean, 1.0, 5.0) == pytest.approx(12.4 - 6 * 0.06 - 6 * 0.04)
    assert sag.expected(12.9, 0.0, 0.0) == pytest.approx(low - 4 * 0.04)  # no better than what was just seen
    ohm = sag.ohm
    sag.take(_reading(6, battery_volts=mean, battery_min_volts=0.02, battery_amps=1.0, battery_max_amps=4.0))
    assert sag.expected(12.9, 0.0, 0.0) == pytest.approx(low - 4 * 0.04)  # a fuse or a swap is no load
    assert sag.ohm == ohm
    sag.take(_reading(100, battery_volts=12.4, battery_min_volts=12.4, battery_amps=0.0))
    assert sag.expected(12.4, 0.0, 0.0) == pytest.approx(12.4)


def test_nothing_is_expected_of_a_battery_nobody_knows() -> None:
    assert Sag(0.0, None).expected(12.4, 1.0, 3.0) is None


LOADS = [
    LoadSettings(name="receivers", watts=12.0),
    LoadSettings(name="servos", watts=6.0, peak_watts=36.0),
    LoadSettings(name="usb", amps=1.0, fraction=0.5, output=2, sheddable=True, highest_volts=15.0),
    LoadSettings(name="camera", watts=3.0, sheddable=True, highest_volts=14.0),
    LoadSettings(name="fans", watts=6.0, with_fans=True),
]


@settings(deadline=None)
@given(st.floats(9.0, 15.0))
def test_declared_amps(volts: float) -> None:
    fixed = 21.0 / volts
    assert declared_amps([], volts, None) is None
    assert declared_amps(LOADS, volts, None) == pytest.approx(fixed + 0.5 + 6.0 / volts)
    assert declared_amps(LOADS, volts, _reading(1, outputs={2: "shed"})) == pytest.approx(fixed)
    assert declared_amps(LOADS, volts, _reading(1, fans={1: FanReading(percent=30)})) == pytest.approx(
        fixed + 0.5 + 6.0 / volts
    )


def test_which_load_is_largest_start_most_fragile_and_can_go() -> None:
    largest, touchy = largest_start(LOADS, 12.0), most_fragile(LOADS)
    assert largest is not None
    assert largest.name == "servos"
    assert peak_above_mean(LOADS, 12.0) == 2.5
    assert touchy is not None
    assert touchy.name == "camera"
    assert sheddable(LOADS, None) == ("usb", "camera")
    assert sheddable(LOADS, _reading(1, outputs={2: "off"})) == ("camera",)
    assert largest_start([], 12.0) is None
    assert most_fragile(LOADS[:2]) is None


class _Way:
    """A source that has one box, or none."""

    def __init__(self, box: str | None) -> None:
        self.box, self.sent = box, 0

    def command(self, box: str, name: str, **fields: object) -> Future[object]:
        future: Future[object] = Future()
        if box == self.box:
            self.sent += 1
        else:
            future.set_exception(LinkError("not here"))
        return future


def test_a_box_with_two_links_gets_a_command_once() -> None:
    ways = [_Way(None), _Way("mast"), _Way("mast")]
    futures = Recorder.command(SimpleNamespace(_sources=ways), "mast", "mark", kind="charge")
    assert [way.sent for way in ways] == [0, 1, 0]
    assert [future.done() for future in futures] == [True, False]
