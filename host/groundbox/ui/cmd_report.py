"""`groundbox report`: one self-contained page about a session, with its readings as tables."""

import csv
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from importlib import import_module
from itertools import islice
from pathlib import Path
from typing import Any
from urllib.parse import quote

import click
from rich.console import Console
from rich.progress import Progress

from groundbox.errors import BadInput
from groundbox.plan.day_file import load_day
from groundbox.store import Reader
from groundbox.store.schema import columns
from groundbox.ui.options import chosen_settings, open_reader, settings_options
from groundbox.ui.page.past import APART_S
from groundbox.ui.report.gather import gather
from groundbox.ui.report.write import page

EXAMPLE = """
\b
Examples:
  groundbox report                        the newest session, into session.html
  groundbox report --session 2 --out bog.html
  groundbox report --day bog_day.toml     with its chargers for tonight

Open the page in any browser, without internet, or print it. Every reading of each box
is beside it as CSV and, with pip install 'groundbox[parquet]', as Parquet.
"""


@click.command(epilog=EXAMPLE)
@settings_options
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), default=Path("session.html"), show_default=True)
@click.option("--session", type=click.IntRange(min=1), default=1, show_default=True, help="1 is the newest.")
@click.option("--day", type=click.Path(path_type=Path, dir_okay=False), help="Day file; its chargers are used tonight.")
def command(settings_file: Path | None, database: Path | None, out: Path, session: int, day: Path | None) -> None:
    """Write a page about a session: flights, margins, energy, heat, warnings, predicted and actual runtime."""
    chosen = chosen_settings(settings_file, database)
    the_day = load_day(day) if day else None
    with open_reader(chosen) as reader:
        since_s, until_s, boxes = _session(reader, session)
        count = sum(row[1] for box in boxes for row in reader.summed(box, since_s, until_s, 1))
        with _progress(2 * count) as tick:
            found = [gather(reader, chosen, box, since_s, until_s, tick) for box in boxes]
            title = f"Session of {datetime.fromtimestamp(since_s):%d %B %Y}"
            files: list[Path] = []
            try:
                for box in boxes:
                    files += write_tables(reader, box, since_s, until_s, _beside(out, box), tick)
                names = [path.name for path in files]
                out.write_text(page(title, found, since_s, until_s, names, the_day), encoding="utf-8")
            except OSError as error:
                raise BadInput(out, "", f"cannot be written ({error.strerror}); choose another --out") from error
    for path in (out, *files):
        click.echo(str(path))
    if not has_parquet():
        click.echo(NO_PARQUET, err=True)


def _session(reader: Reader, number: int) -> tuple[float, float, list[str]]:
    """(start, end, boxes) of a session; number 1 is the newest."""
    sessions = reader.sessions(APART_S)
    if not sessions:
        raise BadInput("report", "", "no session is recorded yet; type: groundbox log")
    if number > len(sessions):
        raise BadInput("--session", str(number), f"the database has {len(sessions)} sessions; type a smaller number")
    spans = {box: reader.measured(box, *sessions[-number]) for box in reader.boxes()}
    measured = {box: span for box, span in spans.items() if span}
    return min(span[0] for span in measured.values()), max(span[1] for span in measured.values()), list(measured)


@contextmanager
def _progress(count: int) -> Iterator[Callable[[], object]]:
    """A progress bar on a terminal; nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("reading and estimating", total=count)
        yield lambda: progress.advance(task)


CHUNK = 10_000


def _beside(out: Path, box: str) -> Path:
    """Where a box's tables go; letters of its name that a file name cannot hold are written as %2F and the like."""
    return out.with_name(f"{out.stem}-{quote(box, safe=' ')}")


NO_PARQUET = "no Parquet file: it needs pyarrow (pip install 'groundbox[parquet]')"

Rows = list[tuple[object, ...]]


def write_tables(
    reader: Reader, box: str, since_s: float, until_s: float, stem: Path, tick: Callable[[], object]
) -> list[Path]:
    """Writes `stem`.csv and, if pyarrow is installed, `stem`.parquet; returns the written files.

    Args:
        tick: called after each reading.

    Raises:
        OSError: a file cannot be written.
    """
    kinds = columns("reading")
    csv_path, parquet_path = stem.with_name(f"{stem.name}.csv"), stem.with_name(f"{stem.name}.parquet")
    rows = reader.series(box, [name for name, _ in kinds], since_s, until_s)
    with ExitStack() as files:
        table = csv.writer(files.enter_context(csv_path.open("w", encoding="utf-8", newline="")))
        table.writerow([name for name, _ in kinds])
        add = _parquet(files, parquet_path, kinds)
        for chunk in _chunks(rows):
            table.writerows(chunk)
            if add:
                add(chunk)
            for _ in chunk:
                tick()
    return [csv_path, parquet_path] if add else [csv_path]


def has_parquet() -> bool:
    """True where pyarrow is installed."""
    return _pyarrow() is not None


def _pyarrow() -> Any:
    try:
        import_module("pyarrow.parquet")
        return import_module("pyarrow")
    except ImportError:
        return None


def _parquet(files: ExitStack, path: Path, kinds: list[tuple[str, str]]) -> Callable[[Rows], None] | None:
    pyarrow = _pyarrow()
    if pyarrow is None:
        return None
    schema = pyarrow.schema([(name, pyarrow.string() if kind == "TEXT" else pyarrow.int64()) for name, kind in kinds])
    writer = files.enter_context(pyarrow.parquet.ParquetWriter(path, schema, compression="zstd"))

    def add(rows: Rows) -> None:
        arrays = [pyarrow.array(column, one.type) for column, one in zip(zip(*rows, strict=True), schema, strict=True)]
        writer.write_batch(pyarrow.record_batch(arrays, schema=schema))

    return add


def _chunks(rows: Iterator[tuple[object, ...]]) -> Iterator[Rows]:
    while chunk := list(islice(rows, CHUNK)):
        yield chunk
