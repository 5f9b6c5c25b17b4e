"""The simulated box as a whole: its energy balances, loads switch when they should, and a seed decides everything."""

from dataclasses import replace

import pytest

from groundbox.errors import BadInput
from groundbox.rig.box import SimBox, SimBoxSettings
from groundbox.rig.changes import make_change
from groundbox.rig.demo_boxes import MAST, TABLE
from groundbox.rig.electric import SimBatterySettings, SimLoad, SimLoadSettings
from groundbox.rig.heat import SimWeather
from groundbox.rig.senses import SimSensorSettings


def _run(box: SimBox, seconds: float, step_s: float = 0.1) -> None:
    until_s = box.now_s + seconds
    while box.now_s < until_s - 1e-9:
        box.step(max(1e-6, min(step_s, until_s - box.now_s, box.next_change_s - box.now_s)))


@pytest.mark.parametrize("charger_amps", [0.0, 4.0])
def test_energy_balances(charger_amps: float) -> None:
    """The energy from battery, charger and sun equals that in loads, leads, heat stored and heat lost, to 0.1 %."""
    settings = replace(TABLE, battery=SimBatterySettings(c20_ah=18.0, start_soc=0.6), lead_ohm=0.1)
    box = SimBox(settings)
    make_change(box, "charger_amps", charger_amps)
    make_change(box, "extra_ohm", 0.05)
    _run(box, 3600, 0.25)
    battery, case = box.battery, box.case
    given = battery.chemical_joules + box.charger_joules
    used = box.load_joules + box.lead_joules + battery.heat_joules
    assert given == pytest.approx(used, rel=0.001)
    outside_joules = sum(
        load.settings.mean_watts * 3600 * (1 - load.settings.heat_fraction) for load in box.loads.values()
    )  # by then every load has gone through whole periods
    sun_joules = case.in_joules - (used - outside_joules)
    mean_sun = sum(settings.weather.at(s)[1] for s in range(3600)) / 3600
    assert sun_joules == pytest.approx(mean_sun * settings.case.sun_area_m2 * 3600, rel=0.002)
    assert case.in_joules == pytest.approx(case.out_joules + case.stored_joules, rel=0.001)


def test_a_seed_decides_everything() -> None:
    def trace(settings: SimBoxSettings) -> list[tuple[float, float, float]]:
        box, rows = SimBox(settings), []
        for _ in range(60):
            _run(box, 1.0)
            rows.append((box.node.battery_volts, box.case.air_c, box.next_change_s))
        return rows

    assert trace(MAST) == trace(MAST)
    assert trace(MAST) != trace(replace(MAST, seed=MAST.seed + 1))


def test_loads_keep_their_mean() -> None:
    """The mast's servos: 4 W in the mean, 36 W when both start (invented session)."""
    servos = next(load for load in MAST.loads if load.name == "servos")
    assert servos.mean_watts == pytest.approx(4.0, rel=0.01)
    load = SimLoad(servos, "seed")
    joules = now_s = 0.0
    while now_s < 40_000:
        joules += load.watts * (load.until_s - now_s)
        now_s = load.until_s
        load.move_to(now_s)
    assert joules / now_s == pytest.approx(4.0, rel=0.02)


def _lasts_s(settings: SimBoxSettings, limit_s: float) -> float:
    box = SimBox(settings)
    while box.now_s < limit_s and all(load.working for load in box.loads.values()):
        _run(box, 10.0, 5.0)
    return box.now_s


def test_the_aged_battery_does_not_last_the_day_and_the_new_one_does() -> None:
    """Four flights of 35 minutes and three gaps of 40 are 260 minutes (invented session); fans on throughout."""
    day_s = 260 * 60
    assert 140 * 60 < _lasts_s(MAST, day_s) < day_s - 35 * 60
    assert _lasts_s(TABLE, day_s) >= day_s


def test_a_load_starved_of_voltage_stops_and_comes_back() -> None:
    load = SimLoad(SimLoadSettings(name="display", watts=18, lowest_volts=11.0), "seed")
    load.update_voltage(10.9)
    assert load.taken(powered=True) == 0
    load.update_voltage(11.1)
    assert load.taken(powered=True) == 0
    load.update_voltage(11.3)
    assert load.taken(powered=True) == 18


def test_a_switched_output_feeds_its_load_or_not() -> None:
    box = SimBox(TABLE)
    _run(box, 900)  # the USB port is on by now
    with_usb = box.node.load_amps
    box.output_on[1] = False
    _run(box, 0.1)
    assert (with_usb - box.node.load_amps) * box.node.equipment_volts == pytest.approx(10, rel=0.02)


def test_sun_on_the_lid_warms_the_case() -> None:
    shade = SimBox(replace(TABLE, weather=SimWeather(outside_c=((0, 28),)), start_c=28.0))
    sunny = SimBox(replace(TABLE, weather=SimWeather(outside_c=((0, 28),), sun_w_m2=((0, 800),)), start_c=28.0))
    for box in (shade, sunny):
        for fan in box.fans:
            fan.drive = 0.0
        _run(box, 3600, 0.5)
    assert sunny.case.air_c > shade.case.air_c + 5


