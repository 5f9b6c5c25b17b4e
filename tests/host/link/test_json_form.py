"""The JSON form: the same registry, the same checks, and nothing outside the registry."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from groundbox.wire import json_form
from groundbox.wire.messages import MESSAGES

EVENT = ["mast", 3, 7, 61_000, "launch", None]
GOOD = json.loads(json_form.encode("event", EVENT))


def test_there_and_back() -> None:
    assert json_form.decode("event", json_form.encode("event", EVENT).encode()) == EVENT
    assert GOOD["value"] is None, "null for unknown"


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        (b"", "truncated"),
        (b"\x00\xff", "malformed"),
        (b"[" * 4000, "Expected `object`"),
        (b"[1, 2]", "Expected `object`"),
        (b"{}" + b" " * 5000, "longer than"),
        (json.dumps({**GOOD, "sequence": float("nan")}).encode(), "malformed"),
        (json.dumps({**GOOD, "sequence": 7.5}).encode(), "Expected `int .*sequence"),
        (json.dumps({**GOOD, "sequence": True}).encode(), "Expected `int .*sequence"),
        (json.dumps({**GOOD, "sequence": -1}).encode(), ">= 0.*sequence"),
        (json.dumps({**GOOD, "sequence": 10**400}).encode(), "sequence"),
        (json.dumps({**GOOD, "sequence": (1 << 29) + 1}).encode(), "<= .*sequence"),
        (json.dumps({**GOOD, "box": "m~st"}).encode(), "box"),
        (json.dumps({**GOOD, "box": "mast\n"}).encode(), "box"),
        (json.dumps({**GOOD, "box": ""}).encode(), "box"),
        (json.dumps({**GOOD, "kind": "lunch"}).encode(), "kind"),
        (json.dumps({**GOOD, "kind": ["launch"]}).encode(), "kind"),
        (json.dumps({**GOOD, "box": "a b"}).encode(), "box"),
        (json.dumps({**GOOD, "box": {"a": 1}}).encode(), "Expected `str.*box"),
        (json.dumps({**GOOD, "volts": 12}).encode(), "unknown field `volts`"),
        (json.dumps({k: v for k, v in GOOD.items() if k != "value"}).encode(), "missing required field `value`"),
    ],
)
def test_text_outside_the_registry(text: bytes, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        json_form.decode("event", text)


def test_no_such_message() -> None:
    with pytest.raises(ValueError, match="no message is called song"):
        json_form.decode("song", b"{}")


@given(st.sampled_from([message[0] for message in MESSAGES]), st.binary(max_size=200))
@settings(max_examples=200, deadline=None)
def test_random_bytes(name: str, text: bytes) -> None:
    with pytest.raises(ValueError, match=r"."):
        json_form.decode(name, text)


_JSON = st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(), st.lists, max_leaves=5)


@given(st.dictionaries(st.sampled_from(sorted(GOOD)), _JSON), st.dictionaries(st.text(max_size=5), _JSON, max_size=1))
@settings(max_examples=200, deadline=None)
def test_random_fields_give_a_checked_message_or_an_error(changed: dict, more: dict) -> None:
    text = json.dumps({**GOOD, **changed, **more}).encode()
    try:
        values = json_form.decode("event", text)
    except ValueError:
        return
    assert json_form.encode("event", values)
