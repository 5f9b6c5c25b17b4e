"""The gallery: the scenarios that come with the package hold, and run the same to the bit on both interpreters."""

import os
from pathlib import Path

import pytest
from tests.field.seeded_faults import FAULTS, KNOWN_TO_PASS, Fault, caught_by

from groundbox.rig.play import play
from groundbox.rig.process import CPYTHON, MICROPYTHON, interpreter_path
from groundbox.rig.scenario import load
from groundbox.ui.cmd_rig import gallery

_ALL = sorted(gallery().glob("*.toml"))
_LONG_S = 3600.0
_SHORT = [path for path in _ALL if load(path).lasts_s < _LONG_S]
# One for each decision of the board; the others run under endurance.
_QUICK = (
    "bad_cable",
    "battery_sags_in_flight",
    "charging_in_the_case",
    "fan_stalls_in_flight",
    "landed_and_forgotten",
    "load_starves_the_board",
    "plug_half_out",
    "settings_damaged",
    "sources_disagree",
)


def test_the_gallery_has_its_twenty() -> None:
    assert len(_SHORT) >= 20
    assert len(_ALL) > len(_SHORT)


@pytest.mark.parametrize(
    "path",
    [pytest.param(path, id=path.stem, marks=[] if path.stem in _QUICK else pytest.mark.endurance) for path in _ALL],
)
def test_a_scenario_holds(path: Path) -> None:
    scenario = load(path)
    trace = play(scenario)
    failed = [(one.text, one.judge(trace)) for one in scenario.expectations]
    assert not [f"{text}: {verdict.found}" for text, verdict in failed if not verdict.passed]


@pytest.mark.parametrize(
    "name",
    [
        "reboot_in_flight",
        pytest.param("link_task_hangs", marks=pytest.mark.endurance),
        pytest.param("servo_stalls_board_browns_out", marks=pytest.mark.endurance),
    ],
)
def test_both_interpreters_give_the_same_run_to_the_bit(name: str) -> None:
    """Resets, a hung task, wrapping ticks and a starved board included."""
    if interpreter_path() is None:
        if os.environ.get("CI"):
            pytest.fail("no micropython command: pip install 'groundbox[rig]'")
        pytest.skip("no micropython command here")
    scenario = load(gallery() / f"{name}.toml")
    one, other = play(scenario, MICROPYTHON), play(scenario, CPYTHON)
    assert len(one.readings) > 100
    assert one.fingerprint() == other.fingerprint()


def test_a_board_that_runs_ahead_does_as_one_that_asks_in_every_slice(monkeypatch: pytest.MonkeyPatch) -> None:
    """Loads that switch, a fan that starts, a board without power; longer steps of the box change little."""
    scenario = load(gallery() / "servo_stalls_board_browns_out.toml")
    monkeypatch.setattr("groundbox.rig.play._LONG_S", 0.0)  # as in long runs, the only ones that run ahead
    ahead = play(scenario)
    monkeypatch.setattr("groundbox.rig.bench._AHEAD_US", 0)
    asking = play(scenario)
    assert [event.kind for _, event in ahead.events] == [event.kind for _, event in asking.events]
    assert [levels for _, *levels in ahead.drives] == [levels for _, *levels in asking.drives]
    assert [at_s for at_s, *_ in ahead.drives] == pytest.approx([at_s for at_s, *_ in asking.drives], abs=0.1)
    for thing, limit in (("voltage", 0.005), ("case", 0.05), ("fan 1 speed", 1.0)):
        assert ahead.truth[thing] == pytest.approx(asking.truth[thing], abs=limit)


_HANDFUL = [fault for fault in FAULTS if fault.first in ("short_dips", "frosty_charge")]


@pytest.mark.parametrize("fault", _HANDFUL, ids=lambda fault: f"{fault.module}-{fault.first}")
def test_the_gallery_catches_a_seeded_fault(fault: Fault) -> None:
    """A few of the seeded faults, each against the scenario made for it; all of them run under endurance."""
    assert caught_by(fault, everywhere=False)


@pytest.mark.endurance
def test_every_seeded_fault_is_caught_or_known_to_pass() -> None:
    assert len(FAULTS) >= 30
    not_caught = {fault.name for fault in FAULTS if caught_by(fault) is None}
    assert not_caught == set(KNOWN_TO_PASS)
