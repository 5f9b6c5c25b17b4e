"""Pages, drawings, pin table and parts list say what values.py, firmware/drivers/pins.py and the settings say."""

import re
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hardware import pages, schematic, values, worked
from hardware.values import farad, ohm

from groundbox.wire import settings

ROOT = Path(__file__).parents[3]
HARDWARE = ROOT / "hardware"
PAGES = sorted(HARDWARE.glob("*.md"))
DRAWINGS = sorted(HARDWARE.glob("*.svg"))


def texts(drawing: Path) -> list[str]:
    """Every line of text in a drawing, in order."""
    root = ElementTree.parse(drawing).getroot()
    found = (part.text for part in root.iter() if part.tag.rpartition("}")[2] in ("text", "tspan"))
    return [text.strip() for text in found if text and text.strip()]


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_tables_are_as_made(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    assert pages.filled(text) == text, "run: python -m hardware.pages"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        assert (HARDWARE / target).exists(), target


def test_every_topic_is_in_the_circuit_page() -> None:
    text = (HARDWARE / "circuit.md").read_text(encoding="utf-8")
    for name in worked.TOPICS:
        assert f"made by pages.py: point {name} -->" in text


@pytest.mark.parametrize("column", [1, 2])
def test_pin_page_agrees_with_the_firmware(column: int) -> None:
    """Read back from the page, against the firmware's table taken apart another way."""
    rows = [
        line.strip("| \n").split(" | ") for line in (HARDWARE / "pins.md").read_text().splitlines() if " | " in line
    ]
    board = {table["board"]: table for table in pages.pin_tables().values()}[rows[0][column]]
    shown = {cells[0]: cells[column] for cells in rows[2:]}
    _, data, clock = board["i2c"]
    wanted = {"I2C data": data, "I2C clock": clock, "voltage divider": board["divider"]}
    wanted |= {name: board[name] for name in ("button", "lamp", "buzzer")}
    wanted |= {f"output {i + 1}": pin for i, pin in enumerate(board["outputs"])}
    wanted |= {f"fan {i + 1} drive": pin for i, pin in enumerate(board["fan_drives"])}
    wanted |= {f"fan {i + 1} tachometer": pin for i, pin in enumerate(board["fan_tachs"])}
    for place, ntc, onewire in zip(("case", "intake", "battery"), board["ntc"], board["onewire"], strict=True):
        wanted |= {f"{place}, thermistor": ntc, f"{place}, 1-wire": onewire}
    assert shown == {name: "none" if pin is None else f"GPIO {pin}" for name, pin in wanted.items()}
    used = [pin for pin in wanted.values() if pin is not None]
    assert len(used) == len(set(used)), "a pin is used twice"


def test_a_wrong_pin_would_be_seen() -> None:
    text = (HARDWARE / "pins.md").read_text(encoding="utf-8")
    wrong = text.replace("GPIO 26", "GPIO 9", 1)
    assert wrong != text
    assert pages.filled(wrong) == text


def test_settings_of_the_firmware_fit_this_circuit() -> None:
    default = settings.defaults()
    ratio = 1 + values.DIVIDER_TOP_OHM / values.DIVIDER_BOTTOM_OHM
    assert default["reference_mv"] == round(values.REFERENCE_VOLTS * 1000)
    assert default["divider_ratio_e3"] == round(ratio * 1000)
    assert default["shunt_micro_ohm"] == round(values.SHUNT_OHM * 1e6)
    assert default["ntc_pullup_ohm"] == values.NTC_PULLUP_OHM
    assert settings.SENSOR_KINDS[default["case_sensor_kind"]] == f"ntc_b{values.NTC_BETA_K}"
    assert settings.MONITOR_KINDS[default["voltage_monitor_kind"]] == "ina226"
    assert default["radio_allowed"] == 0
    assert f"_FAN_HZ = {values.FAN_HZ}" in (ROOT / "firmware" / "drivers" / "board.py").read_text(encoding="utf-8")


def test_full_scale_lies_over_every_limit_of_the_firmware() -> None:
    ratio = 1 + values.DIVIDER_TOP_OHM / values.DIVIDER_BOTTOM_OHM
    highest = settings.range_of("over_mv")
    assert highest is not None
    assert values.REFERENCE_VOLTS * 1000 * ratio > highest[1] + 1000
    assert highest[1] < values.PORT_OPENS_VOLTS * 1000


def test_drawn_parts_are_on_the_list() -> None:
    listed = ", ".join([*(part.ref for part in schematic.parts()), *(row[0] for row in values.OFF_BOARD)])
    known = set(re.findall(r"\b[A-Z]+\d*\b", listed))
    for drawing in DRAWINGS:
        for text in texts(drawing):
            for part in re.findall(r"\b(?:[RCDQUFL]\d+|TH\d+|RS\d)\b", text):
                assert part in known, f"{drawing.name}: {part}"


def test_drawings_carry_the_values() -> None:
    shown = {drawing.name: " ".join(texts(drawing)) for drawing in DRAWINGS}
    assert f"R1 {ohm(values.DIVIDER_TOP_OHM)}" in shown["sense.svg"]
    assert f"R2 {ohm(values.DIVIDER_BOTTOM_OHM)}" in shown["sense.svg"]
    assert f"RS1 {ohm(values.SHUNT_OHM)}" in shown["power.svg"]
    assert f"F1 {values.BATTERY_FUSE_AMPS} A" in shown["power.svg"]
    assert farad(values.HOLD_UP_FARAD) in shown["power.svg"]
    assert farad(values.TACH_FARAD) in shown["fans.svg"]


def test_drawings_are_as_drawn(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawn again, every word in them is the same (the lines depend on schemdraw's version)."""
    pytest.importorskip("schemdraw")
    from hardware import draw

    monkeypatch.setattr(draw, "HERE", tmp_path)
    draw.main()
    drawn = [drawing for drawing in DRAWINGS if drawing.name != "case.svg"]  # that one is drawn by hand
    assert [path.name for path in sorted(tmp_path.glob("*.svg"))] == [path.name for path in drawn]
    for drawing in drawn:
        assert texts(tmp_path / drawing.name) == texts(drawing), "run: python -m hardware.draw"
