"""The one reader of files and of the environment: station, procedure and phrases, from TOML to checked values.

Every mistake is a `ConfigError` that names the file, the key and the remedy.
"""

import os
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

from recorder import procedure_file
from recorder.core.procedure import Procedure
from recorder.core.world import FRESH_MS
from recorder.driver import DriverUnavailable
from recorder.errors import RecorderError
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
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import PhraseError
from recorder.voice.settings import VoiceSettings

P = ParamSpec("P")
T = TypeVar("T")

LONGEST_PERIOD_S = FRESH_MS / 1000 / 2
"""A level channel is recorded this often at least, so that one late reading is no stale one."""

LONGEST_LAG_S = 12.0
"""No needle for food is slower in a bath (common practice, no source)."""


class ConfigError(RecorderError):
    """A file of the configuration is wrong or missing; the text says where and what to do."""


@dataclass(frozen=True, slots=True)
class Settings:
    """One station, ready to be built."""

    station: str
    vats: tuple[int, ...]
    database: Path
    """The file itself, where a link was named: what belongs to it, SQLite's log too, lies beside that."""
    procedure: Procedure
    phrases: Phrases
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
    database: str = "records.db"
    procedure: str | None = None
    phrases: str | None = None
    probe: tuple[dict[str, Any], ...] = ()
    voice: dict[str, Any] | None = None
    speaker: SpeakerTable | None = None
    mqtt: dict[str, Any] | None = None
    device_key: str | None = None
    lamp: str | None = None
    least_free_mb: int = LEAST_MB
    needle_lag_s: float | None = None


def load(path: Path) -> Settings:
    """The settings in the station file at `path`; raises `ConfigError`."""
    where = str(path)
    table = _read(path)
    written = [_as_written(entry) for entry in table.get("probe", [])] if isinstance(table.get("probe"), list) else []
    file = _at(where, build, StationFile, table)
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]*", file.station):
        raise ConfigError(f"{where}: station is {file.station!r}; use small letters, digits and -")
    if is_practice(file.station):
        raise ConfigError(
            f"{where}: station is {file.station!r}; names that end in {PRACTICE} are run --practice's own"
        )
    vats = file.vats
    if not vats or any(vat < 1 for vat in vats) or len(set(vats)) != len(vats):
        raise ConfigError(f"{where}: vats is {list(vats)!r}; write each vat's number once, such as [1, 2]")
    if file.least_free_mb < 0:
        raise ConfigError(f"{where}: least_free_mb is {file.least_free_mb}; write megabytes, such as {LEAST_MB}")
    if file.needle_lag_s is not None and not 0 < file.needle_lag_s <= LONGEST_LAG_S:
        raise ConfigError(
            f"{where}: needle_lag_s is {file.needle_lag_s:g}; write the seconds that batch-recorder probe-check prints,"
            f" at most {LONGEST_LAG_S:g}"
        )
    mqtt = dict(file.mqtt) if file.mqtt is not None else None
    publish = mqtt.pop("publish", "alerts") if mqtt else "alerts"
    if publish not in PUBLISH:
        raise ConfigError(f"{where} [mqtt]: publish is {publish!r}; write one of {', '.join(PUBLISH)}")
    folder = path.parent
    procedure = load_procedure(folder / file.procedure if file.procedure else None)
    said = load_phrases(folder / file.phrases if file.phrases else None)
    loaded = Settings(
        station=file.station,
        vats=vats,
        database=Path(os.path.realpath(folder / file.database)),
        procedure=procedure,
        phrases=said.for_loads_of(procedure.pieces_per_load),
        probes=tuple(_probe(entry, folder, f"{where} [[probe]]", mqtt) for entry in file.probe),
        voice=_at(where, settings.from_dict, file.voice) if file.voice is not None else None,
        speaker=file.speaker.device if file.speaker else None,
        mqtt=_mqtt(mqtt, file.station, folder, f"{where} [mqtt]") if mqtt is not None else None,
        publish=publish,
        device_key=folder / file.device_key if file.device_key is not None else None,
        lamp=folder / file.lamp if file.lamp is not None else None,
        least_free_mb=file.least_free_mb,
        needle_lag_s=file.needle_lag_s,
    )
    _channels_fit(loaded, written, where)
    unsaid = [part.name for part in loaded.procedure.parts if part.name not in loaded.phrases.parts]
    if unsaid:
        raise ConfigError(f"{where}: no phrase says the part {unsaid[0]!r}; add it under [slots.part.words]")
    return loaded


def load_phrases(path: Path | None) -> Phrases:
    """The phrase file at `path`, or the shipped English one; raises `ConfigError`."""
    text = _text(path) if path else files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8")
    try:
        return phrases.load(text)
    except PhraseError as error:
        raise ConfigError(f"{path or 'phrases-en.toml'}: {error}") from error


