"""Cues as sound: the tone patterns, the order in which they are played, and a station without a speaker."""

import logging
import os
import shutil
import subprocess
import time
import wave
from array import array
from itertools import combinations
from pathlib import Path

import pytest

from recorder.core.effects import Cue, Tone
from recorder.voice.audio import speaker as speaking
from recorder.voice.audio.speaker import MOST_WAITING, PATTERNS, RATE, Speaker, tone_pcm


def program(folder: Path, name: str, body: str) -> str:
    path = folder / name
    path.write_text(f"#!/bin/sh\n{body}\n")
    path.chmod(0o755)
    return str(path)


def player(folder: Path, wait_s: float = 0.0) -> str:
    """Keeps what it is given, one file for each sound, in place of aplay."""
    return program(folder, "player", f'sleep {wait_s}; cat > "{folder}/$(date +%s%N).sound"')


def voice(folder: Path) -> str:
    return program(folder, "voice", 'printf "said "; cat')


def sounds(folder: Path) -> list[bytes]:
    return [path.read_bytes() for path in sorted(folder.glob("*.sound"))]


def test_every_tone_has_a_pattern_of_its_own_and_the_four_differ_in_rhythm_or_pitch() -> None:
    assert PATTERNS.keys() == set(Tone)
    assert all(PATTERNS[one] != PATTERNS[two] for one, two in combinations(Tone, 2))
    first_pitches = [PATTERNS[tone][0][0] for tone in Tone]
    assert len(set(first_pitches)) == len(first_pitches)


@pytest.mark.parametrize("tone", Tone)
def test_a_pattern_lasts_as_long_as_its_steps_and_neither_clips_nor_clicks(tone: Tone) -> None:
    made = array("h", tone_pcm(tone))
    assert abs(len(made) / RATE * 1000 - sum(length for _, length in PATTERNS[tone])) < 5
    assert 8_000 < max(made) < 30_000
    assert abs(made[0]) < 500 and abs(made[-1]) < 500


def test_a_cue_is_the_tone_and_then_the_words(tmp_path: Path) -> None:
    speaker = Speaker(player=player(tmp_path), voice=voice(tmp_path))
    speaker.give(Cue(Tone.DONE, "batch one open"))
    speaker.close()
    assert sounds(tmp_path) == [tone_pcm(Tone.DONE), b"said batch one open"]


def test_words_that_look_like_options_are_spoken(tmp_path: Path) -> None:
    speaker = Speaker(player=player(tmp_path), voice=voice(tmp_path))
    speaker.give(Cue(Tone.ANSWER, "-v is no option; $HOME `id`"))
    speaker.close()
    assert sounds(tmp_path)[1] == b"said -v is no option; $HOME `id`"


def test_without_a_voice_the_tone_is_still_given(tmp_path: Path) -> None:
    speaker = Speaker(player=player(tmp_path), voice="no-such-voice-here")
    speaker.give(Cue(Tone.REFUSED, "vat busy"))
    speaker.close()
    assert sounds(tmp_path) == [tone_pcm(Tone.REFUSED)]


def test_giving_a_cue_does_not_wait_for_the_sound(tmp_path: Path) -> None:
    go = tmp_path / "go"
    waits = f'[ -e "{go}" ] || sleep 4; cat > "{tmp_path}/$(date +%s%N).sound"'
    speaker = Speaker(player=program(tmp_path, "player", waits), voice="no-such-voice-here")
    for _ in range(3):
        speaker.give(Cue(Tone.DONE, ""))
    assert sounds(tmp_path) == [], "the first one sounds for 4 s"
    go.touch()
    speaker.close(30)
    assert len(sounds(tmp_path)) == 3
    assert not speaker.talking()


def test_the_speaker_says_when_it_is_talking(tmp_path: Path) -> None:
    speaker = Speaker(player=player(tmp_path, wait_s=0.5), voice="no-such-voice-here")
    assert not speaker.talking()
    speaker.give(Cue(Tone.DONE, ""))
    deadline = time.monotonic() + 30
    while not speaker.talking() and time.monotonic() < deadline:
        time.sleep(0.01)
    assert speaker.talking()
    speaker.close()
    assert not speaker.talking()


