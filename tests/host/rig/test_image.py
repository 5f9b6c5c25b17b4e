"""What is staged is what a real board holds, from a checkout and from an installed package alike."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from groundbox.errors import BadInput
from groundbox.rig import image
from groundbox.rig.bench import provision

_ROOT = Path(__file__).parents[3]


def test_every_firmware_file_and_the_common_code_go_on_the_board(tmp_path: Path) -> None:
    image.stage(tmp_path)
    slot = tmp_path / "a"
    staged = {path.relative_to(slot).as_posix() for path in slot.rglob("*.py")}
    firmware = {path.relative_to(_ROOT / "firmware").as_posix() for path in (_ROOT / "firmware").rglob("*.py")}
    assert firmware - {"manifest.py", "main.py"} <= staged
    assert {"groundbox/wire/messages.py", "groundbox/wire/line.py", "groundbox/wire/settings.py"} <= staged
    assert all(not path.startswith("groundbox/") or path.startswith("groundbox/wire/") for path in staged)
    assert (tmp_path / "main.py").read_bytes() == (_ROOT / "firmware" / "main.py").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a", "main.py"]


def test_what_is_staged_goes_where_the_board_runs(tmp_path: Path) -> None:
    (tmp_path / "choice").write_text("b!a")
    image.stage(tmp_path)
    assert (tmp_path / "b" / "startup" / "begin.py").is_file()
    assert not (tmp_path / "a").exists()


def test_staging_again_keeps_what_the_board_wrote(tmp_path: Path) -> None:
    image.stage(tmp_path)
    (tmp_path / "state.a").write_text("what the board wrote")
    (tmp_path / "main.py").write_text("an older version")
    image.stage(tmp_path)
    assert (tmp_path / "state.a").read_text() == "what the board wrote"
    assert "older" not in (tmp_path / "main.py").read_text()


def test_a_listed_file_that_is_missing_is_named(tmp_path: Path) -> None:
    (tmp_path / "manifest.py").write_text('FILES = (("wire/absent.py", "absent.py"),)\nSELECTOR = "main.py"\n')
    with pytest.raises(BadInput, match=r"wire/absent\.py: is listed but not there"):
        image.stage(tmp_path / "flash", tmp_path)


def test_settings_a_board_would_refuse_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="mast: board_settings: sample_hz is 5; wants 10 to 2000"):
        provision(tmp_path, "mast", {"sample_hz": 5})


def test_the_wheel_carries_a_whole_board(tmp_path: Path) -> None:
    """Built, unpacked and run from there: a reading comes out, by the wheel's own files."""
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=_ROOT,
        check=True,
        capture_output=True,
    )
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        names = {name.removeprefix("groundbox/firmware_mpy6/") for name in packed.namelist() if "_mpy6/" in name}
        assert packed.read("groundbox/firmware_mpy6/core/control.mpy")[:2] == b"M\x06"
    assert names == {name.removesuffix(".py") + ".mpy" for name in image.files(image.firmware_folder())}
    zipfile.ZipFile(wheel).extractall(tmp_path / "site")
    program = (
        "import sys, pathlib\n"
        "from groundbox.rig import bench, demo_boxes, image\n"
        "print(image.firmware_folder())\n"
        "with bench.Bench(demo_boxes.TABLE, pathlib.Path(sys.argv[1]), interpreter='cpython') as board:\n"
        "    print([name for name, _ in board.run_for(3)])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", program, str(tmp_path / "box")],
        cwd=tmp_path,
        env=dict(os.environ, PYTHONPATH=str(tmp_path / "site")),
        check=True,
        capture_output=True,
        text=True,
    )
    folder, names = done.stdout.splitlines()
    assert folder == str(tmp_path / "site" / "groundbox" / "firmware")
    assert "'hello'" in names
    assert "'reading'" in names
