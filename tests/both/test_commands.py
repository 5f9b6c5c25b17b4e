"""Commands are checked, done and answered, from every sender."""

from core.turn_back import TurnBack
from groundbox.wire import line
from groundbox.wire.messages import EVENTS, UNKNOWN, fields_of
from groundbox.wire.settings import SETTINGS, defaults, refusal_of_all
from uplinks import commands


class _Control:
    def __init__(self):
        self.marks = []
        self.possible = True
        self.silenced = 0
        self.uncorrected = 11980
        self.switched = []
        self.tried = []
        self.place = 0
        self.turn_back = TurnBack()

    def mark(self, kind, how=None):
        self.marks.append((kind, how))
        return self.possible

    def silence(self):
        self.silenced += 1

    def switch(self, output, on):
        self.switched.append((output, on))
        return output == 2

    def uncorrected_of(self, channel):
        return self.uncorrected

    def try_out(self, part, percent, max_ms):
        self.tried.append((part, percent, max_ms))
        return part != 3


class _File:
    box = "mast"

    def __init__(self):
        self.values = defaults()


class _Slot:
    name = "b"
    trial = True


class _Saved:
    def __init__(self):
        self.saved = []

    def save(self, turn_back):
        self.saved.append(turn_back.saved())


class _Desk:
    def __init__(self):
        self.saved_turn_back = _Saved()
        self.control = _Control()
        self.settings = _File()
        self.refusal = ""
        self.slot = _Slot()

    def change(self, changes):
        box = changes.pop("box", None)
        reason = refusal_of_all(changes, self.settings.values)
        if not reason:
            self.settings.values.update(changes)
            self.settings.box = box or self.settings.box
        return reason

    def leave(self):
        return self.refusal

    def keep(self):
        self.slot.trial = False
        return self.refusal


def _answers(desk, name, *values):
    """Answers without the command's number, each seen to fit the registry."""
    found = []
    for answer in commands.answers(name, ["mast", 77] + list(values), desk):
        assert answer[0] == 77
        line.encode("answer", ["mast", 1, 1] + answer)
        found.append(tuple(answer[1:]))
    return found


def test_get_gives_a_value_and_its_range():
    assert _answers(_Desk(), "get", "fan_on_centi_c") == [("ok", "fan_on_centi_c", "3500", 2000, 5000, None)]
    assert _answers(_Desk(), "get", "box") == [("ok", "box", "mast", None, None, None)]
    assert _answers(_Desk(), "get", "colour")[0][:2] == ("unknown", "colour")


def test_get_all_gives_every_setting():
    answers = _answers(_Desk(), "get", "*")
    assert [answer[1] for answer in answers] == ["box"] + [setting[0] for setting in SETTINGS]
    for answer, setting in zip(answers[1:], SETTINGS):  # noqa: B905
        assert answer == ("ok", setting[0], str(setting[1]), setting[2], setting[3], None)


def test_set_takes_what_is_in_range():
    desk = _Desk()
    assert _answers(desk, "set", "fan_on_centi_c", "3600", "no") == [("ok", "fan_on_centi_c", "3600", 2000, 5000, None)]
    assert desk.settings.values["fan_on_centi_c"] == 3600
    assert _answers(desk, "set", "box", "table", "no") == [("ok", "box", "table", None, None, None)]


def test_set_refuses_what_is_not():
    desk = _Desk()
    for setting in SETTINGS:
        for value in (setting[2] - 1, setting[3] + 1):
            answer = _answers(desk, "set", setting[0], str(value), "no")[0]
            assert answer[0] == "refused" and answer[3:5] == setting[2:4], setting[0]
    for value in ("many", "3.5", "0x10", "99999999999999999999"):
        assert _answers(desk, "set", "fan_on_centi_c", value, "no")[0][0] == "refused", value
    assert (
        _answers(desk, "set", "fan_on_centi_c", "3000", "no")[0][0] == "refused"
    )  # under the temperature that stops them
    assert _answers(desk, "set", "colour", "1", "no")[0][:2] == ("unknown", "colour")
    assert desk.settings.values == defaults()


def test_calibrate_keeps_what_was_read_and_what_was_true():
    desk = _Desk()
    assert _answers(desk, "calibrate", "voltage", 1, 12040) == [("ok", "voltage", "11980", None, None, None)]
    assert desk.settings.values["voltage_raw1_mv"] == 11980
    assert desk.settings.values["voltage_true1_mv"] == 12040


def test_calibrate_refuses_a_channel_that_reads_nothing_and_a_point_out_of_range():
    desk = _Desk()
    assert _answers(desk, "calibrate", "voltage", 1, 30000)[0][0] == "refused"
    desk.control.uncorrected = UNKNOWN
    assert _answers(desk, "calibrate", "voltage", 1, 12040)[0][0] == "refused"
    assert desk.settings.values == defaults()


def test_people_mark_silence_and_switch():
    desk = _Desk()
    for kind in ("launch", "landing", "returning", "charge", "swap"):
        assert _answers(desk, "mark", kind)[0][:3] == ("ok", "mark", kind)
        assert kind in EVENTS
    assert desk.control.marks == [(0, 1), (1, 1), (2, 1), (3, 1), (4, 1)], "by command"
    assert _answers(desk, "silence")[0][0] == "ok" and desk.control.silenced == 1
    assert _answers(desk, "switch", 2, "off", "no")[0][:3] == ("ok", "output2", "off")
    assert _answers(desk, "switch", 1, "on", "no")[0][0] == "refused"
    assert desk.control.switched == [(2, 0), (1, 1)]


