"""Scenario files and their sentences: a wrong one gives one line with its correction, a correct one is judged."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from groundbox.errors import BadInput
from groundbox.model import WarningChange
from groundbox.rig.changes import SimChange
from groundbox.rig.expect import Moments, RigVerdict, parse
from groundbox.rig.scenario import load
from groundbox.rig.trace import Trace
from groundbox.ui.cmd_rig import command

_GOOD = """
story = "s"
starts = "23:59"
lasts_min = 2
expect = ["case never above 55 C"]
[[load]]
name = "display"
watts = 18
off = true
[[change]]
at = "00:00:30"
thing = "display"
becomes = "on"
lasts_s = 5
[[change]]
at = "23:59:10"
thing = "blocked"
becomes = 0.5
ramp_min = 0.25
"""


def _write(folder: Path, text: str) -> Path:
    path = folder / "s.toml"
    path.write_text(text)
    return path


def test_times_go_over_midnight_and_faults_go_back(tmp_path: Path) -> None:
    scenario = load(_write(tmp_path, _GOOD))
    display = [(one.at_s, one.value) for one in scenario.changes if one.thing == "display"]
    assert display == [(0, "off"), (90, "on"), (95, "off")]
    blocked = [(one.at_s, one.value) for one in scenario.changes if one.thing == "blocked"]
    assert blocked == [(15, pytest.approx(1 / 6)), (20, pytest.approx(1 / 3)), (25, 0.5)]
    assert scenario.clock(90) == "00:00:30"


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('starts = "23:59"', 'starts = "25:00"', r's\.toml: starts: "25:00" is no time of day'),
        ("lasts_min = 2", "lasts_min = 0", r"s\.toml: lasts_min: 0 is not allowed; type minutes, above 0"),
        ("lasts_min = 2", "last_min = 2", r"s\.toml: last_min: is not known here; did you mean"),
        ('thing = "display"', 'thing = "dispaly"', r"change 1, dispaly: is no thing of this box; it has .*display"),
        ("00:00:30", "23:58:30", r'change 1, at: "23:58:30" is outside of the run, which lasts 2 min from 23:59'),
        ("00:00:30", "00:01:30", r'change 1, at: "00:01:30" is outside of the run'),
        ('becomes = "on"', 'becomes = "dim"', r"change 1, display: is 'dim'; write one of on, off, auto"),
        ("becomes = 0.5", "becomes = 2", r"change 2, blocked: is 2.*; write a number from 0 to 0\.98"),
        ('thing = "blocked"', 'thing = "host"', r"change 2, host: is 0\.5; write one of listening"),
        ("[[load]]", "[settings]\nfan_on_centi_c = 9000\n[[load]]", r"settings: fan_on_centi_c is 9000; wants 2000 to"),
        ("[[load]]", "[box.case]\nair = 1\n[[load]]", r"box\.case\.air: is not a known key; known: air_battery"),
        ("case never above 55 C", "case never above 55 F", r"expect 1: .*write above or below, a number and °C"),
        ("case never above 55 C", "lid never above 55 C", r'expect 1: .*nothing is called "lid"'),
        ("case never above 55 C", "fans never blue", r"expect 1: .*fans can be off, on, full, partial"),
        ("case never above 55 C", "keep it cool", r"expect 1: .*is not a known form of sentence"),
        ("case never above 55 C", "fans on within 5 s of noon", r'expect 1: .*"noon" is no moment'),
        ("case never above 55 C", "fans on within 5 s of fan1 becoming slow", r"expect 1: .*no row of"),
        ("lasts_s = 5", "lasts_s = 31", r"change 1, lasts_s: ends 1 s after the run: make it shorter"),
        ("ramp_min = 0.25", "ramp_min = 2", r"change 2, ramp_min: ends 10 s after the run"),
        (
            "[[load]]",
            '[[weather]]\nat = "23:59:30"\noutside_c = 9\n[[load]]',
            r'weather 1, at: .* begin with a row at "23:59"',
        ),
        (
            "case never above 55 C",
            "fans on within 3 min of start",
            r"expect 1: .*3 min after start is after the end of",
        ),
        (
            "case never above 55 C",
            "fans off for at least 1 h each time",
            r"expect 1: .*1 h after start is after the",
        ),
        ("case never above 55 C", "fans always on until 00:02", r'expect 1: .*"00:02" is after the end of the run'),
        ("case never above 55 C", "event party 1 times", r"expect 1: .*no event is called party"),
    ],
)
def test_a_wrong_file_is_one_line(tmp_path: Path, old: str, new: str, complaint: str) -> None:
    path = _write(tmp_path, _GOOD.replace(old, new))
    with pytest.raises(BadInput, match=complaint) as caught:
        load(path)
    assert "\n" not in str(caught.value)


def _trace() -> Trace:
    """One minute: the case rises from 40 by 0.5 K a second; fans on from 10 s, full from 30 s, off from 50 s."""
    trace = Trace(end_s=60.0, at_s=[float(s) for s in range(1, 61)], starts=[(1.0, "power")], up=[(1.0, True)])
    trace.truth = {"case": [40 + s / 2 for s in range(1, 61)]}
    both = (True, True)
    trace.drives = [(0.0, (0, 0), both, False), (10.0, (40, 40), both, False)]
    trace.drives += [(30.0, (100, 100), both, True), (50.0, (0, 0), (True, False), False)]
    change = {"box": "b", "warning": "restarted", "severity": "urgent", "sentence": "s", "wall_s": 0.0}
    trace.warnings = [
        (20.0, WarningChange(change="raised", **change)),
        (40.0, WarningChange(change="cleared", **change)),
    ]
    return trace


def _judge(text: str) -> RigVerdict:
    changes = (SimChange(at_s=25.0, thing="fan1", value="stalled"),)
    moments = Moments(clock=lambda words, place: 60.0 * int(words[3:5]), changes=changes, end_s=60.0)
    return parse(text, "f", "expect 1", moments).judge(_trace())


@pytest.mark.parametrize(
    ("met", "missed"),
    [
        ("case never above 70 C", "case never above 69 C"),
        ("case never above 50 C until fan1 becoming stalled while fans off", "case never above 50 C while fans full"),
        ("case always above 40 C", "case always above 45 C"),
        ("fans full within 6 s of fan1 becoming stalled", "fans full within 4 s of fan1 becoming stalled"),
        ("fans full before case above 55.1 C", "fans full before case above 54.2 C"),
        (
            "fans full before case above 60 C, not before case above 54 C",
            "fans full before case above 60 C, not before case above 56 C",
        ),
        ("fans full not before case above 54 C", "fans full not before case above 56 C"),
        ("once fans on, holds until case above 64 C", "once fans on, holds until end"),
        ("whenever fans on, case above 44 C within 1 s", "whenever fans on, case above 60 C within 1 s"),
        ("whenever fans full, buzzer sounding throughout", "whenever fans on, buzzer sounding throughout"),
        ("case maximum between 69 and 71 C", "case maximum between 60 and 69 C"),
        (
            "case maximum between 52 and 53 C until fan1 becoming stalled while fans partial",
            "case maximum between 69 and 71 C until fan1 becoming stalled",
        ),
        ("fans start at most 1 times an hour", "fans start at most 0 times an hour"),
        ("fans on 1 times", "fans on 2 times"),
        ("fans full for at most 20 s each time", "fans full for at most 19 s each time"),
        ("fans on for at least 40 s each time", "fans on for at least 41 s each time"),
        ("output 1 always on", "output 2 always on"),
        ("board starts 1 times", "board starts 2 times"),
        ("warning restarted urgent within 21 s of start", "warning restarted stop within 21 s of start"),
        ("warning restarted never active until fan1 becoming stalled while fans off", "warning restarted never active"),
        ("back to normal within 30 s of fan1 becoming stalled", "back to normal within 10 s of fan1 becoming stalled"),
    ],
)
def test_a_sentence_judges_as_it_reads(met: str, missed: str) -> None:
    assert _judge(met).passed, _judge(met)
    assert not _judge(missed).passed, _judge(missed)


def test_what_never_occurred_does_not_count_as_met() -> None:
    for text in ("whenever case above 90 C, fans full within 1 s", "fans never on while case above 90 C"):
        verdict = _judge(text)
        assert not verdict.passed
        assert "not tested" in verdict.found


def test_exit_status_and_json(tmp_path: Path) -> None:
    text = _GOOD.replace("case never above 55 C", "case never above 1 C")
    done = CliRunner().invoke(command, [str(_write(tmp_path, text)), "--json"])
    assert done.exit_code == 1
    assert '"passed":false' in done.stdout
    assert '"expect":"case never above 1 C"' in done.stdout


def test_a_run_is_drawn(tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    picture = tmp_path / "run.svg"
    done = CliRunner().invoke(command, [str(_write(tmp_path, _GOOD)), "--plot", str(picture)])
    assert done.exit_code == 0, done.output
    assert "case as reported" in picture.read_text() or picture.stat().st_size > 10_000
