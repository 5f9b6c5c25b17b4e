"""Eight hours of the session's boxes with everything at its true rate: 10 Hz control, 500 Hz samples, tachometers."""

import time
from collections import Counter
from pathlib import Path

import pytest

from groundbox.rig import demo_boxes
from groundbox.rig.bench import Bench
from groundbox.rig.box import SimBoxSettings
from groundbox.rig.changes import SimChange
from groundbox.rig.process import best_interpreter

_DAY_S = 8 * 3600


@pytest.mark.endurance
@pytest.mark.parametrize("box", [demo_boxes.TABLE, demo_boxes.MAST], ids=lambda box: box.name)
def test_a_day_without_a_restart_a_late_step_or_a_gap(box: SimBoxSettings, tmp_path: Path) -> None:
    """The speed is printed, never asserted."""
    charge = [SimChange(at_s=hour * 3600.0, thing="charger_amps", value=amps) for hour, amps in ((3, 4.0), (5, 0.0))]
    kinds: Counter[str] = Counter()
    with Bench(box, tmp_path, changes=charge, interpreter=best_interpreter(), native=True, ahead=True) as board:
        began = time.perf_counter()
        health: list[int | str | None] = []
        for _ in range(_DAY_S // 600):
            for name, values in board.run_for(600):
                kinds[name] += 1
                health = values if name == "health" else health
        took_s = time.perf_counter() - began
        assert board.world.starts == 1
    print(f"{box.name}: {_DAY_S} simulated seconds in {took_s:.1f} s, {_DAY_S / took_s:.0f} times real time")
    assert kinds["reading"] >= _DAY_S - 10
    late_steps, bad_lines, link_restarts = health[5], health[7], health[8]
    assert (late_steps, bad_lines, link_restarts) == (0, 0, 0)