def load_procedure(path: Path | None) -> Procedure:
    """The procedure file at `path`, or the shipped example; raises `ConfigError`."""
    where = str(path) if path else "procedure.toml"
    text = _text(path) if path else files("recorder").joinpath("share/procedure.toml").read_text("utf-8")
    return _at(where, procedure_file.read, _parse(text, where))


def _probe(entry: dict[str, Any], folder: Path, where: str, broker: dict[str, Any] | None) -> ProbeSettings:
    """`broker`: [mqtt], of which a probe over MQTT without a host of its own takes how the broker is reached."""
    if "file" in entry:
        entry["file"] = str(folder / _text_of(entry, "file", where))
    if entry.get("driver") == "mqtt" and not entry.get("host"):
        if broker is None:
            raise ConfigError(f"{where} mqtt {entry.get('topic')}: host is missing, and there is no [mqtt]; write host")
        if own := [key for key in SHARED if key in entry]:
            raise ConfigError(f"{where} mqtt {entry.get('topic')}: {own[0]} does nothing without host; write it too")
        entry |= {"host": MqttSettings("").host, **{key: broker[key] for key in SHARED if key in broker}}
    made = _at(where, from_table, entry)
    return made.at(folder) if isinstance(made, MqttProbeSettings) else made


def _as_written(entry: Any) -> list[Any]:
    """The channels in an entry of [[probe]], as they stand there; it is checked elsewhere."""
    if not isinstance(entry, dict):
        return []
    registers = entry.get("register")
    one_each = [each for each in registers if isinstance(each, dict)] if isinstance(registers, list) else []
    many = entry.get("channels")
    single = [each.get("channel") for each in (entry, *one_each) if "channel" in each]
    return [*(many if isinstance(many, list) else []), *single]


def _channels_fit(loaded: Settings, written: list[list[Any]], where: str) -> None:
    """Each channel once, of a vat that there is, and read often enough; raises `ConfigError`."""
    vats = ", ".join(map(str, loaded.vats))
    owners: dict[str, str] = {}
    for probe, channels in zip(loaded.probes, written, strict=True):
        place = f"{where} [[probe]] {probe.title()}"
        if not probe.names() and len(loaded.probes) > 1:
            raise ConfigError(f'{place}: with several probes each names its channels, such as channels = ["needle"]')
        if "vat" in channels and len(loaded.vats) > 1:
            raise ConfigError(f'{place}: channel "vat" may be any of the vats {vats}; write which, such as "vat1"')
        for name in probe.names():
            if name in owners:
                raise ConfigError(
                    f"{place}: the channel {name} is also that of {owners[name]}; take it out of one of them"
                )
            owners[name] = probe.title()
            if name.startswith("vat") and int(name[3:]) not in loaded.vats:
                raise ConfigError(
                    f"{place}: the channel {name} is of no vat here (vats = [{vats}]); change one of them"
                )
        named = ", ".join(probe.names()) or "all its channels"
        for key in ("period_s", "poll_s", "interval_s"):
            if (seconds := getattr(probe, key, None) or 0) > LONGEST_PERIOD_S:
                raise ConfigError(
                    f"{place} ({named}): {key} is {seconds:g}; a reading counts as fresh for {FRESH_MS // 1000} s,"
                    f" so write {LONGEST_PERIOD_S:g} or less"
                )


def _mqtt(table: dict[str, Any], station: str, folder: Path, where: str) -> MqttSettings:
    for key in ("ca_file", "cert_file", "key_file", "password_file"):
        if key in table:
            table[key] = folder / _text_of(table, key, where)
            if not table[key].is_file():
                raise ConfigError(f"{where}: {key} {table[key]} is not a file")
    return _at(where, build, MqttSettings, {"station": station, **table})


def _at(where: str, make: Callable[P, T], *args: P.args, **more: P.kwargs) -> T:
    """What `make` makes; its errors name the place."""
    try:
        return make(*args, **more)
    except (ValueError, DriverUnavailable) as error:
        raise ConfigError(f"{where}: {error}") from error


def _text_of(table: Mapping[str, Any], key: str, where: str) -> str:
    if not isinstance(table[key], str):
        raise ConfigError(f"{where}: {key} is {table[key]!r}; it must be text in quotes")
    return str(table[key])


def _read(path: Path) -> dict[str, Any]:
    return _parse(_text(path), str(path))


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, ValueError) as error:
        raise ConfigError(f"{path} can't be read: {error}") from error


def _parse(text: str, where: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise ConfigError(f"{where} is not TOML: {error}") from error
