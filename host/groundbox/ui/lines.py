"""Advice for one box in one line of words, for a person in a hurry. Pure: it formats and decides nothing."""

from groundbox.advice.limits import DATA_WITHDRAWN_S
from groundbox.advice.result import BoxAdvice
from groundbox.advice.words import age, celsius, clock, listed, volts

HOT_WITHIN_MIN = 60.0
RUNTIME_MEANS = "runtime: minutes low / expected / high"


def runtime(box: BoxAdvice) -> str:
    """ "runtime 61 / 75 / 92 min (nameplate)"; "" while it is unknown."""
    bounds = (box.runtime_low_s, box.runtime_expected_s, box.runtime_high_s)
    if box.runtime_low_s is None:
        return ""
    minutes = " / ".join("?" if seconds is None else str(int(seconds // 60)) for seconds in bounds)
    return f"runtime {minutes} min{f' ({box.trust})' if box.trust else ''}"


def fans(box: BoxAdvice) -> str:
    """ "fans off", "fans on", "fan 2 stalled", "no fans"."""
    fitted = [fan for fan in box.readings.fans if fan.state not in (None, "absent")]
    if not fitted:
        return "no fans"
    stalled = [f"fan {fan.fan}" for fan in fitted if fan.state == "stalled"]
    if stalled:
        return f"{listed(stalled)} stalled"
    if any(fan.state in ("running", "starting") for fan in fitted):
        return "fans on"
    return "fans driven" if any(fan.percent for fan in fitted) else "fans off"


def battery(box: BoxAdvice) -> str:
    """Voltage at the battery."""
    return volts(box.readings.battery_volts)


def case(box: BoxAdvice) -> str:
    """ "case 38 °C"."""
    return f"case {celsius(box.readings.case_c)}"


def humidity(box: BoxAdvice) -> str:
    """ "humidity 62 %, dew point 18 °C"; "" without a sensor."""
    percent = box.readings.humidity_percent
    return "" if percent is None else f"humidity {percent:.0f} %, dew point {celsius(box.readings.dew_point_c)}"


def heat(box: BoxAdvice) -> str:
    """ "60 °C in 12 min if its fans stop"; "" where that is far off or unknown."""
    outlook = box.heat
    if outlook is None:
        return ""
    low = outlook.fans_stopped_low_min
    minutes = outlook.fans_stopped_min if low is None else low
    if minutes is None or minutes > HOT_WITHIN_MIN:
        return ""
    fitted = any(fan.state not in (None, "absent") for fan in box.readings.fans)
    about = "about " if low is None else ""
    return f"{celsius(outlook.limit_c)} in {about}{minutes:.0f} min{' if its fans stop' if fitted else ''}"


def day(box: BoxAdvice) -> str:
    """Whether the box lasts the day's plan; "" where there is no plan, or it is unknown."""
    look = box.day
    if look is None or look.empty_at_s is None:
        return ""
    if look.enough:
        return "lasts the day's plan"
    return f"by the day's plan empty at {clock(look.empty_at_s)}, last landing {clock(look.last_landing_at_s)}"


def warnings(box: BoxAdvice) -> list[str]:
    """One line for each warning that is up, its severity in words."""
    return [
        f"{one.severity.upper()}{' (acknowledged)' if one.acknowledged else ''}: {one.sentence} [{one.kind}]"
        for one in box.warnings
    ]


def figures(box: BoxAdvice) -> list[str]:
    """Runtime and readings; of a silent box the last readings with their age."""
    if box.readings.age_s is None:
        return []
    known = [part for part in (battery(box), case(box), fans(box), humidity(box)) if part]
    if box.readings.age_s > box.stale_after_s:
        shown = f"last known {age(box.readings.age_s)} ago: {', '.join(known)}"
        return [shown] if box.readings.age_s > DATA_WITHDRAWN_S else [part for part in (runtime(box), shown) if part]
    return [part for part in (runtime(box), *known, heat(box), day(box)) if part]


def line(box: BoxAdvice) -> str:
    """All in one line, for where nothing can be redrawn."""
    worst = [f"{one.severity.upper()} {one.kind}" for one in box.warnings]
    return f"{box.box}: {'; '.join([box.headline, *figures(box), *worst])}"
