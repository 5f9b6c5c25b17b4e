"""`groundbox rig SCENARIO.toml`: the real firmware in a simulated box, judged by what the scenario expects."""

import sys
import time
from importlib import resources
from pathlib import Path
from typing import Any

import click
import msgspec

import groundbox
from groundbox.errors import BadInput
from groundbox.rig import scenario as scenarios
from groundbox.rig.play import play
from groundbox.rig.process import CPYTHON, MICROPYTHON
from groundbox.rig.scenario import Scenario
from groundbox.rig.trace import Trace
from groundbox.toml_file import near

_MANUAL = """Sentences a scenario may expect (conditions.py and expect.py have them all):

\b
  case never above 55 C [from 12:10] [until 13:00] [while charging yes]
  fans full within 6 s of case becoming open
  warning heat notice before case above 47 C, not before case above 44 C
  output 2 told dropped stays until charging yes
  whenever case sensor open, fans full within 4 s
  case peaks between 41 and 44 C
  fans no more than 12 starts an hour
  event output2_dropped 1 times
  back to normal within 2 min of case becoming sound

\b
Examples:
  groundbox rig dead_fan
  groundbox rig my_day.toml --plot my_day.svg
  groundbox rig --list
"""


def gallery() -> Path:
    """Folder of the scenarios that come with this package."""
    return Path(str(resources.files(groundbox))) / "examples" / "scenarios"


def find(name: str) -> Path:
    """The file called `name`, or the gallery's scenario of that name.

    Raises:
        BadInput: neither is there.
    """
    if Path(name).suffix or Path(name).exists():
        return Path(name)
    path = gallery() / f"{name}.toml"
    if not path.is_file():
        raise BadInput(
            name, "", f"no such file or scenario; {near(name, (one.stem for one in gallery().glob('*.toml')))}"
        )
    return path


@click.command(epilog=_MANUAL)
@click.argument("names", metavar="SCENARIO.toml...", nargs=-1)
@click.option("--list", "show_list", is_flag=True, help="The scenarios that come with groundbox.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object a scenario.")
@click.option(
    "--interpreter",
    type=click.Choice([MICROPYTHON, CPYTHON]),
    help="What runs the firmware; else MicroPython where there is one. cpython is for a debugger.",
)
@click.option("--plot", type=click.Path(path_type=Path, dir_okay=False), help="Timeline as a picture (png, svg, pdf).")
@click.option(
    "--firmware", type=click.Path(path_type=Path, file_okay=False), help="Another firmware's folder, with manifest.py."
)
def command(
    names: tuple[str, ...],
    show_list: bool,
    as_json: bool,
    interpreter: str | None,
    plot: Path | None,
    firmware: Path | None,
) -> None:
    """Play scenarios against the real firmware, faster than real time; exit status 0 only when all is as expected."""
    if show_list:
        for path in sorted(gallery().glob("*.toml")):
            click.echo(f"{path.stem:<22} {scenarios.load(path).story}")
        return
    if not names:
        raise BadInput("SCENARIO.toml", "", "name at least one scenario; `groundbox rig --list` shows those here")
    if plot and len(names) > 1:
        raise BadInput("--plot", "", "draws one scenario: name only one")
    good = True
    for one in [scenarios.load(find(name)) for name in names]:
        began_s = time.perf_counter()
        trace = play(one, interpreter, firmware)
        answer = _answer(one, trace, time.perf_counter() - began_s)
        good = good and answer["passed"]
        click.echo(msgspec.json.encode(answer).decode() if as_json else "\n".join(_lines(answer)))
        if plot:
            from groundbox.show.rig_plot import draw

            draw(one, trace, plot)
    if not good:
        sys.exit(1)


def _answer(scenario: Scenario, trace: Trace, took_s: float) -> dict[str, Any]:
    rows = []
    for one in scenario.expectations:
        verdict = one.judge(trace)
        at = None if verdict.at_s is None else scenario.clock(verdict.at_s)
        rows.append(
            {"expect": one.text, "passed": verdict.passed, "at": at, "at_s": verdict.at_s, "found": verdict.found}
        )
    return {
        "scenario": scenario.source,
        "story": scenario.story,
        "passed": all(row["passed"] for row in rows),
        "simulated_s": scenario.lasts_s,
        "took_s": round(took_s, 2),
        "expectations": rows,
    }


def _lines(answer: dict[str, Any]) -> list[str]:
    lines = [f"{answer['scenario']}: {answer['story']}"]
    for row in answer["expectations"]:
        found = ", ".join(filter(None, (row["at"], row["found"])))
        lines.append(
            f"  {'as expected' if row['passed'] else 'NOT SO':<12}{row['expect']}{f'  ({found})' if found else ''}"
        )
    met = sum(row["passed"] for row in answer["expectations"])
    speed = answer["simulated_s"] / max(answer["took_s"], 0.01)
    lines.append(
        f"  {met} of {len(answer['expectations'])} as expected; {answer['took_s']:.1f} s, {speed:.0f} times real time\n"
    )
    return lines
