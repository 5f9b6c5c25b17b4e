"""`python -m tests.mutation --seed 7 --count 100 [--package advice]`: small changes of the code that a test must catch.

Draws changes by the seed, makes them one at a time in a temporary copy of the tree, and runs the package's own tests
there: first the files that are named as the module, then those that import it, then the rest. A test that fails counts
only where it passes without the change. A run past the time limit counts as caught. `--near` leaves the rest out, so
what only the rest catches counts as survived. `--numbers 3 17` runs only these of the same draw.
"""

import argparse
import ast
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[1]
# Package: its sources, the folder of its own tests, and slow files there, which serve only for a module of that name.
PACKAGES = {
    "core": ("firmware/core", "tests/both", ()),
    "battery": ("host/groundbox/battery", "tests/host/battery", ("test_accuracy.py", "test_fit.py")),
    "advice": ("host/groundbox/advice", "tests/host/advice", ()),
    "plan": ("host/groundbox/plan", "tests/host/plan", ()),
    "link": ("host/groundbox/link", "tests/host/link", ()),
    "store": ("host/groundbox/store", "tests/host/store", ()),
}
COMPARE = {
    ast.Lt: ("<", ("<=", ">=")),
    ast.LtE: ("<=", ("<", ">")),
    ast.Gt: (">", (">=", "<=")),
    ast.GtE: (">=", (">", "<")),
    ast.Eq: ("==", ("!=",)),
    ast.NotEq: ("!=", ("==",)),
    ast.Is: ("is", ("is not",)),
    ast.IsNot: ("is not", ("is",)),
    ast.In: ("in", ("not in",)),
}
SIGN = {ast.Add: ("+", "-"), ast.Sub: ("-", "+")}
# A run's first lines: the copy's package comes before the installed one; drawn test data are the same in each run.
BEGIN = """
import sys
sys.path.insert(0, sys.argv.pop(1))
import pytest
from hypothesis import Phase, settings
phases = (Phase.explicit, Phase.generate)
rest = ["--hypothesis-profile", "mutation", "-m", "not endurance", *sys.argv[1:]]
settings.register_profile("mutation", deadline=None, derandomize=True, database=None, phases=phases)
sys.exit(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning", *rest]))
"""


@dataclass(frozen=True)
class Mutant:
    """Bytes `begin` to `end` of a file become `after`; `before` is that text today, `line` its number."""

    package: str
    file: str
    line: int
    begin: int
    end: int
    before: str
    after: str


