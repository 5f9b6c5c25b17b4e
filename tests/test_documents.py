"""README.md tells every command, setting, warning and wire field, in the code's own words."""

import importlib.util
from pathlib import Path

HERE = Path(__file__).parent


def test_reference_tables_are_those_of_the_code() -> None:
    spec = importlib.util.spec_from_file_location("documents", HERE / "documents.py")
    assert spec is not None
    assert spec.loader is not None
    documents = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(documents)
    text = documents.README.read_text(encoding="utf-8")
    assert text == documents.with_tables(text), "run `python tests/documents.py` and commit README.md"
