"""`groundbox battery`: a battery's papers, from its nameplate to what its own discharges told."""

import json
from datetime import date, datetime
from pathlib import Path

import click
import msgspec

from groundbox.battery.papers import Papers, checked, load_papers, papers_text, save_papers
from groundbox.errors import BadInput

CAUTIONS = (
    "Discharge and charge in the open: lead-acid batteries give off hydrogen, most of all while charging.",
    "Fuse at the battery post; a short circuit through a tool or lead burns. Take off rings and watches.",
    "A swollen, cracked, leaking, frozen or hot battery is finished: do not charge it, take it to a recycler.",
    "Local rules and a licensed person's word come before these numbers.",
)


@click.group()
def command() -> None:
    """A battery's papers: nameplate, data sheet, and what its own logged discharges told."""


def _print_json(value: object) -> None:
    click.echo(json.dumps(msgspec.to_builtins(value)))


def _caution() -> None:
    click.echo("\nBefore you act on this:")
    for sentence in CAUTIONS:
        click.echo(f"  * {sentence}")


@command.command(epilog="Example: groundbox battery new mast.toml --c20 9 --label 'mast 2' --in-service 2024-05-01")
@click.argument("file", type=click.Path())
@click.option("--c20", "c20_ah", type=float, required=True, help="Rated ampere-hours at the 20-hour rate.")
@click.option("--label", default="", help="What is written on it.")
@click.option("--cells", type=int, default=6, show_default=True, help="2 V cells in series.")
@click.option("--age", "age_years", type=float, help="Years in service.")
@click.option("--in-service", type=click.DateTime(["%Y-%m-%d"]), help="Date put in service.")
@click.option("--vented", is_flag=True, help="Flooded cells with caps.")
@click.option("--max-charge", "max_charge_amps", type=float, help="Highest charging current its sheet allows, amps.")
@click.option("--json", "as_json", is_flag=True, help="The papers as JSON.")
def new(
    file: str,
    c20_ah: float,
    label: str,
    cells: int,
    age_years: float | None,
    in_service: datetime | None,
    vented: bool,
    max_charge_amps: float | None,
    as_json: bool,
) -> None:
    """Write a battery's papers from its nameplate. Add [[discharge]] rows from the data sheet by hand."""
    if Path(file).exists():
        raise BadInput(file, "", "is there already; edit it, or choose another name")
    papers = Papers(
        c20_ah=c20_ah,
        label=label,
        cells=cells,
        age_years=age_years,
        in_service=None if in_service is None else in_service.date(),
        vented=vented,
        max_charge_amps=max_charge_amps,
    )
    save_papers(file, checked(papers, "groundbox battery new"))
    if as_json:
        _print_json(papers)
        return
    click.echo(f"{file} written:\n")
    click.echo(papers_text(papers))
    click.echo("A logged discharge makes it known better: groundbox battery fit LOG.csv --battery " + file)


@command.command(epilog="Example: groundbox battery show mast.toml")
@click.argument("file", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="The papers as JSON.")
def show(file: str, as_json: bool) -> None:
    """What the papers say, and how long full would last at several loads."""
    from groundbox.battery.outlook import outlook

    papers = load_papers(file)
    rows = outlook(papers)
    if as_json:
        _print_json({"papers": papers, "from_full": rows, "cautions": CAUTIONS})
        return
    click.echo(papers_text(papers))
    click.echo(f"From full at 25 C down to {rows[0].end_volts:.2f} V:\n")
    click.echo(f"{'amps':>9}  {'early':>9}  {'likely':>9}  {'late':>9}  hours")
    for row in rows:
        click.echo(f"{row.amps:9.2f}  {row.early_h:9.2f}  {row.likely_h:9.2f}  {row.late_h:9.2f}")
    _caution()


