"""What is meant by a sentence that was corrected in the same breath; other words for a sentence in a phrase file."""

import tomllib
from importlib.resources import files

import pytest

from recorder.voice.language import phrases
from recorder.voice.language.repair import repaired
from recorder.voice.language.wording import PhraseError

SHIPPED = files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8")
KNOWN = phrases.load(SHIPPED)


@pytest.mark.parametrize(
    ("first", "instead", "meant"),
    [
        ("load thighs twelve", "fourteen", "load thighs fourteen"),
        ("load thighs twelve vat two", "fourteen", "load thighs fourteen vat two"),
        ("load thighs twelve vat two", "vat three", "load thighs twelve vat three"),
        ("load thighs twelve", "breasts", "load breasts twelve"),
        ("hold start", "hold end", "hold end"),
        ("sold five pieces", "six pieces", "sold six pieces"),
        ("sold five pieces batch two", "batch three", "sold five pieces batch three"),
        ("reading one eight five", "one seven five", "reading one seven five"),
        ("discard batch", "", ""),
        ("discard batch", "seven", ""),  # a number where none was said replaces nothing
        ("shift start cook four", "five", "shift start cook five"),
        ("sold three pieces batch three", "four", ""),  # which of the two?
        ("lid open", "twelve", ""),
        ("", "", ""),
    ],
)
def test_what_is_said_instead_replaces_its_like_or_all_is_taken_back(first: str, instead: str, meant: str) -> None:
    assert repaired(tuple(first.split()), tuple(instead.split()), KNOWN) == tuple(meant.split())


def test_other_words_mean_the_same_and_are_not_on_the_card() -> None:
    assert KNOWN.parse("load twelve thighs") == KNOWN.parse("load thighs twelve")
    assert not KNOWN.on_card("load twelve thighs") and KNOWN.on_card("load thighs twelve")
    assert "load twelve thighs" not in {sentence.text for sentence in KNOWN.sentences()}


def test_sentences_that_can_go_on_with_a_bare_number_are_known() -> None:
    unfinished = {text for text in ("load thighs", "discard batch", "lid open", "status") if KNOWN.unfinished(text)}
    assert unfinished == {"load thighs", "discard batch"}


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"around": {"within": ["um"]}}, "around does not know within"),
        ({"around": {"before": ["7"]}}, "'7' is not a spoken word"),
        ({"around": ["please"]}, "around must be a table"),
    ],
)
def test_a_bad_table_of_words_around_is_named(change: dict[str, object], complaint: str) -> None:
    with pytest.raises(PhraseError, match=complaint):
        phrases.from_dict(tomllib.loads(SHIPPED) | change)


def test_other_words_with_another_meaning_are_refused() -> None:
    with pytest.raises(PhraseError, match="'lid open' has two meanings"):
        phrases.load(SHIPPED.replace('"confirm" = ["yes confirm", "yes"]', '"confirm" = ["lid open"]'))
    with pytest.raises(PhraseError, match="no command means fly"):
        phrases.load(SHIPPED.replace('"confirm" = ["yes confirm", "yes"]', '"fly" = ["take off"]'))
