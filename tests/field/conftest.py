"""What campaigns in the field share."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.field.breakable import Field


@pytest.fixture
def field(tmp_path: Path) -> Iterator[Field]:
    """A board, a broker and a host, none of them started."""
    field = Field(tmp_path)
    yield field
    field.end()
