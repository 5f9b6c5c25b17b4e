"""What becomes of a command: checked, done at the desk, answered. Knows no link and no clock."""

from groundbox.wire.messages import CHANNELS, MARKS, TRIED, UNKNOWN
from groundbox.wire.settings import OUTPUT_KINDS, SETTINGS, calibration, range_of

_LONGEST_VALUE = 32
_LONGEST_REASON = 120
_ESSENTIAL = OUTPUT_KINDS.index("essential")
_IN_FLIGHT = "in flight: mark the landing first"


def answers(name, values, desk):
    """Answers to one command, an iterable of value lists for `answer` behind its head; the command is done by then.

    Args:
        name: message name of the registry, sent by the host.
        values: its values, as line.decode gives them; a command with a value missing is refused.
        desk: uplinks.desk.Desk.
    """
    command = values[1]
    if None in values and name != "budget":
        return [answer(command, "refused", reason="%s: a value is missing" % name)]
    if name == "get":
        return _get(command, values[2], desk)
    return [_DO[name](command, values[2:], desk)]


def answer(command, result, setting=None, value=None, bounds=None, reason=None):
    """Values of `answer` behind its head; texts are made to fit their fields."""
    low, high = bounds or (None, None)
    return [command, result, setting, _fit(value, _LONGEST_VALUE), low, high, _fit(reason, _LONGEST_REASON)]


def _fit(text, longest):
    if text is None:
        return None
    text = "".join("_" if c <= " " or c >= "\x7f" or c in "{|}~" else c for c in str(text))
    return text[:longest]


def _get(command, wanted, desk):
    if wanted == "*":
        return _get_all(command, desk)
    if wanted == "slot":
        value = desk.slot.name + (":trial" if desk.slot.trial else "")
        return [answer(command, "ok", "slot", value)]
    if wanted != "box" and range_of(wanted) is None:
        return [answer(command, "unknown", wanted, reason="no setting is called %s" % wanted)]
    return [_value_of(command, wanted, desk)]


def _get_all(command, desk):
    yield _value_of(command, "box", desk)
    for setting in SETTINGS:
        yield _value_of(command, setting[0], desk)


def _value_of(command, name, desk):
    value = desk.settings.box if name == "box" else desk.settings.values[name]
    return answer(command, "ok", name, value, range_of(name))


def _set(command, values, desk):
    name, text, confirmed = values
    bounds = range_of(name)
    if name != "box" and bounds is None:
        return answer(command, "unknown", name, reason="no setting is called %s" % name)
    try:
        value = text if name == "box" else int(text)
    except ValueError:
        return answer(command, "refused", name, text, bounds, "%s wants a whole number" % name)
    if desk.control.place and confirmed != "yes":
        return answer(command, "refused", name, text, bounds, _IN_FLIGHT + ", or confirm it")
    reason = desk.change({name: value})
    if reason:
        return answer(command, "refused", name, text, bounds, reason)
    return _value_of(command, name, desk)


def _calibrate(command, values, desk):
    channel, point, true_value = values
    if desk.control.place:
        return answer(command, "refused", channel, reason=_IN_FLIGHT)
    raw = desk.control.uncorrected_of(CHANNELS.index(channel))
    if raw == UNKNOWN:
        return answer(command, "refused", channel, reason="%s reads nothing now" % channel)
    reason = desk.change(calibration(channel, point, raw, true_value))
    if reason:
        return answer(command, "refused", channel, raw, reason=reason)
    return answer(command, "ok", channel, raw)


def _silence(command, _values, desk):
    desk.control.silence()
    return answer(command, "ok", "buzzer", "silenced")


def _mark(command, values, desk):
    if not desk.control.mark(MARKS.index(values[0]), 1):
        return answer(command, "refused", "mark", values[0], reason="not in flight: mark the launch first")
    return answer(command, "ok", "mark", values[0])


def _budget(command, values, desk):
    if None in values:
        desk.control.turn_back.forget()
        return answer(command, "ok", "budget")
    desk.control.turn_back.give(*values)
    return answer(command, "ok", "budget", values[1])


def _battery_table(command, values, desk):
    volts_mv, times_s = values[3::2], values[4::2]
    for i in range(1, len(volts_mv)):
        if volts_mv[i] <= volts_mv[i - 1] or times_s[i] < times_s[i - 1]:
            return answer(command, "refused", "point%d_mv" % (i + 1), volts_mv[i], reason="points must rise")
    desk.control.turn_back.table.numbers = list(values)
    desk.saved_turn_back.save(desk.control.turn_back)
    return answer(command, "ok", "battery_table")


def _switch(command, values, desk):
    output, want, confirmed = values
    name = "output%d" % output
    if (
        want == "off"
        and confirmed != "yes"
        and desk.control.place
        and desk.settings.values[name + "_kind"] == _ESSENTIAL
    ):
        return answer(command, "refused", name, want, reason="in flight, and %s is essential: confirm it" % name)
    if not desk.control.switch(output, 1 if want == "on" else 0):
        return answer(command, "refused", name, want, reason="%s is not fitted" % name)
    return answer(command, "ok", name, want)


def _maintenance(command, _values, desk):
    reason = desk.leave()
    return answer(command, "refused" if reason else "ok", "maintenance", reason=reason or None)


def _keep(command, _values, desk):
    reason = desk.keep()
    return answer(command, "refused" if reason else "ok", "slot", desk.slot.name, reason=reason or None)


def _try_out(command, values, desk):
    part, percent, seconds = values
    if desk.control.place:
        return answer(command, "refused", part, reason=_IN_FLIGHT)
    if not desk.control.try_out(TRIED.index(part), percent, seconds * 1000):
        return answer(command, "refused", part, reason="%s is not fitted" % part)
    return answer(command, "ok", part, percent)


_DO = {
    "set": _set,
    "calibrate": _calibrate,
    "silence": _silence,
    "mark": _mark,
    "budget": _budget,
    "battery_table": _battery_table,
    "switch": _switch,
    "maintenance": _maintenance,
    "keep": _keep,
    "try_out": _try_out,
}
