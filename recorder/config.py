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
from typing import Any, TypeVar

from recorder.core import meanings as m
from recorder.core.limits import Limit
from recorder.core.procedure import BY_READING, BY_TEMPERATURE, Part, Procedure
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
from recorder.tables import build, in_words
from recorder.voice import settings
from recorder.voice.language import phrases
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import PhraseError
from recorder.voice.settings import VoiceSettings

T = TypeVar("T")

WAITS = {"raw": "raw_wait_ms", "open": "open_wait_ms", "returned": "returned_wait_ms"}
"""Keys of a procedure's [longest_wait] -> the fields that they fill."""

LONGEST_PERIOD_S = FRESH_MS / 1000 / 2
"""A level channel is recorded this often at least, so that one late reading is no stale one."""


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

    def practice(self) -> "Settings":
        """Those of the same station for a trainee: a record of its own, and nothing goes to a broker."""
        database = self.database.with_name(DATABASE)
        return replace(self, station=f"{self.station}{PRACTICE}", database=database, mqtt=None, device_key=None)


def load(path: Path) -> Settings:
    """The settings in the station file at `path`; raises `ConfigError`."""
    table = _read(path)
    where = str(path)
    station = _take(table, "station", str, where)
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]*", station):
        raise ConfigError(f"{where}: station is {station!r}; use small letters, digits and -")
    if is_practice(station):
        raise ConfigError(f"{where}: station is {station!r}; names that end in {PRACTICE} are those of run --practice")
    vats = _take(table, "vats", list, where, [1])
    if not vats or any(type(vat) is not int or vat < 1 for vat in vats) or len(set(vats)) != len(vats):
        raise ConfigError(f"{where}: vats is {vats!r}; write each vat's number once, such as [1, 2]")
    database = Path(os.path.realpath(path.parent / _take(table, "database", str, where, "records.db")))
    procedure_name = _take(table, "procedure", str, where, None)
    phrases_name = _take(table, "phrases", str, where, None)
    mqtt = _take(table, "mqtt", dict, where, None)
    publish = _take(mqtt, "publish", str, f"{where} [mqtt]", "alerts") if mqtt else "alerts"
    if publish not in PUBLISH:
        raise ConfigError(f"{where} [mqtt]: publish is {publish!r}; write one of {', '.join(PUBLISH)}")
    speaker = _take(table, "speaker", dict, where, None)
    device_key = _take(table, "device_key", str, where, None)
    lamp = _take(table, "lamp", str, where, None)
    least_free_mb = _take(table, "least_free_mb", int, where, LEAST_MB)
    if least_free_mb < 0:
        raise ConfigError(f"{where}: least_free_mb is {least_free_mb}; write megabytes, such as {LEAST_MB}")
    entries = _tables(table, "probe", where, [])
    broker = dict(mqtt) if mqtt is not None else None
    all_named = [_as_written(entry) for entry in entries]
    loaded = Settings(
        station=station,
        vats=tuple(vats),
        database=database,
        procedure=load_procedure(path.parent / procedure_name if procedure_name else None),
        phrases=load_phrases(path.parent / phrases_name if phrases_name else None),
        probes=tuple(_probe(entry, path.parent, f"{where} [[probe]]", broker) for entry in entries),
        voice=_voice(_take(table, "voice", dict, where, None), where),
        speaker=_take(speaker, "device", str, f"{where} [speaker]", "default") if speaker is not None else None,
        mqtt=_mqtt(mqtt, station, path.parent, f"{where} [mqtt]") if mqtt is not None else None,
        publish=publish,
        device_key=path.parent / device_key if device_key is not None else None,
        lamp=path.parent / lamp if lamp is not None else None,
        least_free_mb=least_free_mb,
    )
    _channels_fit(loaded, all_named, where)
    _none_left(table, where)
    _none_left(speaker or {}, f"{where} [speaker]")
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
    table = _parse(text, where)
    cook, hold, oil = (_take(table, key, dict, where) for key in ("cook", "hold", "oil"))
    probe = _take(table, "probe_check", dict, where, {})
    wait = _take(table, "longest_wait", dict, where, {})
    unit = _take(table, "unit", str, where)

    def limit(table: dict[str, Any], key: str, place: str) -> Limit:
        return Limit(_finite(_take(table, key, (int, float), place), key, place), unit)

    def part(entry: dict[str, Any]) -> Part:
        place = f"{where} [[part]]"
        if not isinstance(entry, dict):
            raise ConfigError(f"{place}: part is {entry!r}; write it as a table, [[part]] and its lines under it")
        made = Part(_take(entry, "name", str, place), limit(entry, "target", place), limit(entry, "critical", place))
        _none_left(entry, place)
        return made

    procedure = Procedure(
        product=_take(table, "product", str, where),
        unit=unit,
        parts=tuple(part(entry) for entry in _tables(table, "part", where, _MISSING)),
        pieces_per_load=_take(table, "pieces_per_load", int, where),
        shortest_cook_ms=_length(cook, "shortest", f"{where} [cook]"),
        planned_cook_ms=_length(cook, "planned", f"{where} [cook]"),
        longest_cook_ms=_length(cook, "longest", f"{where} [cook]"),
        checks_per_batch=_take(table, "checks_per_batch", int, where),
        settle_window_ms=_length(table, "settle_window", where),
        hold_limit_ms=_length(hold, "limit", f"{where} [hold]"),
        hold_warning_ms=_length(hold, "warning", f"{where} [hold]"),
        hold_repeat_ms=_length(hold, "repeat", f"{where} [hold]"),
        hold_minimum=limit(hold, "minimum", f"{where} [hold]"),
        oil_low=limit(oil, "low", f"{where} [oil]"),
        oil_high=limit(oil, "high", f"{where} [oil]"),
        spoken_readings_prove=_take(table, "spoken_readings_prove", bool, where, False),
        ask_first=tuple(_take(table, "ask_first", list, where, [m.DISCARD])),
        probe_check_every_ms=_length(probe, "every", f"{where} [probe_check]") if "every" in probe else None,
        altitude_m=_number(probe, "altitude_m", f"{where} [probe_check]"),
        polar_limit=_number(oil, "polar_limit", f"{where} [oil]"),
        hold_by=_take(hold, "by", str, f"{where} [hold]", BY_TEMPERATURE),
        less_safe_because=_take(table, "less_safe_because", str, where, ""),
        dwell_advice=_take(table, "dwell_advice", str, where, ""),
        critical_by=_take(table, "critical_by", str, where, BY_READING),
        **_lengths(cook, {"more": "more_cook_ms"}, f"{where} [cook]"),
        **_lengths(wait, WAITS, f"{where} [longest_wait]"),
    )
    tables = {"cook": cook, "hold": hold, "oil": oil, "probe_check": probe, "longest_wait": wait}
    for rest, place in ((table, where), *((rest, f"{where} [{name}]") for name, rest in tables.items())):
        _none_left(rest, place)
    if problems := procedure.problems() or procedure.dangers():
        raise ConfigError(f"{where}: {'; '.join(problems)}")
    return procedure


