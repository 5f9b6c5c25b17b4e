"""The reference tables list every command, setting, warning and wire field, in the code's own words."""

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

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
