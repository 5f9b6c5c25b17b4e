"""The page in a real browser: driven by the demo, and by a log that is killed and started again."""

import json
import os
import re
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from tests.field.browser import WAIT_LIMIT_S, Browser
from tests.field.ports import free_port

from groundbox.rig.bench import SimClock, SimulatedBoard
from groundbox.rig.demo_boxes import TABLE
from groundbox.rig.heat import SimWeather
from groundbox.store import Reader

FIRST_SCREEN_S = 3.0 * 5  # three seconds, on a machine that does other things too
STALL_SHOWN_S = 15.0
COMMAND = [sys.executable, "-c", "from groundbox.cli import main; main()"]
HOT = SimWeather(outside_c=((0.0, 38.0),), sun_w_m2=((0.0, 0.0),))  # so that the fans run at once
SETTINGS = """
database = "day.db"
sound = "off"
[flight]
length_min = 35
time_home_min = 8
[batteries.T18]
profile = "T18.toml"
[boxes.table]
battery = "T18"
cutoff_volts = 11.0
"""

ARROW_LEFT = "\ue012"  # as WebDriver writes it
COLOURS = """
const canvas = document.querySelector("#past canvas");
const dots = new Uint32Array(canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height).data.buffer);
return new Set(dots).size;
"""
LAST_ASKED = "return performance.getEntriesByType('resource').filter(e => e.name.includes('/past?')).at(-1).name"
LABEL = "return document.querySelector('#past canvas').getAttribute('aria-label')"
LONGER = """
const field = document.querySelector("#plan input[type=number]");
field.value = 60;
field.dispatchEvent(new Event("change"));
"""

pytestmark = pytest.mark.skipif(os.name == "nt", reason="simulated boards need pseudo-terminals")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    found = Browser()
    yield found
    found.close()


def _published(url: str) -> dict:
    with urllib.request.urlopen(f"{url}state", timeout=10) as answer:
        return json.load(answer)["published"] or {}


def _answers(url: str) -> bool:
    try:
        return bool((_published(url).get("advice") or {}).get("boxes"))
    except OSError:
        return False


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, Path]]:
    """The demo's address and database."""
    folder = tmp_path_factory.mktemp("demo")
    port = free_port()
    command = [*COMMAND, "demo", "--folder", str(folder), "--page-port", str(port)]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as process:
        url = f"http://127.0.0.1:{port}/"
        until_s = time.monotonic() + WAIT_LIMIT_S
        while not _answers(url):
            assert process.poll() is None, process.stderr and process.stderr.read()
            assert time.monotonic() < until_s
            time.sleep(0.2)
        yield url, folder / "session.db"
        process.send_signal(signal.SIGTERM)
        assert process.stderr is not None
        assert process.stderr.read() == b""
    assert process.returncode == 0


def test_the_first_screen_answers_within_seconds(browser: Browser, demo: tuple[str, Path]) -> None:
    began_s = time.monotonic()
    browser.open(demo[0])
    browser.wait_for(lambda: browser.run("return document.querySelectorAll('details .headline').length") == 2)
    assert time.monotonic() - began_s < FIRST_SCREEN_S
    for box in ("table", "mast"):
        assert browser.text(f"[data-box={box}] .headline")


def test_figures_are_the_stores(browser: Browser, demo: tuple[str, Path]) -> None:
    browser.open(demo[0])
    browser.open_boxes()
    browser.wait_for(lambda: re.match(r"\d", browser.text("[data-box=mast] [data-figure=battery_volts]") or ""))
    shown = browser.run(
        "const f = k => parseFloat(document.querySelector('[data-box=mast] [data-figure=' + k + ']').innerText);"
        "return [f('battery_volts'), f('case_c')]"
    )
    time.sleep(2.0)  # until it is committed
    with Reader(demo[1]) as reader:
        stored = [(one.battery_volts, one.case_c) for one in reader.readings("mast", 0.0)]
    assert any(
        volts is not None and case_c is not None and abs(volts - shown[0]) < 0.0051 and abs(case_c - shown[1]) < 0.051
        for volts, case_c in stored
    ), shown


def test_a_stalled_fan_is_shown_soon_and_acknowledged(browser: Browser, demo: tuple[str, Path]) -> None:
    url = demo[0]
    browser.open(url)
    browser.open_boxes()
    warning = "[data-box=table] [data-warning=fan_stalled]"
    shown = browser.wait_for(lambda: browser.text(warning))
    assert "urgent" in shown.lower()
    assert "fan 2" in (browser.text("[data-box=table] .headline") or "").lower()
    said = {one["text"]: one["wall_s"] for one in _published(url)["said"]}
    stalled_s = next(at_s for text, at_s in said.items() if "twig" in text)
    raised_s = next(at_s for text, at_s in said.items() if "raised, fan 2" in text.lower())
    assert 0 <= raised_s - stalled_s < STALL_SHOWN_S
    browser.click(f"{warning} button")
    browser.wait_for(lambda: "(acknowledged)" in (browser.text(warning) or ""))


