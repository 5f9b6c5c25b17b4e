"""`groundbox plan DAY.toml`: verdicts for each flight, loads to switch off, charging, swaps and the evening."""

import sys
import time
from collections.abc import Collection, Iterable
from dataclasses import asdict, replace
from datetime import date, datetime
from pathlib import Path

import click
import msgspec

from groundbox.advice.result import SessionAdvice
from groundbox.errors import BadInput
from groundbox.monitor.from_store import advice_now
from groundbox.plan.day import since
from groundbox.plan.day_file import load_day
from groundbox.plan.day_keys import DayFile
from groundbox.plan.evening import evening
from groundbox.plan.fixes import FixSearch, find_fixes
from groundbox.plan.planner import Plan, plan_day
from groundbox.plan.replan import KnownNow, Replan, as_advised, replan
from groundbox.plan.standing import standing_at
from groundbox.settings import Settings
from groundbox.store import Reader
from groundbox.toml_file import near
from groundbox.ui.cmd_plan_live import LiveStanding, figure_line, live_standing
from groundbox.ui.cmd_plan_words import answer_lines, charge_line, first_line, plan_lines, plan_tree
from groundbox.ui.day_plot import save_plot
from groundbox.ui.options import Number, chosen_settings, keys_option, open_reader, settings_options
from groundbox.ui.plan_steps import gap_lines, gaps
from groundbox.ui.recording import stop_signals

__all__ = ["answer_lines", "charge_line", "command"]

REPLAN_SECONDS = 0.6
FOLLOW_EVERY_S, STEP_S = 20.0, 0.2


def _minute_of(plan: Plan, clock: str) -> float:
    hour, _, minute = clock.partition(":")
    if not (hour.isdigit() and minute.isdigit() and int(hour) < 24 and int(minute) < 60):
        raise BadInput("--at", "", f'"{clock}" is not a clock time: type it as 14:35')
    return max(0.0, since(plan.day.start_clock_min, int(hour) * 60 + int(minute)))


def _known(option: str, name: str, known: Iterable[str]) -> str:
    if name not in known:
        raise BadInput(option, "", f'there is no "{name}" in the day; {near(name, known)}')
    return name


def _charges(plan: Plan, pairs: tuple[str, ...]) -> dict[str, float]:
    charges = {}
    for pair in pairs:
        name, _, fraction = pair.rpartition("=")
        try:
            charges[_known("--charge", name, plan.day.batteries)] = float(fraction)
        except ValueError:
            raise BadInput("--charge", "", f'"{pair}" is not BATTERY=FRACTION: type it as M9=0.62') from None
        if not 0 <= charges[name] <= 1:
            raise BadInput("--charge", "", f"{fraction} is not a fraction: type 0 to 1")
    return charges


def _swaps(plan: Plan, pairs: tuple[str, ...]) -> dict[str, str]:
    fitted = {}
    for pair in pairs:
        box, _, battery = pair.partition("=")
        if not battery:
            raise BadInput("--swap", "", f'"{pair}" is not BOX=BATTERY: type it as mast=M9')
        fitted[_known("--swap", box, plan.day.boxes)] = _known("--swap", battery, plan.day.batteries)
        if box not in plan.day.batteries[battery].battery.boxes:
            raise BadInput("--swap", "", f'"{battery}" may not go into {box}: add {box} to its `boxes` in the day file')
    return fitted


def _reported(plan: Plan, reported: dict[str, tuple[str, ...]]) -> KnownNow:
    """What a person states on the command line; its minute is not set yet."""
    flights = [flight.name for flight in plan.day.flights]
    return KnownNow(
        minute=0.0,
        done=[_known("--done", name, flights) for name in reported["done"]],
        charges=_charges(plan, reported["charge"]),
        failed=[_known("--failed", name, plan.day.chargers) for name in reported["failed"]],
        lost=[_known("--lost", name, plan.day.batteries) for name in reported["lost"]],
        fitted=_swaps(plan, reported["swap"]),
    )


