"""Hydrogen while charging in or near a box: the air and the opening it needs."""

from groundbox.plan.charge_model import CHARGING
from groundbox.plan.size.result import LOCAL_CODE, SizeResult

# mA per Ah by kind of battery and stage (IEC 62485-2, in a secondary copy).
GAS_MA_PER_AH = {
    ("sealed", "float"): 1.0,
    ("sealed", "boost"): 8.0,
    ("vented", "float"): 5.0,
    ("vented", "boost"): 20.0,
}
SPARK_DISTANCE_MM_PER_ROOT = 28.8  # d = 28.8 x cube root(Igas) x cube root(Crt) (IEC 62485-2, from memory)


def air_m3_h(cells: int, c20_ah: float, *, vented: bool, stage: str) -> float:
    """Q = 0.05 x cells x Igas x Ah / 1000 in m3/h (IEC 62485-2, formula from memory)."""
    return 0.05 * cells * GAS_MA_PER_AH["vented" if vented else "sealed", stage] * c20_ah / 1000


def size_gas(
    *, cells: int, c20_ah: float, vented: bool, stage: str, opening_cm2: float, free_litres: float | None = None
) -> SizeResult:
    """Air and opening for charging at a stage ("float" or "boost"), and whether the box has them.

    Args:
        opening_cm2: area of each of the two openings (low in, high out) as built; 0 for a closed box.
        free_litres: air inside; with it, how soon a tight box holds 1 % hydrogen, a quarter of what burns (0.42 L an
            ampere-hour and cell, Faraday's law at 0 °C and 1013 hPa).
    """
    flow = air_m3_h(cells, c20_ah, vented=vented, stage=stage)
    needed_cm2 = 28 * flow
    tight = opening_cm2 < needed_cm2
    gas_ma = GAS_MA_PER_AH["vented" if vented else "sealed", stage]
    spark_mm = SPARK_DISTANCE_MM_PER_ROOT * gas_ma ** (1 / 3) * c20_ah ** (1 / 3)
    values = {"air_m3_h": flow, "air_l_h": flow * 1000, "opening_cm2": needed_cm2, "spark_distance_mm": spark_mm}
    answer = f"{flow * 1000:.1f} L of air an hour through two openings of {needed_cm2:.2f} cm² each"
    answer += f"; sparking parts further than {spark_mm:.0f} mm"
    if free_litres is not None:
        hydrogen_l_h = 0.42 * cells * c20_ah * gas_ma / 1000
        values["tight_minutes_to_1_percent"] = 60 * 0.01 * free_litres / hydrogen_l_h
        answer += f"; shut tight, 1 % hydrogen after {values['tight_minutes_to_1_percent']:.0f} min at worst"
    if tight:
        answer += f"; too tight ({opening_cm2:g} cm²): do not charge in this box with the lid on, take the battery out"
    return SizeResult(
        topic="charging air",
        answer=answer,
        formula="m3/h = 0.05 x cells x Igas mA/Ah x Ah / 1000; opening cm2 = 28 x m3/h; sparking parts further than "
        "28.8 x cube root(mA/Ah) x cube root(Ah) mm; "
        "minutes to 1 % = 0.6 x free litres / (0.42 x cells x Ah x mA/Ah / 1000)",
        source="IEC 62485-2 (stationary; formula from memory, gas currents in a secondary copy); "
        "portable use: see IEC 62485-4",
        values=values,
        numbers={"cells": float(cells), "c20_ah": c20_ah, "gas_ma_per_ah": gas_ma, "opening_built_cm2": opening_cm2}
        | ({} if free_litres is None else {"free_litres": free_litres}),
        cautions=(
            LOCAL_CODE,
            *CHARGING,
            "Openings one low, one high, on opposite sides; switches, relays and fan motors out of the gas path.",
            "The norm's natural draught needs moving air outside; a box in a bag or a closed car has none.",
        ),
        stop=tight,
    )
