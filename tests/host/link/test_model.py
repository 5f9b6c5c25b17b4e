"""Values follow the registry, are converted once, and go back to the same whole numbers."""

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox import conversion, model
from groundbox.errors import WireError
from groundbox.wire import messages
from groundbox.wire.messages import fields_of

KINDS = [model.Reading, model.Event, model.Summary, model.Hello, model.Health, model.Answer]


def _value(field: tuple[str, str | tuple[str, ...], int, int]) -> st.SearchStrategy[int | str | None]:
    name, code, low, high = field
    if isinstance(code, tuple):
        return st.none() | st.sampled_from(code)
    known = st.text("abcxyz09", min_size=low, max_size=high) if code == "s" else st.integers(low, high)
    return known if name in ("box", "boot", "sequence", "uptime_ms", "number", "command") else st.none() | known


def _messages(kind: type) -> st.SearchStrategy[list[int | str | None]]:
    fields = [_value(field) for field in fields_of(kind.__name__.lower())]
    return st.tuples(*fields).map(list)


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
@settings(deadline=None)
@given(st.data())
def test_every_value_of_the_registry_goes_there_and_back(kind: type, data: st.DataObject) -> None:
    values = data.draw(_messages(kind))
    try:
        item = conversion.from_wire(kind, values)
    except WireError:
        assert None in values
        return
    assert conversion.to_wire(item) == tuple(values)


@pytest.mark.parametrize("field", [f for f in fields_of("reading") if f[1] == "h"], ids=lambda field: field[0])
def test_every_whole_number_of_a_reading_goes_there_and_back(field: tuple[str, str, int, int], make_reading) -> None:
    name, _, low, high = field
    values = make_reading("mast", 3, 7, 7000)
    place = [one[0] for one in fields_of("reading")].index(name)
    for number in range(low, high + 1):
        values[place] = number
        assert conversion.to_wire(conversion.from_wire(model.Reading, values))[place] == number


def test_volts_amperes_celsius(make_reading) -> None:
    values = make_reading(
        "mast",
        3,
        7,
        7000,
        battery_mv=12_034,
        battery_ma=-1500,
        case_centi_c=-525,
        humidity_centi_percent=4210,
        fan1_rpm=0,
    )
    reading = conversion.from_wire(model.Reading, values, wall_s=5.0)
    assert reading.battery_volts == 12.034
    assert reading.battery_amps == -1.5
    assert reading.case_c == -5.25
    assert reading.humidity_percent == 42.1
    assert reading.fans[1].rpm == 0
    assert reading.wall_s == 5.0
    assert conversion.to_wire(reading) == tuple(values)


def test_fans_outputs_and_sensors_are_found_by_number_and_channel(make_reading) -> None:
    values = make_reading(
        "mast", 3, 7, 7000, fan3_state="stalled", fan3_rpm=12, fan3_percent=40, output2="shed", check_sensor="frozen"
    )
    reading = conversion.from_wire(model.Reading, values)
    assert reading.fans[3] == model.FanReading(state="stalled", rpm=12, percent=40)
    assert list(reading.fans) == [1, 2, 3, 4]
    assert reading.outputs == {1: values[[f[0] for f in fields_of("reading")].index("output1")], 2: "shed"}
    assert reading.sensors["check"] == "frozen"
    assert tuple(reading.sensors) == messages.CHANNELS


def test_a_reading_without_values_has_every_fan_output_and_channel_unknown() -> None:
    reading = model.Reading(box="mast", boot=1, sequence=1, uptime_ms=1)
    assert reading.fans == dict.fromkeys((1, 2, 3, 4), model.FanReading())
    assert reading.outputs == {1: None, 2: None}
    assert reading.sensors == dict.fromkeys(messages.CHANNELS)
    summary = model.Summary(box="mast", boot=1, sequence=1, uptime_ms=1, number=1)
    assert summary.sensors == {"voltage": None, "case": None}
    assert set(conversion.to_wire(replace(reading, fans={}, outputs={}, sensors={}))[4:]) == {None}


def test_a_new_fan_or_channel_of_the_registry_needs_no_change_and_a_new_value_names_its_class(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def extended(*more: tuple[str, object, int, int]) -> None:
        fields = {**messages.BY_NAME, "reading": (*messages.BY_NAME["reading"][:3], (*fields_of("reading"), *more))}
        monkeypatch.setattr(conversion, "fields_of", lambda name: fields[name][3])

    extended(("fan5_state", messages.FAN_STATES, 0, 0), ("lid_sensor", messages.SENSOR_STATES, 0, 0))
    layout = conversion._Layout(model.Reading)
    assert [number for number, _ in layout.fans] == [1, 2, 3, 4, 5]
    assert layout.sensors[-1][0] == "lid"
    extended(("lid_centi_c", "h", -4000, 12500))
    with pytest.raises(TypeError, match=re.escape("Reading lacks lid_c: the registry has reading.lid_centi_c")):
        conversion._Layout(model.Reading)


def test_a_field_that_the_registry_lacks_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = tuple(one for one in fields_of("reading") if one[0] != "intake_centi_c")
    monkeypatch.setattr(conversion, "fields_of", lambda name: kept)
    with pytest.raises(TypeError, match="Reading has intake_c"):
        conversion._Layout(model.Reading)


def test_unknown_is_none_not_zero(make_reading) -> None:
    reading = conversion.from_wire(model.Reading, make_reading("mast", 3, 7, 7000, battery_mv=None))
    assert reading.battery_volts is None
    assert reading.wall_s is None


@pytest.mark.parametrize("place", [0, 1, 2, 3])
def test_a_record_without_its_head_says_nothing(place: int, make_reading) -> None:
    values = make_reading("mast", 3, 7, 7000)
    values[place] = None
    with pytest.raises(WireError, match="reading without"):
        conversion.from_wire(model.Reading, values)


def test_a_record_with_a_value_too_many_is_refused(make_reading) -> None:
    with pytest.raises(ValueError, match="wants"):
        conversion.from_wire(model.Reading, [*make_reading("mast", 3, 7, 7000), None])
