"""The one reader of files and of the environment: station, procedure and phrases, from TOML to checked values.

All mistakes of a file come in one `ConfigError`; each names the file, the line, the key and the remedy.
"""

import os
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, fields, replace
from importlib.resources import files
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from recorder import channels_fit, procedure_file, toml_text
from recorder.core.procedure import Procedure, menu_problems
from recorder.driver import DriverUnavailable
from recorder.errors import RecorderError
from recorder.misfits import MisfitError, Wrong, choice, refuse
from recorder.notices.outbox import PUBLISH
from recorder.notices.settings import MqttSettings
from recorder.practice import DATABASE, PRACTICE, is_practice
from recorder.probes.mqtt.settings import SHARED, MqttProbeSettings
from recorder.probes.probe import ProbeSettings
from recorder.probes.urls import from_table
from recorder.space import LEAST_MB
from recorder.tables import build
from recorder.voice import settings
from recorder.voice.language import phrases
from recorder.voice.language.menu import for_menu
from recorder.voice.language.own_words import with_own_words
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import PhraseError
from recorder.voice.settings import VoiceSettings

P = ParamSpec("P")
T = TypeVar("T")

MOST_CABINETS = 9

"""A level channel is recorded this often at least, so that one late reading is no stale one."""

LONGEST_LAG_S = 12.0
"""No needle for food is slower in a bath (common practice, no source)."""


MOST = 20
"""More problems of one file than this are only counted."""


class ConfigError(RecorderError):
    """Files of the configuration are wrong or missing; each line says where and what to do."""

    def __init__(self, *problems: str) -> None:
        self.problems = problems
        super().__init__("\n".join(problems))


@dataclass(frozen=True, slots=True)
class Settings:
    """One station, ready to be built."""

    station: str
    vats: tuple[int, ...]
    database: Path
    """The file itself, where a link was named: what belongs to it, SQLite's log too, lies beside that."""
    procedure: Procedure
    """Of the product that a batch is of where none is named."""
    phrases: Phrases
    """With the words of this station's products alone."""
    probes: tuple[ProbeSettings, ...]
    voice: VoiceSettings | None
    """None for a station that does not listen."""
    speaker: str | None
    """ALSA's name of the loudspeaker; None for a silent station."""
    mqtt: MqttSettings | None
    publish: str
    """What goes to the broker: one of `outbox.PUBLISH`."""
    device_key: Path | None = None
    """File of the key that signs anchors; None for a station that signs none."""
    lamp: Path | None = None
    """Folder of a light of the board, as under /sys/class/leds, that blinks when nothing is recorded; None for none."""
    least_free_mb: int = LEAST_MB
    """With less space on the disk of the records than this, the manager gets an alert."""
    needle_lag_s: float | None = None
    """The needle's lag, as `batch-recorder probe-check` prints it; None while it is not known."""
    products: tuple[Procedure, ...] = ()
    """The procedures of the station's further products."""
    cabinets: tuple[int, ...] = ()
    """The numbers of its hot-holding cabinets; () for one without a number."""

    def practice(self) -> "Settings":
        """Those of the same station for a trainee: a record of its own, and nothing goes to a broker."""
        database = self.database.with_name(DATABASE)
        return replace(self, station=f"{self.station}{PRACTICE}", database=database, mqtt=None, device_key=None)


@dataclass(frozen=True, slots=True)
class SpeakerTable:
    """[speaker]"""

    device: str = "default"


@dataclass(frozen=True, slots=True)
class StationFile:
    """What the station's file has, as it is written; each room reads its own tables."""

    station: str
    vats: tuple[int, ...] = (1,)
    cabinets: tuple[int, ...] = ()
    database: str = "records.db"
    procedure: str | None = None
    products: tuple[str, ...] = ()
    phrases: str | None = None
    probe: tuple[dict[str, Any], ...] = ()
    voice: dict[str, Any] | None = None
    speaker: SpeakerTable | None = None
    mqtt: dict[str, Any] | None = None
    device_key: str | None = None
    lamp: str | None = None
    least_free_mb: int = LEAST_MB
    needle_lag_s: float | None = None

    def __post_init__(self) -> None:
        refuse(self._wrong())

    def _wrong(self) -> Iterator[Wrong]:
        if not re.fullmatch(r"[a-z0-9][a-z0-9-]*", self.station):
            yield "station", f"is {self.station!r}; use small letters, digits and -, such as fry-line-1"
        elif is_practice(self.station):
            yield (
                "station",
                f"is {self.station!r}; names that end in {PRACTICE} are run --practice's own; change it",
            )
        if not self.vats or any(vat < 1 for vat in self.vats) or len(set(self.vats)) != len(self.vats):
            yield "vats", f"is {list(self.vats)!r}; write each vat's number once, such as [1, 2]"
        if any(not 1 <= each <= MOST_CABINETS for each in self.cabinets) or len({*self.cabinets}) != len(self.cabinets):
            yield "cabinets", f"is {list(self.cabinets)!r}; write each one's number once, 1 to {MOST_CABINETS}"
        if self.least_free_mb < 0:
            yield "least_free_mb", f"is {self.least_free_mb}; write megabytes, such as {LEAST_MB}"
        if self.needle_lag_s is not None and not 0 < self.needle_lag_s <= LONGEST_LAG_S:
            most = f"at most {LONGEST_LAG_S:g}"
            yield "needle_lag_s", f"is {self.needle_lag_s:g}; write the seconds that probe-check prints, {most}"


