"""The Spanish phrase file: the same meanings, unambiguous, with Spanish numbers, card and sounds.

Whether a Spanish vosk model knows every word is not tried here: there was none to try with.
"""

import re
from collections.abc import Mapping
from dataclasses import fields
from importlib.resources import files
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.commands.check import SelfTestFailed, _phrases
from recorder.config import load
from recorder.core import meanings
from recorder.core.events import Intent
from recorder.voice.engines.pronunciation import pronouncer, spanish
from recorder.voice.language import phrases
from recorder.voice.language.card import Kitchen, card
from recorder.voice.language.card_texts import ENGLISH, TONES, CardTexts
from recorder.voice.language.confusable import close_words, pairs
from recorder.voice.language.wording import PhraseError

TEXT = files("recorder").joinpath("share/phrases-es.toml").read_text("utf-8")
SPANISH = phrases.load(TEXT)
ENGLISH_PHRASES = phrases.load(files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8"))


@pytest.mark.parametrize(
    ("text", "intent"),
    [
        ("inicio de turno cocinera cuatro", Intent(meanings.SHIFT_START, cook=4)),
        ("aceite filtrado freidora dos", Intent(meanings.OIL_FILTERED, vat=2)),
        ("tanda nueva", Intent(meanings.BATCH_START)),
        ("carga doce muslos", Intent(meanings.LOAD, part="thigh", count=12)),
        ("carga veintiuna piernas freidora uno", Intent(meanings.LOAD, part="leg", count=21, vat=1)),
        ("carga cuarenta y una alas", Intent(meanings.LOAD, part="wing", count=41)),
        ("carga pechugas", Intent(meanings.LOAD, part="breast")),
        ("tapa cerrada", Intent(meanings.LID_LOCKED)),
        ("tapa abierta", Intent(meanings.LID_OPEN)),
        ("mide muslo tanda noventa y nueve", Intent(meanings.PROBE, part="thigh", batch=99)),
        ("temperatura uno ocho cinco", Intent(meanings.READING, number=185.0)),
        ("pasa a mantener tanda siete", Intent(meanings.HOLD_START, batch=7)),
        ("deja de mantener", Intent(meanings.HOLD_END)),
        ("desecha tanda siete doce piezas", Intent(meanings.DISCARD, batch=7, count=12)),
        ("ÚLTIMA lectura", Intent(meanings.LAST_READING)),
        ("sale crudo doce muslos", Intent(meanings.RAW_OUT, part="thigh", count=12)),
        ("lote cero uno siete", Intent(meanings.LOT, lot="017")),
        ("anula eso", Intent(meanings.SCRATCH)),
        ("batch start", None),
    ],
)
def test_a_sentence_means_what_it_says(text: str, intent: Intent | None) -> None:
    assert SPANISH.parse(text) == intent


def test_both_languages_say_the_same_things() -> None:
    """Same meanings, same parts, same values of every slot; so a procedure and a journal fit either."""
    assert {sentence.intent.meaning for sentence in SPANISH} == {s.intent.meaning for s in ENGLISH_PHRASES}
    assert SPANISH.parts == ENGLISH_PHRASES.parts
    for name, slot in SPANISH.slots.items():
        said = {getattr(sentence.intent, name) for sentence in SPANISH.sentences()} - {None}
        assert name in ("number", "ice", "lot") or said == {value for _, value in slot.forms}, name


def test_the_corpus_is_its_own_proof() -> None:
    for sentence in SPANISH.sentences():
        assert SPANISH.parse(sentence.text) == sentence.intent


@pytest.mark.parametrize(
    ("number", "words"),
    [(16, "dieciséis"), (22, "veintidós"), (30, "treinta"), (31, "treinta y uno"), (77, "setenta y siete")],
)
def test_numbers_are_written_as_the_academy_writes_them(number: int, words: str) -> None:
    """Ortografía de la lengua española (2010), cardinals: one word to thirty, then with "y" (from memory)."""
    assert SPANISH.parse(f"cocinar más tanda {words}") == Intent(meanings.COOK_MORE, batch=number)


def test_two_meanings_of_one_sentence_are_refused() -> None:
    with pytest.raises(PhraseError, match="'tapa abierta' has two meanings"):
        phrases.load(TEXT.replace('"tapa cerrada [', '"tapa abierta ['))


HERE = Kitchen(vats=(1, 2), parts=("thigh", "breast", "leg", "wing"), pieces=40, temperature=178, ice=32)


def test_the_card_is_in_spanish() -> None:
    shown = card(SPANISH, SPANISH.name, HERE)
    assert '"registro de cocina, tanda nueva"' in shown.first
    says = [(line.text, *line.adds) for _, lines in shown.groups for line in lines]
    assert ("carga 12 muslos", "+ freidora 2") in says
    assert ("pieza", "muslo, pechuga, pierna, ala") in shown.slots and ("cantidad", "de 1 a 40") in shown.slots
    does = {line.does for _, lines in shown.groups for line in lines} - {""}
    assert does.isdisjoint(ENGLISH.does.values()) and len(does) == len(meanings.ALL) - len(meanings.CONFIGURED)
    for hazard in ("aceite", "presión", "pollo", "dispositivo de seguridad", "normas locales"):
        assert any(hazard in caution.lower() for caution in shown.cautions), hazard
    assert len(shown.cautions) == len(ENGLISH.cautions)


def test_nothing_on_the_spanish_card_is_english() -> None:
    """But "say again", which the recorder says in English."""
    texts, english = SPANISH.card_texts, ENGLISH
    for name in (each.name for each in fields(CardTexts) if each.name not in ("more",)):
        ours, theirs = getattr(texts, name), getattr(english, name)
        if isinstance(theirs, Mapping):
            assert set(ours.values()).isdisjoint(theirs.values()), name
        elif isinstance(theirs, str):
            assert name == "either" or ours != theirs, name


def test_the_card_of_a_phrase_file_from_before_the_tones_is_read() -> None:
    """What it lacks is English."""
    begin = TEXT.index("[card.tones]")
    before = re.sub(r"^(digits|more|adding|asks|foot|\w+_title) = .*\n", "", TEXT[:begin], flags=re.M)
    texts = phrases.load(before).card_texts
    assert texts.tones == TONES and texts.foot == ENGLISH.foot and texts.does == SPANISH.card_texts.does


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("bare = ", "bear = ", "look at bare, bear"),
        ('"status" = "cada', '"state" = "cada', "what each meaning does"),
        ("{example}", "{exemplo}", "can't be filled"),
        ("{scratch}", "{raspa}", "can't be filled"),
        ("{distance}", "{distancia}", "can't be filled"),
        ("done = ", "hecho = ", "tones must have exactly done"),
        ("[card.wrong]", "wrong_too = 1\n[card.faults]", "look at faults"),
    ],
)
def test_a_card_that_lacks_something_is_refused(old: str, new: str, complaint: str) -> None:
    with pytest.raises(PhraseError, match=complaint):
        phrases.load(TEXT.replace(old, new))


