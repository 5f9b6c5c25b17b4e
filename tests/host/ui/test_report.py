"""The report: its sums are those of the readings; its page is self-contained and states what is unknown."""

import csv
import html.parser
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner

from groundbox.conversion import from_wire
from groundbox.model import FanReading, Mark, Reading, WarningChange
from groundbox.settings import LoadSettings
from groundbox.store import Store
from groundbox.ui.cmd_report import NO_PARQUET, command, has_parquet
from groundbox.ui.report.gather import SessionSums, flights_of
from groundbox.ui.report.lanes import LanePlot
from groundbox.ui.report.runs import RunPoint, SessionRun, actual_fraction_in_band, counted_back, judged, quality
from groundbox.wire.messages import fields_of

BASE_S = 1_800_000_000.0
ROW = Reading(box="mast", boot=1, sequence=1, uptime_ms=0, battery_volts=12.0, battery_amps=2.0, wall_s=BASE_S)
LOADS = (LoadSettings(name="receivers", watts=18), LoadSettings(name="fans", watts=6, with_fans=True))
SETTINGS = """
database = "day.db"
[batteries.M9]
profile = "M9.toml"
[boxes.mast]
battery = "M9"
cutoff_volts = 11.0
[[boxes.mast.loads]]
name = "<receivers>"
watts = 24
"""


def _sums(*rows: Reading) -> SessionSums:
    sums = SessionSums(loads=LOADS)
    for row in rows:
        sums.take(row)
    return sums


def test_energy_is_volts_times_amps_times_hours() -> None:
    sums = _sums(*(replace(ROW, wall_s=BASE_S + second) for second in range(3601)))
    assert sums.drawn_ah == pytest.approx(2.0)
    assert sums.drawn_wh == pytest.approx(24.0)
    assert sums.by_load_wh["receivers"] == pytest.approx(24.0)
    assert sums.charged_ah == 0


def test_energy_is_divided_among_the_loads_that_are_on() -> None:
    rows = [replace(ROW, wall_s=BASE_S + s, fans={1: FanReading(percent=100 if s > 1800 else 0)}) for s in range(3601)]
    sums = _sums(*rows)
    assert sum(sums.by_load_wh.values()) == pytest.approx(sums.drawn_wh)
    assert sums.by_load_wh["fans"] == pytest.approx(12.0 * 6 / 24, rel=0.01)
    assert (sums.fan_starts, sums.fans_s) == (1, 1800.0)


def test_gaps_charges_and_dips_are_kept_apart() -> None:
    sums = _sums(
        ROW,
        replace(ROW, wall_s=BASE_S + 3600.0),
        replace(ROW, wall_s=BASE_S + 3601.0, battery_amps=-3.6, battery_min_volts=10.1, case_c=51.0),
    )
    assert sums.watched_s == 1.0
    assert sums.drawn_ah == 0
    assert sums.charged_ah == pytest.approx(0.001)
    assert sums.lowest == (10.1, BASE_S + 3601.0)
    assert sums.hottest == (51.0, BASE_S + 3601.0)


def test_a_flight_has_the_runtime_at_its_landing() -> None:
    points = [RunPoint(wall_s=float(at), soc=None, runtime_s=(at, at + 1.0, at + 2.0)) for at in range(0, 100, 10)]
    flights = flights_of([(5.0, "launch"), (47.0, "landing"), (48.0, "landing"), (60.0, "launch")], points)
    assert [(one.launched_s, one.landed_s, one.runtime_s) for one in flights] == [
        (5.0, 47.0, (40, 41.0, 42.0)),
        (60.0, None, None),
    ]


def _run(ended_s: float, ended_by: str = "limit", drawn_ah: float = 0.0) -> SessionRun:
    """Ninety predictions a second apart, each with second 100 as its end; charge falls by 0.01 of 9 Ah a second."""
    points = [
        RunPoint(
            wall_s=float(at),
            soc=(0.9 - at / 100, 1.0 - at / 100, 1.0 - at / 100 + 0.05),
            runtime_s=(90.0 - at, 100.0 - at, 110.0 - at),
            drawn_ah=0.09 * at,
        )
        for at in range(90)
    ]
    return SessionRun(
        battery="M9", points=points, ended_s=ended_s, ended_by=ended_by, drawn_ah=drawn_ah, capacity_ah=9.0
    )


