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
from groundbox.advice.words import needed
from groundbox.errors import BadInput
from groundbox.rig import scenario as scenarios
from groundbox.rig.play import play
from groundbox.rig.process import CPYTHON, MICROPYTHON
from groundbox.rig.scenario import Scenario
from groundbox.rig.trace import Trace
from groundbox.toml_file import near
from groundbox.ui.plot import check_plot, plot_run

_MANUAL = """Sentences a scenario may expect (conditions.py and expect.py list them all):

\b
  case never above 55 °C [from 12:10] [until 13:00] [while charging yes]
  fans full within 6 s of case becoming open
  case heat notice before case above 47 °C, not before case above 44 °C
  once output 2 reported shed, holds until charging yes
  whenever case sensor open, fans full within 4 s
  case maximum between 41 and 44 °C
  fans start at most 12 times an hour
  event output2_shed 1 time
  back to normal within 2 min of case becoming ok

\b
Examples:
  groundbox rig fan_stalls_in_flight
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
            name, "", f"there is no such file or scenario; {near(name, (one.stem for one in gallery().glob('*.toml')))}"
        )
    return path


@click.command(epilog=_MANUAL)
@click.argument("names", metavar="SCENARIO.toml...", nargs=-1)
@click.option("--list", "show_list", is_flag=True, help="List the scenarios that come with groundbox.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object for each scenario.")
@click.option(
    "--interpreter",
    type=click.Choice([MICROPYTHON, CPYTHON]),
    help="What runs the firmware; default MicroPython where it is installed. cpython suits a debugger.",
)
@click.option(
    "--plot", type=click.Path(path_type=Path, dir_okay=False), help="Write the timeline as a picture (png, svg, pdf)."
)
@click.option(
    "--firmware", type=click.Path(path_type=Path, file_okay=False), help="Folder of another firmware, with manifest.py."
)
@click.option("--search", "wants_search", is_flag=True, help="Search for a case that breaks an invariant; reduce it.")
@click.option(
    "--tries", type=click.IntRange(1, 100_000), default=60, show_default=True, help="Number of cases for --search."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Random seed of --search.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="File for the case that --search finds.")
@click.option("--settings", "sweep", is_flag=True, help="Compare thermostat settings on one scenario's day.")
def command(
    names: tuple[str, ...],
    show_list: bool,
    wants_search: bool,
    tries: int,
    seed: int,
    out: Path | None,
    sweep: bool,
    as_json: bool,
    interpreter: str | None,
    plot: Path | None,
    firmware: Path | None,
) -> None:
    """Play scenarios against the real firmware, faster than real time. Exit status 0 when all expectations are met."""
    if show_list:
        for path in sorted(gallery().glob("*.toml")):
            click.echo(f"{path.stem:<30} {scenarios.load(path).story}")
    elif wants_search:
        _search(tries, seed, out or Path("found.toml"), firmware, as_json)
    elif not names or (sweep and len(names) > 1):
        raise BadInput("SCENARIO.toml", "", "name a scenario; `groundbox rig --list` lists them")
    elif sweep:
        _sweep(scenarios.load(find(names[0])), as_json)
    else:
        _play([scenarios.load(find(name)) for name in names], as_json, interpreter, plot, firmware)


def _play(
    chosen: list[Scenario], as_json: bool, interpreter: str | None, plot: Path | None, firmware: Path | None
) -> None:
    if plot and len(chosen) > 1:
        raise BadInput("--plot", "", "draws one scenario; name only one")
    if plot:
        check_plot(plot)
    good = True
    for one in chosen:
        began_s = time.perf_counter()
        trace = play(one, interpreter, firmware)
        answer = _answer(one, trace, time.perf_counter() - began_s)
        good = good and answer["passed"]
        click.echo(msgspec.json.encode(answer).decode() if as_json else "\n".join(_lines(answer)))
        if plot:
            plot_run(one, trace, plot)
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
            click.echo(f"no invariant broken in {tries} cases")
        return
    try:
        out.write_text(as_toml(found), encoding="utf-8")
    except OSError as error:
        raise BadInput(out, "", f"cannot be written ({error.strerror})") from error
    if not as_json:
        kind = (
            "smallest case found"
            if found.smallest
            else "case, perhaps not the smallest (the time to reduce it ran out),"
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
    click.echo(f"{'':<36}{'highest °C':>10}{'starts':>8}{'fan h':>8}{'battery min':>13}{'noise':>8}")
    for row in rows:
        counts = f"{row.highest_c:>10.1f}{row.starts:>8}{row.fan_hours:>8.2f}{row.battery_min:>13.1f}{row.noise:>8.1f}"
        click.echo(f"{'*' if row.unbeaten else ' '} {shown(row.settings):<34}{counts}  {row.why}")
    click.echo(f"\n* no other choice is as good in all of {', '.join(NAMES)}; noise 100 means full speed all day")


def _progress(began_s: float) -> Callable[[int, int], None]:
    """Shows the progress to a person who waits."""

    def report(done: int, of: int) -> None:
        if sys.stderr.isatty():
            left_s = (time.monotonic() - began_s) * (of - done) / done if done else 0.0
            left = f", {needed(left_s)} left" if left_s else ""
            click.echo(f"\r  {done} of {of} choices played{left:<20}" + "\n" * (done == of), nl=False, err=True)

    return report


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
        lines.append(f"  {'met' if row['passed'] else 'NOT MET':<9}{row['expect']}{f'  ({found})' if found else ''}")
    met = sum(row["passed"] for row in answer["expectations"])
    speed = answer["simulated_s"] / max(answer["took_s"], 0.01)
    lines.append(
        f"  {met} of {len(answer['expectations'])} met; {answer['took_s']:.1f} s, {speed:.0f} times real time\n"
    )
    return lines
