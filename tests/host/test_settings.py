"""groundbox.toml: what is read, and the one line for each mistake."""

from pathlib import Path

import pytest

from groundbox import settings
from groundbox.errors import BadInput
from groundbox.toml_file import documented

GOOD = """
database = "day.db"
[flight]
length_min = 35
time_home_min = 8
[batteries.sedge]
profile = "sedge.toml"
[boxes.mast]
battery = "sedge"
cutoff_volts = 11.0
lead_ohm = 0.04
[[boxes.mast.loads]]
name = "receivers"
watts = 10
[[boxes.mast.loads]]
name = "servos"
watts = 4
peak_watts = 36
"""


def _write(folder: Path, text: str) -> Path:
    (folder / "sedge.toml").write_text("c20_ah = 9.0\n")
    path = folder / settings.FILE_NAME
    path.write_text(text)
    return path


def test_reads_what_is_there(tmp_path: Path) -> None:
    found = settings.load(_write(tmp_path, GOOD))
    mast = found.boxes["mast"]
    assert (mast.cutoff_volts, mast.lead_ohm, mast.reserve_min) == (11.0, 0.04, 15.0)
    assert found.database_path == tmp_path / "day.db"
    assert found.profile_path("sedge") == tmp_path / "sedge.toml"
    assert found.profile_path("heath") is None
    servos = mast.loads[1]
    assert servos.mean_amps(12.0) == pytest.approx(4 / 12)
    assert servos.largest_amps(12.0) == 3.0
    assert mast.loads[0].largest_amps(10.0) == 1.0


def test_works_with_no_file_at_all() -> None:
    nothing = settings.load(None)
    assert nothing.boxes == {}
    assert nothing.database_path.is_absolute()


@pytest.mark.parametrize(
    ("old", "new", "place", "problem"),
    [
        ("cutoff_volts = 11.0", "cutoff_mv = 11000", "boxes.mast.cutoff_mv", "did you mean cutoff_volts (volts"),
        ("cutoff_volts = 11.0", "cutof_volts = 11.0", "boxes.mast.cutof_volts", "did you mean cutoff_volts"),
        ("cutoff_volts = 11.0", "", "boxes.mast.cutoff_volts", "is missing; type volts"),
        ("cutoff_volts = 11.0", "cutoff_volts = 11000", "boxes.mast.cutoff_volts", "11000 is not allowed; type volts"),
        ("cutoff_volts = 11.0", 'cutoff_volts = "11 V"', "boxes.mast.cutoff_volts", '"11 V" is not allowed'),
        ("cutoff_volts = 11.0", "cutoff_volts = 5.0", "boxes.mast.cutoff_volts", "0.83 V for each of the 6 cells"),
        ("cutoff_volts = 11.0", "cutoff_volts = 22.0", "boxes.mast.cutoff_volts", "a full sedge at rest: lower it"),
        ("length_min = 35", "length_s = 2100", "flight.length_s", "did you mean length_min (minutes"),
        ("[flight]", "[fligth]", "fligth", "did you mean flight?"),
        ("watts = 10", "watts = 10\namps = 1", "boxes.mast.loads 1", "either watts or amps"),
        ("peak_watts = 36", "peak_watts = 3", "boxes.mast.loads 2", "a peak below its mean"),
        ('name = "servos"', 'name = "receivers"', "boxes.mast.loads 2, name", "used twice"),
        ("watts = 10", "colour = 3\nwatts = 10", "boxes.mast.loads 1, colour", "known: name, watts"),
        ('battery = "sedge"', 'battery = "heath"', "boxes.mast.battery", "there is no battery"),
        ('"sedge.toml"', '"lost.toml"', "batteries.sedge.profile", "there is no file"),
        ("[boxes.mast]", "[boxes.'the mast']", "boxes.the mast", "without spaces"),
        ('database = "day.db"', 'file = "x"', "file", "is not known here"),
        ('database = "day.db"', "brokers = 3", "brokers", "type [[brokers]] tables"),
        ("[flight]", "flight = 3\n[fly]", "flight", "a table with length_min"),
    ],
)
def test_a_mistake_is_one_line_with_file_place_and_instruction(
    tmp_path: Path, old: str, new: str, place: str, problem: str
) -> None:
    assert GOOD.count(old) >= 1
    path = _write(tmp_path, GOOD.replace(old, new, 1))
    with pytest.raises(BadInput) as caught:
        settings.load(path)
    assert caught.value.place == place
    assert problem in caught.value.problem
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_not_toml_and_not_there(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="is not TOML"):
        settings.load(_write(tmp_path, "a ="))
    with pytest.raises(BadInput, match="cannot be read"):
        settings.load(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"# \xff")
    with pytest.raises(BadInput, match="UTF-8"):
        settings.load(tmp_path / "latin.toml")


def test_working_directory_before_configuration_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config, work = tmp_path / "config", tmp_path / "work"
    for folder in (config, work):
        folder.mkdir()
    monkeypatch.setattr("platformdirs.user_config_path", lambda *args, **kwargs: config)
    assert settings.find(work) is None
    _write(config, GOOD)
    assert settings.find(work) == config / "groundbox.toml"
    _write(work, GOOD)
    assert settings.find(work) == work / "groundbox.toml"


def test_every_key_documents_what_it_wants() -> None:
    rows = documented(settings.SettingsFile)
    assert ("boxes.NAME.cutoff_volts", "volts at the equipment below which it stops, 4 to 60") in rows
    assert all(text for _, text in rows), [key for key, text in rows if not text]
