"""Values follow the registry, and are converted once."""

from dataclasses import fields

import pytest

from groundbox import model
from groundbox.errors import WireError
from groundbox.wire.messages import fields_of

KINDS = [model.Reading, model.Event, model.Summary, model.Hello, model.Health, model.Answer]


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_fields_are_those_of_the_registry_in_its_order(kind: type) -> None:
    host_only = {"wall_s", "wall_uncertainty_s", "wall_source", "again", "wire"}
    wired = [model.wire_name(field.name)[0] for field in fields(kind) if field.name not in host_only]
    assert wired == [field[0] for field in fields_of(kind.__name__.lower())]


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
    reading = model.from_wire(model.Reading, values, wall_s=5.0)
    assert reading.battery_volts == 12.034
    assert reading.battery_amps == -1.5
    assert reading.case_c == -5.25
    assert reading.humidity_percent == 42.1
    assert reading.fan1_rpm == 0
    assert reading.wall_s == 5.0
    assert reading.wire == tuple(values)


def test_unknown_is_none_not_zero(make_reading) -> None:
    reading = model.from_wire(model.Reading, make_reading("mast", 3, 7, 7000, battery_mv=None))
    assert reading.battery_volts is None
    assert reading.wall_s is None


@pytest.mark.parametrize("place", [0, 1, 2, 3])
def test_a_record_without_its_head_says_nothing(place: int, make_reading) -> None:
    values = make_reading("mast", 3, 7, 7000)
    values[place] = None
    with pytest.raises(WireError, match="reading without"):
        model.from_wire(model.Reading, values)
