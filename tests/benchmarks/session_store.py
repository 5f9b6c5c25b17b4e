"""A made-up session in a store: hours of 1 Hz readings of two boxes on rig batteries, with flights and warnings."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from groundbox.conversion import from_wire
from groundbox.model import Mark, Reading, WarningChange
from groundbox.rig.electric import SimBattery, SimBatterySettings
from groundbox.store import Store
from groundbox.wire.messages import fields_of

BASE_S = 1_800_000_000.0
FLIGHT_S, EVERY_S = 2100, 4500
NAMES = [name for name, *_ in fields_of("reading")]
KNOWN = {"voltage_sensor": "ok", "current_sensor": "ok", "case_sensor": "ok", "charging": "no", "output1": "on"}
SETTINGS = """
database = "day.db"
[flight]
length_min = 35
time_home_min = 8
[batteries.T18]
profile = "T18.toml"
[batteries.M9]
profile = "M9.toml"
[boxes.table]
battery = "T18"
cutoff_volts = 11.0
lead_ohm = 0.02
loads = [{ name = "display", watts = 18 }, { name = "fans", watts = 6, with_fans = true }]
[boxes.mast]
battery = "M9"
cutoff_volts = 11.0
lead_ohm = 0.03
loads = [{ name = "receivers", watts = 14 }, { name = "fans", watts = 5, with_fans = true }]
"""
BOXES = {
    "table": (SimBatterySettings(c20_ah=18.0, ohm=0.016), 1.5),
    "mast": (SimBatterySettings(c20_ah=9.0, health=0.9, ohm=0.032), 1.15),
}


def readings(box: str, hours: float) -> Iterator[Reading]:
    """One reading a second; fans come and go, and every seventh second has a short peak of 3 A."""
    settings, base_amps = BOXES[box]
    battery = SimBattery(settings)
    case_c, fans = 28.0, False
    for second in range(int(hours * 3600)):
        fans = case_c > 31 if fans else case_c > 35
        amps = base_amps + (0.45 if fans else 0.0)
        volts = battery.inner_volts() - amps * battery.ohm(charging=False)
        battery.step(1.0, volts, amps)
        case_c += ((46 - case_c) - (8 * (case_c - 26) if fans else 0)) / 3600
        low_volts = volts - (3.0 * settings.ohm if second % 7 == 0 else 0.002)
        known: dict[str, int | str] = {
            **KNOWN,
            "box": box,
            "boot": 1,
            "sequence": second + 1,
            "uptime_ms": 1000 * second,
            "battery_mv": round(1000 * volts),
            "battery_min_mv": round(1000 * low_volts),
            "battery_max_mv": round(1000 * volts) + 3,
            "battery_ma": round(1000 * amps),
            "battery_min_ma": round(1000 * amps),
            "battery_max_ma": round(1000 * amps) + (3000 if second % 7 == 0 else 0),
            "case_centi_c": round(100 * case_c),
            "battery_centi_c": 2700,
            "intake_centi_c": 2600,
            "fan1_percent": 100 if fans else 0,
            "fan1_rpm": 3000 if fans else 0,
            "fan1_state": "running" if fans else "off",
            "place": "flight" if second % EVERY_S < FLIGHT_S else "ground",
        }
        yield from_wire(
            Reading,
            [known.get(name) for name in NAMES],
            wall_s=BASE_S + second,
            wall_uncertainty_s=0.05,
            wall_source="exchange",
        )


def make(folder: Path, hours: float) -> Path:
    """The settings file of a new session of `hours` in `folder`."""
    (folder / "groundbox.toml").write_text(SETTINGS)
    for name, (settings, _) in zip(("T18", "M9"), BOXES.values(), strict=True):
        (folder / f"{name}.toml").write_text(f"c20_ah = {settings.c20_ah}\n")
    with Store(folder / "day.db") as store:
        for box in BOXES:
            for reading in readings(box, hours):
                store.add([reading])
                if reading.sequence % 10_000 == 0:
                    store.commit()
        for begin in range(0, int(hours * 3600) - FLIGHT_S, EVERY_S):
            for kind, at_s in (("launch", begin + 60), ("landing", begin + FLIGHT_S)):
                store.add_mark(Mark(box="table", kind=kind, wall_s=BASE_S + at_s))
            heat = WarningChange(
                box="mast",
                warning="heat",
                severity="notice",
                change="raised",
                sentence="case at 45 C",
                wall_s=BASE_S + begin + 900,
            )
            store.add_warning(heat)
            store.add_warning(replace(heat, change="cleared", wall_s=heat.wall_s + 240))
        store.commit()
    return folder / "groundbox.toml"
