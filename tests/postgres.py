"""A PostgreSQL of our own for tests and benchmarks: a new cluster in a temporary folder, on a socket there."""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

OWNER = "postgres"  # PostgreSQL refuses to run as root


def programs() -> Path | None:
    """The folder with initdb and pg_ctl; None where PostgreSQL is not installed."""
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda place: int(place.parent.name), reverse=True)
    found = shutil.which("initdb")
    places = [*debian, *([Path(found).resolve().parent] if found else [])]
    return next((place for place in places if (place / "initdb").exists() and (place / "pg_ctl").exists()), None)


def restart(url: str) -> None:
    """Ends the server of `cluster` without a chance to tidy up, and starts it again."""
    place = programs()
    assert place is not None
    data = str(Path(url.partition("host=")[2]) / "data")
    _as_owner(str(place / "pg_ctl"), "-D", data, "-m", "immediate", "-w", "restart", "-l", f"{data}.log")


def _as_owner(*words: str, cwd: Path | None = None) -> None:
    as_owner = ["runuser", "-u", OWNER, "--", *words] if os.geteuid() == 0 else list(words)
    subprocess.run(as_owner, check=True, stdout=subprocess.DEVNULL, cwd=cwd or "/")


@contextmanager
def cluster(*, durable: bool = False, settings: str = "") -> Iterator[str]:
    """Yields the address, `postgresql://postgres@/postgres?host=FOLDER`, of a server that ends with the block.

    Args:
        durable: False spares fsync, where a test is not about it.
        settings: more settings of the server, as `-c name=value -c ...`.
    """
    place = programs()
    assert place is not None
    folder = Path(tempfile.mkdtemp(prefix="groundbox-pg-"))
    if os.geteuid() == 0:
        shutil.chown(folder, OWNER)
    data = str(folder / "data")
    options = f"-k {folder} -c listen_addresses='' -c fsync={'on' if durable else 'off'} {settings}"
    try:
        _as_owner(
            str(place / "initdb"), "-D", data, "-U", OWNER, "-A", "trust", "-E", "UTF8", "--no-sync", "--locale=C"
        )
        _as_owner(str(place / "pg_ctl"), "-D", data, "-l", str(folder / "log"), "-w", "-o", options, "start")
        try:
            yield f"postgresql://{OWNER}@/{OWNER}?host={folder}"
        finally:
            _as_owner(str(place / "pg_ctl"), "-D", data, "-m", "immediate", "-w", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
