"""The reference tables list every command, setting, warning and wire field, in the code's own words."""

import importlib.util
import re
import shlex
from pathlib import Path
from types import ModuleType

import click
import pytest

from groundbox.cli import commands

HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def documents() -> ModuleType:
    spec = importlib.util.spec_from_file_location("documents", HERE / "documents.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["host/README.md", "firmware/README.md"])
def test_reference_tables_are_those_of_the_code(documents: ModuleType, name: str) -> None:
    file = HERE.parent / name
    assert file.read_text(encoding="utf-8") == documents.with_tables(file), (
        f"run `python tests/documents.py` and commit {name}"
    )


def test_the_readme_is_short() -> None:
    lines = (HERE.parent / "README.md").read_text(encoding="utf-8").splitlines()
    assert len(lines) <= 150, "README.md is for the pilot: move reference text to host/README.md or firmware/README.md"


def _typed(file: str) -> list[str]:
    """Commands in a document: in backquotes or in an indented block."""
    text = (HERE.parent / file).read_text(encoding="utf-8")
    spans = re.findall(r"`(groundbox [^`]+)`", text)
    return [" ".join(one.split()) for one in [*spans, *re.findall(r"^ {4,}(groundbox .+)$", text, re.MULTILINE)]]


@pytest.mark.parametrize("file", ["README.md", "DEVELOPERS.md", "host/README.md", "firmware/README.md"])
def test_every_command_and_option_in_a_document_exists(file: str) -> None:
    for typed in _typed(file):
        command: click.Command = commands
        for word in shlex.split(typed)[1:]:
            if isinstance(command, click.Group):
                found = command.get_command(click.Context(command), word)
                assert found is not None, f"{file}: {typed}: no command {word}"
                command = found
            elif word.startswith("--") and word != "--help":
                known = {option for parameter in command.params for option in parameter.opts}
                assert word in known, f"{file}: {typed}: no option {word}"


def test_the_documents_name_commands() -> None:
    assert len(_typed("README.md")) > 15
