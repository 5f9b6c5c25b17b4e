"""Voltage lost in a run of copper, by gauge or cross-section, and in powered pairs of a data cable."""

from dataclasses import dataclass
from math import pi

from groundbox.plan.size.result import LOCAL_CODE, SizeResult

COPPER_OHM_M_20C = 1.7241e-8  # annealed copper, 100 % IACS (IEC 60028)
COPPER_PER_K = 0.00393  # same source, at 20 C
DATA_PAIR_AWG = 24
DATA_PAIR_AMPS = 0.6  # per pair; IEEE 802.3bt Type 3, from memory
# Amps by mm2 for copper in PVC at 40 °C in a bundle or conduit (IEC 60204-1, method B1; from memory).
CARRIES_AMPS = (
    (0.2, 2.5),
    (0.5, 6.0),
    (0.75, 8.6),
    (1.0, 10.3),
    (1.5, 13.5),
    (2.5, 18.3),
    (4.0, 24),
    (6.0, 31),
    (10, 44),
)
GAUGES = (26, 24, 22, 20, 18, 16, 14, 12, 10, 8, 6)
MAIN_AWG = 18  # the thinnest lead of a battery, for its terminals and for handling (common practice, no source)


@dataclass(frozen=True, slots=True, kw_only=True)
class WireRun:
    """One two-wire run. Give `awg`, `mm2` or `data_pairs`; none of them asks for a gauge.

    Attributes:
        fuse_amps: rating of its fuse, which the copper must carry; None: no fuse is known.
        battery_main: it begins at a battery's terminal.
    """

    one_way_m: float
    amps: float
    stall_amps: float | None = None
    awg: int | None = None
    mm2: float | None = None
    data_pairs: int | None = None
    copper_c: float = 40.0
    source_volts: float = 12.0
    lowest_volts: float = 11.0
    fuse_amps: float | None = None
    battery_main: bool = False


def area_mm2(awg: int) -> float:
    """Cross-section of a solid gauge: diameter 0.127 mm x 92 ** ((36 - n) / 39) (ASTM B258)."""
    diameter_mm: float = 0.127 * 92 ** ((36 - awg) / 39)
    return pi / 4 * diameter_mm**2


def ohm_per_km(mm2: float, copper_c: float = 20.0) -> float:
    """Resistance of one conductor, ohm per km at a copper temperature."""
    return COPPER_OHM_M_20C / mm2 * 1e9 * (1 + COPPER_PER_K * (copper_c - 20))


def carries_amps(mm2: float) -> float:
    """Amps a conductor of `mm2` carries at 40 °C in a bundle; cut in proportion under the smallest row."""
    best = [amps for size, amps in CARRIES_AMPS if size <= mm2 + 1e-9]
    return float(best[-1]) if best else CARRIES_AMPS[0][1] * mm2 / CARRIES_AMPS[0][0]


def _conductor(run: WireRun) -> tuple[float, float, str]:
    """(total mm2 each way, amps carried, words)."""
    if run.data_pairs:
        # n pairs give n conductors each way.
        mm2 = area_mm2(DATA_PAIR_AWG) * run.data_pairs
        return mm2, DATA_PAIR_AMPS * run.data_pairs, f"{run.data_pairs} pair(s) of a data cable, AWG {DATA_PAIR_AWG}"
    if run.mm2 is not None:
        return run.mm2, carries_amps(run.mm2), f"{run.mm2:g} mm2"
    if run.awg is not None:
        return area_mm2(run.awg), carries_amps(area_mm2(run.awg)), f"AWG {run.awg} ({area_mm2(run.awg):.2f} mm2)"
    for awg in (gauge for gauge in GAUGES if gauge <= MAIN_AWG or not run.battery_main):
        mm2 = area_mm2(awg)
        peak = max(run.amps, run.stall_amps or 0)
        drop = peak * 2 * run.one_way_m * ohm_per_km(mm2, run.copper_c) / 1000
        if run.source_volts - drop >= run.lowest_volts and carries_amps(mm2) >= max(run.amps, run.fuse_amps or 0.0):
            return mm2, carries_amps(mm2), f"AWG {awg} ({mm2:.2f} mm2)"
    return area_mm2(GAUGES[-1]), carries_amps(area_mm2(GAUGES[-1])), f"more than AWG {GAUGES[-1]}"


def size_wire(name: str, run: WireRun) -> SizeResult:
    """Voltage at the far load at rest and under stall current, loss, and whether the copper carries the current.

    Source: ASTM B258 diameters, IEC 60028 copper.
    """
    mm2, carries, words = _conductor(run)
    loop_ohm = 2 * run.one_way_m * ohm_per_km(mm2, run.copper_c) / 1000
    peak = max(run.amps, run.stall_amps or 0.0)
    drop, far = run.amps * loop_ohm, run.source_volts - run.amps * loop_ohm
    far_stall = run.source_volts - peak * loop_ohm
    faults = []
    if far_stall < run.lowest_volts:
        faults.append(f"only {far_stall:.2f} V at the load under {peak:g} A, under the {run.lowest_volts:g} V it needs")
    if run.amps > carries:
        faults.append(f"{run.amps:g} A is more than the {carries:g} A this copper carries in a bundle")
    if run.battery_main and mm2 < area_mm2(MAIN_AWG) - 1e-9:
        faults.append(f"a battery's lead must be AWG {MAIN_AWG} ({area_mm2(MAIN_AWG):.2f} mm2) or thicker")
    cautions = [LOCAL_CODE]
    if run.data_pairs:
        cautions.append("Data pairs used for power need one fuse for each pair, at the battery's end.")
    return SizeResult(
        topic=f"wire {name}",
        answer=f"{words}: {drop:.2f} V lost at {run.amps:g} A, {far_stall:.2f} V at the load at maximum current"
        + "".join(f"; problem: {fault}" for fault in faults),
        formula="volts lost = amps x 2 x metres x ohm per km / 1000; "
        "ohm per km = 17.241 / mm2 x (1 + 0.00393 (copper C - 20))",
        source="wire diameters ASTM B258; copper IEC 60028; current carried IEC 60204-1 (from memory)",
        values={"mm2": mm2, "loop_ohm": loop_ohm, "lost_volts": drop, "lost_watts": drop * run.amps, "load_volts": far}
        | {"load_volts_at_peak": far_stall, "carries_amps": carries, "lost_fraction": drop / run.source_volts},
        numbers={"one_way_m": run.one_way_m, "amps": run.amps, "peak_amps": peak, "copper_c": run.copper_c}
        | {"source_volts": run.source_volts, "lowest_volts": run.lowest_volts},
        cautions=tuple(cautions),
        stop=bool(faults),
    )
