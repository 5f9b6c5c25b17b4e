"""A picture of one discharge of the rig's simulated battery; all numbers are invented.

`python -m tests.benchmarks discharge_picture [FILE.png]`: two runs are fitted, a third is replayed with `--plot`. An
18 Ah battery at 95 % of its rating, 2.4 A and for ten minutes in every twenty 1 A more, down to 11.0 V.
"""

import sys
import tempfile
from pathlib import Path
from random import Random

from click.testing import CliRunner

from groundbox.cli import commands as groundbox
from groundbox.rig.electric import SimBattery, SimBatterySettings

PICTURE = Path("discharge.png")
REST_S, STEP_S, END_VOLTS = 1800, 60, 10.4
NOISE_VOLTS, NOISE_AMPS = 0.006, 0.01


def run_down(path: Path, seed: int) -> None:
    """Writes a log of one discharge, half an hour of rest before it."""
    chance, battery = Random(seed), SimBattery(SimBatterySettings(c20_ah=18, health=0.95))
    rows, t_s, volts = ["t_s,volts,amps"], 0, 13.0
    while volts >= END_VOLTS:
        amps = 0.0 if t_s < REST_S else 2.4 + t_s // 600 % 2
        volts = battery.inner_volts() - amps * battery.ohm(charging=False)
        battery.step(STEP_S, volts, amps)
        rows.append(f"{t_s},{volts + chance.gauss(0, NOISE_VOLTS):.3f},{amps + chance.gauss(0, NOISE_AMPS):.3f}")
        t_s += STEP_S
    path.write_text("\n".join(rows) + "\n")


def _call(*arguments: object) -> None:
    done = CliRunner().invoke(groundbox, [str(argument) for argument in arguments])
    if done.exit_code != 0:
        sys.exit(f"{done.output}{done.exception}")


def main(arguments: list[str]) -> None:
    """Fits, replays and draws."""
    picture = Path(arguments[0]) if arguments else PICTURE
    with tempfile.TemporaryDirectory() as folder:
        logs = [Path(folder) / f"{seed}.csv" for seed in (3, 4, 1)]
        for seed, log in zip((3, 4, 1), logs, strict=True):
            run_down(log, seed)
        profile = Path(folder) / "T18.toml"
        _call(
            "battery", "new", profile, "--c20", 18, "--label", "T18, simulated: fitted from two runs, a third replayed"
        )
        _call("battery", "fit", *logs[:2], "--battery", profile, "--out", profile)
        _call("replay", logs[2], "--battery", profile, "--cutoff", 11, "--plot", picture)
    print(picture)