@dataclass(frozen=True, slots=True)
class MqttTable(MqttSettings):
    """[mqtt]: the broker, and what goes there."""

    publish: str = "alerts"

    def _wrong(self) -> Iterator[Wrong]:
        yield from MqttSettings._wrong(self)
        if self.publish not in PUBLISH:
            yield "publish", choice(self.publish, PUBLISH)

    def settings(self) -> MqttSettings:
        """Those of the broker alone."""
        return MqttSettings(**{each.name: getattr(self, each.name) for each in fields(MqttSettings)})


class _File:
    """One file of TOML, and what is wrong with it so far."""

    def __init__(self, where: str, text: str, top: Iterable[str] = ()) -> None:
        """`top`: the keys that stand above all tables. Raises `ConfigError` where the text is not TOML."""
        self._where, self._text, self._top = where, text, frozenset(top)
        self._found: list[tuple[int, str]] = []
        self._elsewhere: list[str] = []
        try:
            self.table = toml_text.parse(text)
        except ValueError as error:
            raise ConfigError(f"{where}{error}") from error

    def tried(self, at: toml_text.Place, make: Callable[P, T], *args: P.args, **more: P.kwargs) -> T | None:
        """What `make` makes of what stands at `at`; None where that is wrong."""
        try:
            return make(*args, **more)
        except _Unreadable as error:
            self.refused(MisfitError(f": {error}", *at))
        except ConfigError as error:
            self._elsewhere += error.problems
        except MisfitError as error:
            self.refused(*error.within(*at))
        except (ValueError, DriverUnavailable, PhraseError) as error:
            self.refused(MisfitError(f": {error}", *at))
        return None

    def refused(self, *found: MisfitError) -> None:
        """Remember what is wrong."""
        for each in found:
            if "not known here; remove" in each.problem and len(each.path) > 1 and each.path[-1] in self._top:
                each = MisfitError("stands below a table; move it above the first line with [ ]", *each.path)
            text = str(each).replace("; it must be ", "; write ")
            line = toml_text.line_of(self._text, each.path) if len(self._found) < MOST else None
            self._found.append((line or 0, f"{self._where}{f', line {line}' if line else ''}: {text}"))

    def end(self) -> None:
        """Raise `ConfigError` if anything was wrong."""
        shown = [text for _, text in sorted(self._found[:MOST], key=lambda each: each[0])]
        if (more := len(self._found) - MOST) > 0:
            shown.append(f"{self._where}: {more} more problems; correct those above first")
        if problems := [*shown, *self._elsewhere]:
            raise ConfigError(*problems)


def load(path: Path) -> Settings:
    """The settings in the station file at `path`; raises `ConfigError`."""
    text, folder = _text(path, "name the station's file, such as station.toml"), path.parent
    read = _File(str(path), text, (each.name for each in fields(StationFile)))
    table = read.table
    file = read.tried((), build, StationFile, table)
    mqtt = _mqtt(read, table.get("mqtt"), table.get("station"), folder)
    voice = read.tried(("voice",), settings.from_dict, table["voice"]) if isinstance(table.get("voice"), dict) else None
    voice = voice.at(folder) if voice else None
    written = table.get("probe")
    entries = [each for each in written if isinstance(each, dict)] if isinstance(written, list) else []
    probes = [
        read.tried(("probe", place), _probe, dict(entry), folder, table.get("mqtt"))
        for place, entry in enumerate(entries)
    ]
    procedure = read.tried(("procedure",), load_procedure, _beside(folder, table.get("procedure")))
    said = read.tried(("phrases",), load_phrases, _beside(folder, table.get("phrases")))
    if file:
        read.refused(*channels_fit.misfits(entries, probes, file.vats, file.cabinets))
    products = _products(read, procedure, table.get("products"), folder)
    menu = (procedure, *products) if procedure else ()
    cabinets = file.cabinets if file else ()
    known = read.tried(("phrases",), _fitted, said, menu, cabinets) if said and menu else None
    unsaid = [part.name for each in menu for part in each.parts if part.name not in known.parts] if known else []
    if unsaid:
        shown = ", ".join(map(repr, dict.fromkeys(unsaid)))
        remedy = "add it under [slots.part.words], or as the part's spoken"
        read.refused(MisfitError(f": no phrase says the part {shown}; {remedy}", "phrases"))
    read.end()
    assert file and procedure and known
    return Settings(
        station=file.station,
        vats=file.vats,
        database=Path(os.path.realpath(folder / file.database)),
        procedure=procedure,
        phrases=known,
        probes=tuple(probe for probe in probes if probe),
        voice=voice,
        speaker=file.speaker.device if file.speaker else None,
        mqtt=mqtt.settings() if mqtt else None,
        publish=mqtt.publish if mqtt else "alerts",
        device_key=folder / file.device_key if file.device_key is not None else None,
        lamp=folder / file.lamp if file.lamp is not None else None,
        least_free_mb=file.least_free_mb,
        needle_lag_s=file.needle_lag_s,
        products=products,
        cabinets=file.cabinets,
    )


