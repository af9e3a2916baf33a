"""The commands about hearing, as a person types them: `hear`, `phrases`, `voice-model install`."""

import hashlib
import json
import stat
import tomllib
import wave
import zipfile
from array import array
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.core import meanings
from recorder.voice.audio.soundfile import read_wav
from recorder.voice.engines import model
from recorder.voice.language.card_texts import CAUTIONS

CLIPS = Path(__file__).parent.parent / "recorder/share/voices"
INDEX = tomllib.loads((CLIPS / "index.toml").read_text())


def run(*words: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, list(words))
    return result.exit_code, result.stdout, result.stderr


def test_hear_prints_one_object_for_each_utterance() -> None:
    names = ["load-thighs-twelve.wav", "near-miss.wav", "discard-twelve-pieces-batch-one.wav"]
    code, out, _ = run("hear", *(str(CLIPS / name) for name in names), "--json")
    rows = [json.loads(line) for line in out.splitlines()]
    assert code == 0 and len(rows) == 3
    for row, name in zip(rows, names, strict=True):
        assert list(row) == ["file", "start_ms", "end_ms", "text", "intent", "slots", "accepted", "reason"]
        assert row["file"] == str(CLIPS / name) and 0 <= row["start_ms"] < row["end_ms"]
    assert (rows[0]["intent"], rows[0]["slots"]) == (meanings.LOAD, {"part": "thigh", "count": 12})
    assert (rows[0]["text"], rows[0]["accepted"], rows[0]["reason"]) == ("load thighs twelve", True, None)
    assert (rows[1]["intent"], rows[1]["slots"], rows[1]["accepted"]) == (None, {}, False)
    assert rows[1]["reason"]
    assert (rows[2]["intent"], rows[2]["slots"]) == (meanings.DISCARD, {"batch": 1, "count": 12})


def test_hear_prints_lines_for_people() -> None:
    code, out, _ = run("hear", str(CLIPS / "status.wav"), str(CLIPS / "talk.wav"))
    assert code == 0
    assert "status.wav" in out and "->  status" in out
    assert "refused, the station's name was not heard" in out


@pytest.mark.parametrize(("rate", "channels", "width"), [(22_050, 1, 2), (48_000, 2, 2), (16_000, 1, 1)])
def test_other_pcm_is_converted(rate: int, channels: int, width: int, tmp_path: Path) -> None:
    """A clip brought to another rate by plain interpolation is still heard after our own conversion back."""
    sound = array("h", read_wav(CLIPS / "batch-start.wav"))
    count = len(sound) * rate // 16_000 - 1
    told = array("h")
    for at in range(count):
        whole, part = divmod(at * 16_000, rate)
        value = sound[whole] + (sound[min(whole + 1, len(sound) - 1)] - sound[whole]) * part // rate
        told.extend([value] * channels)
    frames = told.tobytes() if width == 2 else bytes((value >> 8) + 128 for value in told)
    with wave.open(str(tmp_path / "other.wav"), "wb") as file:
        file.setparams((channels, width, rate, 0, "NONE", ""))
        file.writeframes(frames)
    assert abs(len(read_wav(tmp_path / "other.wav")) - 2 * len(sound)) < 16
    code, out, _ = run("hear", str(tmp_path / "other.wav"), "--json")
    assert code == 0
    if width == 2:
        assert [json.loads(line)["intent"] for line in out.splitlines()] == [meanings.BATCH_START]


def test_resampling_keeps_a_tone_and_drops_what_16_khz_cannot_hold(tmp_path: Path) -> None:
    """By arithmetic: a 1 kHz tone keeps its size; an 11 kHz tone, above the Nyquist limit of 8 kHz, is gone."""
    import math

    for hertz, least, most in ((1_000, 9_900, 10_100), (11_000, 0, 120)):
        tone = array("h", (round(10_000 * math.sin(2 * math.pi * hertz * at / 44_100)) for at in range(22_050)))
        with wave.open(str(tmp_path / "tone.wav"), "wb") as file:
            file.setparams((1, 2, 44_100, 0, "NONE", ""))
            file.writeframes(tone.tobytes())
        heard = array("h", read_wav(tmp_path / "tone.wav"))[1_000:-1_000]
        assert least <= max(heard) <= most, hertz


def test_hear_names_a_file_that_it_cannot_read(tmp_path: Path) -> None:
    code, _, err = run("hear", str(tmp_path / "none.wav"))
    assert code == 2 and "none.wav: there is no such file" in err


def test_hear_says_that_there_is_no_voice(tmp_path: Path) -> None:
    with wave.open(str(tmp_path / "still.wav"), "wb") as file:
        file.setparams((1, 2, 16_000, 0, "NONE", ""))
        file.writeframes(bytes(32_000))
    code, out, _ = run("hear", str(tmp_path / "still.wav"))
    assert (code, out) == (0, f"{tmp_path / 'still.wav'}: no voice in it\n")


def test_a_file_of_confusions_that_is_none_is_named(tmp_path: Path) -> None:
    (tmp_path / "dump").write_bytes(b"\xdf\xdf")
    code, _, err = run("phrases", "--confusable", "--measured", str(tmp_path / "dump"))
    assert code == 2 and f"{tmp_path / 'dump'}: " in err
    code, _, err = run("phrases", "--measured", str(tmp_path / "dump"))
    assert code == 2 and "--measured goes with --confusable" in err


