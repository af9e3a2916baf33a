"""The ear on real sound: the clips of share/voices through the default recogniser; its front end on made sound."""

import math
import os
import threading
import tomllib
import tracemalloc
from array import array
from dataclasses import replace
from functools import partial
from itertools import pairwise
from pathlib import Path

import pytest

from recorder.clock import ManualClock
from recorder.core.events import EarBack, Event, Heard, Unheard
from recorder.driver import DriverLost, DriverUnavailable
from recorder.voice import ear, settings
from recorder.voice.audio.frontend import FrontEnd, FrontEndSettings
from recorder.voice.audio.microphone import Microphone
from recorder.voice.audio.soundfile import RATE, SoundError, read_wav
from recorder.voice.engines import Guess, Recogniser
from recorder.voice.settings import VoiceSettings
from tests.ears import CLIPS, KNOWN, LEAST, Scripted, hiss, nameless

INDEX = tomllib.loads((CLIPS / "index.toml").read_text())
COMMANDS = sorted(INDEX.keys() - {"talk.wav", "near-miss.wav"})


@pytest.fixture(scope="module")
def recogniser() -> Recogniser:
    return ear.build(KNOWN, VoiceSettings())


def wav_ear(recogniser: Recogniser, at_ms: int = 5_000, *, chosen: VoiceSettings | None = None) -> ear.WavEar:
    return ear.WavEar([], recogniser, KNOWN, chosen or VoiceSettings(), ManualClock(at_ms))


@pytest.mark.parametrize("name", COMMANDS)
def test_each_clip_is_heard_as_what_is_said_in_it(name: str, recogniser: Recogniser) -> None:
    said = INDEX[name]["say"].removeprefix("kitchen recorder, ")
    (event,) = wav_ear(recogniser).hear(read_wav(CLIPS / name))
    assert isinstance(event, Heard), event
    assert event.intent == KNOWN.parse(said)
    assert event.text == said
    assert (event.at_ms, event.engine, event.listening) == (5_000, "moonshine", "name")


def test_talk_leaves_no_trace(recogniser: Recogniser) -> None:
    assert wav_ear(recogniser).hear(read_wav(CLIPS / "talk.wav")) == []


def test_the_name_and_no_command_is_a_near_miss_that_does_not_say_what_was_said(recogniser: Recogniser) -> None:
    (event,) = wav_ear(recogniser).hear(read_wav(CLIPS / "near-miss.wav"))
    assert isinstance(event, Unheard)
    assert event.reason
    assert event.text == "" or KNOWN.parse(event.text) is not None
    assert "spoon" not in event.text


def test_a_command_without_the_name_is_not_taken(recogniser: Recogniser) -> None:
    events = wav_ear(recogniser).hear(nameless("hold-end-batch-two.wav"))
    assert not any(isinstance(event, Heard) for event in events)