def _products(read: _File, procedure: Procedure | None, named: Any, folder: Path) -> tuple[Procedure, ...]:
    """The procedures of the further products, in the files that `products` names."""
    names = [each for each in named if isinstance(each, str)] if isinstance(named, list) else []
    found = [read.tried(("products", place), load_procedure, folder / name) for place, name in enumerate(names)]
    products = tuple(each for each in found if each)
    if procedure and len(products) == len(names):
        read.refused(
            *(MisfitError(f": {names[at]}: {text}", "products", at) for at, text in menu_problems(procedure, products))
        )
    return products


def _fitted(said: Phrases, menu: tuple[Procedure, ...], cabinets: tuple[int, ...]) -> Phrases:
    """What can be said in a kitchen with these products and cabinets; raises `PhraseError`."""
    prompts = tuple(prompt for each in menu for prompt in each.own.prompts)
    return with_own_words(for_menu(said, menu, cabinets), replace(menu[0].own, prompts=prompts))


def load_phrases(path: Path | None) -> Phrases:
    """The phrase file at `path`, or the shipped English one; raises `ConfigError`."""
    text = _text(path) if path else files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8")
    where = str(path or "phrases-en.toml")
    try:
        return phrases.from_dict(_File(where, text).table)
    except PhraseError as error:
        raise ConfigError(f"{where}: {error}") from error


def load_procedure(path: Path | None) -> Procedure:
    """The procedure file at `path`, or the shipped example; raises `ConfigError`."""
    text = _text(path) if path else files("recorder").joinpath("share/procedure.toml").read_text("utf-8")
    read = _File(str(path or "procedure.toml"), text, (each.name for each in fields(procedure_file.ProcedureFile)))
    procedure = read.tried((), procedure_file.read, read.table)
    read.end()
    assert procedure
    return procedure


def _beside(folder: Path, name: Any) -> Path | None:
    """The file of that name; None where none is named, or by no text."""
    return folder / name if isinstance(name, str) and name else None


def _probe(entry: dict[str, Any], folder: Path, broker: Any) -> ProbeSettings:
    """`broker`: [mqtt], of which a probe over MQTT without a host of its own takes how the broker is reached."""
    if isinstance(entry.get("file"), str):
        entry["file"] = str(folder / entry["file"])
    if entry.get("driver") == "mqtt" and not entry.get("host"):
        if not isinstance(broker, dict):
            raise MisfitError("is missing, and there is no [mqtt]; write host", "host")
        refuse((key, "does nothing without host; write that too") for key in SHARED if key in entry)
        entry |= {"host": MqttSettings("").host, **{key: broker[key] for key in SHARED if key in broker}}
    made = from_table(entry)
    return made.at(folder) if isinstance(made, MqttProbeSettings) else made


def _mqtt(read: _File, table: Any, station: Any, folder: Path) -> MqttTable | None:
    if not isinstance(table, dict):
        return None
    table = {"station": station if isinstance(station, str) else "", **table}
    for key in ("ca_file", "cert_file", "key_file", "password_file"):
        if isinstance(table.get(key), str) and not (folder / table[key]).is_file():
            remedy = f"{folder / table[key]} is not a file; correct the path, or make that file"
            read.refused(MisfitError(f"is {table[key]!r}; {remedy}", "mqtt", key))
        if isinstance(table.get(key), str):
            table[key] = folder / table[key]
    return read.tried(("mqtt",), build, MqttTable, table)


class _Unreadable(ConfigError):
    """A file can't be read at all."""


def _text(path: Path, remedy: str = "correct the path") -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, ValueError) as error:
        raise _Unreadable(f"{path} can't be read: {_why(path, error)}; {remedy}") from error


def _why(path: Path, error: Exception) -> str:
    match error:
        case FileNotFoundError():
            return "there is no such file"
        case IsADirectoryError():
            return "it is a folder"
        case UnicodeDecodeError():
            with path.open("rb") as file:
                return "it is a database" if file.read(15) == b"SQLite format 3" else "it is no text in UTF-8"
    return getattr(error, "strerror", None) or str(error)
