"""Whatever the state: terminal, now, page, exports, warnings topic and plan give the same verdict, words and act."""

import io
import json
import time
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from rich.console import Console
from tests.host.advice.test_judge import STATES, WALL_S

from groundbox.advice.judge import Judge
from groundbox.advice.result import FlightShown, SessionAdvice
from groundbox.advice.state import BoxState
from groundbox.cli import commands
from groundbox.link.clock import Moment
from groundbox.plan.battery_pool import pool_of
from groundbox.plan.day_file import load_day
from groundbox.plan.planner import Plan, plan_as_is
from groundbox.store import Store
from groundbox.ui.bridge.metrics import Metrics
from groundbox.ui.bridge.senders import box_json
from groundbox.ui.cmd_plan_words import first_line, verdict_of
from groundbox.ui.page.serve import Published
from groundbox.ui.screen import Screen
from groundbox.ui.sound import Sounder

EXAMPLE = Path(__file__).parents[3] / "host" / "groundbox" / "examples" / "bog_day.toml"
NOW = Moment(wall_s=WALL_S, monotonic_s=0.0, real_s=100.0)


@pytest.fixture(scope="module")
def plan() -> Plan:
    day = load_day(EXAMPLE)
    return plan_as_is(day, pool_of(day), 0.2, 0.0, rounds=1, clock=time.monotonic)


def _screen(advice: SessionAdvice) -> str:
    file = io.StringIO()
    with Screen(Console(file=file, width=400, highlight=False), Sounder("off")) as screen:
        screen.show(advice, NOW)
    return file.getvalue()


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(STATES, STATES)
def test_all_outputs_agree(plan: Plan, tmp_path: Path, one: BoxState, other: BoxState) -> None:
    other = replace(other, box="table", in_flight=one.in_flight, returning=one.returning)
    flight = FlightShown(in_flight=one.in_flight, returning=one.returning)
    advice, _ = Judge().update(0.0, WALL_S, [one, other], flight)

    screen, metrics = _screen(advice), Metrics()
    metrics.show(advice, NOW)
    families = {family.name: family for family in text_string_to_metric_families(metrics.text().decode())}
    measured = {sample.labels["box"]: sample.labels["verdict"] for sample in families["groundbox_verdict"].samples}
    page = json.loads(msgspec.json.encode(Published(advice=advice)))["advice"]
    for box in advice.boxes:
        topic = json.loads(box_json(box, WALL_S))
        (shown,) = [item for item in page["boxes"] if item["box"] == box.box]
        for said in (topic, shown):
            assert (said["verdict"], said["headline"], said["action"]) == (box.verdict, box.headline, box.action)
        assert f"{box.box}: {box.headline}" in screen
        assert measured[box.box] == box.verdict
    assert (page["verdict"], page["headline"], page["action"]) == (advice.verdict, advice.headline, advice.action)
    assert first_line(plan, advice).startswith(f"{advice.headline}. {advice.action}.")
    assert verdict_of(plan, advice) == advice.verdict

    database = tmp_path / "now.db"
    with Store(database) as store:
        store.save_advice(time.time(), msgspec.json.encode(advice).decode())
        store.commit()
    plain = CliRunner().invoke(commands, ["now", "--database", str(database)])
    assert plain.output.startswith(f"{advice.headline}. {advice.action}.\n")
    as_json = CliRunner().invoke(commands, ["now", "--json", "--database", str(database)])
    assert json.loads(as_json.output) == page
    good = advice.verdict == "clear_to_launch" or (
        advice.verdict == "turn_back_by" and advice.severity in ("none", "notice")
    )
    assert plain.exit_code == as_json.exit_code == (0 if good else 1)
