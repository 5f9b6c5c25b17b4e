"""Makes the pictures of the live page: `python -m tests.field.make_pictures [STATE ...]`. Look at each."""

import io
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from PIL import Image
from tests.field.browser import Browser
from tests.field.test_page_heard import BLIND, FAN_OUT, NO_PROFILE, Stage
from tests.host.ui.samples import IN_FLIGHT, MAST, MAST_OUT, READY, STALLED, TABLE, TABLE_OUT, judged

from groundbox.advice.judge import judge_session
from groundbox.advice.result import FlightShown

PLACE = Path(__file__).parent / "pictures"
SIZES = ((390, 844), (1366, 768), (320, 640))
_TWO = ("stalled", "running", "absent", "absent")
STATES = {
    "empty": judge_session(READY.made_at_s, (), FlightShown()),
    "clear_to_launch": READY,
    "wait": judged(replace(MAST, charging="charging"), TABLE, seconds=3),
    "do_not_launch": judged(replace(MAST, runtime_low_s=1300.0, runtime_expected_s=2000.0), TABLE, seconds=30),
    "unknown": NO_PROFILE,
    "fan_stalled": STALLED,
    "two_urgent": judged(replace(MAST, fans=_TWO), replace(TABLE, case_heat="urgent", case_c=58.0), seconds=40),
    "flight_landing_first": IN_FLIGHT,
    "flight_turn_back_near": judged(replace(MAST_OUT, runtime_low_s=2100.0, turn_back_in_s=700.0), TABLE_OUT),
    "flight_fan_stalled": FAN_OUT,
    "flight_unknown": BLIND,
    "return_now": judged(replace(MAST_OUT, runtime_low_s=1300.0, turn_back_in_s=-10.0), TABLE_OUT, seconds=3),
}
STALE_S = (5, 15, 70)


def main(wanted: list[str]) -> None:
    """Takes the pictures of the states named, or of all."""
    browser = Browser()
    with tempfile.TemporaryDirectory() as folder, Stage(Path(folder)) as stage:
        browser.open(stage.page.url)
        for name, advice in STATES.items():
            if wanted and name not in wanted:
                continue
            stage.show(advice)
            time.sleep(1.6)
            for size in SIZES:
                _take(browser, size, name)
        if not wanted or "stale" in wanted:
            stage.show(IN_FLIGHT)
            time.sleep(1.6)
            stage.stop()
            stopped_s = time.monotonic()
            for age_s in STALE_S:
                time.sleep(max(stopped_s + age_s - time.monotonic(), 0.0))
                _take(browser, SIZES[0], f"flight_data_{age_s}_s_old")
    browser.close()


def _take(browser: Browser, size: tuple[int, int], name: str) -> None:
    browser.size(*size)
    time.sleep(0.4)
    picture = Image.open(io.BytesIO(browser.driver.get_screenshot_as_png()))
    picture.convert("RGB").quantize(32).save(PLACE / f"{name}_{size[0]}.png", optimize=True)


if __name__ == "__main__":
    main(sys.argv[1:])
