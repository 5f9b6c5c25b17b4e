"""Recorded discharges from outside, through the estimator: limits for the figures in tests/benchmarks/README.md.

V. Sulzer, faster-lead-acid, 2019 (17 Ah valve-regulated battery) and CUMCM 2016 problem C (five cells). The limits
are well above what was measured, so that only a real loss fails.
"""

import os

import pytest
from tests.benchmarks import battery_cases, battery_replay, battery_truth


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
        ("nameplate, V+I", "vrla17", 13, 75),
        ("nameplate, V+I", "block5cell", 8, 75),
        ("fitted from 2 runs, V+I", "vrla17", 5, 75),
        ("fitted from 2 runs, V+I", "block5cell", 5, 75),
        ("nameplate, V+loads", "block5cell", 10, 75),
    ],
)
def test_no_worse_than(
    runs: dict[str, list[battery_truth.Run]], row: str, family: str, rms: float, covered: float
) -> None:
    found = battery_replay.scored(battery_cases.ROWS[row](runs[family]), 15)
    assert found.rms < rms
    assert found.covered > covered


def test_a_start_stated_too_low_is_corrected_in_twenty_minutes(runs: dict[str, list[battery_truth.Run]]) -> None:
    """30 points off, battery fitted from two other runs: within 8 % (RMS) of the whole runtime after 20 minutes.

    The target of 6 % was met until the current itself was doubted (a gain of 1/5 to 2); that doubt delays it.
    """
    known = battery_cases.fitted_from_two(runs["vrla17"])
    cases = battery_cases.ROWS["start stated 30 points too low, V+I"](runs["vrla17"])
    found = [
        battery_replay.after(battery_replay.changed(case, profile=profile), 20)
        for case, profile in zip(cases, known, strict=True)
    ]
    assert (sum(row[1] ** 2 for row in found) / len(found)) ** 0.5 < 8
