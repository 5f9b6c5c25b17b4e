"""`groundbox rig SCENARIO.toml`: the real firmware in a simulated box, judged by what the scenario expects."""

import sys
import time
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any

import click
import msgspec

import groundbox
from groundbox.advice.words import span
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
  once output 2 reported shed, holds until charging yes
  whenever case sensor open, fans full within 4 s
  case maximum between 41 and 44 C
  fans start at most 12 times an hour
  event output2_shed 1 times
  back to normal within 2 min of case becoming ok

\b
Examples:
  groundbox rig fan_dies_in_flight
  groundbox rig my_day.toml --plot my_day.svg
  groundbox rig --list
  groundbox rig --search --tries 200
  groundbox rig midday_sun --settings
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
@click.option("--search", "hunt", is_flag=True, help="Hunt for a case that breaks what must always hold; shrink it.")
@click.option("--tries", type=click.IntRange(1, 100_000), default=60, show_default=True, help="Cases --search plays.")
@click.option("--seed", type=int, default=1, show_default=True, help="What --search begins with.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="Where --search writes what it found.")
@click.option("--settings", "sweep", is_flag=True, help="Try thermostat settings against one scenario's day.")
def command(
    names: tuple[str, ...],
    show_list: bool,
    hunt: bool,
    tries: int,
    seed: int,
    out: Path | None,
    sweep: bool,
    as_json: bool,
    interpreter: str | None,
    plot: Path | None,
    firmware: Path | None,
) -> None:
    """Play scenarios against the real firmware, faster than real time; exit status 0 only when all is as expected."""
    if show_list:
        for path in sorted(gallery().glob("*.toml")):
            click.echo(f"{path.stem:<30} {scenarios.load(path).story}")
    elif hunt:
        _search(tries, seed, out or Path("found.toml"), firmware, as_json)
    elif not names or (sweep and len(names) > 1):
        raise BadInput("SCENARIO.toml", "", "name a scenario; `groundbox rig --list` shows those here")
    elif sweep:
        _sweep(scenarios.load(find(names[0])), as_json)
    else:
        _play([scenarios.load(find(name)) for name in names], as_json, interpreter, plot, firmware)


def _play(
    chosen: list[Scenario], as_json: bool, interpreter: str | None, plot: Path | None, firmware: Path | None
) -> None:
    if plot and len(chosen) > 1:
        raise BadInput("--plot", "", "draws one scenario: name only one")
    good = True
    for one in chosen:
        began_s = time.perf_counter()
        trace = play(one, interpreter, firmware)
        answer = _answer(one, trace, time.perf_counter() - began_s)
        good = good and answer["passed"]
        click.echo(msgspec.json.encode(answer).decode() if as_json else "\n".join(_lines(answer)))
        if plot:
            from groundbox.ui.rig_plot import draw

            draw(one, trace, plot)
    if not good:
        sys.exit(1)


def _search(tries: int, seed: int, out: Path, firmware: Path | None, as_json: bool) -> None:
    from groundbox.rig.search import as_toml, search

    found = search(tries, seed, firmware, lambda text: click.echo(text, err=True))
    if as_json:
        broken = found and {
            "expect": found.sentence,
            "found": found.found,
            "file": str(out),
            "smallest": found.smallest,
        }
        click.echo(msgspec.json.encode({"tries": tries, "broken": broken}).decode())
    if found is None:
        if not as_json:
            click.echo(f"nothing broken in {tries} cases")
        return
    try:
        out.write_text(as_toml(found), encoding="utf-8")
    except OSError as error:
        raise BadInput(out, "", f"cannot be written ({error.strerror})") from error
    if not as_json:
        kind = (
            "smallest case found" if found.smallest else "case, perhaps not the smallest (time to shrink it ran out),"
        )
        click.echo(f"broken: {found.sentence} ({found.found})\nthe {kind} is in {out}")
    sys.exit(1)


def _sweep(scenario: Scenario, as_json: bool) -> None:
    from groundbox.rig.sweep import NAMES, shown, sweep

    rows = sweep(scenario, _progress(time.monotonic()))
    if as_json:
        click.echo(msgspec.json.encode([msgspec.to_builtins(row) for row in rows]).decode())
        return
    click.echo(f"{scenario.source}: {scenario.story}\n")
    click.echo(f"{'':<36}{'highest C':>10}{'starts':>8}{'fan h':>8}{'battery min':>13}{'noise':>8}")
    for row in rows:
        counts = f"{row.highest_c:>10.1f}{row.starts:>8}{row.fan_hours:>8.2f}{row.battery_min:>13.1f}{row.noise:>8.1f}"
        click.echo(f"{'*' if row.unbeaten else ' '} {shown(row.settings):<34}{counts}  {row.why}")
    click.echo(f"\n* nothing else is as good in all of {', '.join(NAMES)}; noise 100 is full speed all day")


def _progress(began_s: float) -> Callable[[int, int], None]:
    """Tells a person who waits how far it is."""

    def tell(done: int, of: int) -> None:
        if sys.stderr.isatty():
            left_s = (time.monotonic() - began_s) * (of - done) / done if done else 0.0
            left = f", {span(left_s)} to go" if left_s else ""
            click.echo(f"\r  {done} of {of} choices played{left:<20}" + "\n" * (done == of), nl=False, err=True)

    return tell


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
