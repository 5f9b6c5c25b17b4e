"""The gallery: every scenario that comes with the package holds, and runs the same to the bit on both interpreters."""

import os
from pathlib import Path

import pytest
from tests.field.seeded_faults import FAULTS, KNOWN_TO_SLIP, Fault, caught_by

from groundbox.rig.play import play
from groundbox.rig.process import CPYTHON, MICROPYTHON, interpreter_path
from groundbox.rig.scenario import load
from groundbox.ui.cmd_rig import gallery

_ALL = sorted(gallery().glob("*.toml"))
_LONG_S = 3600.0
_SHORT = [path for path in _ALL if load(path).lasts_s < _LONG_S]
_DAYS = [path for path in _ALL if path not in _SHORT]


def _hold(path: Path) -> None:
    scenario = load(path)
    trace = play(scenario)
    failed = [(one.text, one.judge(trace)) for one in scenario.expectations]
    assert not [f"{text}: {verdict.found}" for text, verdict in failed if not verdict.passed]


def test_the_gallery_has_its_twenty() -> None:
    assert len(_SHORT) >= 20
    assert len(_DAYS) >= 1


@pytest.mark.parametrize("path", _SHORT, ids=lambda path: path.stem)
def test_a_short_scenario_holds(path: Path) -> None:
    _hold(path)


@pytest.mark.endurance
@pytest.mark.parametrize("path", _DAYS, ids=lambda path: path.stem)
def test_a_whole_day_holds(path: Path) -> None:
    _hold(path)


@pytest.mark.parametrize("name", ["reboot_in_flight", "link_task_hangs", "servo_stalls_board_browns_out"])
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


def test_a_board_let_run_ahead_does_as_one_that_asks_in_every_slice(monkeypatch: pytest.MonkeyPatch) -> None:
    """Loads that switch, a fan that starts, a board without power; what the slower steps of the box cost is small."""
    scenario = load(gallery() / "servo_stalls_board_browns_out.toml")
    monkeypatch.setattr("groundbox.rig.play._LONG_S", 0.0)  # as in long runs, the only ones that run ahead
    ahead = play(scenario)
    monkeypatch.setattr("groundbox.rig.bench._AHEAD_US", 0)
    asking = play(scenario)
    assert [event.kind for _, event in ahead.events] == [event.kind for _, event in asking.events]
    assert [levels for _, *levels in ahead.drives] == [levels for _, *levels in asking.drives]
    assert [at_s for at_s, *_ in ahead.drives] == pytest.approx([at_s for at_s, *_ in asking.drives], abs=0.1)
    for thing, most in (("voltage", 0.005), ("case", 0.05), ("fan 1 speed", 1.0)):
        assert ahead.truth[thing] == pytest.approx(asking.truth[thing], abs=most)


_HANDFUL = [fault for fault in FAULTS if fault.first in ("plug_half_out", "short_dips", "frosty_charge")]


@pytest.mark.parametrize("fault", _HANDFUL, ids=lambda fault: f"{fault.module}-{fault.first}")
def test_the_gallery_bites(fault: Fault) -> None:
    """A few of the seeded faults, each against the scenario made for it; all of them under endurance."""
    assert caught_by(fault, everywhere=False)


@pytest.mark.endurance
def test_every_seeded_fault_is_caught_or_known_to_slip() -> None:
    assert len(FAULTS) >= 30
    slipped = {fault.name for fault in FAULTS if caught_by(fault) is None}
    assert slipped == set(KNOWN_TO_SLIP)
