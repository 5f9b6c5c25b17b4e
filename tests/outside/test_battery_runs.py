"""Recorded discharges, from outside, through the estimator: the floor under the figures in tests/benchmarks/README.md.

V. Sulzer, faster-lead-acid, 2019 (17 Ah valve-regulated block) and CUMCM 2016 problem C (five-cell block). The limits
are well above what was measured, so that only a real loss fails.
"""

import os

import pytest
from tests.benchmarks import battery, battery_truth


@pytest.fixture(scope="module")
def runs() -> dict[str, list[battery_truth.Run]]:
    if not os.environ.get("GROUNDBOX_CHECK_DATA"):
        pytest.skip("GROUNDBOX_CHECK_DATA names no folder with recordings")
    found: dict[str, list[battery_truth.Run]] = {}
    for run in battery_truth.recordings(battery_truth.data_folder()):
        found.setdefault(run.family, []).append(run)
    return found


@pytest.mark.parametrize(
    ("row", "family", "rms", "covered"),
    [
        ("nameplate, V+I", "vrla17", 15, 75),
        ("nameplate, V+I", "block5cell", 10, 75),
        ("fitted from 2 runs, V+I", "vrla17", 6, 75),
        ("fitted from 2 runs, V+I", "block5cell", 6, 75),
        ("nameplate, V+loads", "block5cell", 12, 75),
    ],
)
def test_no_worse_than(
    runs: dict[str, list[battery_truth.Run]], row: str, family: str, rms: float, covered: float
) -> None:
    cases = battery.ROWS[row](runs[family])
    found = battery.score([battery.replay(case, 15) for case in cases], [case.run.seconds for case in cases])
    assert found.rms < rms
    assert found.covered > covered
