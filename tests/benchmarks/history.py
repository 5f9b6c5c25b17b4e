"""The session's history over many readings: first paint and zooms, beside the same sums straight from the readings.

`python -m tests.benchmarks history [READINGS]`, ten million by default; in a browser too where there is one.
"""

import shutil
import sqlite3
import statistics
import tempfile
import time
from contextlib import closing
from pathlib import Path

from groundbox.advice.judge import judge_session
from groundbox.advice.result import FlightShown
from groundbox.settings import Settings
from groundbox.store import Store, rollups
from groundbox.ui.page import past
from groundbox.ui.page.serve import Page

BASE_MS = 1_700_000_000_000
COUNT = 10_000_000
FIRST_S, ZOOM_S = 1.0, 0.2  # wanted
MAKE = """
WITH RECURSIVE n(i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM n WHERE i + 1 < ?)
INSERT INTO reading (box, boot, sequence, uptime_ms, battery_mv, battery_min_mv, battery_max_mv, battery_ma,
                     battery_min_ma, battery_max_ma, case_centi_c, battery_centi_c, intake_centi_c, fan1_percent,
                     wall_ms, run)
SELECT 'mast', 1, i + 1, 1000 * i, 12600 - i % 36000 / 30, 12500 - i % 36000 / 30, 12610 - i % 36000 / 30, 1200 + i % 7,
       1100, 1300 + 2700 * (i % 97 = 0), 3000 + i % 500, 2700, 2600, 100 * (i % 600 < 200), ? + 1000 * i, 1 FROM n
"""


def _make(path: Path, count: int) -> None:
    Store(path).close()
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(MAKE, (count, BASE_MS))
        rollups.fill(connection.execute, "max", "mast", BASE_MS, BASE_MS + 1000 * count)


def _timed(path: Path, since_s: float, until_s: float) -> float:
    began = time.perf_counter()
    answer = past.answer(path, {"box": "mast", "since_s": str(since_s), "until_s": str(until_s)}, until_s)
    assert answer["rows"]
    return time.perf_counter() - began


def _straight(path: Path) -> float:
    """The whole time, summed from the readings themselves."""
    began = time.perf_counter()
    with closing(sqlite3.connect(path)) as connection:
        sums = rollups.over_readings("max")
        rows = connection.execute(f"SELECT wall_ms / 10000000, {sums} FROM reading WHERE box = 'mast' GROUP BY 1")
        assert rows.fetchall()
    return time.perf_counter() - began


def _in_browser(path: Path, since_s: float, until_s: float) -> list[float]:
    """Seconds from touching to painted: the whole, then four zooms."""
    from tests.field.browser import Browser

    browser, took = Browser(), []
    with Page(Settings(database=str(path)), lambda: until_s, port=0) as page:
        page.publish(judge_session(until_s, [], FlightShown()))
        browser.open(page.url)
        script = "return document.getElementById('past').dataset.took ?? null"
        for words in (None, "Zoom in", "Zoom in", "Earlier", "Zoom out"):
            browser.run("delete document.getElementById('past').dataset.took")
            if words is None:
                browser.click("[data-view=past]")
            else:
                touch = "[...document.querySelectorAll('#past button')].find(b => b.innerText === arguments[0]).click()"
                browser.run(touch, words)
            took.append(int(browser.wait_for(lambda: browser.run(script))) / 1000)
    browser.close()
    return took


def main(arguments: list[str]) -> None:
    """Prints seconds and their ratios to what is wanted."""
    count = int(arguments[0].replace("_", "")) if arguments else COUNT
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "long.db"
        _make(path, count)
        since_s, whole_s = BASE_MS / 1000, float(count)
        first_s = _timed(path, since_s, since_s + whole_s)
        zooms = [
            _timed(path, since_s + whole_s * share, since_s + whole_s * share + span_s)
            for share in (0.1, 0.4, 0.9)
            for span_s in (60.0, 3600.0, 36_000.0, 360_000.0, whole_s / 3)
        ]
        print(f"{count:,} readings, {path.stat().st_size / 1e9:.1f} GB")
        print(f"whole time, first   {first_s:6.3f} s, {first_s / FIRST_S:.2f} of {FIRST_S:g}")
        middle_s, worst_s = statistics.median(zooms), max(zooms)
        print(f"zooms: middle       {middle_s:6.3f} s, worst {worst_s:.3f}, {worst_s / ZOOM_S:.2f} of {ZOOM_S:g}")
        straight_s = _straight(path)
        print(f"from the readings   {straight_s:6.3f} s, {straight_s / first_s:.0f} times as long as from the roll-ups")
        if shutil.which("chromium") and shutil.which("chromedriver"):
            shown = _in_browser(path, since_s, since_s + whole_s)
            print(
                f"painted in a browser: first {shown[0]:.3f} s, zooms {', '.join(f'{one:.3f}' for one in shown[1:])} s"
            )