def test_the_page_shows_what_the_recorder_decided(browser: Browser, demo: tuple[str, Path]) -> None:
    """What is on the screen at a glance is that of one published advice."""
    browser.open(demo[0])

    def same() -> bool:
        glance = _published(demo[0])["advice"]["glance"]
        shown = [browser.text(f"#glance .{part}") for part in ("word", "figure", "noun", "detail")]
        return shown == [glance[part] for part in ("word", "figure", "noun", "detail")]

    browser.wait_for(same)


def test_it_fits_a_phone_and_a_tablet_and_targets_a_glove(browser: Browser, demo: tuple[str, Path]) -> None:
    browser.open(demo[0])
    browser.wait_for(lambda: browser.text("[data-box=mast] .headline"))
    for width, height in ((360, 740), (800, 1280), (1280, 800)):
        browser.size(width, height)
        for view in ("past", "plan", "now"):
            browser.click(f"[data-view={view}]")
            browser.wait_for(
                lambda view=view: browser.run("return document.getElementById(arguments[0]).children.length", view)
            )
            assert browser.run("return document.documentElement.scrollWidth") <= width, view
            small = browser.run(
                "return [...document.querySelectorAll('button, select, label.switch')].filter(e => e.offsetParent)"
                ".map(e => [e.innerText, e.getBoundingClientRect()]).filter(([, r]) => r.height < 48 || r.width < 48)"
            )
            assert small == []
    browser.size(1280, 800)


def _recorded_s(database: Path) -> float:
    """Seconds from the first reading to the newest: a young demo has nothing to zoom into."""
    with Reader(database) as reader:
        times = [one.wall_s for box in reader.boxes() for one in reader.readings(box) if one.wall_s is not None]
    return max(times) - min(times) if times else 0.0


def test_history_is_drawn_and_zoomed(browser: Browser, demo: tuple[str, Path]) -> None:
    browser.wait_for(lambda: _recorded_s(demo[1]) > 600)
    browser.open(demo[0])
    browser.click("[data-view=past]")
    browser.wait_for(lambda: browser.run("return document.querySelector('#past canvas')?.width > 100"))
    assert browser.run(COLOURS) > 5
    before = browser.run(LABEL)
    browser.run("[...document.querySelectorAll('#past button')].find(b => b.innerText === 'Zoom in').click()")
    browser.wait_for(lambda: browser.run(LABEL) != before)


def test_history_goes_by_keys_alone(browser: Browser, demo: tuple[str, Path]) -> None:
    """Key after key, without a pointer in between: the canvas keeps the focus when it is drawn again."""
    browser.wait_for(lambda: _recorded_s(demo[1]) > 600)
    browser.open(demo[0])
    browser.click("[data-view=past]")
    browser.wait_for(lambda: browser.run("return document.querySelector('#past canvas')?.width > 100"))
    browser.run("document.querySelector('#past canvas').focus()")
    spans = []
    for key in ("-", "-", "+", ARROW_LEFT, "+"):
        browser.run("document.querySelector('#past canvas').dataset.before = 'yes'")
        browser.press(key)
        browser.wait_for(lambda: browser.run("return !document.querySelector('#past canvas')?.dataset.before"))
        assert browser.run("return document.activeElement.tagName") == "CANVAS"
        asked = parse_qs(urlsplit(browser.run(LAST_ASKED)).query)
        spans.append((float(asked["since_s"][0]), float(asked["until_s"][0])))
    lengths_s = [until_s - since_s for since_s, until_s in spans]
    assert [length_s / lengths_s[0] for length_s in lengths_s] == pytest.approx([1, 2, 1, 1, 0.5])
    assert spans[3][0] - spans[2][0] == pytest.approx(-0.3 * lengths_s[2])


def test_the_plan_answers_what_if(browser: Browser, demo: tuple[str, Path]) -> None:
    browser.open(demo[0])
    browser.click("[data-view=plan]")
    before = browser.wait_for(lambda: browser.text("#plan .flight"))
    browser.run(LONGER)
    browser.wait_for(lambda: browser.text("#plan .flight") not in (None, before))


def test_a_computer_that_does_not_answer_is_reported_and_asked_again(browser: Browser, demo: tuple[str, Path]) -> None:
    browser.open(demo[0])
    for view, found in (("plan", "#plan .flight"), ("past", "#past canvas")):
        browser.run("window.really ??= fetch; window.fetch = () => Promise.reject(new TypeError('no answer'))")
        browser.click(f"[data-view={view}]")
        browser.wait_for(lambda view=view: "does not answer" in (browser.text(f"#{view} [role=alert]") or ""))
        browser.run("window.fetch = really")
        browser.click("[data-view=now]")
        browser.click(f"[data-view={view}]")
        browser.wait_for(lambda found=found: browser.run("return document.querySelector(arguments[0])", found))


