"""The command `check`: everything that a configuration names is tried, and the problems are listed."""

import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from recorder.clock import SystemClock, wall_known
from recorder.commands import meter, prompt_remarks
from recorder.commands.procedure_remarks import remarks
from recorder.commands.shared import Config, both, terminal
from recorder.config import ConfigError, Settings, load
from recorder.core.events import NEEDLE, OFFSET, Event, ProbeLost, Reading
from recorder.core.subjects.hearing import TROUBLES
from recorder.driver import DriverLost, DriverUnavailable
from recorder.errors import RecorderError
from recorder.journal import seal
from recorder.journal.reader import Reader
from recorder.notices.connection import reach
from recorder.notices.settings import MqttSettings
from recorder.probes import needle
from recorder.probes.modbus.probe import ModbusSettings
from recorder.probes.mqtt.settings import MqttProbeSettings
from recorder.probes.probe import Probe, ProbeSettings
from recorder.probes.serial.port import SerialSettings
from recorder.space import free_bytes
from recorder.voice import ear
from recorder.voice.audio.sources import Folder, source
from recorder.voice.engines.pronunciation import pronouncer
from recorder.voice.footswitch import FootSwitch, KeySwitch
from recorder.voice.language.confusable import close_words, pairs
from recorder.voice.language.spoken_name import WORDS, weakness

app = typer.Typer()

HOW = {"open": "listening openly", "switch": "listening while the foot switch is held"}

KITCHEN_C = (0.0, 45.0)
"""What a needle in the air of a kitchen shows (common practice, no source)."""

LISTEN_S = 4.0
"""How long `check` waits for a probe or the broker."""

OPEN_S, SLOW_S, LOOK_S = 20.0, 12.0, 0.05
"""A probe may take so long to be there; after so long a channel that speaks once in five seconds has spoken twice, and
it is known whether a needle is measured often enough."""


@app.command()
def check(config: Config) -> None:
    """Try configuration, disk, clock, probes, microphone, model and broker, and list the problems."""
    if tried(config, terminal()):
        raise typer.Exit(1)