def test_an_open_fuse_leaves_nothing_to_read() -> None:
    box = SimBox(TABLE)
    make_change(box, "fuse", "open")
    _run(box, 1)
    assert box.node.battery_volts == box.node.load_amps == 0
    make_change(box, "fuse", "ok")
    _run(box, 1)
    assert box.node.battery_volts > 12


def test_a_charger_gives_amps_then_holds_volts() -> None:
    box = SimBox(SimBoxSettings(name="b", battery=SimBatterySettings(c20_ah=18, start_soc=0.5), fans=()))
    make_change(box, "charger_amps", 4.0)
    _run(box, 60)
    assert box.node.charger_amps == pytest.approx(4.0)
    assert box.node.battery_amps < -3.9
    _run(box, 4 * 3600, 5)
    assert box.node.battery_volts == pytest.approx(14.4)
    assert box.node.charger_amps < 2


def test_two_temperatures_of_a_calibration_can_be_practised() -> None:
    """A board 20 K warmer: 100 ppm/K of the reference are 0.2 %, 24 mV at 12 V. A bath is followed at once."""
    box = SimBox(replace(TABLE, senses=SimSensorSettings(perfect=True)))
    cold = box.senses.divider_u16(12.0)
    make_change(box, "board_warmer_c", 20.0)
    assert (cold - box.senses.divider_u16(12.0)) * 18_000 / 65535 == pytest.approx(24, abs=1)
    probe = box.senses.probes["case"]
    before = probe.onewire_raw
    make_change(box, "case_bath_c", 45.0)
    for _ in range(5):
        probe.step(1.0, 24.0)
    assert probe.onewire_raw / 16 == pytest.approx(45, abs=0.1)
    make_change(box, "case_bath", "out")
    for _ in range(100):
        probe.step(1.0, before / 16)
    assert probe.onewire_raw == pytest.approx(before, abs=1)


def test_sensors_read_the_truth_and_break_as_set() -> None:
    """Thermistor 10 k at 25 C in a 10 k divider is half of the reference; B 3950 at 0 C is 33621 ohm (beta formula)."""
    perfect = SimSensorSettings(perfect=True)
    box = SimBox(SimBoxSettings(name="b", battery=SimBatterySettings(c20_ah=18), senses=perfect, start_c=25.0))
    probe = box.senses.probes["case"]
    assert probe.ntc_u16 == pytest.approx(32768, abs=1)
    assert probe.onewire_raw == 400
    cold = SimBox(SimBoxSettings(name="b", battery=SimBatterySettings(c20_ah=18), senses=perfect, start_c=0.0))
    assert cold.senses.probes["case"].ntc_u16 == pytest.approx(65535 * 33621 / 43621, abs=2)
    assert box.senses.divider_u16(12.0) == pytest.approx(65535 * 2.0 / 3.0, abs=1)
    for fault, shown in (("open", 65535), ("shorted", 0)):
        make_change(box, "case", fault)
        _run(box, 1)
        assert probe.ntc_u16 == shown
    make_change(box, "case", "ok")
    _run(box, 1)
    make_change(box, "case", "frozen")
    before = probe.ntc_u16
    box.case.air_c += 20
    _run(box, 30)
    assert probe.ntc_u16 == before


@pytest.mark.parametrize(
    ("thing", "value", "words"),
    [
        ("fan3", "stalled", "no thing of this box; it has"),
        ("fan1", "tired", "write one of ok, stalled, slow, no_tach"),
        ("charger_amps", 99.0, "write a number from 0 to 30"),
        ("charger_amps", "much", "write a number"),
        ("usb", 1.0, "write one of on, off, auto"),
    ],
)
def test_what_cannot_happen_is_refused_in_one_line(thing: str, value: str | float, words: str) -> None:
    with pytest.raises(BadInput, match=words) as caught:
        make_change(SimBox(TABLE), thing, value)
    assert str(caught.value).startswith(f"table: {thing}: ")
    assert "\n" not in str(caught.value)


def test_a_misspelt_attribute_is_refused() -> None:
    """A test that writes to one would change nothing and pass."""
    box = SimBox(TABLE)
    probe = next(iter(box.senses.probes.values()))
    for part in (*box.loads.values(), *box.fans, box.case, probe):
        with pytest.raises(AttributeError):
            part.wanted = True  # type: ignore[union-attr]


def test_presses_have_the_time_of_the_box() -> None:
    box = SimBox(TABLE)
    make_change(box, "button", "held_twice")
    _run(box, 0.25)
    down = []
    for _ in range(16):
        down.append(box.button_down)
        _run(box, 0.5)
    assert down == [True] * 4 + [False] * 4 + [True] * 4 + [False] * 4
    make_change(box, "button", "pressed")
    assert box.button_down
    make_change(box, "button", "released")
    assert not box.button_down
