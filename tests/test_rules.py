"""Imports point one way: board, link, store, model, advice or plan, ui. Only the board's own shell imports machine."""

import ast
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HOST = ROOT / "host" / "groundbox"
FIRMWARE = ROOT / "firmware"

# Each part of the host package, and the parts it may import besides itself.
ALLOWED = {
    "errors": set(),
    "wire": {"errors"},
    "model": {"errors", "wire"},
    "conversion": {"errors", "wire", "model"},
    "link": {"errors", "wire", "model", "conversion"},
    "store": {"errors", "wire", "model", "conversion"},
    "toml_file": {"errors"},
    "battery": {"errors", "toml_file"},
    "thermal": {"errors"},
    "advice": {"errors", "model", "wire"},
    "plan": {"errors", "toml_file", "battery", "thermal", "advice"},
    "settings": {"errors", "toml_file", "wire", "battery", "plan"},
    "monitor": {"errors", "wire", "model", "link", "store", "battery", "thermal", "advice", "plan", "settings"},
    "maintenance": {"errors", "wire", "link"},
    "rig": {"errors", "toml_file", "wire", "model", "conversion", "advice", "thermal"},
    "ui": {
        *("errors", "toml_file", "wire", "model", "link", "store", "battery", "thermal", "advice", "plan"),
        *("settings", "monitor", "rig", "ui", "maintenance", "on_demand"),
    },
    "on_demand": set(),
    "cli": {"errors", "on_demand"},
    "__main__": {"cli"},
}
# What decides is pure: none of these libraries or clocks there.
PURE = ("battery", "thermal", "advice", "plan", "model", "conversion", "wire")
WORLD = {"serial", "paho", "sqlite3", "psycopg", "socket", "subprocess", "threading", "time", "click", "rich"}
# Folders of the firmware, and those that each may import.
FIRMWARE_ALLOWED = {
    "core": {"core"},
    "drivers": {"core", "drivers"},
    "uplinks": {"core", "drivers", "uplinks"},
    "startup": {"core", "drivers", "uplinks", "startup"},
    "main.py": {"startup"},
    "manifest.py": set(),
}
PURE_FIRMWARE = {
    "drivers/segments.py",
    "startup/deadlines.py",
    *(f"uplinks/{name}.py" for name in ("archive", "commands", "mqtt_packets", "outbox", "sender", "summary")),
}
MICROPYTHON_MODULES = {
    *("binascii", "bluetooth", "btree", "builtins", "cryptolib", "deflate", "dht", "ds18x20", "errno", "esp", "esp32"),
    *("espnow", "framebuf", "lwip", "machine", "micropython", "mip", "neopixel", "network", "ntptime", "onewire"),
    *("requests", "rp2", "tls", "uctypes", "vfs", "webrepl", "websocket"),
}
SHARED_SUBSET_LACKS = {"dataclasses", "typing", "enum", "abc", "logging", "unittest", "functools", "pathlib"}


def _imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
            if node.module == "groundbox":
                found |= {f"groundbox.{alias.name}" for alias in node.names if not alias.name.startswith("__")}
    return found


def _host_files() -> list[Path]:
    return [path for path in sorted(HOST.rglob("*.py")) if "board" not in path.relative_to(HOST).parts[:-1]]


def _part(path: Path) -> str:
    return path.relative_to(HOST).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", _host_files(), ids=lambda path: str(path.relative_to(HOST)))
def test_host_imports_point_one_way(path: Path) -> None:
    part = _part(path)
    if part == "__init__":
        return
    for name in _imports(path):
        if name.startswith("groundbox."):
            target = name.split(".")[1]
            assert target == part or target in ALLOWED[part], f"{path.relative_to(ROOT)} must not import {name}"


@pytest.mark.parametrize(
    "path", [path for path in _host_files() if _part(path) in PURE], ids=lambda path: str(path.relative_to(HOST))
)
def test_what_decides_touches_nothing(path: Path) -> None:
    touched = {name.split(".")[0] for name in _imports(path)} & WORLD
    assert not touched, f"{path.relative_to(ROOT)} decides and must not import {touched}"


# What a viewer may take from advice: the finished object, how figures are written, and ages; never a rule or a verdict.
FOR_VIEWERS = {"result", "words", "limits", "marks"}
LISTS_KINDS = {"plot.py": {"conditions"}}


@pytest.mark.parametrize("path", sorted((HOST / "ui").rglob("*.py")), ids=lambda path: str(path.relative_to(HOST)))
def test_viewers_format_advice_and_make_none(path: Path) -> None:
    taken = {name.split(".")[2] for name in _imports(path) if name.startswith("groundbox.advice.")}
    assert taken <= FOR_VIEWERS | LISTS_KINDS.get(path.name, set())


def test_viewers_pick_no_verdict_words_of_their_own() -> None:
    """Only the plan on paper words its own flights; the words of now come from advice."""
    words = ("Do not launch:", "Clear to launch", "Return now", "Turn back by", "Land now", "land now")
    for path in sorted((HOST / "ui").rglob("*")):
        if path.suffix in (".py", ".js", ".html"):
            text = path.read_text(encoding="utf-8")
            assert not [one for one in words if one in text], path


@pytest.mark.parametrize("path", sorted(FIRMWARE.rglob("*.py")), ids=lambda path: str(path.relative_to(FIRMWARE)))
def test_firmware_imports(path: Path) -> None:
    names = {name.split(".")[0] for name in _imports(path)}
    relative = path.relative_to(FIRMWARE).as_posix()
    if relative not in ("drivers/board.py", "main.py"):
        assert "machine" not in names, f"firmware/{relative}: only drivers/board.py and main.py import machine"
    if relative.startswith("core/") or relative in PURE_FIRMWARE:
        world = names & (WORLD | {"os", "sys", "asyncio", "select"})
        assert not world, f"firmware/{relative} is pure and must not import {world}"
    folders = names & set(FIRMWARE_ALLOWED)
    above = folders - FIRMWARE_ALLOWED[relative.partition("/")[0]]
    assert not above, f"firmware/{relative} must not import {above}"
    assert not names & SHARED_SUBSET_LACKS, f"firmware/{relative}: a board lacks {names & SHARED_SUBSET_LACKS}"
    for name in _imports(path):
        assert not name.startswith("groundbox.") or name.startswith("groundbox.wire"), f"firmware/{relative}: {name}"


def test_no_firmware_module_hides_a_standard_one() -> None:
    """A module or folder `io` on a board would hide the built-in one from every importer."""
    standard = sys.stdlib_module_names | MICROPYTHON_MODULES
    found = {part for path in FIRMWARE.rglob("*.py") for part in path.relative_to(FIRMWARE).with_suffix("").parts}
    assert not found & standard


def test_the_rule_finds_a_planted_import(tmp_path: Path) -> None:
    """A file that breaks the rule is found."""
    bad = tmp_path / "bad.py"
    bad.write_text("import sqlite3\nfrom groundbox import ui\n")
    assert {"sqlite3", "groundbox.ui"} <= _imports(bad)
