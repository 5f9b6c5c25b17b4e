"""`groundbox report`: one self-contained page about an outing, its readings beside it."""

import csv
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

import click
from rich.console import Console
from rich.progress import Progress

from groundbox.errors import BadInput
from groundbox.show.options import chosen_settings, open_reader, settings_options
from groundbox.show.page.past import APART_S
from groundbox.show.report.gather import gather
from groundbox.show.report.write import page
from groundbox.store import Reader
from groundbox.store.schema import columns

EXAMPLE = """
\b
Examples:
  groundbox report                        the newest outing, to outing.html
  groundbox report --outing 2 --out bog.html

Open it in any browser, offline; print it from there.
"""


@click.command(epilog=EXAMPLE)
@settings_options
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), default=Path("outing.html"), show_default=True)
@click.option("--outing", type=click.IntRange(min=1), default=1, show_default=True, help="1 is the newest.")
def command(settings_file: Path | None, database: Path | None, out: Path, outing: int) -> None:
    """Write a page about an outing: flights and margins, energy, heat, warnings, how good the predictions were."""
    chosen = chosen_settings(settings_file, database)
    with open_reader(chosen) as reader:
        since_s, until_s = _outing(reader, outing)
        boxes = [box for box in reader.boxes() if reader.measured(box, since_s, until_s)]
        starts, ends = zip(
            *(reader.measured(box, since_s, until_s) or (since_s, until_s) for box in boxes), strict=True
        )
        since_s, until_s = min(starts), max(ends)
        count = sum(row[1] for box in boxes for row in reader.summed(box, since_s, until_s, 1))
        with _progress(count) as tick:
            found = [gather(reader, chosen, box, since_s, until_s, tick) for box in boxes]
        tables = [out.with_name(f"{out.stem}-{box}.csv") for box in boxes]
        title = f"Outing of {datetime.fromtimestamp(since_s):%d %B %Y}"
        try:
            for box, path in zip(boxes, tables, strict=True):
                _write_readings(reader, box, since_s, until_s, path)
            out.write_text(page(title, found, since_s, until_s, [path.name for path in tables]), encoding="utf-8")
        except OSError as error:
            raise BadInput(out, "", f"cannot be written ({error.strerror}); name another place with --out") from error
    for path in (out, *tables):
        click.echo(str(path))


def _outing(reader: Reader, number: int) -> tuple[float, float]:
    outings = reader.outings(APART_S)
    if number > len(outings):
        raise BadInput("--outing", str(number), f"there are {len(outings)} outings in the database")
    return outings[-number]


@contextmanager
def _progress(count: int) -> Iterator[Callable[[], object]]:
    """A bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("reading and estimating", total=count)
        yield lambda: progress.advance(task)


def _write_readings(reader: Reader, box: str, since_s: float, until_s: float, path: Path) -> None:
    """Every reading, in wire units, as columns named in the registry."""
    names = [name for name, _ in columns("reading")]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(names)
        writer.writerows(reader.series(box, names, since_s, until_s))
