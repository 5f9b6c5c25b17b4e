"""groundbox.toml: boxes, loads, batteries, flights, ports, brokers. Every key is checked; each error is one line."""

from pathlib import Path
from typing import Annotated, Literal

import msgspec
import platformdirs
from msgspec import Meta

from groundbox.battery.limits import cutoff_mismatch
from groundbox.battery.profile import load_profile
from groundbox.errors import BadInput
from groundbox.plan.day_keys import LoadSpec
from groundbox.toml_file import read_toml

FILE_NAME = "groundbox.toml"
DATABASE_NAME = "groundbox.db"

Word = Annotated[str, Meta(pattern=r"^[!-z]{1,16}$", description="a word of 1 to 16 plain characters without spaces")]


class LoadSettings(LoadSpec, frozen=True, kw_only=True):
    """One consumer in a box."""

    output: Annotated[Literal[1, 2] | None, Meta(description="the board's output that switches it, 1 or 2")] = None


class BoxSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One box, by the name that its board sends."""

    cutoff_volts: Annotated[float, Meta(ge=4, le=60, description="volts at the equipment below which it stops")]
    battery: Annotated[
        str | None, Meta(description="name of the battery that is in it at the start, one of [batteries]")
    ] = None
    lead_ohm: Annotated[
        float, Meta(ge=0, le=2, description="ohms of leads, fuse and connectors from battery to equipment")
    ] = 0.0
    reserve_min: Annotated[float, Meta(ge=0, le=600, description="minutes of runtime that must remain at landing")] = (
        15.0
    )
    case: Annotated[str | None, Meta(description="file of its fitted case, made by `groundbox case fit`")] = None
    loads: list[LoadSettings] = []


class BatterySettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One battery. Batteries in parallel count as one: its profile has the sum of their Ah."""

    profile: Annotated[str, Meta(min_length=1, description="file of its profile, made by `groundbox battery new`")]


class FlightSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The expected length of a flight, where the day file has none."""

    length_min: Annotated[float, Meta(ge=1, le=1440, description="minutes from launch to landing")] | None = None
    time_home_min: Annotated[float, Meta(ge=0, le=600, description="minutes from turn-back to landing")] | None = None
    day: Annotated[str | None, Meta(description="day file of `groundbox plan`: its flights give the expected load")] = (
        None
    )


class BrokerSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An MQTT broker that boards report to."""

    host: Annotated[str, Meta(min_length=1, description="host name or address of the broker")]
    port: Annotated[int, Meta(ge=1, le=65535, description="its TCP port")] = 1883
    username: Annotated[str | None, Meta(description="user name at the broker")] = None
    password_file: Annotated[str | None, Meta(description="file whose first line is the password")] = None
    ca_file: Annotated[str | None, Meta(description="PEM file of the authority to trust; switches TLS on")] = None
    warnings: Annotated[bool, Meta(description="true or false: publish the warnings there for other programs")] = False


class OwnBrokerSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A broker inside `groundbox log`, for a computer without an installed broker."""

    listen: Annotated[str, Meta(min_length=1, description="address it listens on; 0.0.0.0 for every network")] = (
        "127.0.0.1"
    )
    port: Annotated[int, Meta(ge=1, le=65535, description="its TCP port")] = 1883
    folder: Annotated[
        str | None, Meta(description="folder of `groundbox broker setup`: its passwords, and TLS by its certificate")
    ] = None


class WebhookSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An address that receives warnings by HTTP."""

    url: Annotated[
        str,
        Meta(pattern=r"^https?://[!-?A-~]+$", description="an http:// or https:// address without a password in it"),
    ]
    token_file: Annotated[str | None, Meta(description="file whose first line is sent as a bearer token")] = None
    severity: Annotated[
        Literal["notice", "urgent", "stop"],
        Meta(description='lowest severity that is sent: "notice", "urgent" or "stop"'),
    ] = "urgent"