def test_predictions_are_judged_by_a_run_that_ended() -> None:
    assert [one.held for one in judged(_run(100.0))] == [True] * 4
    assert [one.held for one in judged(_run(150.0))] == [False] * 4
    found = quality([_run(100.0)])
    assert found is not None
    assert (found.count, found.held, found.errors) == (90, 1.0, (0.0, 0.0))
    missed = quality([_run(150.0)])
    assert missed is not None
    assert (missed.held, missed.low_held, missed.errors[0]) == (0.0, 1.0, pytest.approx(1 / 3))


def test_a_run_without_its_limit_proves_only_its_minimum_runtime() -> None:
    run = _run(5000.0, "charge")
    assert {one.held for one in judged(run)} == {False}  # it was longer than every high value
    slow = replace(run, points=[replace(point, runtime_s=(90.0, 100.0, 9e9)) for point in run.points])
    assert {one.held for one in judged(slow)} == {None}
    assert quality([run]) is None
    assert judged(_run(80.0, "session")) == []  # too short to prove anything
    assert judged(replace(run, points=[])) == []


def test_charge_is_counted_back_from_the_limit_only() -> None:
    back = counted_back(_run(100.0))
    assert back[0] == (0.0, pytest.approx(0.11 + 0.89))
    assert actual_fraction_in_band(_run(100.0)) == 1.0
    assert counted_back(_run(100.0, "charge")) == []
    assert actual_fraction_in_band(_run(100.0, "charge")) is None
    assert counted_back(replace(_run(100.0), unseen_s=2.0)) == []  # too much has no readings
    wrong = replace(_run(100.0), capacity_ah=4.5)
    assert actual_fraction_in_band(wrong) is not None
    assert (actual_fraction_in_band(wrong) or 0) < 0.2


def test_a_plot_breaks_where_values_are_missing_and_has_a_description() -> None:
    plot = LanePlot("volts", 0.0, 7200.0, 10.0, 13.0)
    plot.line([(0.0, 12.0, 12.0), (60.0, 12.0, 12.0), (4000.0, 11.0, 11.0), (4060.0, 11.0, 11.0)], "mean")
    drawn = plot.svg('falls & "sags"')
    assert drawn.count("<polyline") == 2
    assert "falls &amp; &quot;sags&quot;" in drawn


def test_a_plot_of_days_is_not_broken_between_its_sparse_values() -> None:
    plot = LanePlot("runtime left", 0.0, 172800.0, 0.0, 40.0)
    plot.line([(720.0 * n, 40 - n / 6, 40 - n / 6) for n in range(240)], "mean")
    assert plot.svg("falls").count("<polyline") == 1


@pytest.fixture
def session(tmp_path: Path) -> Path:
    (tmp_path / "groundbox.toml").write_text(SETTINGS)
    (tmp_path / "M9.toml").write_text("c20_ah = 9.0\n")
    with Store(tmp_path / "day.db") as store:
        store.add(_wired(n) for n in range(1, 1500))
        store.add_mark(Mark(box="mast", kind="launch", wall_s=BASE_S + 300))
        store.add_mark(Mark(box="mast", kind="landing", wall_s=BASE_S + 900))
        change = WarningChange(
            box="mast",
            warning="heat",
            severity="urgent",
            change="raised",
            sentence="<b>hot</b>",
            wall_s=BASE_S + 400,
        )
        store.add_warning(change)
        store.add_warning(replace(change, change="cleared", wall_s=BASE_S + 580))
        for name, value in (("case_notice_centi_c", 3650), ("fan_on_centi_c", 3320), ("fan_off_centi_c", 3010)):
            store.add_board_setting("mast", name, value, BASE_S + 10)
        store.add_board_setting("mast", "case_notice_centi_c", 3950, BASE_S + 100_000)
        store.commit()
    return tmp_path


