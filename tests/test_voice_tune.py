"""`voice-tune`: what moves a threshold and how far, and the command from recordings to the configuration."""

import wave
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from recorder import config
from recorder.__main__ import app
from recorder.commands import voice_tune
from recorder.voice.engines import Guess
from recorder.voice.settings import SHIPPED
from recorder.voice.tuning import MOST_STEPS, STEPS, Take, accepted, tuned
from tests.ears import CLIPS, KNOWN

OLD = SHIPPED["moonshine"]
STEP = STEPS["moonshine"]
SAID = ("batch start", "oil level low", "load legs twelve")

scores = st.floats(-40, 20)
noises = st.lists(st.builds(lambda named, score: Guess("status", named, score), scores, scores), max_size=5)


def take(text: str, named: float, score: float, heard: str = "") -> Take:
    meant = KNOWN.parse(text)
    assert meant is not None
    return Take(meant, Guess(heard or text, named, score))


takes = st.lists(st.builds(take, st.sampled_from(SAID), scores, scores, st.sampled_from(SAID)), max_size=10)


@given(noises, takes)
def test_noise_that_was_heard_is_never_taken_for_a_command(noise: list[Guess], said: list[Take]) -> None:
    new = tuned(OLD, "moonshine", noise, said, KNOWN)
    assert not any(accepted(new, guess, KNOWN) for guess in noise)


@given(noises, takes)
def test_no_threshold_falls_by_more_than_it_may(noise: list[Guess], said: list[Take]) -> None:
    new = tuned(OLD, "moonshine", noise, said, KNOWN)
    for old, proposed in ((OLD.plain, new.plain), (OLD.numbered, new.numbered)):
        assert proposed.named >= old.named - MOST_STEPS * STEP
        assert proposed.score >= old.score - MOST_STEPS * STEP


@given(takes)
def test_more_noise_never_lowers_a_threshold(said: list[Take]) -> None:
    quiet, loud = (tuned(OLD, "moonshine", noise, said, KNOWN) for noise in ([], [Guess("status", -15.0, 0.0)]))
    assert loud.plain.named >= quiet.plain.named and loud.numbered.named >= quiet.numbered.named


def test_each_kind_of_sentence_has_its_own_evidence() -> None:
    noise = [Guess("status", -30.0, -5.0)]
    said = [
        take("batch start", -22.0, -1.0),
        take("load legs twelve", -4.0, 9.0),
        take("status", -25.0, -3.0, "confirm"),
    ]
    new = tuned(OLD, "moonshine", noise, said, KNOWN)
    assert (new.plain.named, new.plain.score) == (-25.0, -4.0), "a step under the one that was heard right"
    assert new.numbered == OLD.numbered
    assert accepted(new, said[0].guess, KNOWN) == said[0].meant and accepted(OLD, said[0].guess, KNOWN) is None


@pytest.fixture
def station(tmp_path: Path) -> Path:
    path = tmp_path / "station.toml"
    path.write_text('# ours\nstation = "line"\nvats = [1]\ndatabase = "records.db"\n[voice]\n', "utf-8")
    return path


def run(*words: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["voice-tune", *words], env={"COLUMNS": "120"})
    return result.exit_code, result.output


def recordings() -> list[str]:
    return [word for name in SAID for word in ("--said", str(CLIPS / f"{name.replace(' ', '-')}.wav"))]


def test_recordings_where_all_is_well_change_nothing(station: Path) -> None:
    before = station.read_text("utf-8")
    code, out = run("--config", str(station), "--noise", str(CLIPS / "talk.wav"), *recordings(), "--write")
    assert code == 0 and "as proposed: 3 of 3 commands heard right, 0 of" in out, out
    assert "No change is needed." in out and station.read_text("utf-8") == before


def test_noise_with_the_name_in_it_raises_the_threshold_and_what_is_written_is_read_back(station: Path) -> None:
    noise = ("--config", str(station), "--noise", str(CLIPS / "near-miss.wav"))
    before = station.read_text("utf-8")
    code, out = run(*noise)
    assert code == 0 and "Nothing was written" in out and station.read_text("utf-8") == before
    code, out = run(*noise, *recordings(), "--write")
    assert code == 0 and "use a headset" in out, out
    assert station.read_text("utf-8").startswith(before)
    voice = config.load(station).voice
    assert voice is not None and voice.judgement().plain.named > OLD.plain.named
    assert voice.judgement().rival_lead == OLD.rival_lead
    code, out = run(*noise, "--write")
    assert code == 2 and "has thresholds already; remove" in out


def test_all_of_the_noise_is_put_to_the_recogniser(station: Path, tmp_path: Path) -> None:
    """Two pieces as long as a command, and nothing that the voice detection takes for a voice."""
    with wave.open(str(tmp_path / "noise.wav"), "wb") as file:
        file.setparams((1, 2, 16_000, 0, "NONE", ""))
        file.writeframes(bytes(2 * voice_tune.WINDOW_BYTES))
    code, out = run("--config", str(station), "--noise", str(tmp_path / "noise.wav"))
    assert code == 0 and "as shipped: 0 of 0 commands heard right, 0 of 2 noises taken for one" in out, out


def test_bad_input_is_named_with_its_remedy(station: Path) -> None:
    assert run("--config", str(station), "--noise", "nowhere.wav") == (
        2,
        "error: nowhere.wav: there is no such file; name a WAV file\n",
    )
    code, out = run("--config", str(station), "--noise", str(CLIPS / "talk.wav"), "--said", str(CLIPS / "talk.wav"))
    assert code == 2 and "'talk' is no sentence of the phrase file; name the file as its words" in out
    station.write_text(station.read_text("utf-8").replace("[voice]\n", ""), "utf-8")
    code, out = run("--config", str(station), "--noise", str(CLIPS / "talk.wav"))
    assert code == 2 and "has no [voice] table" in out


def test_from_a_microphone_it_asks_for_ten_commands(
    station: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`arecord` is replaced by a program that plays a clip over and over."""
    program = tmp_path / "arecord"
    program.write_text(f"#!/bin/sh\nwhile tail -c +45 {CLIPS / 'status.wav'}; do :; done\n")
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path), prepend=":")
    monkeypatch.setattr(voice_tune, "NOISE_S", 4)
    monkeypatch.setattr(voice_tune, "TAKE_S", 3)
    result = CliRunner().invoke(app, ["voice-tune", "--config", str(station)], input="\n" * 10)
    assert result.exit_code == 0 and result.output.count("Enter, then say: kitchen recorder, ") == 10, result.output