class Sites:
    """Finds what can be changed in one module.

    Left alone: text, annotations, decorators and class options, and tolerances under 1e-5.
    """

    def __init__(self, source: bytes) -> None:
        self.source = source
        self.starts = [0]
        for line in source.splitlines(keepends=True):
            self.starts.append(self.starts[-1] + len(line))

    def at(self, line: int, column: int) -> int:
        """Byte position of an AST position."""
        return self.starts[line - 1] + column

    def of(self, node: ast.AST) -> Iterator[tuple[int, int, list[str]]]:
        """(first byte, byte after the last, replacements) of each place within `node`."""
        if isinstance(node, ast.JoinedStr):
            return
        if isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name) and node.value.id == "Annotated":
            return
        yield from self._here(node)
        for name, value in ast.iter_fields(node):
            if (
                name not in ("annotation", "returns", "decorator_list", "keywords")
                or isinstance(node, ast.Call)
                and name == "keywords"
            ):
                for child in value if isinstance(value, list) else [value]:
                    if isinstance(child, ast.AST):
                        yield from self.of(child)

    def _here(self, node: ast.AST) -> Iterator[tuple[int, int, list[str]]]:
        if isinstance(node, ast.Compare):
            left = node.left
            for operator, right in zip(node.ops, node.comparators, strict=True):
                word, others = COMPARE.get(type(operator), ("not in", ("in",)))
                yield from self._between(left, right, word, list(others))
                left = right
        elif isinstance(node, ast.BinOp) and type(node.op) in SIGN:
            yield from self._between(node.left, node.right, SIGN[type(node.op)][0], [SIGN[type(node.op)][1]])
        elif isinstance(node, ast.BoolOp):
            word, other = ("and", "or") if isinstance(node.op, ast.And) else ("or", "and")
            for left, right in zip(node.values, node.values[1:], strict=False):
                yield from self._between(left, right, word, [other])
        elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not):
            yield self.at(node.lineno, node.col_offset), self.at(node.operand.lineno, node.operand.col_offset), [""]
        elif isinstance(node, ast.Constant) and type(node.value) is bool:
            yield *self._span(node), [str(not node.value)]
        elif isinstance(node, ast.Constant) and type(node.value) is int:
            far = round(node.value * 1.1)
            yield *self._span(node), [str(node.value + 1), str(max(node.value - 1, 0)) if far < 20 else str(far)]
        elif isinstance(node, ast.Constant) and type(node.value) is float and not 0 < node.value < 1e-5:
            yield (
                *self._span(node),
                [f"{1.1 * node.value + (node.value == 0):.9g}", f"{0.9 * node.value - (node.value == 0):.9g}"],
            )
        elif isinstance(node, ast.Name) and node.id in ("min", "max"):
            yield *self._span(node), ["max" if node.id == "min" else "min"]
        elif isinstance(node, ast.Return) and node.value and not isinstance(node.value, ast.Constant):
            yield *self._span(node.value), ["None"]

    def _span(self, node: ast.expr) -> tuple[int, int]:
        return self.at(node.lineno, node.col_offset), self.at(node.end_lineno or 0, node.end_col_offset or 0)

    def _between(
        self, left: ast.expr, right: ast.expr, word: str, others: list[str]
    ) -> Iterator[tuple[int, int, list[str]]]:
        begin = self._span(left)[1]
        found = re.search(
            rb"\s+".join(map(re.escape, word.encode().split())), self.source[begin : self._span(right)[0]]
        )
        if found:
            yield begin + found.start(), begin + found.end(), others


def draw(seed: int, count: int, package: str | None) -> list[Mutant]:
    """The changes of this seed, each in another place."""
    dice, places = random.Random(seed), []
    for name, (folder, _, _) in PACKAGES.items():
        for path in sorted((ROOT / folder).rglob("*.py")) if package in (None, name) else ():
            source = path.read_bytes()
            for place in Sites(source).of(ast.parse(source)):
                places.append((name, path, source, place))
    mutants = []
    for name, path, source, (begin, end, others) in dice.sample(places, min(2 * count, len(places))):
        before, after = source[begin:end].decode(), dice.choice(others)
        try:
            compile(source[:begin] + after.encode() + source[end:], path, "exec")
        except SyntaxError:
            continue
        if before.strip() != after and len(mutants) < count:
            line = source[:begin].count(b"\n") + 1
            mutants.append(Mutant(name, str(path.relative_to(ROOT)), line, begin, end, before, after))
    return mutants


def tests_of(mutant: Mutant, near: bool, unsound: list[str]) -> list[str]:
    """The package's own test files: those named as the module, those that import it, and (not `near`) the rest."""
    _, folder, slow = PACKAGES[mutant.package]
    module = Path(mutant.file).with_suffix("")
    dotted = ".".join(part for part in module.parts if part not in ("host", "firmware"))
    ranked: list[tuple[int, str]] = []
    for path in (ROOT / folder).glob("test_*.py"):
        subject = path.stem.removeprefix("test_")
        if subject in (module.name, *module.name.split("_")) or module.name in subject:
            ranked.append((0, path.name))
        elif path.name not in slow:
            ranked.append((1 if dotted in path.read_text() else 2, path.name))
    close = [one for one in ranked if one[0] < 2]
    files = [f"{folder}/{name}" for _, name in sorted(close if near and close else ranked)]
    return [*(one for one in files if one not in unsound), *(f"--deselect={one}" for one in unsound if "::" in one)]


