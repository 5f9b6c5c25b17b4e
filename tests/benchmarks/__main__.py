"""`python -m tests.benchmarks NAME [ARGUMENTS]` runs one of the benchmarks here; without a name it lists them."""

import sys
from importlib import import_module
from pathlib import Path

HERE = Path(__file__).parent


def names() -> list[str]:
    """The benchmarks: modules here with a `main(arguments)`."""
    return sorted(
        path.stem for path in HERE.glob("*.py") if "def main(" in path.read_text() and path.stem != "__main__"
    )


if __name__ == "__main__":
    if len(sys.argv) < 2 or sys.argv[1] not in names():
        sys.exit("which one? " + ", ".join(names()))
    import_module(f"tests.benchmarks.{sys.argv[1]}").main(sys.argv[2:])