def test_a_return_on_the_ground_is_refused_with_its_reason():
    desk = _Desk()
    desk.control.possible = False
    assert _answers(desk, "mark", "returning") == [
        ("refused", "mark", "returning", None, None, "not_in_flight:_mark_the_launch_first")
    ]


def test_maintenance_is_refused_with_its_reason():
    desk = _Desk()
    assert _answers(desk, "maintenance") == [("ok", "maintenance", None, None, None, None)]
    desk.refusal = "in flight: mark the landing first"
    assert _answers(desk, "maintenance")[0][0] == "refused"
    assert _answers(desk, "maintenance")[0][5] == "in_flight:_mark_the_landing_first"


def test_in_flight_settings_change_only_when_confirmed_and_nothing_is_calibrated():
    desk = _Desk()
    desk.control.place = 1
    refused = _answers(desk, "set", "fan_on_centi_c", "3600", "no")[0]
    assert refused[0] == "refused" and refused[5] == "in_flight:_mark_the_landing_first,_or_confirm_it"
    assert _answers(desk, "set", "box", "table", "no")[0][0] == "refused"
    assert _answers(desk, "calibrate", "voltage", 1, 12040)[0][0] == "refused"
    assert desk.settings.values == defaults()
    assert _answers(desk, "set", "fan_on_centi_c", "3600", "yes")[0][:3] == ("ok", "fan_on_centi_c", "3600")


def test_in_flight_an_essential_output_goes_off_only_when_confirmed():
    desk = _Desk()
    desk.settings.values["output2_kind"] = 1
    assert _answers(desk, "switch", 2, "off", "no")[0][0] == "ok", "on the ground"
    desk.control.place = 1
    desk.control.switched.clear()
    refused = _answers(desk, "switch", 2, "off", "no")[0]
    assert refused[0] == "refused" and refused[5] == "in_flight,_and_output2_is_essential:_confirm_it"
    assert desk.control.switched == []
    assert _answers(desk, "switch", 2, "on", "no")[0][0] == "ok"
    assert _answers(desk, "switch", 2, "off", "yes")[0][0] == "ok"
    desk.settings.values["output2_kind"] = 2
    assert _answers(desk, "switch", 2, "off", "no")[0][0] == "ok", "sheddable"


def test_a_missing_value_is_refused():
    for name in ("get", "set", "calibrate", "mark", "switch"):
        values = [None] * (len(fields_of(name)) - 2)
        assert _answers(_Desk(), name, *values)[0][0] == "refused", name


def test_firmware_on_trial_says_so_and_is_kept():
    desk = _Desk()
    assert _answers(desk, "get", "slot") == [("ok", "slot", "b:trial", None, None, None)]
    assert _answers(desk, "keep") == [("ok", "slot", "b", None, None, None)]
    assert _answers(desk, "get", "slot")[0][2] == "b"
    desk.refusal = "flash does not take it"
    assert _answers(desk, "keep")[0][0] == "refused"


def test_parts_are_tried_out_on_the_ground_only():
    desk = _Desk()
    assert _answers(desk, "try_out", "fan2", 100, 8)[0][:3] == ("ok", "fan2", "100")
    assert _answers(desk, "try_out", "fan4", 100, 8)[0][0] == "refused", "not fitted"
    assert desk.control.tried == [(1, 100, 8000), (3, 100, 8000)]
    desk.control.place = 1
    assert _answers(desk, "try_out", "buzzer", 100, 1)[0][0] == "refused"
    assert len(desk.control.tried) == 2


def test_a_budget_is_taken_and_withdrawn():
    desk = _Desk()
    assert _answers(desk, "budget", 2000, 3600, 900, 2000) == [("ok", "budget", "3600", None, None, None)]
    assert desk.control.turn_back.left_s == 3600
    for values in ((None, 3600, 900, 2000), (2000, 3600, None, 2000), (None, None, None, None)):
        desk.control.turn_back.give(2000, 3600, 900, 2000)
        assert _answers(desk, "budget", *values)[0][:2] == ("ok", "budget")
        assert desk.control.turn_back.left_s == UNKNOWN


def test_a_battery_table_must_rise_and_is_saved_at_once():
    good = (2000, 50, 900, 11500, 0, 11800, 1800, 12000, 5400, 12300, 9000, 12600, 14400)
    desk = _Desk()
    assert _answers(desk, "battery_table", *good)[0][:2] == ("ok", "battery_table")
    assert tuple(desk.control.turn_back.table.numbers) == good
    assert [tuple(one[-13:]) for one in desk.saved_turn_back.saved] == [good]
    for place, value in ((5, 11500), (11, 12200), (12, 8999), (6, None)):
        bad = list(good)
        bad[place] = value
        assert _answers(desk, "battery_table", *bad)[0][0] == "refused"
    assert tuple(desk.control.turn_back.table.numbers) == good
