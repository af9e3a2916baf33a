"""Sound that is made here: each trouble is reported once, and its end; nothing flaps; cuts change nothing."""

import math
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from rich.console import Console

from recorder.clock import ManualClock
from recorder.commands import meter
from recorder.commands.check import SelfTestFailed, _microphone
from recorder.config import load
from recorder.core.events import CLIPPING, OFFSET, SILENT, TOO_LOUD, EarBack, EarClear, EarTrouble, Event
from recorder.driver import DriverLost
from recorder.voice import ear
from recorder.voice.audio.audio_health import STILL, SURE, WINDOW_BYTES, AudioHealth, Measure, decibels, measure
from recorder.voice.audio.microphone import Microphone
from recorder.voice.audio.soundfile import RATE, read_wav
from recorder.voice.engines import Guess
from recorder.voice.language import phrases
from recorder.voice.settings import VoiceSettings

CLIPS = Path(__file__).parent.parent / "recorder/share/voices"
WINDOW_S = WINDOW_BYTES / 2 / RATE
SURE_S = SURE * WINDOW_S

Sound = NDArray[np.float64]


def hiss(seconds: float, level_db: float, seed: int = 7) -> Sound:
    """White noise whose root mean square is `level_db` in dBFS."""
    return np.random.default_rng(seed).normal(0, 10 ** (level_db / 20), round(seconds * RATE))


def pcm(*sounds: Sound) -> bytes:
    """The sounds one after the other, full scale 1.0, as an ideal converter cuts them off."""
    return np.clip(np.round(np.concatenate(sounds) * 32_768), -32_768, 32_767).astype("<i2").tobytes()


def told(*sounds: Sound) -> list[str]:
    return AudioHealth().feed(pcm(*sounds))


def talk(seconds: float, level_db: float) -> Sound:
    """Speech without end: every clip of the fixtures, without its silent ends, at this level."""
    clips = [np.frombuffer(read_wav(path), "<i2")[4_800:-11_200] / 32_768 for path in sorted(CLIPS.glob("*.wav"))]
    speech = np.resize(np.concatenate(clips), round(seconds * RATE))
    levelled: np.ndarray = speech * 10 ** (level_db / 20) / np.sqrt(np.mean(speech**2))
    return levelled


QUIET = hiss(SURE_S + 2 * WINDOW_S, -50)
TROUBLES = {
    SILENT: np.zeros(round((SURE_S + WINDOW_S) * RATE)),
    OFFSET: hiss(SURE_S + WINDOW_S, -40) + 0.4,
    CLIPPING: talk(SURE_S + WINDOW_S, -5),
    TOO_LOUD: hiss(SURE_S + WINDOW_S, -17),
}


@pytest.mark.parametrize("what", TROUBLES)
def test_each_trouble_is_told_once_and_so_is_its_end(what: str) -> None:
    assert told(QUIET, TROUBLES[what], TROUBLES[what], TROUBLES[what], QUIET, QUIET) == [what, ""]


@pytest.mark.parametrize("first", TROUBLES)
@pytest.mark.parametrize("second", TROUBLES)
def test_another_trouble_takes_the_place_of_the_first(first: str, second: str) -> None:
    """Between the two there is no false end, though the window between them shows neither."""
    expected = [first] if first == second else [first, second]
    out_of_step = QUIET[:RATE]
    assert told(out_of_step, TROUBLES[first], *(TROUBLES[second],) * 2) == expected


@pytest.mark.parametrize("value", [-32_768, -1, 0, 700, 32_767])
def test_a_stuck_value_is_silence_wherever_it_stands(value: int) -> None:
    stuck = np.full(round((SURE_S + WINDOW_S) * RATE), value / 32_768)
    assert told(stuck) == [SILENT]
    dithered = stuck * 32_768 + np.random.default_rng(1).integers(0, STILL + 1, len(stuck)) - STILL // 2
    assert told(dithered / 32_768) == [SILENT]


def test_a_quiet_room_at_a_low_level_is_not_silence() -> None:
    """Two steps of noise, root mean square: less than any microphone in a kitchen gives."""
    assert told(hiss(30, 20 * math.log10(2 / 32_768))) == []


