"""Deliberate faults for the firmware's pure modules: each is a small mistake of the kind people make.

    python tests/field/seeded_faults.py        tries each against the gallery and lists those that pass unnoticed

A fault is (module, of core/ where no folder is named; text; what it becomes; scenario most likely to catch it). That
scenario goes first; if it does not fail, every other short one is tried.
"""

import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from groundbox.errors import GroundboxError
from groundbox.rig.image import firmware_folder
from groundbox.rig.play import play
from groundbox.rig.scenario import load
from groundbox.ui.cmd_rig import gallery

_LONGEST_S = 3600.0


@dataclass(frozen=True, slots=True)
class Fault:
    """One mistake; `first` is the scenario tried first."""

    module: str
    old: str
    new: str
    first: str

    @property
    def name(self) -> str:
        """Text of the fault."""
        return f"{self.module}: {self.old.strip()!r} -> {self.new.strip()!r}"


FAULTS = (
    Fault("thermostat", "case >= on:", "case >= on + 300:", "midday_sun"),
    Fault("thermostat", "case <= limits.fan_off_centi_c", "case < on", "evening_cools"),
    Fault("thermostat", "100 if full else", "limits.fan_lowest_percent if full else", "plug_half_out"),
    Fault("thermostat", "full = case_age_ms >= LOST_MS or self.case_heat", "full = self.case_heat", "plug_half_out"),
    Fault(
        "thermostat",
        "full = case_age_ms >= LOST_MS or self.case_heat",
        "full = case_age_ms >= LOST_MS",
        "clogged_filter",
    ),
    Fault("thermostat", "return 3", "return 2", "clogged_filter"),
    Fault("thermostat", "level >= 1 else 0) else 0", "level >= 1 else 0) - 300 else 0", "clogged_filter"),
    Fault("thermostat", "minimum_s * 1000", "minimum_s * 100", "tiny_case"),
    Fault(
        "thermostat",
        "if fan_fault or self._state_ms",
        "if self._state_ms < 0 or self._state_ms",
        "stalled_fan_does_not_wait",
    ),
    Fault("thermostat", "percent = min(percent, lowest)", "percent = 100", "hot_car_boot"),
    Fault("thermostat", "if charging and percent < lowest:", "if not charging and percent < lowest:", "wet_dawn"),
    Fault("thermostat", "if charging and percent < lowest:", "if 0:", "charging_in_the_case"),
    Fault("thermostat", "intake != UNKNOWN and intake - case", "intake != UNKNOWN and case - intake", "hot_car_boot"),
    Fault("fan_drive", "self.percent * limits.fan_stall_percent", "0", "fan_stalls_in_flight"),
    Fault("fan_drive", "limits.fan_stall_s * 1000", "limits.fan_stall_s * 10000", "fan_stalls_in_flight"),
    Fault("fan_drive", "if self._run_ms > limits.fan_start_mask_ms:", "if 1:", "fan_slow_to_start"),
    Fault("fan_drive", "60000 // self._limits.fan_pulses_per_turn", "60000", "midday_sun"),
    Fault("fan_drive", "if self._good_ms >= _PROVEN_MS:", "if 0:", "fan_stalls_in_flight"),
    Fault("fan_drive", "self.rpm * 2 >= self._full_rpm * 3", "False", "tacho_noise"),
    Fault("fan_drive", "self.rpm * 3 > self._full_rpm", "False", "fan_runs_on"),
    Fault("fans", "if percent and self.fault:", "if 0:", "fan_stalls_in_flight"),
    Fault("fans", "or self.second.in_doubt", "", "tacho_lead_off"),
    Fault("fans", "self._counted[fan] = count", "self._counted[fan] = 0", "midday_sun"),
    Fault("limits", "delay_s * 1000", "delay_s * 100", "battery_sags_in_flight"),
    Fault("limits", "elif depth > 0:", "elif depth > 300:", "battery_sags_in_flight"),
    Fault("limits", "self._clear_ms + step_ms if depth <= -hysteresis else 0", "0", "battery_sags_in_flight"),
    Fault("limits", "depth <= -hysteresis", "depth <= 0", "battery_sags_in_flight"),
    Fault("battery", "2 if self._urgent.on", "1 if self._urgent.on", "battery_sags_in_flight"),
    Fault("battery", "_STOP if self._over.on else 0", "0", "car_start_while_charging"),
    Fault("battery", "limits.over_s, _OVER_GAP_MV", "1, _OVER_GAP_MV", "car_start_while_charging"),
    Fault("battery", "return ma < 0", "return ma > 0", "charging_in_the_case"),
    Fault("battery", "self.charging = _HOT", "self.charging = _WARM", "charging_in_the_case"),
    Fault("plausibility", "self._outvoted_ms >= _OUTVOTED_MS", "False", "case_reads_low"),
    Fault("plausibility", "rise * 7 // 2", "rise", "case_thermistor_stuck"),
    Fault("thermometer", "self._bucket_ms >= _BUCKET_MS", "False", "case_contact_loose"),
    Fault("thermometer", "code = _IMPLAUSIBLE", "pass", "case_reads_low"),
    Fault("battery", "self.heat = _STOP", "self.heat = 0", "battery_hot_at_rest"),
    Fault("battery", "centi_c < limits.battery_cold_centi_c", "centi_c < -2000", "frosty_charge"),
    Fault("outputs", "limits.spare_mv - mv", "10000 - mv", "landed_and_forgotten"),
    Fault("outputs", "if not (landed and sure):", "if landed:", "landed_and_forgotten"),
    Fault("outputs", "(charging and not watch.level)", "charging", "weak_charger"),
    Fault("outputs", "self._state_ms >= self._shortest_ms", "True", "weak_charger"),
    Fault("outputs", "low = level >= shed_level", "low = level >= 3", "battery_sags_in_flight"),
    Fault("outputs", "not self._by_battery or", "True or", "landed_and_forgotten"),
    Fault("outputs", "if worse and in_flight:", "if 0:", "knee_on_the_button"),
    Fault("outputs", "self._state_ms >= _WARNING_MS", "self._state_ms >= 20000", "knee_on_the_button"),
    Fault("outputs", "(heat >= _STOP and heat > self._heat)", "False", "heat_sheds"),
    Fault(
        "supply",
        "self.highest_mv = max(primary, check)",
        "self.highest_mv = min(primary, check)",
        "divider_drifts_in_flight",
    ),
    Fault("startup/saved_state", "self.output2 = _SHED", "pass", "load_starves_the_board"),
    Fault("startup/saved_state", "_STARVED = 3", "_STARVED = 9", "load_starves_the_board"),
    Fault("signals", "<= held_ms <= _LET_GO_MS", "<= held_ms", "knee_on_the_button"),
    Fault("signals", "if down == self._last:", "if True:", "knee_on_the_button"),
    Fault(
        "control",
        "if self._landing_ms > 0:\n                self.mark",
        "if True:\n                self.mark",
        "knee_on_the_button",
    ),
    Fault("outputs", "if state == _OFF or", "if", "reboot_in_flight"),
    Fault("channel", "if self._silent_ms >= _SILENT_MS:", "if 0:", "monitor_goes_silent"),
    Fault("channel", "_BAD_MS = const(2000)", "_BAD_MS = const(60000)", "plug_half_out"),
    Fault("channel", "_clean_ms >= _CLEAN_MS", "_clean_ms >= 600000", "plug_half_out"),
    Fault("channel", "return self._doubt_ms >= limit_ms", "return False", "frozen_sensor"),
    Fault("thermometer", "return _OPEN", "return _OK", "plug_half_out"),
    Fault(
        "thermometer",
        "return _SHORTED if means.low < self._shorted_below else _OK",
        "return _OK",
        "sensor_shorted",
    ),
    Fault("conversion", "_STEP_CENTI_C // (table", "450 // (table", "wet_dawn"),
    Fault("supply", "self.low_mv = min(primary, check)", "self.low_mv = max(primary, check)", "sources_disagree"),
    Fault("supply", "self._differ_ms >= limit_ms", "self._differ_ms > 0", "sources_disagree"),
    Fault("supply", "mv = check", "mv = 0", "monitor_goes_silent"),
    Fault("supply", "mv - (fast.mv - fast.low_mv)", "mv", "short_dips"),
    Fault("supply", "abs(battery_mv - check_mv) > self._limits.disagree_mv", "False", "sources_disagree"),
    Fault("conversion", "2500", "5000", "midday_sun"),
    Fault("signals", "self.lamp if loud else 0", "0", "fan_stalls_in_flight"),
    Fault("signals", "level > self._silenced[self._shown]", "level > 3", "landed_and_forgotten"),
    Fault("signals", "self._notice_ms < _NOTICE_HEARD_MS", "True", "intake_lead_cut"),
    Fault(
        "reading",
        "return 2 if control.watch.charging",
        "return 0 if control.watch.charging",
        "charging_in_the_case",
    ),
    Fault("reading", "_CHARGE_SEVERITY[watch.charging]", "0", "frosty_charge"),
    Fault("startup/deadlines", "self._ages_ms[task] > self._limits_ms[task]", "False", "link_task_hangs"),
    Fault("signals", "1 if 0 < held_ms < _LONG_MS else 0", "0", "landed_and_forgotten"),
    Fault("control", "self.landed = 1", "self.landed = 0", "landed_and_forgotten"),
)


