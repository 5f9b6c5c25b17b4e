"""A log is read row by row, and an error names the line of a bad row."""

from pathlib import Path

import pytest

from groundbox.battery.logs import read_log, runs_in, with_current
from groundbox.battery.profile import BatteryProfile
from groundbox.battery.values import Sample
from groundbox.errors import BadInput


def _log(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "log.csv"
    path.write_text(text)
    return path


def test_known_columns_in_any_order(tmp_path: Path) -> None:
    path = _log(tmp_path, "note,volts,t_s,amps,case_c\nx,12.5,0,1.5,20\ny,12.4,60,,21\n")
    assert list(read_log(path)) == [
        Sample(t_s=0.0, volts=12.5, amps=1.5, case_c=20.0),
        Sample(t_s=60.0, volts=12.4, amps=None, case_c=21.0),
    ]


def test_a_repeated_time_is_passed_on(tmp_path: Path) -> None:
    assert len(list(read_log(_log(tmp_path, "t_s,volts\n0,12\n0,12\n1,12\n")))) == 3


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("t_s,amps\n0,1\n", "volts"),
        ("t_s,volts\n", "no rows"),
        ("t_s,volts\n0,12\n5,twelve\n", "line 3, volts"),
        ("t_s,volts\n0,12\n5,\n", "line 3, volts"),
        ("t_s,volts\n0,12\n5,nan\n", "line 3, volts"),
        ("t_s,volts\n0,12500\n", "millivolts"),
        ("t_s,volts\n10,12\n5,12\n", "line 3, t_s"),
        ("t_s,volts,volts\n10,12,12\n", "twice"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(BadInput) as error:
        list(read_log(_log(tmp_path, text)))
    assert said in str(error.value)
    assert "log.csv" in str(error.value)


def test_a_missing_or_binary_file(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot be read"):
        list(read_log(tmp_path / "none.csv"))
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(BadInput, match="UTF-8"):
        list(read_log(tmp_path / "b.csv"))


@pytest.mark.parametrize(
    ("column", "low", "high"),
    [
        ("volts", 0, 1000),
        ("amps", -50_000, 50_000),
        ("declared_amps", 0, 50_000),
        ("case_c", -60, 120),
        ("battery_c", -60, 120),
    ],
)
def test_a_figure_outside_its_range_is_refused(tmp_path: Path, column: str, low: float, high: float) -> None:
    header = "t_s,volts" if column == "volts" else f"t_s,volts,{column}"
    before = "0" if column == "volts" else "0,12"
    for value in (low, high):
        assert len(list(read_log(_log(tmp_path, f"{header}\n{before},{value}\n")))) == 1
    for value in (low - 0.1, high + 0.1):
        with pytest.raises(BadInput, match=column):
            list(read_log(_log(tmp_path, f"{header}\n{before},{value}\n")))


def test_a_log_serves_to_learn_only_with_its_current(tmp_path: Path) -> None:
    for column in ("amps", "declared_amps"):
        path = _log(tmp_path, f"t_s,volts,{column}\n0,12.5,\n60,12.4,1.5\n")
        assert [sample.volts for sample in with_current(path)] == [12.5, 12.4]
    with pytest.raises(BadInput, match="neither amps nor declared_amps"):
        with_current(_log(tmp_path, "t_s,volts,amps\n0,12.5,\n60,12.4,\n"))


def test_a_log_without_a_deep_discharge_is_refused(tmp_path: Path) -> None:
    def hours(count: int) -> Path:
        rows = [f"{60 * minute},{12.6 - 0.004 * minute},3.0" for minute in range(60 * count + 1)]
        return _log(tmp_path, "t_s,volts,amps\n" + "\n".join(rows) + "\n")

    (run,) = runs_in(hours(3), BatteryProfile(c20_ah=18.0))
    assert run.depth == pytest.approx(0.5, abs=0.02)
    with pytest.raises(BadInput, match="no discharge deeper than 40%"):
        runs_in(hours(2), BatteryProfile(c20_ah=18.0))