@pytest.mark.parametrize("what", TROUBLES)
def test_what_is_soon_over_is_no_trouble(what: str) -> None:
    """Once or again and again: a shout, a clatter of pans, a plug that is pulled and put back."""
    short = TROUBLES[what][: round(2 * WINDOW_S * RATE)]
    pause = hiss(2 * WINDOW_S, -50)
    assert told(QUIET, *(short, pause) * 6) == []


@pytest.mark.parametrize("what", TROUBLES)
def test_a_trouble_is_not_over_when_it_pauses(what: str) -> None:
    pause = hiss(2 * WINDOW_S, -50)
    assert told(TROUBLES[what], *(TROUBLES[what], pause) * 4) == [what]


def test_noise_at_the_limit_does_not_flap() -> None:
    """Two minutes of hiss whose level wanders by 2 dB around the limit, slower than a window and faster."""
    for period_s in (1, 5, 30):
        level_db = -20 + 2 * np.sin(np.arange(120 * RATE) * 2 * np.pi / RATE / period_s)
        assert len(told(hiss(120, 0) * 10 ** (level_db / 20))) <= 1


def test_talk_at_its_usual_level_is_no_trouble_however_long() -> None:
    """-26 dBov is the usual active level of speech (ITU-T P.56 and G.191, from memory)."""
    assert told(talk(60, -26)) == []
    assert told(talk(60, -20)) == []


def test_talk_over_loud_noise_does_not_hide_the_noise() -> None:
    noisy = talk(20, -20) + hiss(20, -17)
    assert told(noisy) == [TOO_LOUD]


@settings(max_examples=8, deadline=None)
@given(
    parts=st.lists(st.sampled_from(sorted(TROUBLES)), min_size=1, max_size=2),
    cuts=st.lists(st.integers(0, 400_000), min_size=1, max_size=12),
)
def test_however_the_stream_is_cut_the_same_is_told(parts: list[str], cuts: list[int]) -> None:
    sound = pcm(QUIET, *(TROUBLES[part] for part in parts), QUIET)
    whole, pieces, at, heard = AudioHealth(), AudioHealth(), 0, list[str]()
    told_whole = whole.feed(sound)
    while at < len(sound):
        for cut in (*cuts, 40_000):
            heard += pieces.feed(sound[at : at + cut + 1])
            at += cut + 1
    assert heard == told_whole
    assert pieces.trouble == whole.trouble