def run(copy: Path, tests: list[str], limit_s: float) -> str:
    """Runs these tests in the copy: the test that fails, "time limit", or "" where all pass."""
    command = [sys.executable, "-c", BEGIN, str(copy / "host"), *tests]
    environment = {**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "PYTHONPATH": str(copy / "host")}
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True, "start_new_session": True}
    process = subprocess.Popen(command, cwd=copy, env=environment, **pipes)
    try:
        output = process.communicate(timeout=limit_s)[0]
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, 9)
        process.communicate()
        return "time limit"
    if process.returncode == 0:
        return ""
    named = re.findall(r"^(?:FAILED|ERROR) (.+?)(?: - .*)?$", output, re.MULTILINE)
    return named[0] if named else "an error: " + output.strip()[-200:]


def main() -> None:
    """Prints the seed, each change with its fate, and a line per package."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("--seed", type=int, default=random.randrange(10000), help="of the draw; printed")
    parser.add_argument("--count", type=int, default=100, help="number of changes")
    parser.add_argument("--package", choices=PACKAGES, help="only this one; all six otherwise")
    parser.add_argument("--numbers", type=int, nargs="+", help="only these changes of the draw")
    parser.add_argument("--near", action="store_true", help="without the tests that neither name nor import the module")
    parser.add_argument("--limit-s", type=float, default=900.0, help="seconds for the tests of one change")
    options = parser.parse_args()
    os.nice(10)  # others may use this computer too
    print(f"seed {options.seed}, {options.count} changes", flush=True)
    mutants = draw(options.seed, options.count, options.package)
    chosen = [(n, one) for n, one in enumerate(mutants, 1) if not options.numbers or n in options.numbers]
    chosen.sort(key=lambda each: list(PACKAGES).index(each[1].package))
    sound: set[str] = set()  # tests that pass without a change
    unsound: list[str] = []  # tests that do not, and are left out
    caught: Counter[str] = Counter()
    with tempfile.TemporaryDirectory(prefix="mutation-") as folder:
        copy = Path(folder)
        for part in ("host", "firmware", "tests", "pyproject.toml", "README.md", "hardware"):
            if (ROOT / part).is_dir():
                shutil.copytree(ROOT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__"))
            else:
                shutil.copy2(ROOT / part, copy / part)
        for number, one in chosen:
            path, begun = copy / one.file, time.monotonic()
            source = path.read_bytes()
            changed = source[: one.begin] + one.after.encode() + source[one.end :]
            path.write_bytes(changed)
            catcher = run(copy, tests_of(one, options.near, unsound), options.limit_s)
            path.write_bytes(source)
            while catcher.startswith("tests/") and catcher not in sound and catcher not in unsound:
                if not run(copy, [catcher] if "::" in catcher else [catcher, "--collect-only"], options.limit_s):
                    sound.add(catcher)
                    break
                print(f"left out, as it fails without a change: {catcher}", flush=True)
                unsound.append(catcher)
                path.write_bytes(changed)
                catcher = run(copy, tests_of(one, options.near, unsound), options.limit_s)
                path.write_bytes(source)
            caught[one.package] += bool(catcher)
            text = source.splitlines()[one.line - 1].decode().strip()
            print(f"{number} {one.file}:{one.line} [{one.before} -> {one.after}] {text}", flush=True)
            fate = f"caught by {catcher}" if catcher else "survived"
            print(f"    {fate}, {time.monotonic() - begun:.0f} s", flush=True)
    for package, total in Counter(one.package for _, one in chosen).items():
        print(f"{package:8} {caught[package]:3} of {total:3} caught")
    total = sum(caught.values())
    print(f"in all   {total:3} of {len(chosen):3} caught, {100 * total / max(len(chosen), 1):.0f} %")


if __name__ == "__main__":
    main()