class _Live:
    """Plans from the store as it is now, each time it is asked."""

    def __init__(self, day_toml: Path, plan: Plan, settings: Settings, reported: KnownNow, at: str | None) -> None:
        self.day_toml, self.plan, self.settings, self.reported, self.at = day_toml, plan, settings, reported, at
        self.advice: SessionAdvice | None = None  # of the recorder, for a plan of now

    def look(self, against: Plan) -> tuple[Replan, LiveStanding]:
        """The plan as of now, and the figures it is made from."""
        with open_reader(self.settings) as reader:
            self.advice, wall_s = advice_now(reader, time.time())
            if self.at is not None:
                self.advice, wall_s = None, self._asked_s(reader, self.at)
            elif standing_at(self.plan.day, wall_s) is None:
                today = datetime.fromtimestamp(wall_s).date()
                fix = "correct it, leave it out, or give --at for a day that is past"
                raise BadInput(self.day_toml, "date", f"is {self.plan.day.date}, and today is {today}: {fix}")
            standing = live_standing(reader, self.settings, self.plan, wall_s, self.reported.done, self.advice)
        now = standing.now(self.reported)
        changed = replan(self.plan, now, seconds=REPLAN_SECONDS, clock=time.monotonic, compared=against)
        return replace(changed, plan=as_advised(changed.plan, self.advice)), standing

    def _asked_s(self, reader: Reader, at: str) -> float:
        """Time `at` on the day of the newest reading."""
        heard = [one.wall_s for box in reader.boxes() if (one := reader.latest(box)) is not None and one.wall_s]
        if not heard:
            raise BadInput(self.settings.database_path, "", "has no reading yet: --at needs a day that was logged")
        newest = datetime.fromtimestamp(max(heard))
        clock_min = self.plan.day.start_clock_min + _minute_of(self.plan, at)
        wall_s = newest.replace(hour=0, minute=0, second=0, microsecond=0).timestamp() + 60 * clock_min
        if wall_s < newest.timestamp() - 60:
            raise BadInput(
                "--at", at, f"is before the newest reading, of {newest:%H:%M}: give that time or a later one"
            )
        return wall_s

    def follow(self, against: Plan, silent: Collection[str]) -> None:
        """Until Ctrl-C: one line for each change of the plan, and for each silent box not among `silent`."""
        with stop_signals() as stop:
            while not stop.asked:
                changed, standing = self.look(against)
                unheard = [sentence for box, sentence in standing.silent.items() if box not in silent]
                for sentence in (*unheard, *changed.news):
                    click.echo(f"{time.strftime('%H:%M')} {sentence}")
                silent = set(standing.silent)
                against = changed.plan if changed.news else against
                for _ in range(round(FOLLOW_EVERY_S / STEP_S)):
                    if not stop.asked:
                        time.sleep(STEP_S)


def _progress(tried: int, of: int) -> None:
    if sys.stderr.isatty():
        click.echo(f"\r  {tried} of {of} tries made", nl=False, err=True)


def _search(plan: Plan, seconds: float) -> FixSearch:
    click.echo(f"not every flight can be flown: searching for fixes, up to {seconds:g} s ...", err=True)
    found = find_fixes(plan.day, plan.pool, seconds, time.monotonic, _progress)
    if sys.stderr.isatty():
        click.echo("", err=True)
    return found


