"""What the page lets hear and take along, in a real browser: tones, speech, the countdown, CSV and PNG, switches."""

import csv
import io
import struct
import time
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from tests.field.browser import Browser
from tests.field.ports import free_port
from tests.host.ui.test_lines import READING, VIEW, WALL_S
from tests.host.ui.test_report import _wired

from groundbox.advice.warner import Active
from groundbox.advice.words import clock
from groundbox.link.clock import Moment
from groundbox.model import Answer, Mark
from groundbox.monitor.ahead import DayLook
from groundbox.settings import Settings
from groundbox.store import Store
from groundbox.ui.cmd_report import command as report
from groundbox.ui.page.output import ScreenAndPage
from groundbox.ui.page.serve import Page

# Stands before the page's own sound: what leaves for the loudspeaker also goes by a meter, and words are written down.
METER = """
window.said = [];
window.speechSynthesis.speak = (words) => said.push(words.text);
const Real = window.AudioContext;
window.AudioContext = class extends Real {
  constructor() {
    super();
    window.meter = this.createAnalyser();
    meter.fftSize = 8192;
    meter.smoothingTimeConstant = 0;
    meter.connect(super.destination);
    window.loudest = {};
    setInterval(() => {
      const bins = new Float32Array(meter.frequencyBinCount);
      meter.getFloatFrequencyData(bins);
      const best = bins.indexOf(Math.max(...bins));
      if (bins[best] > -50) loudest[Math.round(best * this.sampleRate / meter.fftSize / 10) * 10] = bins[best];
    }, 20);
  }
  get destination() { return window.meter; }
};
"""
KEEP = """
window.kept = [];
URL.createObjectURL = (blob) => { kept.push(blob); return "#kept"; };
"""
READ = """
const done = arguments[1];
kept[arguments[0]].arrayBuffer().then((b) => done(Array.from(new Uint8Array(b))));
"""


class Quiet:
    """A Screen that shows nothing."""

    def show(self, *_: object) -> None: ...

    say = warn = show

    def __init__(self) -> None:
        self.sounded: list[Active] = []

    def sound(self, active: Active) -> None:
        self.sounded.append(active)


class Stage:
    """A page whose numbers the test tells."""

    def __init__(self, folder: Path) -> None:
        settings = Settings(database=str(folder / "day.db"))
        with Store(settings.database_path) as store:
            store.add(replace(_wired(n), wall_s=WALL_S - 1500 + n) for n in range(1, 1500))
            store.add_mark(Mark(box="mast", kind="launch", wall_s=WALL_S - 900))
            store.commit()
        self.page = Page(settings, lambda: WALL_S, port=free_port())
        self.output = ScreenAndPage(Quiet(), self.page, settings)  # type: ignore[arg-type]
        self.sent: list[tuple[str, str, dict[str, object]]] = []
        self.page.send = self.send
        self.real_s = 0.0
        self.view = replace(
            VIEW,
            reading=replace(READING, outputs={2: "on"}),
            state=replace(VIEW.state, in_flight=True),
            limits={"output2_kind": 2, "case_stop_centi_c": 5800},
        )

    def send(self, box: str, name: str, **fields: object) -> list[Future[Answer]]:
        self.sent.append((box, name, fields))
        future: Future[Answer] = Future()
        future.set_result(Answer(box=box, boot=1, sequence=1, command=1, result="ok", setting="output2", value="off"))
        return [future]

    def tell(self, left_s: float) -> None:
        """How things stand with so long to the turn-back time."""
        self.real_s += 2.0
        view = replace(self.view, turn_back_s=WALL_S + left_s)
        self.output.show([view], Moment(wall_s=WALL_S, monotonic_s=self.real_s, real_s=self.real_s))


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    found = Browser()
    for script in (METER, KEEP):
        found.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": script})
    yield found
    found.close()


@pytest.fixture
def stage(tmp_path: Path, browser: Browser) -> Iterator[Stage]:
    found = Stage(tmp_path)
    with found.page:
        found.tell(3000.0)
        browser.open(found.page.url)
        browser.wait_for(lambda: browser.text("[data-box=mast] .answer"))
        browser.complaints()  # of the page before, whose host is gone
        yield found
        browser.open("about:blank")


def _saved(browser: Browser, words: str) -> bytes:
    before = browser.run("return kept.length")
    browser.run("[...document.querySelectorAll('#past button')].find(b => b.innerText === arguments[0]).click()", words)
    browser.wait_for(lambda: browser.run("return kept.length") > before)
    return bytes(browser.driver.execute_async_script(READ, before))


def _tones(browser: Browser) -> set[int]:
    """The page's own tones among what the meter took, each up to 10 Hz off, and whatever else it took as it is."""
    taken = {int(hz) for hz in browser.run("return loudest")}
    return {next((tone for tone in (560, 700, 820, 980) if abs(tone - hz) <= 10), hz) for hz in taken}


