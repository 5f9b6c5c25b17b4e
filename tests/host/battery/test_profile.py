"""A battery file survives a round trip, and an error names file, key and what to write."""

from datetime import date
from pathlib import Path

import msgspec
import pytest

from groundbox.battery.profile import BatteryProfile, DischargeRow, load_profile, save_profile
from groundbox.errors import BadInput


def test_round_trip(tmp_path: Path) -> None:
    profile = BatteryProfile(
        c20_ah=9.0,
        label='mast "2"',
        age_years=3.0,
        in_service=date(2023, 4, 1),
        max_charge_amps=2.7,
        discharge=[DischargeRow(amps=0.45, minutes=1200), DischargeRow(amps=5.5, minutes=60, temp_c=20)],
    )
    save_profile(tmp_path / "b.toml", profile)
    found = load_profile(tmp_path / "b.toml")
    years = (date.today() - date(2023, 4, 1)).days / 365.25
    assert found.age_years == pytest.approx(years, abs=0.06), "counted from in_service"
    assert msgspec.structs.replace(found, age_years=3.0) == profile
    assert "age_years" not in (tmp_path / "b.toml").read_text()
    assert "# rated capacity at the 20-hour rate" in (tmp_path / "b.toml").read_text()
    assert [p.name for p in tmp_path.iterdir()] == ["b.toml"]


def test_the_smallest_file(tmp_path: Path) -> None:
    (tmp_path / "b.toml").write_text("c20_ah = 9\n")
    profile = load_profile(tmp_path / "b.toml")
    assert (profile.cells, profile.c20_ah, profile.fitted) == (6, 9.0, None)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("cells = 6\n", "c20_ah"),
        ("c20_ah = 9\ncapacity = 3\n", "capacity: is not known here; known: c20_ah"),
        ("c20_mah = 9000\n", "did you mean c20_ah (rated capacity at the 20-hour rate, ampere-hours"),
        ("c20_ah = 9\nage_years = inf\n", "age_years: inf is not a number"),
        ("c20_ah = 'nine'\n", "c20_ah"),
        ("c20_ah = 9000000\n", "c20_ah: 9000000 is not allowed; type rated capacity"),
        ("c20_ah = 9\ncells = 0\n", "cells"),
        (
            "c20_ah = 9\n[[discharge]]\namps = 1\nminutes = 60\nend_volts_per_cell = 10.5\n",
            "volts per cell, not per battery, 1.3 to 2.1",
        ),
        ("c20_ah = \n", "TOML"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "b.toml"
    path.write_text(text)
    with pytest.raises(BadInput) as error:
        load_profile(path)
    assert said in str(error.value)
    assert "b.toml" in str(error.value)
    assert "\n" not in str(error.value)


def test_a_missing_file_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="battery new"):
        load_profile(tmp_path / "none.toml")


def _fitted(capacity_ah: float, diagonal: float, mohm: float = 20.0) -> str:
    rows = [[diagonal * (m == n) for n in range(9)] for m in range(9)]
    head = f"date = 2026-05-01\nruns = 2\ncapacity_ah = {capacity_ah}\ncapacity_sd_ah = 0.5\nresistance_mohm = {mohm}\n"
    return f"c20_ah = 9.0\n[fitted]\n{head}error_volts = 0.01\nmean = {[1.1] * 9}\ncovariance = {rows}\n"


def test_a_fit_that_cannot_belong_to_the_profile_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "b.toml"
    file.write_text(_fitted(9.9, 0.01))
    assert load_profile(file).fitted is not None
    for text, said in (
        (_fitted(9.9, 0.01).replace("c20_ah = 9.0", "c20_ah = 90.0"), r"c20_ah: is 90; \[fitted\] was made with 9"),
        (_fitted(9.9, -0.01), "fitted.covariance: is no covariance"),
        (_fitted(9.9, 0.01, mohm=0.0), "resistance_mohm"),
        ("c20_ah = 9.0\nin_service = 1800-01-01\n", "in_service: 1800-01-01 is in the future or over 40 years ago"),
    ):
        file.write_text(text)
        with pytest.raises(BadInput, match=said):
            load_profile(file)
