"""A real headless Chromium, as Debian packages it, for tests of the page."""

import json
import os
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest

WAIT_LIMIT_S = 60.0
FLAGS = (
    *("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync"),
    *("--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage"),
)

RULES = ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "wcag2aaa", "best-practice"]
AXE = """
const done = arguments[1];
axe.run({ runOnly: arguments[0] }).then((found) =>
  done(found.violations.map((one) => one.id + ": " + one.nodes.map((node) => node.html).join(" | "))));
"""


class Browser:
    """One browser with a fresh profile."""

    def __init__(self) -> None:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service

        programs = shutil.which("chromium"), shutil.which("chromedriver")
        if None in programs:
            pytest.skip("no chromium and chromedriver here (Debian packages chromium, chromium-driver)")
        options = webdriver.ChromeOptions()
        options.binary_location = str(programs[0])
        for flag in FLAGS:
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        self.driver = webdriver.Chrome(options=options, service=Service(str(programs[1])))
        self.asked: set[str] = set()
        self.size(1280, 800)

    def close(self) -> None:
        self.driver.quit()

    def size(self, width: int, height: int) -> None:
        """Of the view, in CSS pixels."""
        view = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 500}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", view)

    def open(self, url: str) -> None:
        self.driver.get(url)

    def open_boxes(self) -> None:
        """Opens the details of every box, once they are there."""
        self.wait_for(lambda: self.text("[data-box] .headline"))
        self.run("document.querySelectorAll('details').forEach((one) => { one.open = true; })")

    def run(self, script: str, *values: object) -> Any:
        return self.driver.execute_script(script, *values)

    def text(self, selector: str) -> str | None:
        """Text of the first element that matches."""
        return self.run("return document.querySelector(arguments[0])?.innerText ?? null", selector)

    def click(self, selector: str) -> bool:
        return bool(self.run("const e = document.querySelector(arguments[0]); e?.click(); return e !== null", selector))

    def press(self, key: str) -> None:
        """A key, for whatever has the focus."""
        self.driver.switch_to.active_element.send_keys(key)

    def wait_for(self, what: Callable[[], object], limit_s: float = WAIT_LIMIT_S) -> Any:
        until_s = time.monotonic() + limit_s
        while not (found := what()):
            assert time.monotonic() < until_s, f"not within {limit_s:g} s; the page shows: {self.text('body')}"
            time.sleep(0.1)
        return found

    def outside(self, url: str) -> set[str]:
        """Addresses requested so far that are not of the page's own host."""
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] in ("Network.requestWillBeSent", "Network.webSocketCreated"):
                params = message["params"]
                self.asked.add(params["request"]["url"] if "request" in params else params["url"])
        own = urlsplit(url).hostname
        return {
            one
            for one in self.asked
            if urlsplit(one).scheme not in ("data", "blob", "about", "chrome") and urlsplit(one).hostname != own
        }

    def complaints(self) -> list[str]:
        """Warnings and errors of the console."""
        return [entry["message"] for entry in self.driver.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")]

    def accessibility(self) -> list[str]:
        """Violations that axe-core finds.

        Needs GROUNDBOX_NODE_MODULES, the folder npm installed axe-core into.
        """
        script = Path(os.environ.get("GROUNDBOX_NODE_MODULES", ""), "axe-core", "axe.min.js")
        if not script.is_file():
            pytest.skip("no axe-core: GROUNDBOX_NODE_MODULES names no folder with its npm package")
        self.run(script.read_text(encoding="utf-8"))
        found = self.driver.execute_async_script(AXE, RULES)
        return list(found)
