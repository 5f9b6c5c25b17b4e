"""Every part of a planned box, sized."""

from dataclasses import replace
from math import inf

from msgspec.structs import asdict

from groundbox.battery.limits import RuntimeLimits
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Phase
from groundbox.plan import battery_pool
from groundbox.plan.size.air import SizeCase, size_air
from groundbox.plan.size.battery import ORDINARY_AH, TYPICAL_C20_AH, TYPICAL_ROWS, DutyPeriod, size_battery
from groundbox.plan.size.box_file import SizeAir, SizeBox
from groundbox.plan.size.fuse import FuseBranch, size_fuse
from groundbox.plan.size.gas import size_gas
from groundbox.plan.size.result import SizeResult
from groundbox.plan.size.sensor import size_divider, size_hold_up, size_tachometer, size_thermistor
from groundbox.plan.size.wire import WireRun, size_wire

WORN_HEALTH, CHARGE_SD = 0.8, 0.02


def _battery_and_runtime(box: SizeBox) -> tuple[SizeResult, SizeResult]:
    """The smallest ordinary battery that the section method takes and that lasts the duty to the box's own cutoff."""
    battery, blocks = _battery(box), box.battery.in_parallel
    least_ah = battery.values.get("ordinary_ah", battery.values["needed_ah"]) / blocks
    least = _runtime(box, least_ah * blocks)
    if not least.stop:
        return battery, least
    for each_ah in (ah for ah in ORDINARY_AH if ah > least_ah):
        runtime = _runtime(box, each_ah * blocks)
        if not runtime.stop:
            return _larger(box, battery, each_ah), runtime
    return battery, least


def _larger(box: SizeBox, battery: SizeResult, each_ah: float) -> SizeResult:
    """The answer of the section method with a larger ordinary battery, which the box's own cutoff asks for."""
    blocks = box.battery.in_parallel
    many = "" if blocks == 1 else f" {blocks} batteries of"
    answer = (
        f"needs {battery.values['needed_ah']:.1f} Ah to 1.75 V per cell; take{many} {each_ah:g} Ah: "
        f"only that lasts to the cutoff of {box.cutoff_volts:g} V when worn"
    )
    return replace(battery, answer=answer, values=battery.values | {"ordinary_ah": each_ah * blocks})


def _battery(box: SizeBox) -> SizeResult:
    rows = [(row.minutes, row.amps) for row in box.battery.rows] or TYPICAL_ROWS
    anytime = DutyPeriod(amps=box.anytime.amps, minutes=box.anytime.minutes) if box.anytime else None
    return size_battery(
        [DutyPeriod(amps=duty.amps, minutes=duty.minutes) for duty in box.duty],
        anytime=anytime,
        coldest_c=box.battery.coldest_c,
        ageing_factor=box.battery.ageing_factor,
        design_margin=box.battery.design_margin,
        rows=rows,
        c20_ah=box.battery.rows_c20_ah or TYPICAL_C20_AH,
        blocks=box.battery.in_parallel,
        sheet_factor=box.battery.temperature_factor,
    )


def _runtime(box: SizeBox, battery_ah: float) -> SizeResult:
    """Runtime of that battery on the same duty by the estimator's model, new and worn to 80 %."""
    profile = BatteryProfile(c20_ah=battery_ah, cells=box.battery.cells)
    limits = RuntimeLimits(cutoff_volts=box.cutoff_volts, lead_ohm=box.lead_ohm)
    peak = box.anytime.amps if box.anytime else 0.0
    phases = [Phase(seconds=60 * duty.minutes, amps=duty.amps, peak_amps=duty.amps + peak) for duty in box.duty]
    values: dict[str, float] = {"duty_min": sum(duty.minutes for duty in box.duty)}
    parts = []
    for label, health in (("new", 1.0), ("worn to 80 %", WORN_HEALTH)):
        bank = battery_pool.initial_bank(profile, health=health, soc=1.0, soc_sd=CHARGE_SD)
        band = battery_pool.runtime(bank, profile, limits, phases, box.battery.coldest_c)
        parts.append(f"{label} {band.low_min:.0f} / {band.expected_min:.0f} / {band.high_min:.0f} min")
        key = label.split()[0]
        values |= {
            f"{key}_low_min": band.low_min,
            f"{key}_expected_min": band.expected_min,
            f"{key}_high_min": band.high_min,
        }
    short = values["worn_low_min"] < values["duty_min"]
    return SizeResult(
        topic="runtime",
        answer=f"{battery_ah:g} Ah, low / expected / high: {'; '.join(parts)}"
        f"; the duty lasts {values['duty_min']:.0f} min"
        + ("; the low runtime of the worn battery is shorter" if short else ""),
        formula="the estimator's particles run over the duty, its last load without end, down to the first limit",
        source="this project's own battery model (its errors are in the accuracy benchmark); 80 % is where IEEE "
        "450 and 1188 replace a battery (from memory)",
        values=values,
        numbers={
            "battery_ah": battery_ah,
            "cutoff_volts": box.cutoff_volts,
            "lead_ohm": box.lead_ohm,
            "peak_amps": peak,
        }
        | {"battery_c": box.battery.coldest_c},
        cautions=("A model of sound batteries, not of yours: test a new box with a discharge on the bench.",),
        stop=short,
    )


