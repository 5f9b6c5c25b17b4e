"""Tables of the pages here, computed: `python -m hardware.pages` writes them between their marks; a test compares."""

import importlib.util
import re
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from hardware import budget, schematic, steps, worked
from hardware import values as v

from groundbox.wire import settings

HERE = Path(__file__).parent
MARK = re.compile(r"(<!-- made by pages\.py: ([a-z0-9_ ]+) -->\n).*?(<!-- end -->)", re.DOTALL)

# Key in firmware/drivers/pins.py -> what each of its pins is.
NAMES: dict[str, Sequence[str]] = {
    "outputs": ("output 1", "output 2"),
    "i2c": ("", "I2C data", "I2C clock"),
    "button": ("button",),
    "lamp": ("lamp",),
    "buzzer": ("buzzer",),
    "onewire": ("case, 1-wire", "intake, 1-wire", "battery, 1-wire"),
    "ntc": ("case, thermistor", "intake, thermistor", "battery, thermistor"),
    "divider": ("voltage divider",),
    "fan_drives": ("fan 1 drive", "fan 2 drive", "fan 3 drive", "fan 4 drive"),
    "fan_tachs": ("fan 1 tachometer", "fan 2 tachometer", "fan 3 tachometer", "fan 4 tachometer"),
}
LEVELS: dict[str, str | Sequence[str]] = {
    "outputs": ("low = on, 100 k to ground", "high = on, 100 k to ground: off without a program"),
    "i2c": "3.3 V, 4.7 k up",
    "button": "low = pressed",
    "lamp": "high = on",
    "buzzer": "high = on",
    "onewire": "4.7 k up to 3.3 V",
    "ntc": "fraction of the reference",
    "divider": "fraction of the reference",
    "fan_drives": "low = full speed, 100 k to ground",
    "fan_tachs": "open collector, 10 k up to 3.3 V",
}


def pin_tables() -> dict[str, dict[str, Any]]:
    """TABLES of firmware/drivers/pins.py."""
    spec = importlib.util.spec_from_file_location("board_pins", HERE.parent / "firmware" / "drivers" / "pins.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    tables: dict[str, dict[str, Any]] = module.TABLES
    return tables


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "".join("| " + " | ".join(cells) + " |\n" for cells in lines)


def pins() -> str:
    """Both boards' pins, one row for each thing."""
    boards = pin_tables()
    rows = []
    for key, names in NAMES.items():
        for i, name in enumerate(names):
            numbers = [_number(board[key], i) for board in boards.values()]
            if name:
                level = LEVELS[key]
                cell = level if isinstance(level, str) else level[i]
                rows.append((name, *("none" if n is None else f"GPIO {n}" for n in numbers), cell))
    return table(("what", *(board["board"] for board in boards.values()), "level"), rows)


def _number(pins: object, i: int) -> int | None:
    number = pins[i] if isinstance(pins, tuple) else pins
    return number if isinstance(number, int) else None


def parts() -> str:
    """Parts list: those of the drawing, equal ones in one row, then those beside the board."""
    same: dict[tuple[str, str, str], list[str]] = {}
    for one in schematic.parts():
        if one.kind != "Conn2" and not one.ref.startswith("J"):
            same.setdefault((one.what, one.value, one.footprint.partition(":")[2]), []).append(one.ref)
    rows = [(", ".join(refs), what, f"{value}; {case}", str(len(refs))) for (what, value, case), refs in same.items()]
    rows += [(name, what, value, str(count) if count else "as needed") for name, what, value, count in v.OFF_BOARD]
    return table(("drawing", "part", "value, rating; case", "how many"), rows)


def connectors() -> str:
    """Each connector with the net of each pin."""
    rows = []
    for one in schematic.parts():
        if one.ref.startswith("J"):
            pins = [one.nets.get(str(number)) or "" for number in (1, 2, 3, 4)]
            rows.append((one.ref, one.what, *pins))
    return table(("connector", "for", "pin 1", "pin 2", "pin 3", "pin 4"), rows)


def errors() -> str:
    """Worst case and root sum square of each channel, before and after calibration."""
    rows = []
    for name, unit, terms in budget.CHANNELS:
        figures = [f(terms, calibrated) for calibrated in (False, True) for f in (budget.worst, budget.rss)]
        rows.append((name, *(f"{figure:.3g} {unit}" for figure in figures)))
    head = ("channel", "worst case", "root sum square", "calibrated, worst", "calibrated, root sum square")
    return table(head, rows)


def causes() -> str:
    """Each cause of each channel."""
    out = []
    for name, unit, terms in budget.CHANNELS:
        rows = [(t.what, f"{t.limit:.2g}", f"{t.left:.2g}") for t in terms]
        out.append(f"{name}, {unit}, either way\n\n" + table(("cause", "before", "after calibration"), rows))
    return "\n".join(out)


def runtime() -> str:
    """Voltage errors in minutes of runtime, at several voltages of the discharge."""
    rows = []
    for name, terms in (("monitor", budget.monitor_mv()), ("divider", budget.divider_mv())):
        for calibrated in (False, True):
            error = budget.rss(terms, calibrated)
            cells = [f"{budget.minutes(error, volts):.0f}" for volts, _ in v.FALL_MV_PER_MIN]
            rows.append((f"{name}{', calibrated' if calibrated else ''}", f"{error:.0f} mV", *cells))
    shared = worked.shared_minus_mv()
    cells = [f"{budget.minutes(shared, volts):.0f}" for volts, _ in v.FALL_MV_PER_MIN]
    rows.append(("board's minus shared with loads of 5 A", f"{shared:.0f} mV more", *cells))
    head = ("voltage by", "error", *(f"min at {volts:g} V" for volts, _ in v.FALL_MV_PER_MIN))
    return table(head, rows)


def cable() -> str:
    """Volts lost in powered data pairs."""
    head = ("length", "0.1 A, one pair", "0.3 A, one pair", "0.5 A, one pair", "1 A, two pairs")
    return table(head, worked.cable())


def defaults() -> str:
    """Settings of the firmware for this circuit."""
    names = ("reference_mv", "divider_ratio_e3", "shunt_micro_ohm", "ntc_pullup_ohm", "fan_pulses_per_turn")
    default = settings.defaults()
    return table(("setting", "default"), ((f"`{name}`", str(default[name])) for name in names))


def point(name: str) -> str:
    """One point of circuit.md."""
    return table(("what", "how", "result"), worked.TOPICS[name]())


def bring_up() -> str:
    """Bench steps with the reading to expect."""
    rows = ((str(i + 1), do, expect, "") for i, (do, expect) in enumerate(steps.steps()))
    return table(("step", "do", "expect", "measured"), rows)


MADE = {f.__name__: f for f in (pins, parts, connectors, errors, causes, runtime, cable, defaults, bring_up)}


def made(name: str) -> str:
    """The block called `name`: one of MADE, or "point ..." of worked.TOPICS."""
    return point(name.removeprefix("point ")) if name.startswith("point ") else MADE[name]()


def filled(text: str) -> str:
    """`text` with every block computed again."""
    return MARK.sub(lambda found: found[1] + made(found[2]) + found[3], text)


def main() -> None:
    """Every page of this folder."""
    for page in sorted(HERE.glob("*.md")):
        page.write_text(filled(page.read_text(encoding="utf-8")), encoding="utf-8")


if __name__ == "__main__":
    main()