def tried(config: Path, console: Console) -> int:
    """Try all that `config` names, and list what is found; how many problems there are."""
    table = Table.grid(padding=(0, 2))
    table.add_column()
    table.add_column(overflow="fold", max_width=max(22, console.width // 3))
    table.add_column(overflow="fold")
    bad = 0
    for what, fault, found in _findings(config, console):
        bad += bool(fault)
        table.add_row(Text("fix", "red") if fault else Text("ok", "green"), what, meter.coloured(fault or found))
    console.print(table)
    console.print(f"{bad} problem{'s' * (bad != 1)} found." if bad else "No problems found.")
    return bad


Finding = tuple[str, str, str]
"""What was tried, what is wrong with it and how to fix it ("" if nothing is), and what was found."""


def _findings(config: Path, console: Console) -> Iterator[Finding]:
    try:
        settings = load(config)
    except ConfigError as error:
        for problem in error.problems:
            yield "configuration", problem, ""
        return
    yield (
        "configuration",
        "",
        f"{settings.station}, vat{'s' * (len(settings.vats) > 1)} {', '.join(map(str, settings.vats))}",
    )
    for procedure in (settings.procedure, *settings.products):
        yield "procedure", "", procedure.product
        for remark in (*remarks(procedure), *prompt_remarks.remarks(procedure.own)):
            yield "procedure", "", f"beware: {remark}"
    yield _tried("records", lambda: _disk(settings.database, settings.least_free_mb))
    known = wall_known()
    yield "clock", "", "set" if known else "not known to be set; times of day may be wrong until it is"
    for probe in settings.probes:
        yield _tried(f"probe {probe.title()}", partial(_probe, probe))
    if missing := needle.missing(settings.probes):
        yield "needle", "", _no_needle(settings, missing)
    elif not any(NEEDLE in probe.names() for probe in settings.probes):
        found = 'beware: no probe names its channels; if none is the "needle", no check reads a temperature by itself'
        yield "needle", "", found
    if settings.voice:
        yield _tried("microphone", lambda: _microphone(settings, console))
        if switch := ear.foot_switch(settings.voice):
            yield _tried(switch.name, lambda: _foot_switch(switch))
        yield _tried("model", lambda: _model(settings))
        yield from _name(settings)
        yield _tried("phrases", lambda: _phrases(settings))
    else:
        yield "microphone", "", 'none: commands are typed. To listen, write [voice] and below it device = "default"'
    if settings.speaker:
        player, voice = shutil.which("aplay"), shutil.which("espeak-ng")
        said = "tones and words" if voice else "tones; apt install espeak-ng for words"
        yield "speaker", "" if player else "aplay is missing; apt install alsa-utils", said
    if lamp := settings.lamp:
        yield _tried("lamp", lambda: _lamp(lamp))
    if key := settings.device_key:
        yield _tried("device key", lambda: seal.load(key).public)
    if settings.mqtt:
        yield _tried(f"broker {settings.mqtt.host}:{settings.mqtt.port}", lambda: _broker(settings))
    else:
        yield "broker", "", "none: alerts stay on this station. To send them, write [mqtt] and below it host"


class SelfTestFailed(RecorderError):
    """Something to fix, in words."""


def _tried(what: str, trial: Callable[[], str]) -> Finding:
    try:
        return what, "", trial()
    except (RecorderError, OSError) as error:
        return what, str(error).removeprefix(f"{what}: "), ""


def _disk(database: Path, least_mb: int) -> str:
    if database.exists():
        with Reader.open(database) as journal:
            newest = journal.newest()
        held = f"{newest.seq if newest else 0} entries"
    else:
        trial = database.parent / ".batch-recorder-trial"
        try:
            database.parent.mkdir(parents=True, exist_ok=True)
            trial.write_bytes(b"")
            trial.unlink()
        except OSError as error:
            remedy = "name another place as database, or make the folder this user's"
            raise SelfTestFailed(f"{database} can't be made: {error.strerror}; {remedy}") from error
        held = "no records yet"
    if (free_mb := free_bytes(database) // 1_000_000) < least_mb:
        raise SelfTestFailed(f"only {free_mb} MB free beside {database}, should be {least_mb}; make room")
    free = f"{free_mb} MB" if free_mb < 10_000 else f"{free_mb / 1000:.0f} GB"
    return f"{database}: {held}, {free} free, alert under {least_mb} MB"


def _lamp(folder: Path) -> str:
    for name in ("trigger", "brightness"):
        if not os.access(folder / name, os.W_OK):
            raise SelfTestFailed(f"{folder / name} is missing, or this user may not write it; see ls /sys/class/leds")
    return f"{folder}: blinks when nothing is recorded"


def _no_needle(settings: Settings, missing: str) -> str:
    proves = settings.procedure.spoken_readings_prove
    spoken = "spoken readings count" if proves else "spoken readings are kept and prove nothing (spoken_readings_prove)"
    return (
        f"beware: {missing}. Without it no check reads a temperature by itself, and neither the ice point nor the"
        f" boiling point can be checked; {spoken}"
    )


def _probe(settings: ProbeSettings) -> str:
    """Listen to it for a moment; every channel of the configuration must speak."""
    clock, got, stop = SystemClock(None), list[Event](), threading.Event()
    driver = Probe(settings, clock)
    threading.Thread(target=_patient, args=(driver, settings.names(), got, stop), daemon=True).start()
    try:
        driver.run(got.append, stop)
    finally:
        stop.set()
    read = {event.channel: event.temp_c for event in got if isinstance(event, Reading)}
    faults = {event.channel: event.reason for event in got if isinstance(event, ProbeLost)}
    if missing := [name for name in settings.names() if name not in read]:
        why = ", ".join(f"{name}: {faults.get(name, 'nothing came')}" for name in missing)
        reader = driver.reader
        counts = f"{reader.good} good messages, {reader.bad.total()} bad"
        raise SelfTestFailed(f"{why} ({counts}); look with: batch-recorder probe {settings.url()}")
    shown = ", ".join(f"{name} {both(temp_c)}" for name, temp_c in read.items())
    slow = driver.slow()
    return f"{shown}{_suspicion(settings, read)}{f'; beware: {slow}' if slow else ''}"


def _patient(driver: Probe, names: tuple[str, ...], got: list[Event], stop: threading.Event) -> None:
    """Stop the driver when every channel has had its time: that of the slowest allowed, where one has said nothing."""
    end_s = time.monotonic() + OPEN_S
    while not driver.listening.is_set() and time.monotonic() < end_s and not stop.wait(LOOK_S):
        pass
    end_s = time.monotonic() + LISTEN_S
    while time.monotonic() < end_s and not stop.wait(LOOK_S):
        pass
    end_s = time.monotonic() + SLOW_S - LISTEN_S
    while not driver.paced() or set(names) - {event.channel for event in list(got) if isinstance(event, Reading)}:
        if time.monotonic() > end_s or stop.wait(LOOK_S):
            break
    stop.set()


def _suspicion(settings: ProbeSettings, read: dict[str, float]) -> str:
    """What is odd about a needle that should lie in a kitchen's air."""
    temp_c = read.get(NEEDLE)
    if temp_c is None or KITCHEN_C[0] <= temp_c <= KITCHEN_C[1]:
        return ""
    low, high = (both(each, 0) for each in KITCHEN_C)
    return (
        f"; beware: in a kitchen a needle at rest shows from {low} to {high}. If it lies in the air, the unit is the"
        f" likely cause ({_unit(settings)}), or the scale"
    )


def _unit(settings: ProbeSettings) -> str:
    """Where a probe's unit comes from."""
    match settings:
        case SerialSettings(form="plain", unit=unit):
            return f"unit = {unit!r} in the configuration"
        case ModbusSettings(register=registers):
            register = next(each for each in registers if each.channel == NEEDLE)
            return f"unit = {register.unit!r} and scale = {register.scale:g} in the configuration"
        case MqttProbeSettings(unit=unit):
            return f"unit = {unit!r} in the configuration"
        case _:
            return "the device says it with each value"


def _microphone(settings: Settings, console: Console) -> str:
    """Listen for a moment; sound in trouble is a fault, with its level beside it."""
    assert settings.voice
    device, there = settings.voice.device, source(settings.voice.device)
    if isinstance(there, Folder):
        count = len(there.files())
        remedy = "put sound files with commands into it, or name a microphone as device in [voice]"
        if not count:
            raise SelfTestFailed(f"{device}: no WAV file is in it; {remedy}")
        return f"{device}: {count} WAV file{'s' * (count != 1)} to hear, each once; no microphone"
    try:
        sound = meter.listen(there, console)
    except DriverLost as error:
        remedy = "arecord -l lists what there is; write one of them as device in [voice]"
        raise SelfTestFailed(f"{device}: {error}; {remedy}") from error
    if trouble := sound.trouble():
        wrong, remedy = TROUBLES[trouble]
        where = "" if trouble == OFFSET else " (alsamixer shows levels and mutes.)"
        raise SelfTestFailed(f"{device}: {wrong}. {remedy}{where}\n{meter.line(sound)}")
    return f"{device}: {meter.remark(sound)}\n{meter.line(sound)}"


def _foot_switch(switch: FootSwitch | KeySwitch) -> str:
    with switch:
        switch.edges()
    return "can be read"


def _model(settings: Settings) -> str:
    assert settings.voice
    ear.build(settings.phrases, settings.voice)
    name = settings.voice.spoken_name(settings.phrases)
    return f"{settings.voice.engine}, " + (f'listening for "{name}, ..."' if name else HOW[settings.voice.listening])


def _name(settings: Settings) -> Iterator[Finding]:
    """A name that talk is taken for."""
    assert settings.voice
    name = settings.voice.spoken_name(settings.phrases)
    try:
        weak = weakness(name, pronouncer(settings.phrases)) if name else ""
    except DriverUnavailable:  # said beside the phrases
        return
    if weak and len(name.split()) < WORDS:
        yield "name", weak, ""
    elif weak:
        yield "name", "", f"beware: {weak}"


def _phrases(settings: Settings) -> str:
    """What a kitchen's own words could be taken for: a warning, no fault."""
    known = settings.phrases
    if known.language == "es" and settings.voice and settings.voice.engine != "vosk":
        raise SelfTestFailed('Spanish needs a Spanish vosk model; set engine = "vosk" and model in [voice]')
    try:
        alike = close_words(pairs(known, pronouncer(known)))
    except DriverUnavailable as error:
        return f"{len(known)} sentences, not compared: {error}"
    if not alike:
        return f"{len(known)} sentences, no two words but numbers sound alike"
    listed = "; ".join(f'"{pair.first}" and "{pair.second}"' for pair in alike[:3])
    return f"beware, these sound alike: {listed}. See batch-recorder phrases --confusable --config"


def _broker(settings: Settings) -> str:
    assert settings.mqtt
    if reason := reach(settings.mqtt, LISTEN_S):
        raise SelfTestFailed(reason)
    weak = "; ".join(_weak(settings.mqtt))
    return f"reached, MQTT {settings.mqtt.protocol}{' by TLS' if settings.mqtt.tls else ''}" + (
        f"; beware: {weak}" if weak else ""
    )


def _weak(mqtt: MqttSettings) -> Iterator[str]:
    """What somebody on the network, or with an account on this machine, could make use of."""
    if not mqtt.tls and not mqtt.local:
        yield "without TLS all can be read and changed on its way, a password too; take tls = false out"
    if not mqtt.local and not mqtt.username and not mqtt.cert_file:
        yield "the broker does not know who this is; name username and password_file, or cert_file and key_file"
    for file in (mqtt.password_file, mqtt.key_file):
        if file and file.stat().st_mode & 0o007:
            yield f"others may read {file}; chmod o= it"
    if mqtt.protocol == "3.1.1":
        yield 'MQTT 3.1.1 does not say when the broker\'s access list drops a message; protocol = "5" does'
