"""An 8-hour session of two boxes: seconds and bytes of its report, beside reading the same rows and nothing else."""

import tempfile
import time
from pathlib import Path

from click.testing import CliRunner
from tests.benchmarks.session_store import BASE_S, BOXES, make

from groundbox.store import Reader
from groundbox.ui.cmd_report import command

HOURS = 8.0
WANTED_S, WANTED_BYTES = 10.0, 3_000_000


def main(arguments: list[str]) -> None:
    """Prints both, and their ratios to what is wanted; a number as an argument takes so many hours."""
    hours = float(arguments[0]) if arguments else HOURS
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        settings = make(folder, hours)
        began = time.perf_counter(), time.process_time()
        with Reader(folder / "day.db") as reader:
            rows = sum(1 for box in BOXES for _ in reader.readings(box, BASE_S))
        bare_s, bare_cpu_s = time.perf_counter() - began[0], time.process_time() - began[1]
        out = folder / "session.html"
        began = time.perf_counter(), time.process_time()
        done = CliRunner().invoke(command, ["--settings", str(settings), "--out", str(out)], catch_exceptions=False)
        took_s, cpu_s = time.perf_counter() - began[0], time.process_time() - began[1]
        assert done.exit_code == 0, done.output
        size = out.stat().st_size
        data = sum(path.stat().st_size for path in folder.glob("session-*"))
    print(f"{hours:g} h, {rows:,} readings of {len(BOXES)} boxes")
    print(f"reading them only  {bare_s:6.1f} s ({bare_cpu_s:.1f} s this program's)")
    print(f"the report         {took_s:6.1f} s ({cpu_s:.1f} s this program's), {took_s / WANTED_S:.2f} of {WANTED_S:g}")
    print(f"its page           {size:,} bytes, {size / WANTED_BYTES:.2f} of {WANTED_BYTES:,}; data beside it {data:,}")