def test_many_clips_in_one_stream_are_heard_in_order_and_in_their_places(recogniser: Recogniser) -> None:
    names = ["batch-start.wav", "talk.wav", "lid-locked.wav", "status.wav"]
    pcm = b"".join(read_wav(CLIPS / name) + hiss(0.6, 20) for name in names)
    blocks = (pcm[at : at + 1_234] for at in range(0, len(pcm), 1_234))
    hearings = list(ear.Ear(recogniser, KNOWN, VoiceSettings()).hear(blocks))
    assert [hearing.text for hearing in hearings if hearing.accepted] == ["batch start", "lid locked", "status"]
    assert all(first.end_ms <= second.start_ms + 400 for first, second in pairwise(hearings))
    assert all(0 <= hearing.start_ms < hearing.end_ms <= len(pcm) // 32 + 100 for hearing in hearings)


def test_the_size_of_the_blocks_does_not_matter(recogniser: Recogniser) -> None:
    pcm = read_wav(CLIPS / "load-thighs-twelve.wav")
    listener = ear.Ear(recogniser, KNOWN, VoiceSettings())
    whole = list(listener.hear([pcm]))
    pieces = list(listener.hear(pcm[at : at + 998] for at in range(0, len(pcm), 998)))
    assert [replace(hearing, score=None) for hearing in pieces] == [replace(hearing, score=None) for hearing in whole]
    assert whole[0].accepted


GOOD = Guess("batch start", named=-1.0, score=-1.0, weakest=-1.0, stray_ms=0)


@pytest.mark.parametrize(
    ("guess", "reason", "near"),
    [
        (GOOD, "", False),
        (replace(GOOD, other="lid open", lead=1.1), "", False),
        (replace(GOOD, other="lid open", lead=0.9), "it may have been 'lid open' as well", True),
        (replace(GOOD, text="status"), "", False),
        (None, "no sentence fits", False),
        (Guess("batch start", None, -1.0, weakest=-1.0, stray_ms=0), "the station's name was not heard", False),
        (Guess("batch start", -2.1, -1.0, weakest=-1.0, stray_ms=0), "the station's name was not heard", False),
        (Guess("batch stop", -1.0, -1.0, weakest=-1.0, stray_ms=0), "not a whole sentence of the phrase file", True),
        (Guess("batch start", -1.0, -2.1, weakest=-1.0, stray_ms=0), "not sure enough", True),
        (Guess("batch start", -1.0, -1.0, weakest=-3.1, stray_ms=0), "not sure enough of one word", True),
        (Guess("batch start", -1.0, -1.0, weakest=-1.0, stray_ms=310), "not in one breath", True),
        (Guess("confirm", -1.0, -1.0), "", False),
        (Guess("batch start", -1.0, -1.0, "lid locked", 0.4), "it may have been 'lid locked' as well", True),
        (Guess("batch start vat two", -1.4, -1.4, weakest=-1.4, stray_ms=0), "", False),
        (Guess("batch start vat two", -1.6, -1.4, weakest=-1.4, stray_ms=0), "not sure enough", False),
        (Guess("batch start vat two", -1.4, -1.6, weakest=-1.4, stray_ms=0), "not sure enough", True),
        (Guess("batch start", -1.6, -2.1, weakest=-1.0, stray_ms=0), "not sure enough", False),
        (Guess("batch start vat two", -1.4, -1.4, weakest=-2.1, stray_ms=0), "not sure enough of one word", True),
    ],
)
def test_every_ground_for_refusal(guess: Guess | None, reason: str, near: bool) -> None:
    listener = ear.Ear(Scripted(guess), KNOWN, VoiceSettings(thresholds=LEAST))
    (hearing,) = listener.hear([read_wav(CLIPS / "batch-start.wav")])
    assert (hearing.reason, hearing.near, hearing.accepted) == (reason, near, reason == "")
    event = listener.event(hearing, 1)
    assert isinstance(event, Heard) if not reason else isinstance(event, Unheard) == near


def test_open_listening_needs_no_name() -> None:
    chosen = VoiceSettings(listening="open", thresholds=LEAST)
    guess = Guess("batch start", None, -1.0, weakest=-1.0, stray_ms=0)
    (event,) = wav_ear(Scripted(guess), chosen=chosen).hear(nameless("batch-start.wav"))
    assert isinstance(event, Heard) and event.listening == "open"


def test_a_sentence_that_took_too_long_for_its_words_is_refused() -> None:
    """More than a second for each: somebody who talked, and no command."""
    strict = replace(LEAST, plain=replace(LEAST.plain, word_ms=800))
    chosen = VoiceSettings(listening="open", thresholds=strict)
    (event,) = wav_ear(Scripted(GOOD), chosen=chosen).hear(read_wav(CLIPS / "batch-start.wav"))
    assert isinstance(event, Unheard) and event.reason == "not in one breath"


@pytest.mark.parametrize(("lead", "other"), [(1.9, "lid open"), (2.1, "")])
def test_a_close_second_goes_along(lead: float, other: str) -> None:
    guess = replace(GOOD, other="lid open", lead=lead)
    (event,) = wav_ear(Scripted(guess), chosen=VoiceSettings(thresholds=LEAST)).hear(read_wav(CLIPS / "confirm.wav"))
    assert isinstance(event, Heard) and event.other_text == other
    assert event.other == (KNOWN.parse(other) if other else None)


def test_steady_noise_is_no_utterance_and_does_not_keep_one_open() -> None:
    """At -20 dBFS, where a level-based detector reports speech all the time."""
    front_end = FrontEnd(FrontEndSettings())
    assert list(front_end.feed(hiss(5, 3_000))) == []
    speech = array("h", read_wav(CLIPS / "batch-start.wav"))
    loud = array("h", hiss(8, 700))
    for at, sample in enumerate(speech):
        loud[2 * RATE + at] = max(-32768, min(32767, loud[2 * RATE + at] + 2 * sample))
    *_, utterance = FrontEnd(FrontEndSettings()).feed(loud.tobytes())
    assert utterance.pcm and utterance.end_ms < 2_000 + len(speech) // 16 + 600


def test_a_short_pause_may_be_the_end_and_a_long_one_is() -> None:
    """The clip is "kitchen recorder, batch start"; it is cut in two with a pause between."""
    speech = read_wav(CLIPS / "batch-start.wav")[9_600:-22_400]
    half = len(speech) // 4 * 2
    short = speech[:half] + hiss(0.4, 20) + speech[half:] + hiss(1, 20)
    found = list(FrontEnd(FrontEndSettings()).feed(hiss(0.5, 20) + short))
    assert [each.ended for each in found] == [False, False, True]
    assert len({each.start_ms for each in found}) == 1
    long = speech[:half] + hiss(0.9, 20) + speech[half:] + hiss(1, 20)
    found = list(FrontEnd(FrontEndSettings()).feed(hiss(0.5, 20) + long))
    assert [each.ended for each in found] == [False, True, False, True]


def test_a_sentence_is_acted_on_at_the_short_pause_and_other_speech_is_judged_at_its_end() -> None:
    pcm = read_wav(CLIPS / "batch-start.wav") + hiss(1, 20)
    ends = []
    for guess in (GOOD, Guess("batch start", -1.0, -9.0)):
        (hearing,) = ear.Ear(Scripted(guess), KNOWN, VoiceSettings(thresholds=LEAST)).hear([pcm])
        ends.append(hearing.end_ms)
    assert ends[1] - ends[0] == FrontEndSettings().silence_ms - FrontEndSettings().pause_ms


def test_what_is_refused_is_put_to_the_recogniser_once() -> None:
    asked: list[int] = []

    class Counting(Scripted):
        def recognise(self, pcm: bytes) -> Guess | None:
            asked.append(len(pcm))
            return super().recognise(pcm)

    listener = ear.Ear(Counting(None), KNOWN, VoiceSettings(thresholds=LEAST))
    assert len(list(listener.hear([read_wav(CLIPS / "status.wav") + hiss(1, 20)]))) == 1
    assert len(asked) == len(set(asked)) <= 2


@pytest.mark.parametrize("near_db", [12.0, 0.0])
def test_talk_farther_off_neither_opens_nor_holds_open_a_command(near_db: float) -> None:
    talk = array("h", read_wav(CLIPS / "talk.wav"))[4_800:-11_200]
    command = array("h", read_wav(CLIPS / "oil-level-low.wav"))[4_800:-11_200]
    sound = array("h", (sample // 8 for sample in (talk + talk)))
    begin = len(talk) * 3 // 4
    for at, sample in enumerate(command):
        sound[begin + at] += sample
    found = list(FrontEnd(FrontEndSettings(near_db=near_db)).feed(sound.tobytes()))
    begin_ms, end_ms = begin // 16, (begin + len(command)) // 16
    alone = [each for each in found if each.start_ms > begin_ms - 700 and abs(each.end_ms - end_ms) < 900]
    assert bool(alone) == bool(near_db)


def test_speech_without_end_is_dropped_once() -> None:
    clips = b"".join(array("h", read_wav(CLIPS / name))[4800:-11200].tobytes() for name in COMMANDS[:8])
    found = list(FrontEnd(FrontEndSettings(longest_ms=5_000)).feed(clips + hiss(1, 20)))
    assert any(not utterance.pcm for utterance in found)


def test_a_voice_that_never_pauses_costs_neither_memory_nor_time() -> None:
    """A radio beside the microphone: 40 s of what the voice detection takes for speech, and then a pause."""
    front_end = FrontEnd(FrontEndSettings(noise_suppression=0))
    front_end._voice = lambda chunk: float(any(chunk))  # the vendor's model, replaced by what it might say
    second = hiss(1, 2000)
    found = list(front_end.feed(second * 10))
    tracemalloc.start()
    try:
        for _ in range(30):
            found += front_end.feed(second)
        held, _ = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert held < 100_000, "bytes: less than 9 s of sound, the longest command"
    found += front_end.feed(bytes(2 * len(second)))
    assert [(each.pcm, each.start_ms, each.ended) for each in found if each.ended] == [(b"", 0, True)]
    assert abs(found[-1].end_ms - 40_608) < 64


def test_the_station_does_not_hear_itself(recogniser: Recogniser, tmp_path: Path) -> None:
    heard: list[Event] = []
    pcm = read_wav(CLIPS / "batch-start.wav") + hiss(1, 20)
    for deaf, expected in ((False, 1), (True, 0)):
        heard.clear()
        driver = ear.MicrophoneEar(
            microphone(tmp_path, pcm), recogniser, KNOWN, VoiceSettings(), ManualClock(0), partial(bool, deaf)
        )
        with pytest.raises(DriverLost):
            driver.run(heard.append, threading.Event())
        assert heard[0] == EarBack(0), "the station knows that it hears"
        assert len(heard) - 1 == expected


def microphone(folder: Path, pcm: bytes, then: str = "echo 'audio open error' >&2; exit 1") -> Microphone:
    """A program in place of arecord that gives `pcm`, then does what `then` says."""
    (folder / "sound.raw").write_bytes(pcm)
    program = folder / "program"
    program.write_text(f'#!/bin/sh\ncat "{folder}/sound.raw"\n{then}\n')
    program.chmod(0o755)
    return Microphone("plughw:CARD=test", str(program))


def test_a_microphone_that_goes_is_lost_with_its_own_words(tmp_path: Path) -> None:
    source = microphone(tmp_path, hiss(0.2))
    with pytest.raises(DriverLost, match=r"^audio open error$"):
        list(source.blocks(threading.Event()))


def test_a_microphone_that_gives_no_bytes_is_lost(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("recorder.voice.audio.microphone.WATCH_S", 0.5)
    with pytest.raises(DriverLost, match="too few"):
        list(microphone(tmp_path, b"", "exec sleep 20").blocks(threading.Event()))


def test_a_microphone_stops_when_asked(tmp_path: Path) -> None:
    stop = threading.Event()
    blocks = microphone(tmp_path, hiss(1), "exec sleep 20").blocks(stop)
    assert next(blocks)
    stop.set()
    assert len(list(blocks)) < 20


def test_a_recogniser_that_fails_leaves_no_arecord_behind(tmp_path: Path) -> None:
    """At once, and not when somebody lets go of the error."""

    class Failing(Scripted):
        def recognise(self, pcm: bytes) -> Guess | None:
            raise RuntimeError("out of memory")

    source = microphone(tmp_path, read_wav(CLIPS / "batch-start.wav") + hiss(1, 20), "exec sleep 20")
    program = tmp_path / "program"
    program.write_text(program.read_text().replace("cat", "echo $$ >pid; cat").replace("pid", f"{tmp_path}/pid"))
    driver = ear.MicrophoneEar(source, Failing(None), KNOWN, VoiceSettings(), ManualClock(0))
    with pytest.raises(RuntimeError, match="out of memory") as kept:
        driver.run(lambda event: None, threading.Event())
    assert kept.traceback, "the error, and all that it holds, is still there"
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "pid").read_text()), 0)


def test_without_arecord_the_remedy_is_named() -> None:
    with pytest.raises(DriverUnavailable, match="apt install alsa-utils"):
        list(Microphone(program="/nowhere/arecord").blocks(threading.Event()))


def test_the_wav_driver_emits_and_then_waits(recogniser: Recogniser) -> None:
    stop, heard = threading.Event(), []
    driver = ear.WavEar([CLIPS / "talk.wav", CLIPS / "status.wav"], recogniser, KNOWN, VoiceSettings(), ManualClock(3))

    def put(event: Event) -> None:
        heard.append(event)
        stop.set()

    driver.run(put, stop)
    assert [event.text for event in heard if isinstance(event, Heard)] == ["status"]


def test_settings_come_from_a_table() -> None:
    table = {"engine": "vosk", "model": "/m", "listening": "open", "front_end": {"noise_suppression": 0}}
    made = settings.from_dict(table)
    assert (made.engine, made.model, made.front_end.noise_suppression) == ("vosk", Path("/m"), 0)
    assert (
        made.spoken_name(KNOWN) == "" and VoiceSettings(name="chicken station").spoken_name(KNOWN) == "chicken station"
    )


def test_thresholds_may_have_no_least_as_voice_tune_writes_it() -> None:
    measure = {"named": -20.0, "score": 0, "weakest": -math.inf}
    made = settings.from_dict({"thresholds": {"plain": measure, "numbered": measure}})
    assert made.thresholds == settings.Judgement(settings.Thresholds(-20.0, 0.0), settings.Thresholds(-20.0, 0.0))


@pytest.mark.parametrize(
    ("table", "complaint"),
    [
        ({"engine": "ears"}, "engine is 'ears'; write one of moonshine, sphinx, vosk"),
        ({"listening": "always"}, '"name", "open" or "switch"'),
        ({"listening": "switch"}, "switch is missing; write the foot switch's path"),
        ({"listening": "switch", "switch": "pedal"}, "switch is 'pedal'; write terminal, or a path such as"),
        ({"listening": "switch", "switch": 3}, "switch is 3"),
        ({"listening": "switch", "switch": "/dev/input/event0", "switch_key": "b"}, "switch_key is 'b'"),
        ({"name": "station 7"}, "'7' is not a spoken word"),
        ({"volume": 3}, "volume is not known here"),
        ({"front_end": {"noise_suppression": 9}}, "0 to 4"),
        ({"front_end": 3}, "must be a table"),
        ({"front_end": {"before_ms": 256.5}}, "front_end.before_ms is 256.5; it must be a whole number"),
        ({"front_end": {"speech": "loud"}}, "front_end.speech is 'loud'; it must be a number"),
        ({"front_end": {"speech": float("nan")}}, "front_end.speech is nan; it must be a finite number"),
        ({"thresholds": {"plain": {"named": 1, "score": float("nan")}}}, "plain.score is nan; write a number"),
        ({"thresholds": {"plain": {"named": -1.0}}}, "thresholds.plain.score is missing"),
        ({"thresholds": {}}, "thresholds.plain is missing"),
    ],
)
def test_bad_settings_are_named(table: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        settings.from_dict(table)


def test_a_file_that_is_no_sound_is_named(tmp_path: Path) -> None:
    (tmp_path / "note.wav").write_text("not a sound")
    with pytest.raises(SoundError, match=r"note.wav: not a PCM WAV file.*ffmpeg"):
        read_wav(tmp_path / "note.wav")
    with pytest.raises(SoundError, match="no such file"):
        read_wav(tmp_path / "none.wav")
