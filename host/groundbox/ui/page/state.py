"""What the page is told about one box: plain values for JSON, None where unknown. Pure."""

import math

from groundbox.model import FanReading
from groundbox.monitor.board_limits import case_levels_c, celsius
from groundbox.monitor.view import BoxView
from groundbox.settings import BoxSettings
from groundbox.ui import lines
from groundbox.ui.answer import Answer, old_after_s, withdrawn_after_s
from groundbox.wire.settings import OUTPUT_KINDS


def box_state(view: BoxView, found: Answer, box: BoxSettings | None = None) -> dict[str, object]:
    """One box: `found` is its answer, `box` its settings."""
    state, reading = view.state, view.reading
    needs_s = None if state.next_flight_s is None else state.next_flight_s + state.reserve_s
    return {
        "box": state.box,
        "battery": view.battery,
        "answer": found.sentence,
        "tone": found.tone,
        "age_s": state.silent_s,
        "old_s": old_after_s(state),
        "withdrawn_s": withdrawn_after_s(state),
        "runtime_s": view.runtime_s,
        "runtime_unknown_because": None if view.runtime_s else view.unknown_because,
        "by_day": lines.day(view),
        "needs_s": None if state.in_flight else needs_s,
        "reserve_s": state.reserve_s,
        "turn_back_s": view.turn_back_s if state.in_flight else None,
        "soc": view.estimate.soc if view.estimate else None,
        "battery_volts": state.battery_volts,
        "equipment_volts": state.equipment_volts,
        "cutoff_volts": state.cutoff_volts,
        "end_volts": state.end_volts,
        "battery_amps": reading.battery_amps if reading else None,
        "charging": state.charging,
        "case_c": state.case_c,
        "case_levels_c": case_levels_c(view.limits),
        "limits_told": bool(view.limits),
        "case_minutes": view.heat.as_now_min,
        "case_limit_c": view.heat.limit_c,
        "case_minutes_fans_stopped": view.heat.stopped_min,
        "case_minutes_fans_stopped_low": view.heat.stopped_low_min,
        "case_fitted": view.heat.fitted,
        "battery_c": state.battery_c,
        "battery_levels_c": celsius(view.limits, "battery_cold_centi_c", "battery_warm_centi_c", "battery_hot_centi_c"),
        "fan_levels_c": celsius(view.limits, "fan_on_centi_c", "fan_off_centi_c"),
        "intake_c": reading.intake_c if reading else None,
        "fans": [_fan(*one) for one in reading.fans.items()] if reading else [],
        "loads": [
            {
                "name": load.name,
                "sheddable": load.sheddable,
                "on": load.on,
                "minutes": None if load.gained_s is None else load.gained_s / 60,
            }
            for load in view.loads
        ],
        "outputs": _outputs(view, box),
        "warnings": [
            {"warning": one.kind, "severity": one.severity, "sentence": one.sentence, "seen": one.acknowledged}
            for one in view.warnings
        ],
    }


def _outputs(view: BoxView, box: BoxSettings | None) -> list[dict[str, object]]:
    """The outputs that a person may switch."""
    found: list[dict[str, object]] = []
    for number in sheddable(view):
        stands = view.reading.outputs[number] if view.reading else None
        names = [load.name for load in box.loads if load.output == number] if box else []
        if box and not names:  # nothing hangs on it
            continue
        found.append({"output": number, "on": stands == "on", "state": stands, "loads": names})
    return found


def sheddable(view: BoxView) -> list[int]:
    """Outputs that are fitted and, as the board itself says, may be dropped."""
    return [
        number
        for number, state in (view.reading.outputs if view.reading else {}).items()
        if state not in (None, "absent") and OUTPUT_KINDS[view.limits.get(f"output{number}_kind", 0)] == "sheddable"
    ]


def finite(value: object) -> object:
    """`value` with None for every number that JSON cannot tell: a page must never stop a recording."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [finite(one) for one in value]
    return value


def _fan(number: int, fan: FanReading) -> dict[str, object]:
    return {"fan": number, "state": fan.state, "rpm": fan.rpm, "percent": fan.percent}