@command.command(epilog="Example: groundbox battery fit july.csv august.csv --battery mast.toml --out mast.toml")
@click.argument("logs", type=click.Path(), nargs=-1, required=True)
@click.option("--battery", "battery", type=click.Path(), required=True, help="The papers as they are.")
@click.option("--out", type=click.Path(), required=True, help="Where to write them with what was fitted.")
@click.option("--json", "as_json", is_flag=True, help="What was fitted as JSON.")
def fit(logs: tuple[str, ...], battery: str, out: str, as_json: bool) -> None:
    """Learn capacity, resistance and recovery of one battery from logged discharges deeper than 40 %."""
    from groundbox.battery.fit import fitted_papers, runs_in

    papers = load_papers(battery)
    runs = [run for log in logs for run in runs_in(log, papers)]
    fitted = fitted_papers(papers, runs, date.today())
    save_papers(out, fitted)
    found = fitted.fitted
    assert found is not None
    if as_json:
        _print_json({"out": out, "fitted": found, "runs": fitted.history[-len(runs) :], "cautions": CAUTIONS})
        return
    click.echo(f"{len(runs)} discharge(s) used.")
    click.echo(f"capacity at the 20-hour rate, 25 C  {found.capacity_ah:8.1f} Ah  +- {2 * found.capacity_sd_ah:.1f}")
    click.echo(f"of the rated {papers.c20_ah:g} Ah               {found.capacity_ah / papers.c20_ah:8.0%}")
    click.echo(f"apparent resistance, half charged   {found.resistance_mohm:8.1f} mohm")
    click.echo(f"the curve follows the logs within   {1000 * found.error_volts * papers.cells:8.0f} mV")
    click.echo(f"{out} written.")
    _caution()


@command.command(epilog="Example: groundbox battery health mast.toml")
@click.argument("file", type=click.Path())
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def health(file: str, as_json: bool) -> None:
    """Measured capacity over the battery's life, and whether to replace it (IEEE 1188: under 80 % of rated)."""
    from groundbox.battery.health import health as health_of

    papers = load_papers(file)
    found = health_of(papers)
    if as_json:
        _print_json({"health": found, "history": papers.history, "cautions": CAUTIONS})
        return
    for row in sorted(papers.history, key=lambda row: row.date):
        share = row.capacity_ah / papers.c20_ah
        click.echo(
            f"{row.date}  {row.capacity_ah:7.1f} Ah +- {2 * row.capacity_sd_ah:4.1f}  {share:5.0%}  "
            f"{row.resistance_mohm:7.1f} mohm  {row.source}"
        )
    if found.per_year is not None and found.per_year_sd is not None:
        click.echo(f"trend: {100 * found.per_year:+.1f} points a year, +- {200 * found.per_year_sd:.1f}")
    click.echo(f"{papers.label or file}: {found.verdict}")
    _caution()


@command.command(epilog="Example: groundbox battery test evening.csv --battery mast.toml --out mast.toml")
@click.argument("log", type=click.Path())
@click.option("--battery", "battery", type=click.Path(), required=True, help="The battery's papers.")
@click.option("--out", type=click.Path(), help="Where to write them with what the test taught.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def test(log: str, battery: str, out: str | None, as_json: bool) -> None:
    """Guide or judge a capacity test from its log: full charge, an hour's rest, a steady load down to the floor.

    Run it again on the growing log to learn the next step. At the floor it judges against the rated capacity
    (IEEE 450 and 1188, by time, with the temperature factor) and, with --out, fits the battery: one evening that
    roughly halves the band around runtime left.
    """
    from groundbox.battery.capacity_test import CapacityTest, TestStep
    from groundbox.battery.fit import fitted_papers, runs_in
    from groundbox.battery.log_csv import read_log

    papers = load_papers(battery)
    followed = CapacityTest(papers)
    steps: list[tuple[float, TestStep]] = []
    for sample in read_log(log):
        step = followed.update(sample)
        if not steps or steps[-1][1].name != step.name:
            steps.append((sample.t_s, step))
    if not as_json:
        _caution()
        click.echo()
        for t_s, step in steps:
            click.echo(f"{t_s / 3600:7.2f} h  {step.name:<10} {step.do}")
        click.echo(f"now        {followed.step.do}")
    if out is not None and followed.step.name == "stop":
        save_papers(out, fitted_papers(papers, runs_in(log, papers), date.today()))
    if as_json:
        _print_json({"step": followed.step, "steps": [step for _, step in steps], "cautions": CAUTIONS})