def _probe(entry: dict[str, Any], folder: Path, where: str, broker: dict[str, Any] | None) -> ProbeSettings:
    """`broker`: [mqtt], of which a probe over MQTT without a host of its own takes how the broker is reached."""
    if not isinstance(entry, dict):
        raise ConfigError(f"{where}: probe is {entry!r}; write it as a table, [[probe]] and its lines under it")
    if "file" in entry:
        entry["file"] = str(folder / _take(entry, "file", str, where))
    if entry.get("driver") == "mqtt" and not entry.get("host"):
        if broker is None:
            raise ConfigError(f"{where} mqtt {entry.get('topic')}: host is missing, and there is no [mqtt]; write host")
        if own := [key for key in SHARED if key in entry]:
            raise ConfigError(f"{where} mqtt {entry.get('topic')}: {own[0]} does nothing without host; write it too")
        entry |= {"host": MqttSettings("").host, **{key: broker[key] for key in SHARED if key in broker}}
    try:
        made = from_table(entry)
    except (ValueError, DriverUnavailable) as error:
        raise ConfigError(f"{where}: {error}") from error
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


def _voice(table: dict[str, Any] | None, where: str) -> VoiceSettings | None:
    try:
        return None if table is None else settings.from_dict(table)
    except ValueError as error:
        raise ConfigError(f"{where}: {error}") from error


def _mqtt(table: dict[str, Any], station: str, folder: Path, where: str) -> MqttSettings:
    for key in ("ca_file", "cert_file", "key_file", "password_file"):
        if key in table:
            table[key] = folder / _take(table, key, str, where)
            if not table[key].is_file():
                raise ConfigError(f"{where}: {key} {table[key]} is not a file")
    return _build(MqttSettings, {"station": station, **table}, where)


def _build(kind: Callable[..., T], table: Mapping[str, Any], where: str) -> T:
    try:
        return build(kind, table)
    except ValueError as error:
        raise ConfigError(f"{where}: {error}") from error


def _tables(table: dict[str, Any], key: str, where: str, default: Any) -> list[Any]:
    """As `_take`, of an array of tables."""
    if isinstance(table.get(key), dict):
        raise ConfigError(f"{where}: [{key}] needs double brackets, [[{key}]], since there may be several")
    entries: list[Any] = _take(table, key, list, where, default)
    return entries


_MISSING = object()


def _take(table: dict[str, Any], key: str, kind: type | tuple[type, ...], where: str, default: Any = _MISSING) -> Any:
    """Take `key` out of `table`, checked; `default` where it is absent and may be."""
    value = table.pop(key, default)
    if value is _MISSING:
        raise ConfigError(f"{where}: {key} is missing")
    if value is not default and (not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool)):
        raise ConfigError(f"{where}: {key} is {value!r}; it must be {in_words(kind)}")
    return value


def _none_left(table: dict[str, Any], where: str) -> None:
    if table:
        raise ConfigError(f"{where} does not know {', '.join(table)}; correct the spelling, or remove it")


def _length(table: dict[str, Any], key: str, where: str) -> int:
    """A length of time such as "12 min", "45 s" or "1 h 30 min", in ms."""
    text = _take(table, key, str, where)
    if not re.fullmatch(r"(\d+(\.\d+)? ?(h|min|s) ?)+", text):
        raise ConfigError(f'{where}: {key} is {text!r}; write it like "12 min", "45 s" or "1 h 30 min"')
    unit_ms = {"h": 3_600_000, "min": 60_000, "s": 1000}
    found = re.findall(r"(\d+(?:\.\d+)?) ?(h|min|s)", text)
    return round(_finite(sum(float(number) * unit_ms[unit] for number, unit in found), key, where))


def _lengths(table: dict[str, Any], names: Mapping[str, str], where: str) -> dict[str, int]:
    """Those lengths of time that the table has, in ms, by the names that they get: key -> name."""
    return {name: _length(table, key, where) for key, name in names.items() if key in table}


def _number(table: dict[str, Any], key: str, where: str) -> float | None:
    value = _take(table, key, (int, float), where, None)
    return None if value is None else _finite(value, key, where)


def _finite(value: float, key: str, where: str) -> float:
    if not -1e12 < value < 1e12:
        raise ConfigError(f"{where}: {key} is out of range; write a number between -1e12 and 1e12")
    return float(value)


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