def _wires(box: SizeBox, ratings: dict[str, float]) -> dict[str, SizeResult]:
    """The wires; one without a gauge is as thick as its fuse asks for.

    Args:
        ratings: wire -> rating of its fuse, amperes.
    """
    mains = {fuse.wire for fuse in box.fuse if fuse.behind is None}
    return {
        wire.name: size_wire(
            wire.name,
            WireRun(
                **{k: v for k, v in asdict(wire).items() if k != "name"},
                fuse_amps=ratings.get(wire.name),
                battery_main=wire.name in mains and wire.data_pairs is None,
            ),
        )
        for wire in box.wire
    }


def _fuses(box: SizeBox, carries_amps: dict[str, float], battery_ah: float) -> dict[str, SizeResult]:
    """The fuses.

    Args:
        carries_amps: wire -> amperes that it carries; a missing wire counts as thick enough.
    """
    results: dict[str, SizeResult] = {}
    # A fuse is sized after the fuse nearer the battery, because its rating depends on that one.
    waiting = list(box.fuse)
    while waiting:
        ready = next((fuse for fuse in waiting if fuse.behind is None or fuse.behind in results), waiting[0])
        waiting.remove(ready)
        parent = results.get(ready.behind or "")
        fields = {k: v for k, v in asdict(ready).items() if k not in ("name", "wire", "behind")}
        branch = FuseBranch(
            wire_carries_amps=carries_amps.get(ready.wire, inf),
            parent_amps=parent.values["rating_amps"] if parent else None,
            **fields,
        )
        results[ready.name] = size_fuse(
            ready.name, branch, battery_ah=battery_ah / box.battery.in_parallel, blocks=box.battery.in_parallel
        )
    return {fuse.name: results[fuse.name] for fuse in box.fuse}


def _air(air: SizeAir) -> SizeResult:
    fields = asdict(air)
    return size_air(SizeCase(opening_m2=fields.pop("opening_cm2") / 1e4, **fields))


def _sensors(box: SizeBox) -> list[SizeResult]:
    results = [size_divider(box.sensor)] if box.sensor else []
    if box.parts:
        results += [
            size_thermistor(box.parts),
            size_tachometer(box.parts),
            size_hold_up(box.parts),
        ]
    return results


def size_box(box: SizeBox) -> list[SizeResult]:
    """Every result for the box file, battery first."""
    battery, runtime = _battery_and_runtime(box)
    battery_ah = runtime.numbers["battery_ah"]
    first = _fuses(box, {}, battery_ah)
    wires = _wires(box, {fuse.wire: first[fuse.name].values["rating_amps"] for fuse in box.fuse})
    carries_amps = {name: wire.values["carries_amps"] for name, wire in wires.items()}
    results = [battery, runtime, *wires.values(), *_fuses(box, carries_amps, battery_ah).values()]
    if box.air:
        results.append(_air(box.air))
    if box.charging:
        for stage in box.charging.stages:
            results.append(
                size_gas(
                    cells=box.battery.cells,
                    c20_ah=battery_ah,
                    vented=box.battery.vented,
                    stage=stage,
                    opening_cm2=box.charging.opening_cm2,
                    free_litres=box.charging.free_litres,
                )
            )
    return results + _sensors(box)