def test_after_one_touch_warnings_sound_and_the_countdown_is_spoken(browser: Browser, stage: Stage) -> None:
    assert browser.run("return said") == []
    browser.driver.find_element("id", "hear").click()  # a real touch: without one browsers stay silent
    browser.wait_for(lambda: browser.run("return said.includes('Sound is on.')"))
    for left_s, words in ((600, "in 10 minutes"), (300, "in 5 minutes"), (120, "in 2 minutes"), (0, "now")):
        stage.tell(left_s)
        told = f"Turn back {words}, for box mast."
        browser.wait_for(lambda told=told: browser.run("return said.includes(arguments[0])", told))
        assert browser.text("#voice") == told
    heard = browser.wait_for(lambda: (found := _tones(browser)) >= {820, 980} and found, 15.0)
    assert heard <= {560, 700, 820, 980}
    stage.output.sound(
        Active(box="mast", kind="heat", severity="stop", sentence="61 C in the case", acknowledged=False)
    )
    stage.tell(3000.0)
    browser.wait_for(lambda: browser.run("return said.includes('mast. Open the lid: 38 degrees in the case')"))


def test_the_verdict_stands_first_and_limits_are_the_boards(browser: Browser, stage: Stage) -> None:
    browser.wait_for(lambda: (browser.text("#verdict b") or "").startswith("Turn back by"))
    assert "58 C" in (browser.text("[data-figure=case_c]") or "")


def test_by_the_days_plan_is_a_line_of_its_own(browser: Browser, stage: Stage) -> None:
    assert browser.text("[data-box=mast] .by-day") is None, "no plan, no line"
    look = DayLook(last_landing_s=WALL_S + 7200, empty_s=WALL_S + 3600, reserve_s=900.0)
    stage.view = replace(stage.view, day=look)
    stage.tell(2400.0)
    browser.wait_for(lambda: browser.text("[data-box=mast] .by-day"))
    empty, landing = clock(WALL_S + 3600), clock(WALL_S + 7200)
    told = f"By the day's plan empty at {empty} at worst, last landing {landing}."
    assert browser.text("[data-box=mast] .by-day") == told


def test_what_is_painted_follows_the_light(browser: Browser, stage: Stage) -> None:
    browser.click("[data-view=past]")
    browser.wait_for(lambda: browser.run("return document.querySelector('#past canvas')?.width > 100"))
    corner = "return [...document.querySelector('#past canvas').getContext('2d').getImageData(1, 1, 1, 1).data]"
    light = browser.run(corner)
    browser.click("#dark")
    browser.wait_for(lambda: browser.run(corner) != light)
    browser.complaints()  # about reading dots twice, which only this test does


def test_an_output_is_switched_by_two_touches(browser: Browser, stage: Stage) -> None:
    browser.wait_for(lambda: browser.click("[data-output='2']"))
    browser.wait_for(lambda: "Touch again" in (browser.text("[data-output='2']") or ""))
    assert stage.sent == []
    browser.click("[data-output='2']")
    browser.wait_for(lambda: stage.sent == [("mast", "switch", {"output": 2, "want": "off"})])


def test_what_is_seen_is_saved_as_csv_and_png(browser: Browser, stage: Stage) -> None:
    browser.click("[data-view=past]")
    browser.wait_for(lambda: browser.run("return document.querySelector('#past canvas')?.width > 100"))
    rows = list(csv.DictReader(io.StringIO(_saved(browser, "Save CSV").decode())))
    assert min(float(row["battery_min_mv"]) for row in rows) == 12600 - 70 - 1500
    assert len(rows) > 100
    png = _saved(browser, "Save PNG")
    assert png.startswith(b"\x89PNG")
    width, height = struct.unpack(">II", png[16:24])
    assert (width, height) == tuple(
        browser.run("const c = document.querySelector('#past canvas'); return [c.width, c.height]")
    )
    time.sleep(0.1)
    assert browser.complaints() == []


def test_the_report_asks_nobody_and_a_screen_reader_finds_nothing_wrong(
    browser: Browser, stage: Stage, tmp_path: Path
) -> None:
    (tmp_path / "groundbox.toml").write_text('database = "day.db"\n')
    out = tmp_path / "told.html"
    arguments = ["--settings", str(tmp_path / "groundbox.toml"), "--out", str(out)]
    assert CliRunner().invoke(report, arguments, catch_exceptions=False).exit_code == 0
    browser.open(out.as_uri())
    assert browser.run("return document.querySelectorAll('svg').length") >= 2
    assert browser.outside(stage.page.url) <= {out.as_uri()}
    assert browser.complaints() == []
    assert browser.accessibility() == []
    browser.size(360, 740)
    assert browser.run("return document.documentElement.scrollWidth") <= 360, "only its plots go sideways"
    assert browser.run("return document.querySelector('svg').clientWidth") >= 760, "at a size that can be read"
    assert browser.accessibility() == []
