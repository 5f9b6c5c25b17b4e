"""What the page shows of the advice, speaks, asks and saves, in a real browser."""

import csv
import io
import re
import struct
import threading
import time
import urllib.request
from collections.abc import Iterator
from concurrent.futures import Future
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from msgspec import structs
from tests.field.browser import Browser
from tests.field.ports import free_port
from tests.host.ui.samples import IN_FLIGHT, MAST, MAST_OUT, READY, STALLED, TABLE, TABLE_OUT, WALL_S, judged
from tests.host.ui.test_report import _wired

from groundbox.advice import words
from groundbox.advice.result import Cue, IfSilent, SessionAdvice
from groundbox.link.clock import Moment
from groundbox.model import Answer, Mark
from groundbox.settings import BatterySettings, BoxSettings, Settings
from groundbox.store import Store
from groundbox.store.handover import waiting
from groundbox.ui.cmd_report import command as report
from groundbox.ui.page.serve import Page, PageOutput

# Replaces the page's sound: what goes to the loudspeaker is also measured, and spoken words are noted.
METER = """
window.said = [];
window.speechSynthesis.speak = (words) => { said.push(words.text); setTimeout(() => words.onend(), 300); };
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


class Stage:
    """A page whose advice the test publishes."""

    def __init__(self, folder: Path) -> None:
        settings = Settings(
            database=str(folder / "day.db"),
            batteries={name: BatterySettings(profile=f"{name}.toml") for name in ("M9", "T18")},
            boxes={name: BoxSettings(cutoff_volts=11.0) for name in ("mast", "table")},
        )
        self.path = settings.database_path
        with Store(self.path) as store:
            store.add(replace(_wired(n), wall_s=WALL_S - 1500 + n) for n in range(1, 1500))
            store.add_mark(Mark(box="mast", kind="launch", wall_s=WALL_S - 900))
            store.commit()
        self.page = Page(settings, lambda: WALL_S, port=free_port())
        self.output = PageOutput(self.page)
        self.sent: list[tuple[str, str, dict[str, object]]] = []
        self.page.send = self.send
        self.real_s = 0.0
        self.made_s = 0.0
        self._on_air = threading.Event()
        self._ended = threading.Event()
        self._advice = IN_FLIGHT
        self._thread = threading.Thread(target=self._publish, daemon=True)

    def __enter__(self) -> "Stage":
        self.page.__enter__()
        self.show(self._advice)
        self._on_air.set()
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._ended.set()
        self._thread.join()
        self.page.__exit__()

    def show(self, advice: SessionAdvice) -> None:
        """Publishes this from now on, each second."""
        self._advice = advice
        self._on_air.set()

    def stop(self) -> None:
        """Publishes nothing more, as a recorder that hangs."""
        self._on_air.clear()

    def _publish(self) -> None:
        while not self._ended.wait(0.2):
            if self._on_air.is_set():
                real_s = time.monotonic()
                self.made_s += 0.2
                now = structs.replace(self._advice, made_at_s=self._advice.made_at_s + self.made_s)
                self.output.show(now, Moment(wall_s=WALL_S, monotonic_s=real_s, real_s=real_s))

    def marks(self) -> list[Mark]:
        """Marks left for the recorder."""
        return [one.request for one in waiting(self.path) if isinstance(one.request, Mark)]

    def send(self, box: str, name: str, **fields: object) -> list[Future[Answer]]:
        self.sent.append((box, name, fields))
        future: Future[Answer] = Future()
        future.set_result(Answer(box=box, boot=1, sequence=1, command=1, result="ok", setting="output2", value="off"))
        return [future]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    found = Browser()
    for script in (METER, KEEP):
        found.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": script})
    yield found
    found.close()


@pytest.fixture
def stage(tmp_path: Path, browser: Browser) -> Iterator[Stage]:
    with Stage(tmp_path) as found:
        browser.open(found.page.url)
        browser.open_boxes()
        browser.complaints()  # of the page before, whose server has ended
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


def _words(browser: Browser, selector: str) -> str:
    return " ".join((browser.text(selector) or "").split())


def _cue(number: int, severity: str, spoken: str) -> Cue:
    return Cue(number=number, at_s=WALL_S, box="mast", severity=severity, spoken=spoken)


def test_after_one_touch_new_cues_are_spoken_once_with_their_tones(browser: Browser, stage: Stage) -> None:
    old = structs.replace(IN_FLIGHT, cues=(_cue(1, "urgent", "mast: turn back in ten minutes"),))
    stage.show(old)
    browser.wait_for(lambda: browser.text("#voice") == "mast: turn back in ten minutes")
    assert browser.run("return said") == []
    browser.driver.find_element("id", "hear").click()  # a real touch: without one browsers stay silent
    browser.wait_for(lambda: browser.run("return said.includes('Sound is on.')"))
    browser.click("#ask-yes")  # it asks whether the sound was heard
    time.sleep(1.0)  # what is cut short by a stop is spoken again: the words before have ended
    cues = (*old.cues, _cue(2, "urgent", "mast: turn back in five minutes"), _cue(3, "stop", "mast: return now, heat"))
    stage.show(structs.replace(IN_FLIGHT, cues=cues))
    for cue in cues[1:]:
        browser.wait_for(lambda cue=cue: browser.run("return said.includes(arguments[0])", cue.spoken))
    heard = browser.wait_for(lambda: (found := _tones(browser)) >= {820, 980} and found, 15.0)
    assert heard <= {560, 700, 820, 980}
    time.sleep(2.5)
    spoken = [one for one in browser.run("return said") if one != "Sound is on."]
    assert spoken == [cues[2].spoken, cues[1].spoken], "the most severe first"


BLIND = judged(replace(MAST_OUT, runtime_low_s=None, turn_back_in_s=None, runtime_unknown_because="no profile"))
PRESSES = 24  # 200 were tried by hand: none was lost
FAN_OUT = judged(replace(MAST_OUT, fans=("running", "stalled", "absent", "absent")), TABLE_OUT, seconds=10)
_SPARE = {"case_heat": "urgent", "case_c": 56.0, "sheddable": ("USB charging", "second display")}
TWO_ACTS = judged(replace(MAST_OUT, **_SPARE), replace(TABLE_OUT, **_SPARE), seconds=5)
NO_PROFILE = judged(replace(MAST, runtime_low_s=None, trust=None, runtime_unknown_because="no profile"), TABLE)


@pytest.mark.parametrize("advice", [READY, IN_FLIGHT, STALLED, BLIND, NO_PROFILE])
def test_the_first_words_are_verdict_time_and_box_of_the_advice(
    browser: Browser, stage: Stage, advice: SessionAdvice
) -> None:
    """The first 60 characters that a screen reader reads hold the verdict, its figure and the limiting box."""
    stage.show(advice)
    glance = advice.glance
    browser.wait_for(lambda: _words(browser, "#glance .word") == glance.word)
    first = " ".join(browser.run("return document.body.innerText").split())[:60]
    for part in (glance.word, glance.figure, f"{advice.limiting_box}:"):
        assert part in first
    shown = [" ".join(one.split()) for one in (browser.text("#instructions") or "").splitlines()]
    assert shown == ([f"{one.box} {one.words}." for one in glance.instructions] or ["No act needed."])
    for one, place in ((advice, "#glance"), *((box, f"[data-box={box.box}]") for box in advice.boxes)):
        tone = browser.run("return document.querySelector(arguments[0]).dataset.tone", place)
        assert (tone == "clear") == (one.severity == "none" and one.verdict in ("clear_to_launch", "turn_back_by"))
    for box in advice.boxes:
        place = f"[data-box={box.box}]"
        assert _words(browser, f"{place} .headline") == box.headline
        assert _words(browser, f"{place} .action") == f"{box.action}."
        assert (browser.text(f"{place} .severity") or "none").strip().lower() == box.severity
        for warning in box.warnings:
            assert warning.sentence in _words(browser, f"{place} .warnings")


def test_figures_have_their_units_and_limits(browser: Browser, stage: Stage) -> None:
    stage.show(READY)
    mast = "[data-box=mast]"
    browser.wait_for(lambda: _words(browser, f"{mast} [data-figure=runtime_low]") == "2 h 30 min")
    shown = {
        "runtime_expected": "3 h 00 min",
        "runtime_high": "3 h 30 min",
        "trust": "measured counts to the cutoff voltage",
        "needs": "50 min",
        "battery_volts": "12.40 V 1.50 A discharge, end voltage 10.5 V",
        "equipment_volts": "12.30 V cutoff voltage 11.0 V, 12.0 V at a start of servos",
        "case_c": "33.0 °C 45 °C in 40 min, fans as now; 60 °C in about 18 min with fans off",
        "battery_c": "27.0 °C charge from 0 to 40 °C, stop at 50 °C",
        "humidity": "48 % dew point 12 °C",
        "soc": "82 %",
        "turn_back": "65 min its own count",
        "fan1": "running 2100 rpm, drive 80 %",
    }
    assert {key: _words(browser, f"{mast} [data-figure={key}]") for key in shown} == shown
    assert "USB charging (sheddable) on; off: +10 min" in _words(browser, f"{mast} .loads")
    assert "receivers (essential) on" in _words(browser, f"{mast} .loads")
    landing, empty = (words.clock(WALL_S + 3600 * hours) for hours in (3, 2))
    sentence = f"By the day plan it does not last until the last landing at {landing}: empty at {empty}, low runtime."
    assert _words(browser, f"{mast} .by-day") == sentence


def test_spans_are_rounded_as_in_the_headlines(browser: Browser, stage: Stage) -> None:
    browser.driver.execute_script("import('/draw.js').then((found) => { window.draw = found; })")
    browser.wait_for(lambda: browser.run("return !!window.draw"))
    for name, same in (("span", words.span), ("needed", words.needed), ("age", words.age)):
        for seconds in (-5.0, 0.0, 59.9, 60.0, 119.0, 121.0, 1799.0, 1800.0, 1801.0, 2099.0, 7199.0, 7200.0, 30001.0):
            assert browser.run(f"return draw.{name}(arguments[0])", seconds) == same(seconds), (name, seconds)


SILENT = (
    IfSilent(
        after_s=6.5,
        verdict="unknown",
        severity="stop",
        headline="Unknown: no data, last turn-back time 15:05",
        spoken="mast: no data, turn back by fifteen oh five",
        action="Turn back by 15:05",
        word="UNKNOWN",
    ),
    IfSilent(
        after_s=11.0,
        verdict="return_now",
        severity="stop",
        headline="Return now: no data, last turn-back time 15:05 has passed",
        spoken="mast: no data, return now",
        action="Return now",
        word="RETURN NOW",
    ),
)


def test_without_news_the_page_shows_and_speaks_what_the_recorder_left_for_that(browser: Browser, stage: Stage) -> None:
    boxes = tuple(structs.replace(box, if_silent=SILENT) for box in IN_FLIGHT.boxes)
    stage.show(structs.replace(IN_FLIGHT, if_silent=SILENT, boxes=boxes))
    browser.driver.find_element("id", "hear").click()
    browser.wait_for(lambda: browser.click("#ask[open] #ask-yes"))
    time.sleep(2.0)
    stage.stop()
    for row in SILENT:
        browser.wait_for(lambda row=row: _words(browser, "[data-box=mast] .headline") == row.headline)
        assert _words(browser, "[data-box=mast] .action") == f"{row.action}."
        assert _words(browser, "#glance .word") == row.word
        assert _words(browser, "#glance .figure") == words.clock(IN_FLIGHT.turn_back_at_s), "the last time stays"
        assert _words(browser, "#glance .noun").startswith("last turn-back time")
        assert re.match(r"data \d+ s old", _words(browser, "#flight"))
        assert _words(browser, "#instructions") == f"mast {row.action}."
        for place in ("#glance", "[data-box=mast]"):
            assert browser.run("return document.querySelector(arguments[0]).dataset.tone", place) == "stop"
        assert "(stale)" in (browser.text("[data-box=mast] .turn-back") or "")
        assert "stale" in (browser.text("[data-box=mast] .stale") or "")
        assert browser.text("[data-box=mast] .runtime") is None
        assert "last known" in (browser.text("[data-box=mast] [data-figure=battery_volts]") or "")
    assert "No data from the recorder" in (browser.text("#trouble") or "")
    assert not browser.run("return [...document.querySelectorAll('[data-mark]')].some((one) => !one.disabled)")
    assert browser.accessibility() == []
    stage.show(IN_FLIGHT)
    browser.wait_for(lambda: _words(browser, "#glance .word") == IN_FLIGHT.glance.word)
    browser.wait_for(lambda: not browser.text("#trouble"))
    assert not browser.run("return [...document.querySelectorAll('[data-mark]')].some((one) => one.disabled)")
    rows = [row.spoken for row in SILENT]
    heard = "return [...new Set(said.filter((one) => one.includes('no data')))]"  # one may come again after 30 s
    browser.wait_for(lambda: browser.run(heard) == rows, 10.0)


def test_a_page_opened_beside_a_recorder_that_hangs_counts_from_the_newest_advice(
    browser: Browser, stage: Stage
) -> None:
    stage.stop()
    time.sleep(0.5)
    stage.page.published_s -= 60.0
    browser.open(stage.page.url)
    browser.wait_for(lambda: browser.text("#flight"))
    assert _words(browser, "#glance .word") == IN_FLIGHT.if_silent[0].word
    assert re.match(r"data 6\d s old", _words(browser, "#flight"))


def _press(browser: Browser, selector: str, held_s: float, touch: bool = False) -> None:
    """A real press in the middle of an element, by mouse or by touch."""
    place = "const r = document.querySelector(arguments[0]).getBoundingClientRect();"
    x, y = browser.run(f"{place} return [r.x + r.width / 2, r.y + r.height / 2]", selector)
    points = [{"x": x, "y": y}]
    for kind in ("Start", "End") if touch else ("Pressed", "Released"):
        if touch:
            event = {"type": f"touch{kind}", "touchPoints": points if kind == "Start" else []}
            browser.driver.execute_cdp_cmd("Input.dispatchTouchEvent", event)
        else:
            event = {"type": f"mouse{kind}", "x": x, "y": y, "button": "left", "clickCount": 1}
            browser.driver.execute_cdp_cmd("Input.dispatchMouseEvent", event)
        if kind in ("Start", "Pressed"):
            time.sleep(held_s)


def test_a_launch_is_held_for_a_second_and_asked_about_against_advice(browser: Browser, stage: Stage) -> None:
    stage.show(STALLED)
    browser.wait_for(lambda: _words(browser, "#glance .word") == "DO NOT LAUNCH")
    for touch in (False, True):
        _press(browser, "[data-mark=launch]", 0.4, touch)
        browser.wait_for(lambda: "Hold the button" in (browser.text("#trouble") or ""))
        assert not browser.run("return document.querySelector('#ask').open")
        _press(browser, "[data-mark=launch]", 1.3, touch)
        browser.wait_for(lambda: browser.run("return document.querySelector('#ask').open"))
        assert (browser.text("#ask-words") or "").startswith("Do not launch: table, fan 2")
        assert browser.accessibility() == []
        browser.click("#ask-no")
        assert stage.marks() == []
        browser.run("document.querySelector('#trouble').textContent = ''")
        time.sleep(1.3)
    _press(browser, "[data-mark=launch]", 1.3)
    browser.wait_for(lambda: browser.click("#ask[open] #ask-yes"))
    browser.wait_for(stage.marks)
    assert stage.marks() == [Mark(box="*", kind="launch", wall_s=WALL_S, confirmed=True)]
    browser.wait_for(lambda: (browser.text("[data-mark=undo]") or "").startswith("Undo launch ("))


def test_a_screen_reader_marks_a_launch_by_two_clicks(browser: Browser, stage: Stage) -> None:
    stage.show(READY)
    browser.wait_for(lambda: browser.click("[data-mark=launch]"))
    browser.wait_for(lambda: browser.text("#ask-words") == "Mark launch?")
    browser.click("#ask-yes")
    browser.wait_for(lambda: [mark.kind for mark in stage.marks()] == ["launch"])


def test_no_press_is_lost_while_values_change(browser: Browser, stage: Stage) -> None:
    """Presses of 50 to 700 ms, by mouse and by touch, while new advice comes each second."""
    browser.run(
        "window.got = 0; const s = document.querySelector('[data-box=mast] summary');"
        "s.addEventListener('click', () => { window.got += 1; }); s.scrollIntoView({ block: 'center' });"
        "getSelection().selectAllChildren(document.querySelector('[data-box=mast] .headline'))"
    )
    selected = browser.run("return getSelection().toString()")
    presses = [0.05 + 0.65 * n / (PRESSES - 1) for n in range(PRESSES)]
    for number, held_s in enumerate(presses):
        if number == PRESSES // 2:
            assert browser.run("return getSelection().toString()") in (selected, "")
        _press(browser, "[data-box=mast] summary", held_s, touch=number % 2 == 1)
    browser.wait_for(lambda: browser.run("return window.got") == PRESSES)


def test_without_scripts_the_verdict_is_in_the_page(stage: Stage) -> None:
    with urllib.request.urlopen(stage.page.url, timeout=10) as answer:
        text = answer.read().decode()
    noscript = re.findall(r"<noscript>(.*?)</noscript>", text)
    first = f'<p class="word">{IN_FLIGHT.glance.word}</p><p class="figure">{IN_FLIGHT.glance.figure}</p>'
    assert any(one.startswith(first) for one in noscript)
    assert any('http-equiv="refresh"' in one for one in noscript)


TONES = ("clear", "plain", "notice", "unknown", "urgent", "stop")
INK = """
const place = document.querySelector("#glance");
place.dataset.tone = arguments[0];
const style = getComputedStyle(place);
return [style.backgroundColor, style.color, style.borderTopStyle, style.borderTopWidth, style.borderLeftWidth];
"""


def test_severities_differ_without_colour(browser: Browser, stage: Stage) -> None:
    """Each severity has its own lightness or outline, and words have a contrast of 7 to 1 (WCAG 2.2, 1.4.6)."""
    stage.stop()
    for dark in ("false", "true"):
        browser.run("document.documentElement.dataset.dark = arguments[0]", dark)
        looks = {}
        for tone in TONES:
            ground, ink, *outline = browser.run(INK, tone)
            lights = [_light([int(part) for part in re.findall(r"\d+", colour)[:3]]) for colour in (ground, ink)]
            assert (max(lights) + 0.05) / (min(lights) + 0.05) >= 7.0, (dark, tone)
            looks[tone] = (lights[0], tuple(outline))
        for one, other in (("urgent", "clear"), ("stop", "urgent")):
            pair = sorted((looks[one][0], looks[other][0]))
            assert (pair[1] + 0.05) / (pair[0] + 0.05) >= 1.7, (dark, one, other)
        assert len({looks[tone] for tone in TONES if tone != "plain"}) == len(TONES) - 1


def _light(parts: list[int]) -> float:
    """Relative luminance by WCAG 2.2."""
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in (p / 255 for p in parts)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_slots_keep_their_places_and_the_verdict_fills_a_phone(browser: Browser, stage: Stage) -> None:
    """What is pressed stays where it is in every state; nothing is smaller than 18 px; a laptop needs no scrolling."""
    tops = {}
    for width, height in ((390, 844), (1366, 768)):
        browser.size(width, height)
        for number, advice in enumerate((IN_FLIGHT, FAN_OUT, TWO_ACTS)):
            stage.show(advice)
            browser.wait_for(lambda advice=advice: _words(browser, "#glance .word") == advice.glance.word)
            browser.run("document.querySelectorAll('details').forEach((one) => { one.open = false; })")
            time.sleep(0.6)
            tops[number] = browser.run(
                "return ['#glance', '#instructions', '#lanes', '#aircraft'].map("
                "(one) => document.querySelector(one).getBoundingClientRect().top)"
            )
            small = browser.run(
                "return [...document.querySelectorAll('body *')].filter((one) => one.offsetParent && one.innerText)"
                ".map((one) => [one.tagName, parseFloat(getComputedStyle(one).fontSize)]).filter(([, px]) => px < 17.9)"
            )
            assert small == []
            cut = "(one) => one.scrollHeight > one.clientHeight"
            assert not browser.run(f"return [...document.querySelectorAll('#instructions li')].some({cut})")
        assert tops[0] == tops[1] == tops[2]
        bottom = browser.run("return document.querySelector('#aircraft').getBoundingClientRect().bottom")
        assert bottom <= browser.run("return document.querySelector('nav').getBoundingClientRect().top") + 1
        figure = browser.run("return parseFloat(getComputedStyle(document.querySelector('.figure')).fontSize)")
        assert figure == pytest.approx(min(96.0, 0.24 * width), abs=0.1)
        if width == 1366:
            assert browser.run("return document.documentElement.scrollHeight") <= height
    browser.size(390, 844)
    stage.show(judged(*(replace(MAST_OUT, box=f"box {number}") for number in range(6))))
    browser.wait_for(lambda: browser.run("return document.querySelectorAll('#lanes .name').length") == 6)
    box = "document.querySelector(arguments[0]).getBoundingClientRect()"
    assert browser.run(f"return {box}.bottom", "#aircraft") <= browser.run(f"return {box}.top", "nav") + 1, "in reach"
    browser.size(1280, 800)


def test_returning_and_undo_have_buttons(browser: Browser, stage: Stage) -> None:
    browser.wait_for(lambda: browser.click("[data-mark=returning]"))
    browser.wait_for(lambda: [mark.kind for mark in stage.marks()] == ["returning"])
    flight = structs.replace(IN_FLIGHT.flight, returning=True)
    stage.show(structs.replace(IN_FLIGHT, flight=flight))
    browser.wait_for(lambda: browser.run("return document.querySelector('[data-mark=returning]') === null"))
    assert "the pilot is returning" in (browser.text("#flight") or "")
    browser.wait_for(lambda: browser.click("[data-mark=undo]:not(:disabled)"))
    browser.wait_for(lambda: (browser.text("#trouble") or "").endswith("is undone."))
    assert {(mark.kind, mark.name, mark.box) for mark in stage.marks()} == {
        ("returning", None, "*"),
        ("undo", "returning", "*"),
    }


def test_a_named_swap_in_flight_is_asked_about_and_the_list_stays(browser: Browser, stage: Stage) -> None:
    swap, choice = "[data-box=mast] [data-mark=swap]", "document.querySelector('[data-key=battery-mast]')"
    browser.wait_for(lambda: browser.run(f"return {choice}?.options.length") == 3)
    browser.run(f"{choice}.value = 'T18'; window.list = {choice}")
    time.sleep(2.5)
    assert browser.run(f"return list === {choice} && list.value") == "T18"
    browser.click(swap)
    browser.wait_for(lambda: "swapped in flight" in (browser.text("#ask-words") or ""))
    browser.click("#ask-yes")
    browser.wait_for(stage.marks)
    assert [(mark.box, mark.name, mark.confirmed) for mark in stage.marks()] == [("mast", "T18", True)]


def test_the_canvas_follows_the_colours(browser: Browser, stage: Stage) -> None:
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


def test_the_session_is_saved_as_csv_and_png(browser: Browser, stage: Stage) -> None:
    browser.click("[data-view=past]")
    browser.wait_for(lambda: browser.run("return document.querySelector('#past canvas')?.width > 100"))
    rows = list(csv.DictReader(io.StringIO(_saved(browser, "Save CSV").decode())))
    assert min(float(row["battery_min_volts"]) for row in rows) == pytest.approx((12600 - 70 - 1500) / 1000)
    assert len(rows) > 100
    png = _saved(browser, "Save PNG")
    assert png.startswith(b"\x89PNG")
    width, height = struct.unpack(">II", png[16:24])
    assert (width, height) == tuple(
        browser.run("const c = document.querySelector('#past canvas'); return [c.width, c.height]")
    )
    time.sleep(0.1)
    assert browser.complaints() == []


def test_the_report_asks_no_other_address_and_a_screen_reader_finds_nothing_wrong(
    browser: Browser, stage: Stage, tmp_path: Path
) -> None:
    (tmp_path / "groundbox.toml").write_text('database = "day.db"\n')
    out = tmp_path / "report.html"
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