@settings(max_examples=50, deadline=None)
@given(st.binary(min_size=3_200, max_size=9_000))
def test_any_bytes_can_be_measured(block: bytes) -> None:
    """Against numpy, which counts another way."""
    found, samples = measure(block), np.frombuffer(block[: len(block) // 2 * 2], "<i2").astype(float)
    slices = samples[: len(samples) // 1_600 * 1_600].reshape(-1, 1_600)
    powers = np.sort(slices.var(axis=1)) / 32_768**2
    assert (found.lowest, found.highest) == (samples.min(), samples.max())
    assert found.mean == pytest.approx(samples.mean() / 32_768, abs=1e-9)
    assert found.clipped == pytest.approx(np.mean(np.abs(samples) >= 32_000))
    assert found.background == pytest.approx(powers[len(powers) // 5], abs=1e-9)


def test_levels_of_known_waves() -> None:
    """A full-scale sine has a root mean square of 1/sqrt(2): 3.01 dB below full scale; half of it 6.02 dB less."""
    wave = np.sin(np.arange(RATE) * 2 * np.pi * 1_000 / RATE)
    full, half = measure(pcm(wave)), measure(pcm(wave / 2))
    assert full.background_db == pytest.approx(-3.01, abs=0.01) and full.peak_db == pytest.approx(0, abs=0.01)
    assert half.background_db == pytest.approx(-9.03, abs=0.01) and half.peak_db == pytest.approx(-6.02, abs=0.01)
    assert measure(pcm(wave / 2 + 0.25)).background_db == pytest.approx(half.background_db, abs=0.01)
    assert measure(bytes(3_200)).peak_db == decibels(0) == -math.inf


class Nobody:
    """A recogniser that never recognises anything."""

    engine = "sphinx"

    def recognise(self, pcm: bytes) -> Guess | None:
        return None


KNOWN = phrases.load((Path(ear.__file__).parent.parent / "share/phrases-en.toml").read_text("utf-8"))


def arecord(folder: Path, sound: bytes) -> Path:
    """A program in place of arecord that gives `sound` and ends."""
    (folder / "sound.raw").write_bytes(sound)
    program = folder / "arecord"
    program.write_text(f'#!/bin/sh\nexec cat "{folder}/sound.raw"\n')
    program.chmod(0o755)
    return program


def heard(folder: Path, sound: bytes, deaf: bool = False) -> list[Event]:
    """What the microphone's driver emits until its sound ends."""
    events: list[Event] = []
    source = Microphone("default", str(arecord(folder, sound)))
    driver = ear.MicrophoneEar(source, Nobody(), KNOWN, VoiceSettings(), ManualClock(9), lambda: deaf)
    with pytest.raises(DriverLost):
        driver.run(events.append, threading.Event())
    return events


def test_the_ear_tells_of_trouble_in_the_microphones_own_sound(tmp_path: Path) -> None:
    sound = pcm(QUIET, TROUBLES[SILENT], TROUBLES[TOO_LOUD], TROUBLES[TOO_LOUD], QUIET)
    expected = [EarBack(9), EarTrouble(9, SILENT), EarTrouble(9, TOO_LOUD), EarClear(9)]
    assert [event for event in heard(tmp_path, sound) if isinstance(event, EarTrouble | EarClear | EarBack)] == expected


def test_the_station_is_no_trouble_to_itself(tmp_path: Path) -> None:
    """While it speaks its ear hears silence by choice, and loud sound by nature."""
    assert heard(tmp_path, pcm(TROUBLES[TOO_LOUD], TROUBLES[SILENT]), deaf=True) == [EarBack(9)]


def checked(folder: Path, sound: bytes, monkeypatch: pytest.MonkeyPatch, console: Console | None = None) -> str:
    """What `check` finds out about a microphone with this sound; raises `_Fault`."""
    arecord(folder, sound)
    monkeypatch.setenv("PATH", f"{folder}:/usr/bin:/bin")
    (folder / "station.toml").write_text('station = "line-1"\n[voice]\n')
    return _microphone(load(folder / "station.toml"), console or Console(quiet=True))


def test_check_draws_the_level(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    sound = hiss(4, -44)
    sound[2 * RATE] = 10 ** (-13 / 20)
    assert checked(tmp_path, pcm(sound), monkeypatch).splitlines() == [
        "default: sounds well",
        "▕██████▒▒▒▒▒▒▒▒▒▒····▏ background -44, loudest -13 dBFS",
    ]


def test_check_says_when_it_is_quiet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "turn its level up" in checked(tmp_path, pcm(hiss(4, -60)), monkeypatch)


@pytest.mark.parametrize(
    ("what", "complaint", "bar"),
    [
        (SILENT, "only silence. Unmute it", "▕····················▏ background -90, loudest -90 dBFS"),
        (OFFSET, "off centre. Plug it in anew", "dBFS"),
        (CLIPPING, "cut off at full scale. Turn its capture level down", "loudest 0 dBFS"),
        (TOO_LOUD, "noise drowns speech at the microphone. Bring it close", "background -17"),
    ],
)
def test_check_names_the_trouble_and_its_remedy(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str, complaint: str, bar: str
) -> None:
    with pytest.raises(SelfTestFailed) as fault:
        checked(tmp_path, pcm(TROUBLES[what]), monkeypatch)
    first, second = str(fault.value).splitlines()
    assert first.startswith("default: ") and complaint in first
    assert bar in second


def test_the_click_of_opening_is_left_out(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert "loudest -2" in checked(tmp_path, pcm(np.ones(RATE // 4), hiss(4, -38)), monkeypatch)


def test_on_a_terminal_the_meter_moves_and_then_goes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    console = Console(force_terminal=True, record=True, file=(tmp_path / "screen").open("w"), width=80)
    checked(tmp_path, pcm(hiss(4, -44)), monkeypatch, console)
    console.file.close()
    assert (tmp_path / "screen").read_text().count("Say a command") > 10


def test_every_level_has_its_place_on_the_bar() -> None:
    lengths = []
    for level_db in (-math.inf, -200, -60, -59.9, -30, -0.1, 0.0):
        power = 10 ** (level_db / 10) if level_db > -math.inf else 0.0
        lengths.append(meter.line(Measure(0, 0, 0.0, 0.0, power)).count("█"))
    assert lengths == [0, 0, 0, 1, 10, 20, 20]
