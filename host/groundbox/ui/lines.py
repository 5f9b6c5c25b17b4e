"""One box in one line of words, for a person in a hurry. Pure."""

from groundbox.advice.words import celsius, clock, listed, span, volts
from groundbox.monitor.view import BoxView

HOT_WITHIN_MIN = 60.0
LASTS_MEANS = "lasts: minutes left, at worst / likely / at best"


def answer(view: BoxView) -> str:
    """What a person wants to know first: when to turn back, how long it lasts, or why nobody knows."""
    state = view.state
    if state.silent_s is None:
        return "not heard yet"
    if state.is_silent:
        return f"SILENT for {span(state.silent_s)}"
    if state.in_flight:
        return _turn_back(view)
    if state.charging not in (None, "no"):
        since_s = view.charging_since_s
        return "charging" if since_s is None else f"charging for {span(state.wall_s - since_s)}"
    return lasts(view)


def lasts(view: BoxView) -> str:
    """ "lasts 61 / 75 / 92 min", or why that is unknown."""
    if view.runtime_s is None:
        return f"runtime unknown: {view.unknown_because or 'no estimate yet'}"
    return f"lasts {' / '.join(str(int(seconds // 60)) for seconds in view.runtime_s)} min"


def _turn_back(view: BoxView) -> str:
    if view.turn_back_s is None:
        why = "set flight.time_home_min in groundbox.toml" if view.runtime_s else view.unknown_because
        return f"turn-back time unknown: {why}"
    left_s = view.turn_back_s - view.state.wall_s
    when = clock(view.turn_back_s)
    return f"turn back by {when}, in {span(left_s)}" if left_s > 0 else f"TURN BACK NOW, latest was {when}"


def fans(view: BoxView) -> str:
    """ "fans off", "fans run", "fan 2 stalled", "no fans"."""
    states = [(number, fan) for number, fan in enumerate(view.state.fans, 1) if fan not in (None, "absent")]
    if not states:
        return "no fans"
    stalled = [f"fan {number}" for number, fan in states if fan == "stalled"]
    if stalled:
        return f"{listed(stalled)} stalled"
    if any(fan in ("running", "starting") for _, fan in states):
        return "fans run"
    driven = view.reading is not None and any(view.reading.fans[number].percent for number, _ in states)
    return "fans driven" if driven else "fans off"


def battery(view: BoxView) -> str:
    """Voltage at the battery."""
    return volts(view.state.battery_volts)


def case(view: BoxView) -> str:
    """ "case 38 C"."""
    return f"case {celsius(view.state.case_c)}"


def heat(view: BoxView) -> str:
    """ "60 C in 12 min if its fans stop"; "" where that is far off or not known."""
    told = view.heat.stopped_min if view.heat.stopped_low_min is None else view.heat.stopped_low_min
    if told is None or told > HOT_WITHIN_MIN:
        return ""
    fitted = any(fan not in (None, "absent") for fan in view.state.fans)
    least = "as early as " if view.heat.stopped_low_min is not None else "about "
    return f"{celsius(view.heat.limit_c)} in {least}{told:.0f} min{' if its fans stop' if fitted else ''}"


def day(view: BoxView) -> str:
    """ "lasts the day's plan", "day's plan: empty at 15:40 at worst, last landing 17:02"; "" where there is no plan."""
    look = view.day
    if look is None or look.empty_s is None:
        return ""
    if look.enough:
        return "lasts the day's plan"
    return f"by the day's plan empty at {clock(look.empty_s)} at worst, last landing {clock(look.last_landing_s)}"


def warnings(view: BoxView) -> list[str]:
    """One line for each warning that is up, its severity in words."""
    return [
        f"{one.severity.upper()}{' (seen)' if one.acknowledged else ''}: {one.sentence} [{one.kind}]"
        for one in view.warnings
    ]


def line(view: BoxView) -> str:
    """All in one line, for where nothing can be redrawn."""
    parts = [answer(view)]
    if view.reading is not None:
        silent = view.state.is_silent
        if view.state.in_flight and view.runtime_s is not None and not silent:
            parts.append(lasts(view))
        parts += [f"last known {battery(view)}" if silent else battery(view), case(view), fans(view)]
        if not silent:
            parts += [part for part in (heat(view), day(view)) if part]
    worst = [f"{one.severity.upper()} {one.kind}" for one in view.warnings]
    return f"{view.state.box}: {'; '.join([*parts, *worst])}"