class SettingsFile(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The keys of groundbox.toml."""

    database: Annotated[
        str | None, Meta(description="path of the database file, or postgresql://USER@HOST/DATABASE")
    ] = None
    ports: Annotated[
        list[str] | None, Meta(description='list of serial ports or patterns, for example ["/dev/ttyACM*"]')
    ] = None
    sound: Annotated[
        Literal["auto", "bell", "off"],
        Meta(description='"auto" (bell, and speech or a sound where a program for it is installed), "bell" or "off"'),
    ] = "auto"
    keys: Annotated[str | None, Meta(description="folder of the boxes' command keys, for boxes on a network")] = None
    flight: FlightSettings = FlightSettings()
    boxes: dict[Word, BoxSettings] = {}
    batteries: dict[Word, BatterySettings] = {}
    groups: Annotated[
        dict[Word, list[Word]], Meta(description='boxes that fly together, for example pilot1 = ["mast", "table"]')
    ] = {}
    brokers: list[BrokerSettings] = []
    own_broker: OwnBrokerSettings | None = None
    webhooks: list[WebhookSettings] = []


class Settings(SettingsFile, frozen=True, kw_only=True):
    """All of groundbox.toml; without a file every key has a default, and each box that reports appears."""

    file: Path | None = None  # the file that was read

    @property
    def folder(self) -> Path:
        """Folder that paths in the file are relative to."""
        return self.file.parent if self.file else Path()

    @property
    def store(self) -> Path | str:
        """Where readings are kept: the database file, or the address of a PostgreSQL database."""
        return self.database if self.database is not None and is_address(self.database) else self.database_path

    @property
    def database_path(self) -> Path:
        """The database file: as set, else in the platform's folder for data of this user."""
        if self.database is not None and not is_address(self.database):
            return self.folder / Path(self.database).expanduser()
        return platformdirs.user_data_path("groundbox", appauthor=False) / DATABASE_NAME

    @property
    def keys_path(self) -> Path:
        """The folder of the boxes' command keys: as set, else beside this user's settings."""
        if self.keys is not None:
            return self.folder / Path(self.keys).expanduser()
        return platformdirs.user_config_path("groundbox", appauthor=False) / "keys"

    def case_path(self, box: str) -> Path | None:
        """The file of a box's fitted case; None where the settings name none."""
        entry = self.boxes.get(box)
        return None if entry is None or entry.case is None else self.folder / Path(entry.case).expanduser()

    @property
    def day_path(self) -> Path | None:
        """The day file; None where the settings name none."""
        return None if self.flight.day is None else self.folder / Path(self.flight.day).expanduser()

    def profile_path(self, battery: str) -> Path | None:
        """The profile file of a battery; None for a battery that the settings do not have."""
        entry = self.batteries.get(battery)
        return None if entry is None else self.folder / Path(entry.profile).expanduser()


def is_address(database: str) -> bool:
    """True for a database on a server, False for a file."""
    return database.startswith(("postgresql://", "postgres://"))


def find(folder: Path | None = None) -> Path | None:
    """The settings file: in `folder` (working directory), else in the platform's configuration folder, else None."""
    places = (folder or Path(), platformdirs.user_config_path("groundbox", appauthor=False))
    return next((place / FILE_NAME for place in places if (place / FILE_NAME).is_file()), None)


def load(path: Path | str | None) -> Settings:
    """The settings in `path`; the defaults for None.

    Raises:
        BadInput: file, key, and what to write instead, in one line.
    """
    if path is None:
        return Settings()
    settings = Settings(**msgspec.structs.asdict(read_toml(path, SettingsFile)), file=Path(path))
    _check_together(settings, path)
    return settings


def _check_together(settings: Settings, source: object) -> None:
    if settings.day_path is not None and not settings.day_path.is_file():
        raise BadInput(source, "flight.day", f"there is no file {settings.day_path}; see `groundbox plan --help`")
    for name, box in settings.boxes.items():
        place = f"boxes.{name}"
        if box.battery is not None and box.battery not in settings.batteries:
            known = ", ".join(settings.batteries) or "none yet"
            raise BadInput(
                source,
                f"{place}.battery",
                f'there is no battery "{box.battery}" (known: {known}); add [batteries.{box.battery}] with profile',
            )
        case = settings.case_path(name)
        if case is not None and not case.is_file():
            raise BadInput(source, f"{place}.case", f"there is no file {case}; see `groundbox case fit`")
        names: set[str] = set()
        for number, load in enumerate(box.loads, 1):
            if load.name in names:
                raise BadInput(
                    source, f"{place}.loads {number}, name", f'"{load.name}" is used twice; rename one of the loads'
                )
            names.add(load.name)
            if wrong := load.contradiction():
                raise BadInput(source, f"{place}.loads {number}", f'"{load.name}" {wrong}')
    for name in settings.batteries:
        path = settings.profile_path(name)
        if path is not None and not path.is_file():
            raise BadInput(source, f"batteries.{name}.profile", f"there is no file {path}; see `groundbox battery new`")
    for name, box in settings.boxes.items():
        if mismatch := _wrong_cutoff(settings, box):
            raise BadInput(source, f"boxes.{name}.cutoff_volts", mismatch)


def _wrong_cutoff(settings: Settings, box: BoxSettings) -> str | None:
    """Why the cutoff does not fit the battery, or None. An error in the profile is reported where it is used."""
    path = None if box.battery is None else settings.profile_path(box.battery)
    try:
        return None if path is None else cutoff_mismatch(box.cutoff_volts, load_profile(path).cells, box.battery or "")
    except BadInput:
        return None
