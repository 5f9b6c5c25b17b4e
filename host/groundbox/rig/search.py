"""Searches for a scenario that breaks an invariant, and reduces it to the smallest file that still does.

Hypothesis draws weather, loads, settings and fault times, plays each case on the real firmware, and simplifies what
fails. `invariants` lists what must always hold, as sentences of expect.py; those about a fault are only judged when the
fault is in the case.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Any

import msgspec

from groundbox.errors import BadInput
from groundbox.rig.play import play
from groundbox.rig.scenario import prepare
from groundbox.rig.scenario_file import ScenarioFile
from groundbox.wire import settings as board

MINUTES = 5
_SHRINKS_S = 290.0  # hypothesis gives up shrinking after five minutes
_STARTS = "12:00"
_FAULTS: tuple[tuple[str, str | float], ...] = (
    ("case", "open"),
    ("case", "shorted"),
    ("fan1", "stalled"),
    ("fan2", "no_tach"),
    ("intake", "open"),
    ("monitor", "silent"),
    ("sag_volts", 1.3),
    ("sag_volts", 2.2),
    ("charger_amps", 6.0),
    ("host", "silent"),
    ("link_task", "hung"),
    ("board", "restart"),
    ("battery_drift_c", 30.0),
    ("blocked", 0.95),
)
_LASTING = ("link_task", "board")


def invariants(file: ScenarioFile) -> list[str]:
    """The sentences that must hold of the case in `file`."""
    values = board.defaults() | file.settings
    things = {(one.thing, one.becomes) for one in file.change}
    hot_c = values["case_notice_centi_c"] / 100
    found = ["watchdog never restarts the board", "no control step late", "output 1 always on", "every record arrives"]
    if not any(thing == "case" for thing, _ in things):
        found.append(f"whenever case reported above {hot_c:g} °C, fans full within 2 s")
    for word in ("open", "shorted"):
        if ("case", word) in things:
            found.append(f"fans full within 8 s of case becoming {word}")
            found.append(f"warning sensor_fault active within 12 s of case becoming {word}")
    if not _overrides(things):
        shortest_s = values["fan_shortest_run_s"] - 1, values["fan_shortest_pause_s"] - 1
        for word, seconds in zip(("on", "off"), shortest_s, strict=True):
            if seconds > 0:
                found.append(f"fans {word} for at least {seconds} s each time from {_STARTS}:05")
    if not any(thing in ("sag_volts", "charger_amps", "board") for thing, _ in things):
        found.append(f"output 2 always on from {_STARTS}:10")
    if ("fan1", "stalled") in things:
        found.append("whenever fan 1 stalled, warning fan_stalled active within 2 s")
    return found


def _overrides(things: set[tuple[str, str | float]]) -> bool:
    """Whether faults, charging or a restart may end a fan run or pause early."""
    harmless = {"sag_volts", "host", "link_task", "intake"}
    return any(thing not in harmless for thing, _ in things)


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchResult:
    """A case that breaks a sentence; `smallest` is False when the time to reduce it ran out."""

    file: ScenarioFile
    sentence: str
    found: str
    smallest: bool = True


def broken(file: ScenarioFile, firmware: Path | None) -> SearchResult | None:
    """What the case in `file` breaks, the first sentence of it; None when all hold.

    A sentence whose condition never occurred is not broken.
    """
    scenario = prepare(msgspec.structs.replace(file, expect=invariants(file)), "search")
    trace = play(scenario, firmware=firmware)
    for one in scenario.expectations:
        verdict = one.judge(trace)
        if not verdict.passed and "not tested" not in verdict.found:
            return SearchResult(file=file, sentence=one.text, found=verdict.found)
    return None


def search(tries: int, seed: int, firmware: Path | None, report: Callable[[str], None]) -> SearchResult | None:
    """The smallest case found in about `tries` plays, or None.

    Raises:
        BadInput: hypothesis is not installed.
    """
    try:
        import hypothesis
        from hypothesis import strategies
    except ImportError as error:
        raise BadInput("--search", "", "needs hypothesis: pip install hypothesis") from error
    played: dict[bytes, SearchResult | None] = {}
    last: SearchResult | None = None
    began_s = 0.0

    def played_once(case: dict[str, Any]) -> SearchResult | None:
        key = msgspec.json.encode(_file(case))
        if key not in played:  # simpler choices are often the same case
            played[key] = broken(_file(case), firmware)
        return played[key]

    def fails(case: dict[str, Any]) -> bool:
        nonlocal last, began_s
        found = played_once(case)
        if found and last is None:
            began_s = time.monotonic()
        if found and (last is None or last.sentence != found.sentence):
            report(f"case {len(played)}: {found.sentence} ({found.found}); reducing it")
        last = found or last
        return found is not None

    profile = hypothesis.settings(
        max_examples=tries, deadline=None, database=None, suppress_health_check=list(hypothesis.HealthCheck)
    )
    try:
        case = hypothesis.find(_cases(strategies), fails, settings=profile, random=Random(seed))
    except hypothesis.errors.NoSuchExample:
        return None
    found = played_once(case)
    return found and replace(found, smallest=time.monotonic() - began_s < _SHRINKS_S)


def _cases(st: Any) -> Any:
    """Cases as plain dictionaries; the simplest is a mild day without loads or faults."""
    fault = st.tuples(st.sampled_from(_FAULTS), st.integers(30, MINUTES * 60 - 60), st.integers(0, 90))
    return st.fixed_dictionaries(
        {
            "start_c": st.integers(20, 58),
            "outside_c": st.integers(-5, 42),
            "sun_w_m2": st.sampled_from((0, 500, 1000)),
            "watts": st.integers(0, 90),
            "soc": st.sampled_from((1.0, 0.6, 0.3)),
            "on_centi_c": st.sampled_from((3500, 3000, 4000)),
            "gap_centi_c": st.sampled_from((400, 200, 900)),
            "mode": st.sampled_from((0, 1)),
            "run_s": st.sampled_from((30, 8, 90)),
            "faults": st.lists(fault, max_size=3, unique_by=lambda one: one[0][0]),
        }
    )


def _file(case: dict[str, Any]) -> ScenarioFile:
    """A case as a scenario file with only what differs from the defaults."""
    on = case["on_centi_c"]
    wanted = {
        "fan_on_centi_c": on,
        "fan_off_centi_c": on - case["gap_centi_c"],
        "fan_mode": case["mode"],
        "fan_shortest_run_s": case["run_s"],
    }
    standard = board.defaults()
    changes = [_change(thing, value, at_s, lasts_s) for (thing, value), at_s, lasts_s in case["faults"]]
    tree = {
        "story": "Found by the search.",
        "starts": _STARTS,
        "lasts_min": MINUTES,
        "expect": ["board starts 1 times"],
        "box": {"start_c": case["start_c"]},
        "weather": [{"at": _STARTS, "outside_c": case["outside_c"], "sun_w_m2": case["sun_w_m2"]}],
        "battery": {"start_soc": case["soc"]},
        "settings": {name: value for name, value in wanted.items() if value != standard[name]},
        "load": [{"name": "load", "watts": case["watts"]}] if case["watts"] else [],
        "change": changes,
    }
    return msgspec.convert(tree, ScenarioFile)


def _change(thing: str, value: str | float, at_s: int, lasts_s: int) -> dict[str, Any]:
    row = {"at": f"12:{at_s // 60:02d}:{at_s % 60:02d}", "thing": thing, "becomes": value}
    ends = thing not in _LASTING and at_s + lasts_s + 10 <= MINUTES * 60
    return row | ({"lasts_s": lasts_s + 10} if ends else {})


def as_toml(found: SearchResult) -> str:
    """The scenario file that shows the broken sentence."""
    file = msgspec.structs.replace(found.file, expect=[found.sentence], story=f"Found by the search: {found.sentence}.")
    tree = msgspec.to_builtins(file)
    blank = msgspec.to_builtins(ScenarioFile(story="", lasts_min=1, expect=["-"]))
    lines, tables = [], []
    for key, value in tree.items():
        if key in blank and value == blank[key] and key != "starts":
            continue
        if isinstance(value, dict):
            tables += ["", f"[{key}]", *_rows({k: v for k, v in value.items() if v != blank[key].get(k)})]
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for row in value:
                tables += ["", f"[[{key}]]", *_rows({k: v for k, v in row.items() if v is not None})]
        else:
            lines += _rows({key: value})
    return "\n".join([*lines, *tables]) + "\n"


def _rows(values: dict[str, Any]) -> list[str]:
    return [
        f"{name} = {msgspec.json.encode(value).decode()}" for name, value in values.items() if value not in ([], {})
    ]
