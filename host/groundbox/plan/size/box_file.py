"""The box file: a planned box, for `groundbox size`."""

from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from groundbox.battery.limits import cutoff_mismatch
from groundbox.errors import BadInput
from groundbox.plan.size.air import HEADS
from groundbox.toml_file import near, read_toml

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Fraction = Annotated[float, Meta(ge=0, le=1, description="a fraction")]
Celsius = Annotated[float, Meta(ge=-40, le=90, description="°C")]


class _SizePart(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A part of the file; a key that is not known is refused."""


class SizeDuty(_SizePart, frozen=True, kw_only=True):
    amps: NotNegative
    minutes: Positive
    what: str = ""


class SizeRow(_SizePart, frozen=True, kw_only=True):
    amps: Positive
    minutes: Positive


class SizeBattery(_SizePart, frozen=True, kw_only=True):
    cells: Annotated[int, Meta(ge=1, le=24)] = 6
    vented: bool = False
    coldest_c: Celsius = 25.0
    temperature_factor: Annotated[float, Meta(ge=1, le=5, description="by the maker's sheet")] | None = None
    ageing_factor: Annotated[float, Meta(ge=1, le=2)] = 1.25
    design_margin: Annotated[float, Meta(ge=1, le=2)] = 1.10
    rows: list[SizeRow] = []
    rows_c20_ah: Positive | None = None
    in_parallel: Annotated[int, Meta(ge=1, le=10, description="equal batteries in parallel")] = 1


class SizeWire(_SizePart, frozen=True, kw_only=True):
    name: str
    one_way_m: Positive
    amps: NotNegative
    stall_amps: NotNegative | None = None
    awg: Annotated[int, Meta(ge=0, le=40)] | None = None
    mm2: Positive | None = None
    data_pairs: Annotated[int, Meta(ge=1, le=4)] | None = None
    copper_c: Celsius = 40.0
    source_volts: Positive = 12.0
    lowest_volts: Positive = 11.0


class SizeFuse(_SizePart, frozen=True, kw_only=True):
    name: str
    amps: Positive
    wire: str
    start_amps: NotNegative | None = None
    start_s: NotNegative = 0.0
    stall_amps: NotNegative | None = None
    case_c: Celsius = 40.0
    rating_amps: Positive | None = None
    behind: str | None = None
    interrupting_amps: Positive = 1000.0
    fuse_to_post_cm: NotNegative | None = None
    powered_pairs: Annotated[int, Meta(ge=0)] = 0
    fuses_on_pairs: Annotated[int, Meta(ge=0)] = 0


class SizeAir(_SizePart, frozen=True, kw_only=True):
    watts: NotNegative
    intake_c: Celsius
    limit_c: Celsius
    sun_w_m2: Annotated[float, Meta(ge=0, le=1400)] = 0.0
    lid_m2: NotNegative = 0.0
    lid_absorbs: Fraction = 0.6
    display_m2: NotNegative = 0.0
    display_absorbs: Fraction = 0.9
    altitude_m: Annotated[float, Meta(ge=-400, le=6000)] = 0.0
    fan_m3_h: NotNegative = 0.0
    fan_pa: NotNegative = 0.0
    opening_cm2: NotNegative = 0.0
    obstacles: tuple[str, ...] = ()
    wall_m2: Positive = 0.5
    mass_kg: Positive = 5.0
    humidity_percent: Annotated[float, Meta(gt=0, le=100)] | None = None


class SizeCharging(_SizePart, frozen=True, kw_only=True):
    opening_cm2: NotNegative = 0.0
    free_litres: Positive | None = None
    stages: tuple[str, ...] = ("float", "boost")


class SizeDivider(_SizePart, frozen=True, kw_only=True):
    """Battery volts to the board's converter. Tolerances as fractions; `adc_bits` as effective, not as printed."""

    top_ohm: Positive = 100e3
    bottom_ohm: Positive = 18e3
    resistor_tolerance: Fraction = 0.001
    reference_volts: Positive = 3.0
    reference_tolerance: Fraction = 0.001
    adc_bits: Annotated[float, Meta(ge=4, le=24)] = 10.0
    adc_offset_volts: NotNegative = 0.002
    adc_uneven_volts: NotNegative = 0.0037  # uneven steps that the firmware leaves: hardware/values.py, 5 LSB
    highest_volts: Positive = 16.0
    surge_volts: Positive = 40.0
    clamp_amps: Positive = 0.001
    filter_farad: Positive = 100e-9


class SizeParts(_SizePart, frozen=True, kw_only=True):
    """The rest: thermistor by beta, tachometer line, hold-up."""

    ntc_ohm_25c: Positive = 10e3
    ntc_beta_k: Positive = 3950.0
    ntc_series_ohm: Positive = 10e3
    tach_pull_up_ohm: Positive = 10e3
    tach_farad: NotNegative = 10e-9
    highest_rpm: Positive = 6000.0
    logic_volts: Positive = 3.3
    hold_amps: Positive = 0.16  # of the battery, while the board's radio sends: hardware/values.py
    hold_s: Positive = 0.05
    hold_from_volts: Positive = 11.0
    hold_to_volts: Positive = 7.0


class SizeBox(_SizePart, frozen=True, kw_only=True):
    name: str
    duty: Annotated[list[SizeDuty], Meta(min_length=1)]
    anytime: SizeDuty | None = None
    cutoff_volts: Positive = 11.0
    lead_ohm: NotNegative = 0.0
    battery: SizeBattery = SizeBattery()
    wire: list[SizeWire] = []
    fuse: list[SizeFuse] = []
    air: SizeAir | None = None
    charging: SizeCharging | None = None
    sensor: SizeDivider | None = None
    parts: SizeParts | None = None


def _no_name_twice(path: Path | str, kind: str, names: list[str]) -> None:
    for index, name in enumerate(names):
        if name in names[:index]:
            raise BadInput(path, f"{kind} {index + 1}, name", f'"{name}" is given twice: give each {kind} its own name')


def _checked_fuses(path: Path | str, box: SizeBox) -> None:
    wires, fuses = {wire.name for wire in box.wire}, {fuse.name for fuse in box.fuse}
    behind = {fuse.name: fuse.behind for fuse in box.fuse}
    for index, fuse in enumerate(box.fuse, 1):
        passed, at = {fuse.name}, fuse.behind
        while at is not None and at not in passed:
            passed, at = passed | {at}, behind.get(at)
        if at is not None and at != fuse.behind:
            raise BadInput(path, f"fuse {index}, behind", "is a circle: one of these fuses must be at the battery")
        if fuse.wire not in wires:
            raise BadInput(path, f"fuse {index}, wire", f'there is no wire "{fuse.wire}"; {near(fuse.wire, wires)}')
        if fuse.behind is not None and fuse.behind not in fuses - {fuse.name}:
            others = fuses - {fuse.name}
            raise BadInput(
                path, f"fuse {index}, behind", f'there is no other fuse "{fuse.behind}"; {near(fuse.behind, others)}'
            )


def load_box(path: Path | str) -> SizeBox:
    """A box file, checked; BadInput names file, place and fix."""
    box = read_toml(path, SizeBox)
    _no_name_twice(path, "wire", [wire.name for wire in box.wire])
    _no_name_twice(path, "fuse", [fuse.name for fuse in box.fuse])
    for index, wire in enumerate(box.wire, 1):
        if sum(value is not None for value in (wire.awg, wire.mm2, wire.data_pairs)) > 1:
            raise BadInput(path, f"wire {index}", "give one of awg, mm2 and data_pairs, or none to get a gauge")
    _checked_fuses(path, box)
    for name in box.air.obstacles if box.air else ():
        if name not in HEADS:
            raise BadInput(path, "air.obstacles", f'"{name}" is not known; {near(name, HEADS)}')
    for stage in box.charging.stages if box.charging else ():
        if stage not in ("float", "boost"):
            raise BadInput(path, "charging.stages", f'"{stage}" is not a stage; {near(stage, ("float", "boost"))}')
    if box.battery.rows and box.battery.rows_c20_ah is None:
        raise BadInput(
            path, "battery.rows_c20_ah", "is missing: give the 20-hour ampere-hours of the battery that the rows are of"
        )
    if box.parts and box.parts.hold_to_volts >= box.parts.hold_from_volts:
        raise BadInput(path, "parts.hold_to_volts", "must be under hold_from_volts")
    if wrong := cutoff_mismatch(box.cutoff_volts, box.battery.cells):
        raise BadInput(path, "cutoff_volts", wrong)
    return box
