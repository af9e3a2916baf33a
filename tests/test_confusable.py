"""Which sentences sound alike: the distance against facts of phonetics, and the ranking against well-known pairs.

Places and manners are those of the chart of the International Phonetic Association (from memory). Miller and Nicely
(1955, from memory): in noise place of articulation is lost first, voicing and nasality last.
"""

import json
from importlib.resources import files
from itertools import product
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.commands.check import _phrases
from recorder.config import load
from recorder.voice.engines.pronunciation import pronouncer
from recorder.voice.language import phrases
from recorder.voice.language.confusable import MeasuredError, close_words, differing, pairs, read_measured
from recorder.voice.language.phones import CONSONANTS, VOWELS, distance, substitution

TEXT = files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8")
SHIPPED = phrases.load(TEXT)
PHONES = sorted(CONSONANTS.keys() | VOWELS.keys())
ROWS = st.lists(st.sampled_from(PHONES), max_size=8)


@pytest.mark.parametrize(
    ("closer", "farther"),
    [
        (("B", "P"), ("B", "S")),  # voicing alone; voicing, place and manner
        (("P", "T"), ("P", "B")),  # Miller and Nicely: place is lost before voicing
        (("F", "TH"), ("F", "S")),  # the pair that they found confused most
        (("M", "N"), ("M", "B")),  # nasality holds out
        (("S", "SH"), ("S", "K")),
        (("IY", "IH"), ("IY", "AA")),  # chart of vowels: neighbours; opposite corners
        (("UW", "UH"), ("UW", "IY")),
        (("AY", "AA"), ("AY", "UW")),
    ],
)
def test_phones_made_alike_are_close(closer: tuple[str, str], farther: tuple[str, str]) -> None:
    assert 0 < substitution(*closer) < substitution(*farther)


def test_every_two_phones_have_a_distance_that_is_symmetric() -> None:
    for one, other in product(PHONES, PHONES):
        assert substitution(one, other) == substitution(other, one)
        assert (substitution(one, other) == 0) == (one == other)
        assert substitution(one, other) <= 1


@given(ROWS, ROWS)
def test_the_distance_is_symmetric_and_zero_for_the_same_sound_alone(one: list[str], other: list[str]) -> None:
    assert distance(one, other) == pytest.approx(distance(other, one))
    assert (distance(one, other) == 0) == (one == other)


def test_an_unknown_phone_is_named() -> None:
    with pytest.raises(KeyError, match="QQ"):
        substitution("QQ", "P")


@pytest.mark.parametrize(
    ("one", "other", "left", "right"),
    [
        ("lid open vat two", "lid locked vat two", "open", "locked"),
        ("status", "status", "", ""),
        ("hold end", "hold end batch two", "", "batch two"),
        ("a a", "a a a", "", "a"),
    ],
)
def test_the_difference_is_what_is_not_in_common(one: str, other: str, left: str, right: str) -> None:
    assert differing(tuple(one.split()), tuple(other.split())) == (tuple(left.split()), tuple(right.split()))


def test_the_closest_english_pairs_are_teens_and_tens() -> None:
    """That -teen and -ty are mistaken for each other is common knowledge of teachers of English, no source."""
    small = phrases.load(TEXT.replace("to = 4\n", "to = 19\n").replace("to = 24", "to = 90"))
    found = pairs(small, pronouncer(small))
    alike = {frozenset(pair.words) for pair in found[:12]}
    for stem in ("six", "seven", "thir", "nine"):
        assert frozenset((f"{stem}teen", f"{stem}ty")) in alike
    assert [pair.distance for pair in found] == sorted(pair.distance for pair in found)
    for pair in found[:300]:
        assert small.parse(pair.first) != small.parse(pair.second)
        assert None not in (small.parse(pair.first), small.parse(pair.second))


def test_the_shipped_words_are_not_confusable_but_for_numbers() -> None:
    assert close_words(pairs(SHIPPED, pronouncer(SHIPPED))) == []


def test_a_kitchen_that_adds_a_confusable_part_is_told(tmp_path: Path) -> None:
    """ "Thigh" and "pie" differ in one voiceless consonant."""
    (tmp_path / "own.toml").write_text(TEXT.replace("[slots.part.words]", '[slots.part.words]\npie = ["pie"]'))
    own = phrases.load((tmp_path / "own.toml").read_text())
    assert {frozenset(pair.words) for pair in close_words(pairs(own, pronouncer(own)))} >= {frozenset(("thigh", "pie"))}
    procedure = files("recorder").joinpath("share/procedure.toml").read_text("utf-8")
    (tmp_path / "procedure.toml").write_text(procedure.replace('name = "wing"', 'name = "pie"'))
    (tmp_path / "station.toml").write_text(
        'station = "a"\nprocedure = "procedure.toml"\nphrases = "own.toml"\n[voice]\n'
    )
    assert '"load thigh" and "load pie"' in _phrases(load(tmp_path / "station.toml")).replace(
        '"load pie" and "load thigh"', '"load thigh" and "load pie"'
    )
    (tmp_path / "station.toml").write_text('station = "a"\n[voice]\n')
    assert "no two words but numbers" in _phrases(load(tmp_path / "station.toml"))


def test_what_was_measured_comes_first(tmp_path: Path) -> None:
    rows = [("status", "confirm")] * 2 + [("load thigh five", "load thigh nine"), ("confirm", "confirm"), (None, "x y")]
    file = tmp_path / "dump.jsonl"
    file.write_text("".join(json.dumps({"said": said, "guess": {"text": text}}) + "\n" for said, text in rows))
    result = CliRunner().invoke(app, ["phrases", "--confusable", "--json", "--most", "3", "--measured", str(file)])
    told = [json.loads(line) for line in result.stdout.splitlines()]
    assert result.exit_code == 0 and [row["measured"] for row in told] == [2, 1, 0]
    assert set(told[0]["words"]) == {"status", "confirm"} and set(told[1]["words"]) == {"five", "nine"}


def test_a_bad_file_of_measurements_is_named() -> None:
    with pytest.raises(MeasuredError, match="line 2"):
        read_measured('{"said": "status", "guess": {"text": "confirm"}}\n[]\n')


def test_the_command_prints_the_worst_first_for_people() -> None:
    result = CliRunner().invoke(app, ["phrases", "--confusable", "--most", "5"])
    assert result.exit_code == 0 and "sounds like" in result.stdout
    assert len([line for line in result.stdout.splitlines() if line[:4].strip().startswith("0.")]) == 5
