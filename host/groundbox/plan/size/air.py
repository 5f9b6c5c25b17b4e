"""How much air a case needs, what two fans in series give it, and how long it has when they stop."""

from dataclasses import dataclass
from math import exp, log, sqrt

from groundbox.plan.size.result import LOCAL_CODE, SizeResult

SPECIFIC_HEAT = 1007.0  # J/(kg K), dry air
DENSITY_25C = 1.184  # kg/m3 at sea level and 25 °C
SCALE_HEIGHT_M = 8435.0
CFM_PER_M3_H = 0.588578
# Pressure loss in velocity heads at the opening (assumed, orders of magnitude from ducting handbooks, from memory).
HEADS = {"openings": 2.8, "filter": 12.0, "rain hood": 3.0, "duct": 2.0, "still fan": 4.0}
SUN_FRACTION_INSIDE = 0.35  # of what a lid absorbs; the rest leaves outside (assumed)
WALL_W_M2K = 5.0  # still air inside and out, plastic case (assumed)
HEAT_J_KG_K = 900.0  # mixed equipment, plastic and battery (assumed)


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeCase:
    """A closed case with one fan in and one out. Areas in m2, sun in W/m2, a fan by free flow and blocked pressure."""

    watts: float
    intake_c: float
    limit_c: float
    sun_w_m2: float = 0.0
    lid_m2: float = 0.0
    lid_absorbs: float = 0.6
    display_m2: float = 0.0
    display_absorbs: float = 0.9
    altitude_m: float = 0.0
    fan_m3_h: float = 0.0
    fan_pa: float = 0.0
    opening_m2: float = 0.0
    obstacles: tuple[str, ...] = ()
    wall_m2: float = 0.5
    mass_kg: float = 5.0
    humidity_percent: float | None = None


def density(altitude_m: float, air_c: float = 25.0) -> float:
    """Air density in kg/m3 at an altitude and temperature."""
    return DENSITY_25C * 298.15 / (273.15 + air_c) * exp(-altitude_m / SCALE_HEIGHT_M)


def flow_m3_h(watts: float, rise_k: float, altitude_m: float = 0.0, air_c: float = 25.0) -> float:
    """Air that carries `watts` away at `rise_k` over the intake: watts / (density x heat x rise)."""
    return watts / (density(altitude_m, air_c) * SPECIFIC_HEAT * rise_k) * 3600


def sun_watts(case: SizeCase) -> tuple[float, float]:
    """(lid, display) watts of sun that arrive inside; a display lets in all it absorbs."""
    lid = case.sun_w_m2 * case.lid_m2 * case.lid_absorbs * SUN_FRACTION_INSIDE
    return lid, case.sun_w_m2 * case.display_m2 * case.display_absorbs


def fan_flow_m3_h(case: SizeCase, *, fans: int = 2, obstacles: tuple[str, ...] | None = None) -> float:
    """Where the fans' straight pressure line meets the case's square loss: a series adds pressure, not free flow."""
    if not case.fan_m3_h or not case.fan_pa or not case.opening_m2 or fans == 0:
        return 0.0
    found = case.obstacles if obstacles is None else obstacles
    heads = HEADS["openings"] + sum(HEADS[name] for name in found) + HEADS["still fan"] * (2 - fans)
    per_square = heads * density(case.altitude_m, case.intake_c) / 2 / (3600 * case.opening_m2) ** 2
    pressure = case.fan_pa * fans * density(case.altitude_m, case.intake_c) / DENSITY_25C
    slope = pressure / case.fan_m3_h
    return (-slope + sqrt(slope**2 + 4 * per_square * pressure)) / (2 * per_square)


def settled_c(case: SizeCase, flow: float) -> float:
    """Temperature the case settles at with an air flow in m3/h, walls included."""
    heat = case.watts + sum(sun_watts(case))
    carried = flow / 3600 * density(case.altitude_m, case.intake_c) * SPECIFIC_HEAT
    return case.intake_c + heat / (carried + WALL_W_M2K * case.wall_m2)


def minutes_to(case: SizeCase, flow: float, start_c: float) -> float | None:
    """Minutes from `start_c` to the limit with an air flow; None when it never gets there."""
    end_c = settled_c(case, flow)
    if end_c <= case.limit_c:
        return None
    if start_c >= case.limit_c:
        return 0.0
    heat = case.watts + sum(sun_watts(case))
    tau_s = case.mass_kg * HEAT_J_KG_K * (end_c - case.intake_c) / heat
    return tau_s * log((end_c - start_c) / (end_c - case.limit_c)) / 60