def caught_by(fault: Fault, everywhere: bool = True) -> str | None:
    """The scenario that fails for the fault, and its sentence; None when none does.

    Raises:
        ValueError: the firmware has no such text any more.
    """
    with TemporaryDirectory() as folder:
        firmware = Path(folder) / "firmware"
        shutil.copytree(firmware_folder(), firmware, ignore=shutil.ignore_patterns("__pycache__"))
        path = firmware / f"{fault.module if '/' in fault.module else 'core/' + fault.module}.py"
        text = path.read_text(encoding="utf-8")
        if fault.old not in text:
            raise ValueError(f"{fault.name}: no such text in {path.name}")
        path.write_text(text.replace(fault.old, fault.new, 1), encoding="utf-8")
        for scenario_path in _in_turn(fault.first) if everywhere else [gallery() / f"{fault.first}.toml"]:
            found = _fails(scenario_path, firmware)
            if found:
                return f"{scenario_path.stem}: {found}"
    return None


def _in_turn(first: str) -> list[Path]:
    paths = sorted(gallery().glob("*.toml"), key=lambda path: (path.stem != first, path.stem))
    return [path for path in paths if load(path).lasts_s < _LONGEST_S]


def _fails(path: Path, firmware: Path) -> str | None:
    scenario = load(path)
    try:
        trace = play(scenario, firmware=firmware)
    except GroundboxError as error:
        return str(error)
    for one in scenario.expectations:
        verdict = one.judge(trace)
        if not verdict.passed:
            return f"{one.text} ({verdict.found})"
    return None


# What no scenario can show, and why.
KNOWN_TO_PASS = {
    "pairs: 'if percent and self.fault:' -> 'if 0:'": "the thermostat requests full speed on the same fault as well",
}


def main() -> int:
    """Tries all; returns the number of faults not caught and not known to pass."""
    passed = 0
    for fault in FAULTS:
        found = caught_by(fault)
        why = KNOWN_TO_PASS.get(fault.name)
        passed += found is None and why is None
        print(f"{'caught ' if found else 'PASSED '} {fault.name}\n        {found or why or ''}", flush=True)
    print(f"{passed} of {len(FAULTS)} not caught")
    return passed


if __name__ == "__main__":
    sys.exit(1 if main() else 0)