@pytest.mark.parametrize(
    ("word", "phones"),
    [
        ("pechuga", "P E CH U G A"),
        ("quince", "K I N S E"),
        ("guiso", "G I S O"),
        ("bajo", "B A X O"),
        ("rellenado", "RR E Y E N A D O"),
        ("pero", "P E DX O"),
        ("perro", "P E RR O"),
        ("año", "A NY O"),
        ("pierna", "P Y E DX N A"),
        ("y", "I"),
    ],
)
def test_spanish_sounds_as_it_is_written(word: str, phones: str) -> None:
    """Seseo and yeísmo, the Spanish of America (Real Academia Española, Ortografía, from memory)."""
    assert spanish(word) == [phones]


def test_sixty_and_seventy_are_the_closest_and_no_words_but_numbers_are_close() -> None:
    """That "sesenta" and "setenta" are mistaken for each other is common practice among speakers, no source."""
    found = pairs(SPANISH, pronouncer(SPANISH))
    assert set(found[0].words) == {"sesenta", "setenta"}
    assert close_words(found) == []


def test_check_says_that_spanish_needs_vosk(tmp_path: Path) -> None:
    (tmp_path / "es.toml").write_text(TEXT)
    file = tmp_path / "station.toml"
    file.write_text('station = "a"\nphrases = "es.toml"\n[voice]\nengine = "sphinx"\n')
    with pytest.raises(SelfTestFailed, match="needs a Spanish vosk model"):
        _phrases(load(file))
    file.write_text('station = "a"\nphrases = "es.toml"\n[voice]\nengine = "vosk"\nmodel = "es"\n')
    assert "no two words but numbers" in _phrases(load(file))
    result = CliRunner().invoke(app, ["phrases", "--config", str(file)])
    assert result.exit_code == 0 and "tapa cerrada" in result.stdout and "arranca el reloj" in result.stdout


def test_an_intent_has_no_field_that_spanish_cannot_say() -> None:
    assert {field.name for field in fields(Intent)} - {"meaning"} == set(SPANISH.slots)
