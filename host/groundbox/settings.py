"""groundbox.toml: boxes, their loads and batteries, flights, ports, brokers: every key checked, each error one line."""

import difflib
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import msgspec
import platformdirs
from msgspec import Meta

from groundbox.errors import BadInput
from groundbox.toml_file import read_tree

FILE_NAME = "groundbox.toml"
DATABASE_NAME = "groundbox.db"

Volts = Annotated[float, Meta(ge=4, le=60, description="volts, 4 to 60")]
Watts = Annotated[float, Meta(ge=0, le=2000, description="watts, 0 to 2000")]
Amps = Annotated[float, Meta(ge=0, le=200, description="amperes, 0 to 200")]
Word = Annotated[str, Meta(pattern=r"^[!-z]{1,16}$", description="a word of 1 to 16 plain characters without spaces")]


class Load(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One consumer in a box. Give `watts` or `amps`: the mean while it is on; `peak_...` is its heaviest moment."""

    name: Annotated[str, Meta(min_length=1, max_length=30, description="what the load is, 1 to 30 characters")]
    watts: Watts | None = None
    amps: Amps | None = None
    peak_watts: Watts | None = None
    peak_amps: Amps | None = None
    share: Annotated[float, Meta(ge=0, le=1, description="share of the time it is on, 0 to 1")] = 1.0
    essential: Annotated[bool, Meta(description="true or false: may never be switched off")] = False
    with_fans: Annotated[bool, Meta(description="true or false: runs only while the board drives the fans")] = False
    lowest_volts: Volts | None = None
    highest_volts: Volts | None = None
    output: Annotated[Literal[1, 2] | None, Meta(description="the board's output that switches it, 1 or 2")] = None

    def mean_amps(self, volts: float) -> float:
        """Amperes while it is on, at `volts`."""
        return self.amps if self.amps is not None else (self.watts or 0.0) / volts

    def heaviest_amps(self, volts: float) -> float:
        """Amperes at its heaviest moment, at `volts`; its mean where no peak is told."""
        if self.peak_amps is not None:
            return self.peak_amps
        return self.peak_watts / volts if self.peak_watts is not None else self.mean_amps(volts)


class Box(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One box, by the name its board gives."""

    cutoff_volts: Annotated[
        float, Meta(ge=4, le=60, description="volts at the equipment under which it stops working, 4 to 60")
    ]
    battery: Annotated[str | None, Meta(description="name of the battery in it at first, one of [batteries]")] = None
    lead_ohm: Annotated[
        float, Meta(ge=0, le=2, description="ohms of leads, fuse and connectors, battery to equipment, 0 to 2")
    ] = 0.0
    reserve_min: Annotated[
        float, Meta(ge=0, le=600, description="minutes of runtime that must be left at landing, 0 to 600")
    ] = 15.0
    loads: list[Load] = []


class Battery(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One battery; batteries wired in parallel count as one, with their papers' Ah added up."""

    papers: Annotated[str, Meta(min_length=1, description="its papers, a TOML file; see `groundbox battery new`")]


class Flight(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What a flight is expected to take, where the day file does not say."""

    length_min: (
        Annotated[float, Meta(ge=1, le=1440, description="minutes from launch to landing, 1 to 1440")] | None
    ) = None
    time_home_min: (
        Annotated[float, Meta(ge=0, le=600, description='minutes from "turn back" to landing, 0 to 600')] | None
    ) = None


class Broker(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An MQTT broker that boards report to."""

    host: Annotated[str, Meta(min_length=1, description="host name or address of the broker")]
    port: Annotated[int, Meta(ge=1, le=65535, description="its TCP port, 1 to 65535")] = 1883
    username: Annotated[str | None, Meta(description="user name at the broker")] = None
    password_file: Annotated[str | None, Meta(description="file whose first line is the password")] = None
    ca_file: Annotated[str | None, Meta(description="PEM file of the authority to trust; turns TLS on")] = None


class Settings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All of groundbox.toml; with no file at all everything has a default and boxes appear by themselves."""

    database: Annotated[str | None, Meta(description="path of the database file")] = None
    ports: Annotated[list[str] | None, Meta(description='list of serial ports or patterns, as ["/dev/ttyACM*"]')] = None
    sound: Annotated[
        Literal["auto", "bell", "off"],
        Meta(description='"auto" (bell, and speech or a sound where there is a program), "bell" or "off"'),
    ] = "auto"
    flight: Flight = Flight()
    boxes: dict[str, Box] = {}
    batteries: dict[str, Battery] = {}
    brokers: list[Broker] = []
    file: Path | None = None  # where it was read from; no key of the file

    @property
    def folder(self) -> Path:
        """Folder that paths in the file are relative to."""
        return self.file.parent if self.file else Path()

    @property
    def database_path(self) -> Path:
        """The database file: as set, else in the platform's folder for data of this user."""
        if self.database is not None:
            return self.folder / Path(self.database).expanduser()
        return platformdirs.user_data_path("groundbox", appauthor=False) / DATABASE_NAME

    def papers_path(self, battery: str) -> Path | None:
        """The papers file of a battery; None for a battery that the settings do not have."""
        entry = self.batteries.get(battery)
        return None if entry is None else self.folder / Path(entry.papers).expanduser()


def find(folder: Path | None = None) -> Path | None:
    """The settings file: in `folder` (working directory), else in the platform's configuration folder, else None."""
    places = (folder or Path(), platformdirs.user_config_path("groundbox", appauthor=False))
    return next((place / FILE_NAME for place in places if (place / FILE_NAME).is_file()), None)


def load(path: Path | str | None) -> Settings:
    """The settings in `path`; the defaults for None.

    Raises:
        BadInput: file, key and mend in one line.
    """
    if path is None:
        return Settings()
    raw = read_tree(path)
    _check(raw, Settings, path, "")
    settings = msgspec.structs.replace(msgspec.convert(raw, Settings), file=Path(path))
    _check_together(settings, path)
    return settings


def documented() -> list[tuple[str, str]]:
    """(key path, what it wants) of every key, in the file's order, for the README."""
    return _documented(Settings, "")


def _documented(kind: Any, place: str) -> list[tuple[str, str]]:
    rows = []
    for name, hint in _hints(kind).items():
        key = f"{place}.{name}" if place else name
        inner = _struct_in(hint)
        if inner is None:
            rows.append((key, _description(hint)))
        else:
            rows += _documented(
                inner, key + (".NAME" if get_origin(hint) is dict else "[]" if get_origin(hint) is list else "")
            )
    return rows


def _hints(kind: Any) -> dict[str, Any]:
    hints = get_type_hints(kind, include_extras=True)
    return {f.name: hints[f.name] for f in msgspec.structs.fields(kind) if f.name != "file"}


def _struct_in(hint: Any) -> Any:
    """The struct that a hint is, or is a list or a dict of; None for plain values."""
    for kind in (hint, *get_args(hint)):
        if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
            return kind
    return None


def _description(hint: Any) -> str:
    if get_origin(hint) in (Union, UnionType):
        return next((text for part in get_args(hint) if (text := _description(part))), "")
    metas = [meta for meta in getattr(hint, "__metadata__", ()) if isinstance(meta, Meta)]
    return metas[0].description or "" if metas else ""


def _check(raw: Any, hint: Any, source: object, place: str) -> None:
    """Walks the file beside the types, so that an error names the very key."""
    inner = _struct_in(hint)
    if inner is None:
        try:
            msgspec.convert(raw, hint)
        except msgspec.ValidationError as error:
            raise BadInput(source, place, f"{_shown(raw)} will not do; wants {_description(hint)}") from error
    elif inner is hint:
        _check_table(raw, inner, source, place)
    elif get_origin(hint) is dict:
        for name, entry in _wanted(raw, dict, source, place, f"[{place}.NAME] tables").items():
            _check(name, Word, source, f"{place}.{name}")
            _check_table(entry, inner, source, f"{place}.{name}")
    else:
        for number, entry in enumerate(_wanted(raw, list, source, place, f"[[{place}]] tables"), 1):
            _check_table(entry, inner, source, f"{place} {number}")


def _check_table(raw: Any, kind: Any, source: object, place: str) -> None:
    hints = _hints(kind)
    for key, value in _wanted(raw, dict, source, place, f"a table with {', '.join(hints)}").items():
        where = f"{place}.{key}" if place else key
        if key not in hints:
            raise BadInput(source, where, f"no such setting{_meant(key, hints)}")
        _check(value, hints[key], source, where)
    for field in msgspec.structs.fields(kind):
        if field.required and field.name not in raw:
            raise BadInput(source, f"{place}.{field.name}", f"is missing; wants {_description(hints[field.name])}")


def _wanted(raw: Any, kind: type, source: object, place: str, wants: str) -> Any:
    if not isinstance(raw, kind):
        raise BadInput(source, place, f"{_shown(raw)} will not do; wants {wants}")
    return raw


def _shown(raw: Any) -> str:
    text = f'"{raw}"' if isinstance(raw, str) else str(raw).lower() if isinstance(raw, bool) else str(raw)
    return text if len(text) <= 40 else text[:37] + "..."


def _meant(key: str, hints: dict[str, Any]) -> str:
    """What to write in place of a key that does not exist: the same quantity in our unit, else the nearest word."""
    stem = key.rsplit("_", 1)[0]
    same = [name for name in hints if name.rsplit("_", 1)[0] == stem]
    near = same or difflib.get_close_matches(key, hints, n=1, cutoff=0.6)
    if not near:
        return f"; there are {', '.join(hints)}"
    wants = _description(hints[near[0]])
    return f"; did you mean {near[0]}{f' ({wants})' if wants else ''}?"


def _check_together(settings: Settings, source: object) -> None:
    for name, box in settings.boxes.items():
        place = f"boxes.{name}"
        if box.battery is not None and box.battery not in settings.batteries:
            known = ", ".join(settings.batteries) or "none yet"
            raise BadInput(
                source,
                f"{place}.battery",
                f'no battery is called "{box.battery}" (there are: {known}); add [batteries.{box.battery}] with papers',
            )
        names: set[str] = set()
        for number, load in enumerate(box.loads, 1):
            if load.name in names:
                raise BadInput(source, f"{place}.loads {number}.name", f'"{load.name}" is there twice; rename one')
            names.add(load.name)
            _check_load(load, source, f"{place}.loads {number}")
    for name in settings.batteries:
        path = settings.papers_path(name)
        if path is not None and not path.is_file():
            raise BadInput(source, f"batteries.{name}.papers", f"there is no file {path}; see `groundbox battery new`")


def _check_load(load: Load, source: object, place: str) -> None:
    if (load.watts is None) == (load.amps is None):
        raise BadInput(source, place, f'"{load.name}" wants either watts or amps')
    if load.peak_watts is not None and load.peak_amps is not None:
        raise BadInput(source, place, f'"{load.name}" wants peak_watts or peak_amps, not both')
    if load.heaviest_amps(12.0) < load.mean_amps(12.0):
        raise BadInput(source, place, f'"{load.name}" has a peak below its mean; a peak is its heaviest moment')
    if load.lowest_volts and load.highest_volts and load.lowest_volts >= load.highest_volts:
        raise BadInput(source, place, f'"{load.name}" wants lowest_volts under highest_volts')
