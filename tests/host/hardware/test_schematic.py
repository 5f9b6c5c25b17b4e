"""The drawing to order from, its netlist, the parts list, the pin tables and the firmware's constants agree."""

import re
from pathlib import Path

import pytest
from hardware import pages, schematic, values

from groundbox.wire import settings

BOARD = Path(__file__).parents[3] / "hardware" / "board"
PARTS = {part.ref: part for part in schematic.parts()}
NETS = schematic.nets(list(PARTS.values()))
SIZES = {"k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9, "": 1.0}


def value(ref: str) -> float:
    """The value of a resistor or capacitor, in ohm or farad."""
    found = re.match(r"([\d.]+) ([kmun]?)(ohm|F|H)?\b", PARTS[ref].value)
    assert found, PARTS[ref].value
    return float(found[1]) * SIZES[found[2]]


def test_nets_are_those_of_the_netlist_that_kicad_exported() -> None:
    exported = schematic.parse((BOARD / "groundbox.net").read_text(encoding="utf-8"))
    found = {}
    for net in next(one for one in exported if one[0] == "nets")[1:]:
        name, nodes = net[2][1].removeprefix("/"), [one for one in net if one[0] == "node"]
        if not name.startswith("unconnected"):
            found[name] = {(node[1][1], node[2][1]) for node in nodes}
    assert found == NETS
    parts = {one[1][1]: one[2][1] for one in next(one for one in exported if one[0] == "components")[1:]}
    assert parts == {ref: part.value for ref, part in PARTS.items()}


def test_every_part_has_a_value_a_name_a_case_and_no_loose_end() -> None:
    for part in PARTS.values():
        assert part.value
        assert part.what
        assert part.footprint.startswith("groundbox:")
        if part.kind not in ("Board", "Monitor"):
            assert None not in part.nets.values(), part.ref
    assert [net for net, pins in NETS.items() if len(pins) < 2] == []


def test_the_board_is_wired_as_the_firmware_s_pins() -> None:
    pins = pages.pin_tables()["rp2"]
    wanted = {pins["divider"]: "DIV_PIN", pins["button"]: "BUTTON_PIN", pins["lamp"]: "LAMP", pins["buzzer"]: "BUZZER"}
    wanted |= {pins["i2c"][1]: "SDA", pins["i2c"][2]: "SCL", pins["onewire"][2]: "OW_BATTERY"}
    wanted |= {pins["ntc"][0]: "CASE_PIN", pins["ntc"][1]: "INTAKE_PIN"}
    for key, net in (("outputs", "OUT{}_PIN"), ("fan_drives", "DRIVE{}"), ("fan_tachs", "TACH{}_PIN")):
        wanted |= {pin: net.format(i) for i, pin in enumerate(pins[key], 1)}
    board = PARTS["A1"]
    used = {int(name[2:]): board.net_at(name) for name in board.names.values() if re.fullmatch(r"GP\d+", name)}
    assert {pin: net for pin, net in used.items() if net} == wanted
    assert board.net_at("ADC_VREF") == "VREF"
    assert pins["ntc"][2] not in used, "the third thermistor has no pin on this board: its sensor is 1-wire"


def test_values_in_the_drawing_are_those_of_the_firmware_and_of_the_calculations() -> None:
    default = settings.defaults()
    assert round(1000 * (1 + value("R1") / value("R2"))) == default["divider_ratio_e3"]
    assert value("R8") == value("R9") == default["ntc_pullup_ohm"]
    assert PARTS["U2"].value.startswith(f"{default['reference_mv'] / 1000:.3f} V")
    assert PARTS["RS1"].value.startswith(f"{default['shunt_micro_ohm'] / 1000:g} mohm")
    for ref, expected in (
        ("R1", values.DIVIDER_TOP_OHM),
        ("R2", values.DIVIDER_BOTTOM_OHM),
        ("R3", values.DIVIDER_SERIES_OHM),
        ("R4", values.REFERENCE_FEED_OHM),
        ("R7", values.MONITOR_SERIES_OHM),
        ("R11", values.NTC_SERIES_OHM),
        ("R18", values.CONTROL_SERIES_OHM),
        ("R22", values.TACH_PULLUP_OHM),
        ("R30", values.INRUSH_OHM),
        ("R33", values.BLEED_OHM),
        ("R38", values.PORT_SENSE_OHM),
        ("R39", values.PORT_UPPER_OHM),
        ("R40", values.PORT_LOWER_OHM),
        ("R41", values.PORT_UNDER_OHM),
        ("R44", values.GATE_BASE_OHM),
        ("R45", values.GATE_OHM),
        ("R51", values.BUTTON_PULLUP_OHM),
        ("R52", values.BUTTON_SERIES_OHM),
        ("C1", values.HOLD_UP_FARAD),
        ("C2", values.DIVIDER_FARAD),
        ("C5", values.NTC_FARAD),
        ("C8", values.TACH_FARAD),
        ("C12", values.FAN_FILTER_FARAD),
        ("C17", values.GATE_FARAD),
        ("C19", values.BUTTON_FARAD),
        ("L1", values.FAN_FILTER_HENRY),
    ):
        assert value(ref) == pytest.approx(expected), ref
    for ref, amps in (
        ("F1", values.BATTERY_FUSE_AMPS),
        ("F3", values.EQUIPMENT_FUSE_AMPS),
        ("F4", values.BOARD_FUSE_AMPS),
    ):
        assert PARTS[ref].value.startswith(f"{amps} A"), ref
    for ref, clamp in (("D1", values.BUS_CLAMP), ("D2", values.PORT_CLAMP)):
        assert PARTS[ref].value.startswith(f"{clamp[0]:g} V stand-off, {clamp[2]:g} V at {clamp[3]:g} A"), ref


def test_the_parts_list_has_every_part_once() -> None:
    listed = [ref for row in pages.parts().splitlines()[2:] for ref in row.split(" | ")[0].strip("| ").split(", ")]
    off_board = [name for row in values.OFF_BOARD for name in row[0].split(", ")]
    drawn = [ref for ref in PARTS if not ref.startswith("J")]
    assert sorted(listed) == sorted([*drawn, *off_board])


def test_what_keeps_a_box_safe_is_wired() -> None:
    """Each statement of circuit.md about a fault, as a path in the netlist."""

    def across(ref: str, one: str, other: str) -> bool:
        return set(PARTS[ref].nets.values()) == {one, other}

    for k, (down, off, free) in enumerate((("R43", "Q9", "D10"), ("R47", "Q12", "D12")), 1):
        assert across(down, f"OUT{k}_PIN", "GND"), "a floating pin leaves output 1 on and output 2 off"
        assert PARTS[off].net_at("G") == f"OUT{k}_PIN"
        assert PARTS[free].net_at("K") == f"OUT{k}"
        assert PARTS[free].net_at("A") == "GND"
    assert across("R45", "OUT1_G", "GND"), "output 1 is on by default: its P-channel gate is pulled down"
    assert (PARTS["Q10"].net_at("E"), PARTS["Q10"].net_at("C")) == ("SWITCHED", "OUT1_G")
    assert across("R49", "OUT2_G", "SWITCHED"), "output 2 is off by default: its gate is pulled to its source"
    assert across("R48", "OUT2_G", "OUT2_N"), "a high pin pulls the gate down"
    assert PARTS["Q12"].net_at("D") == "OUT2_N"
    assert (value("R49"), value("R48")) == (values.OFF_GATE_UP_OHM, values.OFF_GATE_DOWN_OHM)
    for i in range(4):
        assert across(f"R{14 + i}", f"DRIVE{i + 1}", "GND"), "a floating pin lets the fan run at full speed"
        assert PARTS[f"Q{4 + i}"].net_at("G") == f"DRIVE{i + 1}"
    assert across("R54", "BUZZER", "GND")
    assert (PARTS["Q1"].net_at("D"), PARTS["Q1"].net_at("S")) == ("BAT_F", "BAT_P"), "its diode conducts forward"
    assert PARTS["Q2"].net_at("S") == PARTS["Q3"].net_at("S"), "source to source: blocks both ways"
    assert (PARTS["D3"].net_at("A"), PARTS["D3"].net_at("K")) == ("SUP_F", "SUP_D"), "a dip cannot drain C1"
    assert PARTS["D1"].net_at("K") == "+12V"
    assert PARTS["D2"].net_at("K") == "CHG_F"
    for fuse, one, other in (("F1", "BAT+", "BAT_F"), ("F5", "SENSE_B", "S+"), ("F6", "CHG_IN", "CHG_F")):
        assert across(fuse, one, other)


def test_the_board_has_every_part_once_with_the_nets_of_the_drawing_inside_one_outline() -> None:
    board = schematic.parse((BOARD / "groundbox.kicad_pcb").read_text(encoding="utf-8"))
    found: dict[tuple[str, str], str | None] = {}
    for footprint in (one for one in board if one[0] == "footprint"):
        ref = next(one[2] for one in footprint if one[0] == "fp_text" and one[1] == "reference")
        for pad in (one for one in footprint if one[0] == "pad"):
            assert (ref, pad[1]) not in found
            net = next((one[2].removeprefix("/") for one in pad[2:] if one[0] == "net"), None)
            if pad[1]:
                found[ref, pad[1]] = net
    drawn = {(part.ref, number): net for part in PARTS.values() for number, net in part.nets.items()}
    assert {pad: net for pad, net in found.items() if pad in drawn or net is not None} == drawn
    assert found.keys() - drawn.keys() == {("U2", "3"), ("U4", "9"), ("U4", "10")}, "pins that the kind leaves free"
    edges = [one for one in board if one[0] == "gr_line" and ["layer", "Edge.Cuts"] in one]
    corners = sorted(tuple(map(float, end[1:])) for one in edges for end in one[1:3])
    assert corners[::2] == corners[1::2], "the outline is closed"
    (left, top), (right, bottom) = corners[0], corners[-1]
    assert (right - left, bottom - top) == (200, 136)