def dew_point_c(air_c: float, humidity_percent: float) -> float:
    """Magnus formula (WMO Guide to Instruments, coefficients 17.62 and 243.12 C, from memory)."""
    gamma = log(humidity_percent / 100) + 17.62 * air_c / (243.12 + air_c)
    return 243.12 * gamma / (17.62 - gamma)


def _costs(case: SizeCase) -> dict[str, float]:
    clear = fan_flow_m3_h(case, obstacles=())
    values = {"one_fan_m3_h": fan_flow_m3_h(case, fans=1), "pair_m3_h": fan_flow_m3_h(case)}
    if clear:
        for name in ("filter", "rain hood", "duct"):
            values[f"{name.replace(' ', '_')}_costs_fraction"] = 1 - fan_flow_m3_h(case, obstacles=(name,)) / clear
    return values


def _stops(case: SizeCase) -> tuple[dict[str, float], str]:
    start_c, values, words = settled_c(case, fan_flow_m3_h(case)), {}, ""
    for fans, label in ((1, "one fan stops"), (0, "both stop")):
        minutes = minutes_to(case, fan_flow_m3_h(case, fans=fans), start_c)
        if minutes is not None:
            values[label.replace(" ", "_") + "_minutes"] = minutes
        words += f"; {label}: " + ("stays under the limit" if minutes is None else f"{minutes:.0f} min to the limit")
    return values, words


def size_air(case: SizeCase) -> SizeResult:
    """Air for the heat inside and the sun, and what the described fans give of it; states where no fan can do it.

    Source: heat balance; CFM = 1.76 x watts / kelvin is the same at 25 °C and sea level.
    """
    lid, display = sun_watts(case)
    heat, rise = case.watts + lid + display, case.limit_c - case.intake_c
    numbers = {"watts": case.watts, "sun_lid_watts": lid, "sun_display_watts": display, "intake_c": case.intake_c}
    numbers |= {
        "limit_c": case.limit_c,
        "altitude_m": case.altitude_m,
        "density_kg_m3": density(case.altitude_m, case.intake_c),
    }
    if case.fan_m3_h:
        numbers |= {"fan_m3_h": case.fan_m3_h, "fan_pa": case.fan_pa, "opening_m2": case.opening_m2}
        numbers |= {"heads": HEADS["openings"] + sum(HEADS[name] for name in case.obstacles)}
        numbers |= {"wall_m2": case.wall_m2, "mass_kg": case.mass_kg}
    notes = [LOCAL_CODE, "Fans do not make a closed box safe to charge in."]
    if case.humidity_percent is not None:
        dew = dew_point_c(case.intake_c, case.humidity_percent)
        notes.append(f"Dew point of the intake air is {dew:.1f} °C: a case colder than that gets wet inside.")
    formula = (
        "m3/h = 3600 x watts / (density x 1007 x (limit - intake)); "
        "density = 1.184 x 298 / (273 + C) x exp(-m / 8435); "
        "flow where fans x Pa x (1 - flow / free flow) = heads x density / 2 x speed^2, a still fan 4 heads more; "
        "settles at intake + watts / (flow x density x 1007 + 5 x wall m2); "
        "minutes = 900 x kg / (the same W/K) x ln((end - start) / (end - limit)) / 60"
    )
    source = "heat balance of moved air; fan line and obstacle losses assumed, see the fan's own curve"
    if rise <= 0:
        answer = (
            f"no fan can do this: the limit of {case.limit_c:g} °C is not above the intake air at {case.intake_c:g} °C"
        )
        return SizeResult(
            topic="air",
            answer=answer,
            formula=formula,
            source=source,
            values={},
            numbers=numbers,
            stop=True,
            cautions=tuple(notes),
        )
    flow, given = flow_m3_h(heat, rise, case.altitude_m, case.intake_c), fan_flow_m3_h(case)
    values = {"needed_m3_h": flow, "needed_cfm": flow * CFM_PER_M3_H} | _costs(case)
    answer = f"{heat:.0f} W at {rise:g} K over the intake air: {flow:.1f} m3/h ({flow * CFM_PER_M3_H:.1f} CFM)"
    if given:
        values["settles_c"] = settled_c(case, given)
        times, words = _stops(case)
        values |= times
        answer += f"; the pair gives {given:.1f} m3/h, settles at {values['settles_c']:.1f} °C" + words
    return SizeResult(
        topic="air",
        answer=answer,
        formula=formula,
        source=source,
        values=values,
        numbers=numbers,
        cautions=tuple(notes),
        stop=bool(given) and settled_c(case, given) > case.limit_c,
    )