def _wired(sequence: int, level_mv: int | None = None) -> Reading:
    known = {"box": "mast", "boot": 1, "sequence": sequence, "uptime_ms": sequence * 1000, "battery_ma": 2000}
    millivolts = 12600 - sequence // 10 - (1500 if sequence == 700 else 0)
    known |= {"battery_mv": 12600 - sequence // 10, "battery_min_mv": millivolts, "battery_max_mv": 12650}
    if level_mv is not None:
        known |= dict.fromkeys(("battery_mv", "battery_min_mv", "battery_max_mv"), level_mv)
    known |= {"case_centi_c": 3000 + sequence, "charging": "no"}
    values = [known.get(name) for name, *_ in fields_of("reading")]
    return from_wire(Reading, values, wall_s=BASE_S + sequence, wall_uncertainty_s=0.1, wall_source="exchange")


def test_one_self_contained_file_and_a_table_beside_it(session: Path) -> None:
    arguments = ["--settings", str(session / "groundbox.toml"), "--out", str(session / "page.html")]
    done = CliRunner().invoke(command, arguments, catch_exceptions=False)
    assert done.exit_code == 0
    files = [session / f"page-mast.{kind}" for kind in (("csv", "parquet") if has_parquet() else ("csv",))]
    assert [Path(line) for line in done.stdout.split()] == [session / "page.html", *files]
    text = (session / "page.html").read_text(encoding="utf-8")
    html.parser.HTMLParser().feed(text)
    for never in ("http:", "https:", "<script", "src=", "<b>hot</b>", "<receivers>"):
        assert never not in text
    for always in (
        "one flight, 10 min in the air",
        "11.03 V",
        "cleared after 3 min",
        "hydrogen",
        "not enough data yet: no discharge",
        "&lt;receivers&gt;",
        "deepest dip 1.50 V under the mean of its second",
        "This session proves only a minimum",
        "36.5 °C, limit of its board",
        "set to start at 33.2 °C and stop at 30.1 °C",
    ):
        assert always in text
    assert text.count("the actual runtime is unknown") == 1
    with (session / "page-mast.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 1499
    assert rows[699]["battery_min_mv"] == str(12600 - 70 - 1500)


def test_a_box_name_that_no_file_can_have_gives_a_table_all_the_same(session: Path) -> None:
    with Store(session / "day.db") as store:
        store.add(replace(_wired(n), box="mast/2") for n in range(1, 1500))
        store.commit()
    arguments = ["--settings", str(session / "groundbox.toml"), "--out", str(session / "page.html")]
    assert CliRunner().invoke(command, arguments, catch_exceptions=False).exit_code == 0
    assert (session / "page-mast%2F2.csv").is_file()


def test_a_session_that_does_not_exist_is_an_error(session: Path) -> None:
    done = CliRunner().invoke(command, ["--settings", str(session / "groundbox.toml"), "--session", "7"])
    assert done.exit_code != 0
    assert "the database has 1 sessions" in str(done.exception)


def test_parquet_has_the_values_of_the_csv(session: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    arguments = ["--settings", str(session / "groundbox.toml"), "--out", str(session / "page.html")]
    assert CliRunner().invoke(command, arguments).exit_code == 0
    table = parquet.read_table(session / "page-mast.parquet")
    with (session / "page-mast.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert table.num_rows == len(rows)
    for row, text in zip(table.to_pylist()[::100], rows[::100], strict=True):
        assert {name: "" if value is None else str(value) for name, value in row.items()} == text


def test_without_pyarrow_one_line_states_it(session: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("groundbox.ui.cmd_report._pyarrow", lambda: None)
    done = CliRunner().invoke(
        command, ["--settings", str(session / "groundbox.toml"), "--out", str(session / "o.html")]
    )
    assert done.exit_code == 0
    assert done.stderr.splitlines() == [NO_PARQUET]
    assert not list(session.glob("*.parquet"))


def test_a_session_with_a_swap_and_a_run_to_the_limit(tmp_path: Path) -> None:
    (tmp_path / "groundbox.toml").write_text(SETTINGS + '[batteries.M7]\nprofile = "M9.toml"\n')
    (tmp_path / "M9.toml").write_text("c20_ah = 9.0\n")
    with Store(tmp_path / "day.db") as store:
        for n in range(1, 3000):
            falls = 12600 - 2 * n if n < 1500 else 12900 - (n - 1500) // 10
            store.add([_wired(n, falls)])
        store.add_mark(Mark(box="mast", kind="swap", name="M7", wall_s=BASE_S + 1800))
        store.commit()
    out = tmp_path / "o.html"
    done = CliRunner().invoke(
        command, ["--settings", str(tmp_path / "groundbox.toml"), "--out", str(out)], catch_exceptions=False
    )
    assert done.exit_code == 0
    text = out.read_text(encoding="utf-8")
    assert "the dashed line adds the 0." in text
    assert "(target 90 %)" in text
    assert "end voltage 10." in text
    assert "battery M7" in text
    lane = text.split('aria-label="Runtime of mast')[1].split("</svg>")[0]
    assert lane.count('class="actual"') == 1, "only for the run that ended at its limit"
    assert lane.count('class="soc"') == 2
    actual_y = [float(dot.split(",")[1]) for dot in lane.split('class="actual" points="')[1].split('"')[0].split()]
    assert actual_y == sorted(actual_y), "the actual runtime only falls"
    assert "the actual runtime is unknown" not in text
