"""The commands as another program calls them: fixed JSON, and one clear line for bad input."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.host.battery.test_fit import made

from groundbox.errors import BadInput
from groundbox.ui.cmd_battery import command as battery
from groundbox.ui.cmd_replay import command as replay

LOG = "t_s,volts,amps\n" + "".join(f"{60 * m},{12.6 - 0.008 * m:.3f},4.0\n" for m in range(240))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "log.csv").write_text(LOG)
    (tmp_path / "b.toml").write_text("c20_ah = 18\n")
    return tmp_path


def _replayed(folder: Path, *options: str, log: str = "log.csv") -> list[dict[str, float | None]]:
    arguments = [str(folder / log), "--battery", str(folder / "b.toml"), "--cutoff", "10.9", "--json", *options]
    done = CliRunner().invoke(replay, arguments, catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return [json.loads(line) for line in done.output.splitlines()]


def test_one_object_a_line_with_the_fixed_names(folder: Path) -> None:
    rows = _replayed(folder)
    assert list(rows[0]) == ["t_s", "soc", "runtime_low_s", "runtime_expected_s", "runtime_high_s"]
    assert [row["t_s"] for row in rows[:3]] == [0, 60, 120]
    assert rows[0]["runtime_expected_s"] is None
    assert rows[-1]["runtime_expected_s"] == 0
    for row in rows[5:]:
        low, expected, high = (row[f"runtime_{name}_s"] for name in ("low", "expected", "high"))
        assert low is not None
        assert expected is not None
        assert high is not None
        assert 0 <= low <= expected <= high


@pytest.mark.parametrize(
    ("option", "value", "said"),
    [
        ("--cutoff", "nan", "nan is not a number"),
        ("--start-soc", "nan", "nan is not a number"),
        ("--every", "inf", "inf is not a number"),
        ("--cutoff", "13", "lower it"),
        ("--cutoff", "6", "1.00 V for each of the 6 cells"),
    ],
)
def test_an_impossible_number_is_refused_in_one_line(folder: Path, option: str, value: str, said: str) -> None:
    arguments = [str(folder / "log.csv"), "--battery", str(folder / "b.toml"), "--cutoff", "10.9", option, value]
    done = CliRunner().invoke(replay, arguments)
    assert done.exit_code != 0
    assert said in f"{done.stderr} {done.exception}"


def test_later_rows_change_nothing_before_them(folder: Path) -> None:
    (folder / "short.csv").write_text("".join(LOG.splitlines(keepends=True)[:100]))
    assert _replayed(folder, log="short.csv") == _replayed(folder)[:99]


def test_options_reach_the_estimator(folder: Path) -> None:
    plain = _replayed(folder, "--start-soc", "1", "--every", "600")
    heavier = _replayed(folder, "--start-soc", "1", "--every", "600", "--load-ahead", "8")
    assert [row["t_s"] for row in plain[:3]] == [0, 600, 1200]
    assert (heavier[5]["runtime_expected_s"] or 0) < 0.6 * (plain[5]["runtime_expected_s"] or 0)
    half = _replayed(folder, "--start-soc", "0.5")
    assert (half[0]["soc"] or 0) == pytest.approx(0.5, abs=0.1)


def test_a_log_without_current(folder: Path) -> None:
    (folder / "v.csv").write_text("\n".join(",".join(line.split(",")[:2]) for line in LOG.splitlines()))
    declared = _replayed(folder, "--load", "4", log="v.csv")
    alone = _replayed(folder, log="v.csv")
    for rows in (declared, alone):
        assert all(row["runtime_expected_s"] is not None for row in rows[10:])


def test_bad_input_is_one_line(folder: Path) -> None:
    for arguments in (
        ["none.csv", "--battery", str(folder / "b.toml"), "--cutoff", "11"],
        [str(folder / "log.csv"), "--battery", str(folder / "none.toml"), "--cutoff", "11"],
        [str(folder / "log.csv"), "--battery", str(folder / "b.toml"), "--cutoff", "24"],
    ):
        with pytest.raises(BadInput) as error:
            CliRunner().invoke(replay, arguments, catch_exceptions=False)
        assert "\n" not in str(error.value)


def test_new_show_and_fit(folder: Path) -> None:
    run = CliRunner()
    made = str(folder / "new.toml")
    done = run.invoke(battery, ["new", made, "--c20", "9", "--label", "mast 2", "--json"], catch_exceptions=False)
    assert json.loads(done.output)["c20_ah"] == 9
    with pytest.raises(BadInput, match="exists already"):
        run.invoke(battery, ["new", made, "--c20", "9"], catch_exceptions=False)
    shown = json.loads(run.invoke(battery, ["show", made, "--json"], catch_exceptions=False).output)
    assert shown["from_full"][0]["low_h"] <= shown["from_full"][0]["expected_h"]
    assert "narrows this by" in shown["trust_improves"]
    assert any("hydrogen" in sentence for sentence in shown["cautions"])
    fit = ["fit", str(folder / "log.csv"), "--battery", str(folder / "b.toml"), "--out", str(folder / "f.toml")]
    found = json.loads(run.invoke(battery, [*fit, "--json"], catch_exceptions=False).output)
    assert found["fitted"]["runs"] == 1
    assert 5 < found["fitted"]["capacity_ah"] < 40
    assert "Before you act" in run.invoke(battery, fit, catch_exceptions=False).output


def test_a_plot_is_drawn(folder: Path) -> None:
    pytest.importorskip("matplotlib")
    _replayed(folder, "--every", "1200", "--plot", str(folder / "p.svg"))
    assert "<svg" in (folder / "p.svg").read_text()
    with pytest.raises(BadInput, match="its folder does not exist"):
        _replayed(folder, "--every", "6000", "--plot", str(folder / "none" / "p.svg"))


def test_a_plot_that_cannot_be_written_is_refused_before_the_work(folder: Path) -> None:
    arguments = [str(folder / "log.csv"), "--battery", str(folder / "b.toml"), "--cutoff", "10.9", "--plot"]
    for name in ("nowhere/a.svg", "a.doc"):
        with pytest.raises(BadInput, match=name):
            CliRunner().invoke(replay, [*arguments, str(folder / name)], catch_exceptions=False)


def test_columns_that_are_not_read_are_named(folder: Path) -> None:
    (folder / "log.csv").write_text(LOG.replace("amps\n", "current\n", 1))
    arguments = [str(folder / "log.csv"), "--battery", str(folder / "b.toml"), "--cutoff", "10.9", "--json"]
    assert "line 1: not read: current (read are t_s, volts" in CliRunner().invoke(replay, arguments).stderr


def test_health_and_test(folder: Path) -> None:
    run = CliRunner()
    answer = json.loads(
        run.invoke(battery, ["health", str(folder / "b.toml"), "--json"], catch_exceptions=False).output
    )
    assert "not enough data yet" in answer["health"]["verdict"]
    arguments = ["test", str(folder / "log.csv"), "--battery", str(folder / "b.toml")]
    answer = json.loads(run.invoke(battery, [*arguments, "--json"], catch_exceptions=False).output)
    assert answer["steps"][0]["name"] == "invalid"
    assert "an hour's rest" in answer["steps"][0]["do"]
    assert answer["step"]["name"] == "charge", "it starts again"
    with pytest.raises(BadInput, match="no complete test down to the end voltage"):
        run.invoke(battery, arguments, catch_exceptions=False)


def test_replay_reports_repeated_times_and_counts_the_first_row_of_each(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text("c20_ah = 9.0\n")
    log = tmp_path / "log.csv"
    log.write_text("t_s,volts,amps\n0,12.6,1\n60,12.5,1\n60,12.1,1\n120,12.4,1\n")
    done = CliRunner().invoke(
        replay, [str(log), "--battery", str(tmp_path / "b.toml"), "--cutoff", "11", "--json", "--every", "0"]
    )
    assert done.exit_code == 0
    assert "1 rows repeat a time, the first 60" in done.stderr
    assert [json.loads(line)["t_s"] for line in done.stdout.splitlines()] == [0.0, 60.0, 120.0]


def test_a_second_fit_uses_the_first_and_skips_its_logs(tmp_path: Path) -> None:
    profile, other = tmp_path / "b.toml", tmp_path / "other.toml"
    profile.write_text("c20_ah = 18.0\n")
    other.write_text("c20_ah = 9.0\n")
    for name, amps in (("one", 1.0), ("two", 3.0)):
        rows = (f"{row.t_s},{row.volts},{row.amps}" for row in made(1.0, amps))
        (tmp_path / f"{name}.csv").write_text("\n".join(["t_s,volts,amps", *rows]) + "\n")
    fit = ["fit", "--battery", str(profile), "--out", str(profile), "--json"]
    for runs, name in ((1, "one"), (2, "two")):
        done = CliRunner().invoke(battery, [*fit, str(tmp_path / f"{name}.csv")], catch_exceptions=False)
        assert json.loads(done.stdout)["fitted"]["runs"] == runs
    with pytest.raises(BadInput, match="holds all of these discharges already"):
        CliRunner().invoke(battery, [*fit, str(tmp_path / "one.csv")], catch_exceptions=False)
    with pytest.raises(BadInput, match="profile of another battery"):
        CliRunner().invoke(
            battery,
            ["fit", "--battery", str(profile), "--out", str(other), str(tmp_path / "one.csv")],
            catch_exceptions=False,
        )
