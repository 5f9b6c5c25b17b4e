"""The tables beside the report: every reading, in wire units, in columns named by the registry; unknown is empty."""

import csv
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from importlib import import_module
from itertools import islice
from pathlib import Path
from typing import Any

from groundbox.store import Reader
from groundbox.store.schema import columns

CHUNK = 10_000
NO_PARQUET = "no Parquet file: it needs pyarrow (pip install 'groundbox[parquet]')"

Rows = list[tuple[object, ...]]


def write(
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
