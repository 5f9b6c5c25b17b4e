"""Every field and every setting is explained, and nothing that is not there."""

from groundbox.wire.meanings import FIELDS, MEANINGS, meaning_of
from groundbox.wire.meanings import RELATIONS as REASONS
from groundbox.wire.messages import MESSAGES
from groundbox.wire.settings import RELATIONS, SETTINGS, range_of


def test_every_field_says_what_it_means() -> None:
    known = set()
    for name, _, _, fields in MESSAGES:
        for field in fields:
            assert len(meaning_of(name, field[0])) > 5
            known |= {field[0], f"{name}.{field[0]}"}
    assert set(FIELDS) <= known


def test_every_setting_says_what_it_means() -> None:
    assert list(MEANINGS) == [setting[0] for setting in SETTINGS]


def test_every_relation_has_its_reason_and_names_settings() -> None:
    assert len(RELATIONS) == len(REASONS)
    assert all(range_of(str(name)) for relation in RELATIONS for name in relation[3::2])