def test_hear_names_a_configuration_that_is_not_there(tmp_path: Path) -> None:
    code, _, err = run("hear", str(CLIPS / "status.wav"), "--config", str(tmp_path / "none.toml"))
    assert code == 2 and "none.toml" in err


def test_phrases_prints_the_card_with_its_cautions() -> None:
    code, out, _ = run("phrases")
    flat = " ".join(out.split())
    assert code == 0
    assert 'Say "kitchen recorder" and the command in one breath' in flat
    for line in ("batch start", "load thighs 12", "probe thigh + batch 7", "scratch that", *CAUTIONS):
        assert line in flat, line


def test_the_card_of_a_station_with_a_foot_switch_names_it(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text('station = "a"\n[voice]\nlistening = "switch"\nswitch = "/dev/input/x"\n')
    _, out, _ = run("phrases", "--config", str(tmp_path / "station.toml"))
    assert "Hold the foot switch meanwhile" in " ".join(out.split())


def test_phrases_samples_are_the_corpus_as_objects() -> None:
    code, out, _ = run("phrases", "--samples", "--json")
    rows = [json.loads(line) for line in out.splitlines()]
    assert code == 0 and 150 <= len(rows) <= 350
    assert all(list(row) == ["say", "intent", "slots"] for row in rows)
    assert {row["intent"] for row in rows} == set(meanings.ALL) - set(meanings.CONFIGURED)
    assert {"say": "kitchen recorder batch start", "intent": "batch start", "slots": {}} in rows
    assert {"say": "kitchen recorder probe thigh", "intent": "probe", "slots": {"part": "thigh"}} in rows


def test_phrases_samples_for_people_are_what_to_say() -> None:
    _, out, _ = run("phrases", "--samples")
    assert "kitchen recorder batch start" in out.splitlines()


def test_every_clip_says_a_sentence_of_the_corpus_language() -> None:
    assert sorted(path.name for path in CLIPS.glob("*.wav")) == sorted(INDEX)
    assert sum(path.stat().st_size for path in CLIPS.glob("*.wav")) < 6_000_000


def packed(path: Path, entries: dict[str, bytes], link: str | None = None) -> tuple[int, str]:
    with zipfile.ZipFile(path, "w") as file:
        for name, body in entries.items():
            file.writestr(name, body)
        if link is not None:
            info = zipfile.ZipInfo(link)
            info.external_attr = (stat.S_IFLNK | 0o777) << 16
            file.writestr(info, "/etc")
    return path.stat().st_size, hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_model_from_a_file_is_checked_and_unpacked(tmp_path: Path) -> None:
    size, digest = packed(tmp_path / "m.zip", {f"{model.NAME}/conf/model.conf": b"x", f"{model.NAME}/README": b"y"})
    path = model.install(tmp_path / "models", tmp_path / "m.zip", size, digest)
    assert (path / "conf/model.conf").read_bytes() == b"x"
    assert [each.name for each in (tmp_path / "models").iterdir()] == [model.NAME]
    with pytest.raises(model.ModelError, match="is there already"):
        model.install(tmp_path / "models", tmp_path / "m.zip", size, digest)


@pytest.mark.parametrize(
    ("entries", "link", "complaint"),
    [
        ({"../outside": b"x"}, None, "no place in a model"),
        ({"/etc/outside": b"x"}, None, "no place in a model"),
        ({f"{model.NAME}/ok": b"x"}, f"{model.NAME}/link", "no place in a model"),
        ({"something-else/README": b"x"}, None, "holds no folder"),
    ],
)
def test_a_zip_file_that_is_no_model_leaves_nothing(
    entries: dict[str, bytes], link: str | None, complaint: str, tmp_path: Path
) -> None:
    size, digest = packed(tmp_path / "m.zip", entries, link)
    with pytest.raises(model.ModelError, match=complaint):
        model.install(tmp_path / "models", tmp_path / "m.zip", size, digest)
    assert list((tmp_path / "models").iterdir()) == []
    assert not (tmp_path / "outside").exists()


def test_a_wrong_size_or_hash_is_refused_before_unpacking(tmp_path: Path) -> None:
    size, digest = packed(tmp_path / "m.zip", {f"{model.NAME}/README": b"y"})
    with pytest.raises(model.ModelError, match=f"has {size} bytes, and should have {size + 1}"):
        model.install(tmp_path / "models", tmp_path / "m.zip", size + 1, digest)
    with pytest.raises(model.ModelError, match="SHA-256 is"):
        model.install(tmp_path / "models", tmp_path / "m.zip", size, "0" * 64)
    assert list((tmp_path / "models").iterdir()) == []


def test_voice_model_install_says_what_is_wrong_and_ends_2(tmp_path: Path) -> None:
    code, _, err = run("voice-model", "install", "--from", str(tmp_path / "none.zip"), "--to", str(tmp_path))
    assert code == 2 and "none.zip" in err and "alphacephei.com" in err