def test_a_screen_reader_finds_nothing_wrong(browser: Browser, demo: tuple[str, Path]) -> None:
    browser.open(demo[0])
    browser.wait_for(lambda: browser.text("[data-box=mast] .headline"))
    for view in ("now", "past", "plan"):
        browser.click(f"[data-view={view}]")
        browser.wait_for(
            lambda view=view: browser.run("return document.getElementById(arguments[0]).children.length", view)
        )
        for dark in ("false", "true"):
            browser.run("document.documentElement.dataset.dark = arguments[0]", dark)
            time.sleep(0.5)  # for the colours to settle
            assert browser.accessibility() == [], (view, dark)
    browser.open(f"{demo[0]}enter")
    assert browser.accessibility() == []


def test_nothing_outside_is_asked_and_the_console_is_quiet(browser: Browser, demo: tuple[str, Path]) -> None:
    assert browser.outside(demo[0]) == set()
    assert browser.complaints() == []


class Log:
    """`groundbox log --page` beside one hot box."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.port = folder, free_port()
        self.url = f"http://127.0.0.1:{self.port}/"
        (folder / "groundbox.toml").write_text(SETTINGS)
        (folder / "T18.toml").write_text("c20_ah = 18.0\n")
        self.board = SimulatedBoard(replace(TABLE, weather=HOT), SimClock(1.0), folder / "board")
        self.board.start()
        self.start()

    def start(self) -> None:
        command = [*COMMAND, "log", "--port", self.board.port, "--page", "--page-port", str(self.port)]
        self.process = subprocess.Popen(command, cwd=self.folder, stdout=subprocess.DEVNULL)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


@pytest.fixture
def log(tmp_path: Path) -> Iterator[Log]:
    found = Log(tmp_path)
    yield found
    found.kill()
    found.board.stop()


def _marks(log: Log) -> list[tuple[str, str]]:
    with Reader(log.folder / "day.db") as reader:
        return [(mark.kind, mark.box) for mark in reader.marks()]


def _mark(browser: Browser, kind: str) -> None:
    """Touches the button, and confirms where the mark is against advice."""
    browser.wait_for(lambda: browser.click(f"#aircraft [data-mark={kind}]:not(:disabled)"))
    for _ in range(2):  # a launch or landing by a click is asked about, and again where it is against advice
        time.sleep(1.0)
        browser.click("#ask[open] #ask-yes")


def test_marks_count_and_an_open_page_survives_its_host(browser: Browser, log: Log) -> None:
    browser.wait_for(lambda: _answers(log.url))
    browser.open(log.url)
    browser.open_boxes()
    browser.wait_for(lambda: re.search(r"\d V", browser.text("[data-box=table]") or ""))
    _mark(browser, "launch")
    browser.wait_for(lambda: "in flight" in (browser.text("#flight") or ""))
    _mark(browser, "returning")
    browser.wait_for(lambda: "the pilot is returning" in (browser.text("#flight") or ""))
    assert _marks(log) == [("launch", "*"), ("returning", "*")]

    log.kill()
    browser.wait_for(lambda: "No data from the recorder" in (browser.text("#trouble") or ""))
    browser.wait_for(lambda: (browser.text("#glance .detail") or "").startswith("table: no data"))
    assert browser.run("return document.querySelector('[data-box=table]').dataset.stale") == "true"
    log.start()
    browser.wait_for(lambda: not browser.text("#trouble"))
    browser.wait_for(lambda: browser.run("return document.querySelector('[data-box=table]').dataset.stale") == "false")
    assert "in flight" in (browser.text("#flight") or "")
    _mark(browser, "landing")
    browser.wait_for(lambda: "on the ground" in (browser.text("#flight") or ""))
    _mark(browser, "undo")
    browser.wait_for(lambda: "in flight" in (browser.text("#flight") or ""))
    assert _marks(log)[-1] == ("undo", "*")


def test_after_a_long_sleep_nothing_stale_looks_present(browser: Browser, log: Log) -> None:
    browser.wait_for(lambda: _answers(log.url))
    browser.open(log.url)
    browser.open_boxes()
    browser.wait_for(lambda: re.search(r"\d V", browser.text("[data-box=table]") or ""))
    log.kill()
    browser.run("const now = Date.now; Date.now = () => now() + 61000")  # as after a sleep
    browser.wait_for(lambda: (browser.text("[data-box=table] .headline") or "").startswith("Unknown: no data"))
    assert "last known" in (browser.text("[data-box=table] dl") or "")
    assert browser.run("return document.querySelector('[data-box=table] .runtime')") is None
    for place in ("#glance", "[data-box=table]"):
        assert browser.run("return document.querySelector(arguments[0]).dataset.tone", place) != "clear"