def test_with_too_many_waiting_an_old_answer_is_dropped_and_no_alert_is(tmp_path: Path) -> None:
    speaker = Speaker(player=player(tmp_path, wait_s=0.2), voice=voice(tmp_path))
    speaker.give(Cue(Tone.DONE, "first"))
    time.sleep(0.1)
    speaker.give(Cue(Tone.ALERT, "hold past its limit"))
    for number in range(MOST_WAITING + 3):
        speaker.give(Cue(Tone.ANSWER, f"answer {number}"))
    speaker.close()
    said = [sound.decode() for sound in sounds(tmp_path) if sound.startswith(b"said")]
    assert said[:2] == ["said first", "said hold past its limit"]
    assert said[-1] == f"said answer {MOST_WAITING + 2}"
    assert "said answer 0" not in said and len(said) == MOST_WAITING + 1


def test_a_box_without_a_speaker_says_so_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING)
    speaker = Speaker(player="no-such-player-here")
    for _ in range(3):
        speaker.give(Cue(Tone.DONE, "hello"))
    speaker.close()
    assert [record.message for record in caplog.records] == [
        "no sound goes out: no-such-player-here is not installed (apt install alsa-utils); the recorder goes on without"
    ]


def test_a_player_that_fails_is_told_once_in_its_own_words(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.WARNING)
    speaker = Speaker(player=program(tmp_path, "player", 'cat >/dev/null; echo "no such card" >&2; exit 1'))
    for _ in range(3):
        speaker.give(Cue(Tone.DONE, ""))
    speaker.close()
    assert len(caplog.records) == 1 and "no such card" in caplog.records[0].message


def test_closing_does_not_wait_for_ever(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speaking, "SLACK_S", 60.0)
    speaker = Speaker(player=program(tmp_path, "player", "exec sleep 60"), voice="no-such-voice-here")
    speaker.give(Cue(Tone.DONE, ""))
    begin = time.monotonic()
    speaker.close(timeout_s=0.2)
    assert time.monotonic() - begin < 30, "half of what the player takes"


def test_a_player_that_hangs_does_not_keep_the_ear_deaf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(speaking, "SLACK_S", 0.2)
    speaker = Speaker(player=program(tmp_path, "player", "exec sleep 60"), voice="no-such-voice-here")
    speaker.give(Cue(Tone.DONE, ""))
    end_s = time.monotonic() + 30
    while not speaker.talking():
        assert time.monotonic() < end_s
    while speaker.talking():
        assert time.monotonic() < end_s
        time.sleep(0.01)
    speaker.close()


def test_closing_ends_the_player_in_the_middle_of_its_sound(tmp_path: Path) -> None:
    started = tmp_path / "started"
    speaker = Speaker(player=program(tmp_path, "player", f"echo $$ > {started}; exec sleep 60"))
    speaker.give(Cue(Tone.DONE, ""))
    end_s = time.monotonic() + 30
    while not (started.exists() and started.read_text().strip()):
        assert time.monotonic() < end_s
    speaker.close(timeout_s=0)
    assert not speaker.talking()
    assert not Path(f"/proc/{started.read_text().strip()}").exists()


def test_the_real_voice_makes_sound(tmp_path: Path) -> None:
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng is not installed: apt install espeak-ng")
    speaker = Speaker(player=player(tmp_path))
    speaker.give(Cue(Tone.DONE, "batch one open"))
    speaker.close()
    (tmp_path / "said.wav").write_bytes(sounds(tmp_path)[1])
    with wave.open(str(tmp_path / "said.wav")) as file:
        assert file.getsampwidth() == 2
        assert max(array("h", file.readframes(4 * RATE))) > 1_000


def test_aplay_takes_our_options() -> None:
    """The real program refuses an unknown option before it opens a card."""
    aplay = shutil.which("aplay")
    if aplay is None:
        pytest.skip("aplay is not installed: apt install alsa-utils")
    command = [aplay, "-q", "-D", "null", "-t", "raw", "-f", "S16_LE", "-r", str(RATE), "-c", "1"]
    result = subprocess.run(
        command, input=tone_pcm(Tone.DONE), capture_output=True, timeout=60, env={**os.environ, "LC_ALL": "C"}
    )
    assert b"option" not in result.stderr and b"Usage" not in result.stderr, result.stderr