@click.command()
@click.argument("day_toml", type=click.Path(path_type=Path))
@settings_options
@keys_option("day", DayFile)
@click.option("--json", "as_json", is_flag=True, help="One JSON object; times are minutes since the day's start.")
@click.option("--detail", is_flag=True, help="Every figure of each flight and charge, in place of the steps.")
@click.option("--plot", type=click.Path(path_type=Path), help="Also write the day as a picture, .svg or .png.")
@click.option("--seconds", type=Number(0.2, 600), help="Time budget of the plan in seconds; else 8 (a small day) or 3.")
@click.option(
    "--fixes",
    "fix_seconds",
    type=Number(0, 600),
    default=20.0,
    show_default=True,
    help="Where not every flight is flown, search so many seconds for fixes; 0: none.",
)
@click.option("--live", is_flag=True, help="Plan from what `groundbox log` has stored: charges, flights, swaps.")
@click.option("--follow", is_flag=True, help="With --live: continue until Ctrl-C, one line for each change.")
@click.option("--at", help="Plan from this clock time on, and list the changes.")
@click.option("--done", multiple=True, help="A flight that has landed or was given up (with --live: given up).")
@click.option("--charge", multiple=True, help="A battery's state of charge now, as M9=0.62.")
@click.option("--swap", multiple=True, help="A battery that was put into a box, as mast=M9.")
@click.option("--lost", multiple=True, help="A battery that is no longer available.")
@click.option("--failed", multiple=True, help="A charger that does not charge.")
def command(
    day_toml: Path,
    settings_file: Path | None,
    database: Path | None,
    as_json: bool,
    detail: bool,
    plot: Path | None,
    seconds: float | None,
    fix_seconds: float,
    live: bool,
    follow: bool,
    at: str | None,
    **reported: tuple[str, ...],
) -> None:
    """Plan a flying day: a verdict for each flight, the steps in each gap, the evening.

    Exit status 1 where a flight is not flown.

    \b
    Examples:
      groundbox plan host/groundbox/examples/bog_day.toml --plot day.svg
      groundbox plan day.toml --at 14:50 --done "north edge" --charge M9=0.62
      groundbox plan day.toml --live --follow
    """
    _check_together(live, follow, as_json, at, reported)
    plan = plan_day(load_day(day_toml), seconds=seconds, clock=time.monotonic)
    now, news, standing, alive, advice = _reported(plan, reported), None, None, None, None
    if live:
        alive = _Live(day_toml, plan, chosen_settings(settings_file, database), now, at)
        changed, standing = alive.look(plan)
        plan, news, advice = changed.plan, (*standing.silent.values(), *changed.news), alive.advice
    elif at is not None:
        changed = replan(plan, replace(now, minute=_minute_of(plan, at)), seconds=REPLAN_SECONDS, clock=time.monotonic)
        plan, news = changed.plan, changed.news
    _show(plan, news, standing, advice, as_json, detail, plot, fix_seconds)
    if follow and alive is not None and standing is not None:
        alive.follow(plan, standing.silent)
    elif not plan.works:
        sys.exit(1)


def _check_together(
    live: bool, follow: bool, as_json: bool, at: str | None, reported: dict[str, tuple[str, ...]]
) -> None:
    if follow and (not live or as_json or at is not None):
        raise BadInput("--follow", "", "goes with --live, without --json and --at: type --live --follow")
    given = [f"--{name}" for name, values in reported.items() if values]
    if given and not live and at is None:
        raise BadInput(given[0], "", "states something of now: add --live, or --at and a time")


def _show(
    plan: Plan,
    news: Iterable[str] | None,
    standing: LiveStanding | None,
    advice: SessionAdvice | None,
    as_json: bool,
    detail: bool,
    plot: Path | None,
    seconds: float,
) -> None:
    search = _search(plan, seconds) if seconds and not plan.works and news is None else None
    nights = evening(plan, plan.day.date)
    if plot is not None:
        save_plot(plan, plot)
    if as_json:
        tree = plan_tree(plan, search, nights, date.today(), advice) | {"steps": [asdict(gap) for gap in gaps(plan)]}
        if news is not None:
            tree["news"] = list(news)
        if standing is not None:
            tree |= {"figures": [asdict(figure) for figure in standing.figures], "notes": standing.notes}
        click.echo(msgspec.json.format(msgspec.json.encode(tree), indent=2))
        return
    click.echo(first_line(plan, advice) + "\n")
    if standing is not None:
        click.echo("\n".join(["Where the figures come from", *map(figure_line, standing.figures)]))
        click.echo("\n".join([*(f"  note: {note}" for note in standing.notes), ""]))
    if news is not None:
        click.echo("\n".join(["Changed", *(f"  {sentence}" for sentence in news or ("nothing",)), ""]))
    click.echo("\n".join(plan_lines(plan, search, nights, None if detail else gap_lines(plan))))
