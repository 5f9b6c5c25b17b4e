"""A fitted case on disk: one JSON file beside the settings, written whole or not at all."""

import os
import tempfile
from pathlib import Path

import msgspec

from groundbox.errors import BadInput
from groundbox.thermal.fit import CaseFit


def save_case(path: Path, fit: CaseFit) -> None:
    """Writes `fit` to `path`; a crash leaves the old file."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(msgspec.json.format(msgspec.json.encode(fit), indent=1) + b"\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def load_case(path: Path) -> CaseFit:
    """The fit in `path`.

    Raises:
        BadInput: no such file, or a key that is missing, of the wrong kind or out of range.
    """
    try:
        return msgspec.json.decode(path.read_bytes(), type=CaseFit)
    except OSError as error:
        raise BadInput(path, "", f"cannot be read: {error.strerror}; fit the case again from its logs") from error
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        what, _, place = str(error).partition(" - at ")
        mend = f"{what[:1].lower()}{what[1:]}; fit the case again from its logs"
        raise BadInput(path, place.strip("`"), mend) from error
