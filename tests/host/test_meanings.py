"""Every field and every setting is explained, and nothing that is not there."""

from groundbox.wire.meanings import FIELDS, MEANINGS, meaning_of
from groundbox.wire.messages import MESSAGES
from groundbox.wire.settings import SETTINGS


def test_every_field_says_what_it_means() -> None:
    known = set()
    for name, _, _, fields in MESSAGES:
        for field in fields:
            assert len(meaning_of(name, field[0])) > 5
            known |= {field[0], f"{name}.{field[0]}"}
    assert set(FIELDS) <= known


def test_every_setting_says_what_it_means() -> None:
    assert list(MEANINGS) == [setting[0] for setting in SETTINGS]
