"""Tokens, ways of writing and the search through the tree of sentences: what is pure of the default recogniser.

Tokens are checked against the library SentencePiece (Kudo and Richardson 2018), given the model's own list; the search
and the priors against every sentence worked out by itself, with a small made model.
"""

import math
import random
import struct
from collections.abc import Iterator, Sequence
from functools import cache
from importlib.resources import files
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.voice.engines import tree
from recorder.voice.engines.moonshine import _packaged
from recorder.voice.engines.tokens import END, Tokens
from recorder.voice.engines.tree import Found, Node, Written
from recorder.voice.language import phrases
from recorder.voice.language.written import forms, numbers, spelled_out

KNOWN = phrases.load(files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8"))
BYTES = range(3, 259)
"""The tokens of single bytes, in the model's list."""


def listed(*tokens: bytes) -> bytes:
    """A token list of the form that tokens.py describes."""
    sizes = (bytes([size]) if (size := len(each)) < 128 else bytes([size % 128 + 128, size // 128]) for each in tokens)
    return b"".join(size + each for size, each in zip(sizes, tokens, strict=True))


SMALL = Tokens(listed(b"<unk>", b"<s>", b"</s>", "\u2581".encode(), b"a", b"b", b"ab", b"aba", b"a" * 300))


@cache
def model() -> tuple[bytes, Tokens]:
    data = (_packaged() / "tokenizer.bin").read_bytes()
    return data, Tokens(data)


@cache
def reference() -> Any:
    """SentencePiece with the model's list, put together by the message format that it publishes.

    The numbers of the fields are those of its sentencepiece_model.proto: piece 1, score 2 and type 3 of each entry.
    """
    sentencepiece = pytest.importorskip("sentencepiece", reason="sentencepiece is not installed: pip install -e .[dev]")
    data, _ = model()
    at, rank, proto = 0, 0, b""
    while at < len(data):
        size, at = data[at], at + 1
        if size > 127:
            size, at = size - 128 + data[at] * 128, at + 1
        piece, kind = data[at : at + size] or b"<nothing>", 1
        at += size
        if rank < 3:
            kind = 2 if rank == 0 else 3
        elif rank in BYTES:
            piece, kind = b"<0x%02X>" % piece[0], 6
        proto += field(1, field(1, piece) + b"\x15" + struct.pack("<f", -rank) + bytes([3 << 3, kind]))
        rank += 1
    proto += field(2, b"\x18\x02" + bytes([35 << 3 & 127 | 128, 35 >> 4, 1]))  # byte pairs, bytes for unknown letters
    proto += field(
        3, field(1, b"identity") + b"\x18\x01\x20\x00\x28\x01"
    )  # a space before the text and no more changes
    return sentencepiece.SentencePieceProcessor(model_proto=proto)


def field(number: int, value: bytes) -> bytes:
    size = len(value)
    return bytes([number << 3 | 2]) + (bytes([size]) if size < 128 else bytes([size & 127 | 128, size >> 7])) + value


def test_sentences_have_the_tokens_that_sentencepiece_gives_them() -> None:
    texts = [sentence.text for sentence in KNOWN][::61]
    assert len(texts) > 100
    for text in (way for each in texts for form in forms(each, numbers(KNOWN)) for way in (form, f"{form}.".title())):
        assert model()[1].encode(text) == tuple(reference().encode(text)), text


def test_each_word_is_worked_out_once_however_many_sentences_have_it() -> None:
    tokens = Tokens(model()[0])
    for sentence in KNOWN:
        tokens.encode(sentence.text)
    assert tokens._encoded.cache_info().misses <= len(KNOWN.vocabulary) < len(KNOWN) / 100


@given(st.text("aeioustrnlbcdhTKI  -.,'0159é"))
def test_any_text_has_the_tokens_that_sentencepiece_gives_it(text: str) -> None:
    if text:  # of nothing SentencePiece makes nothing, we the space before it
        assert model()[1].encode(text) == tuple(reference().encode(text))


@given(st.lists(st.text("abcdefghijklmnopqrstuvwxyz-'0123456789", min_size=1), min_size=1).map(" ".join))
def test_text_comes_back_from_its_tokens(text: str) -> None:
    _, tokens = model()
    assert tokens.decode((1, *tokens.encode(text), END)) == text


def test_the_earlier_token_is_joined_first_and_the_left_of_two_alike() -> None:
    assert len(SMALL) == 9
    assert SMALL.encode("abab") == (3, 6, 6), "both pairs are joined before the three"
    assert SMALL.encode("abaa") == (3, 7, 4)
    assert SMALL.decode((3, 8)) == "a" * 300


def test_a_list_with_a_token_across_words_joins_them() -> None:
    """The words are worked out one by one only where no token goes from one into the next."""
    space = "\u2581".encode()
    across = Tokens(listed(b"<unk>", b"<s>", b"</s>", space, b"a", b"b", b"a" + space))
    assert across.encode("a b") == (3, 6, 5)
    apart = Tokens(listed(b"<unk>", b"<s>", b"</s>", space, b"a", b"b", space + b"a", space * 2))
    assert apart.encode("a  a b") == (6, 3, 6, 3, 5) and apart.encode("") == (3,)


@pytest.mark.parametrize(
    ("data", "complaint"),
    [
        (b"", "tokens 1 and 2 must be <s> and </s>"),
        (listed(b"<s>", b"</s>"), "tokens 1 and 2 must be <s> and </s>"),
        (listed(b"<unk>", b"<s>", b"</s>") + b"\x05ab", "ends within a token"),
        (listed(b"<unk>", b"<s>", b"</s>") + b"\x85", "ends within a length"),
    ],
)
def test_what_is_no_token_list_is_named(data: bytes, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        Tokens(data)


def test_letters_that_no_token_has_are_named() -> None:
    with pytest.raises(ValueError, match="the model cannot write x, y"):
        SMALL.encode("axby")


@pytest.mark.parametrize(
    ("text", "written"),
    [
        ("status", ["status"]),
        ("load wings twelve", ["load wings twelve", "load wings 12"]),
        ("reading one eight five", ["reading one eight five", "reading one-eight-five", "reading 185"]),
        (
            "discard twenty one pieces batch two",
            ["discard twenty one pieces batch two", "discard twenty-one pieces batch two", "discard 21 pieces batch 2"],
        ),
    ],
)
def test_a_sentence_is_written_in_words_with_hyphens_and_in_digits(text: str, written: list[str]) -> None:
    assert list(forms(text, numbers(KNOWN))) == written


def test_a_count_without_a_plain_word_is_not_written_in_digits() -> None:
    """Else "30" would be "thirty" again, in a kitchen whose loads need no such word."""
    small = KNOWN.for_loads_of(16)
    apart = spelled_out(small)
    assert apart == set(range(25, 100)) and spelled_out(KNOWN) == frozenset() == spelled_out(KNOWN.for_loads_of(99))
    text = "sold three zero pieces batch two"
    assert list(forms(text, numbers(small), digits_too=30 not in apart)) == [text, "sold three-zero pieces batch two"]


def test_every_number_that_can_be_said_is_known() -> None:
    rows = {words: digits for words, digits in numbers(KNOWN).items() if str(int(digits)) != digits}
    assert {int(digits) for words, digits in numbers(KNOWN).items() if words not in rows} >= set(range(300))
    assert rows[("zero", "one", "seven")] == "017" and len(rows) == 110, "of lots, whose zeros in front count"
    assert numbers(KNOWN)[("two", "zero", "three")] == "203"


class Made:
    """A model that likes what the dice say, after each beginning anew."""

    def __init__(self, seed: int) -> None:
        self.seed = seed

    def row(self, path: tuple[int, ...]) -> list[float]:
        dice = random.Random(f"{self.seed} {path}")
        likely = [dice.random() ** 3 + 1e-6 for _ in range(8)]
        return [math.log(each / sum(likely)) for each in likely]

    def begin(self) -> Written:
        return Written([self.row(())], [()])

    def follow(self, before: Written, rows: Sequence[int], tokens: Sequence[int]) -> Written:
        paths = [(*before.memory[row], token) for row, token in zip(rows, tokens, strict=True)]
        return Written([self.row(path) for path in paths], paths)


WRITINGS = st.lists(st.lists(st.integers(3, 7), max_size=5).map(tuple), min_size=1, max_size=25, unique=True)


def beginnings(writings: list[tuple[int, ...]]) -> Iterator[tuple[int, ...]]:
    """Every place of the tree: the shorter first, of equals those whose first turn was written first."""
    found = {writing[:size] for writing in writings for size in range(len(writing) + 1)}
    first = {path: next(at for at, each in enumerate(writings) if each[: len(path)] == path) for path in found}
    yield from sorted(found, key=lambda path: (len(path), [first[path[:size]] for size in range(len(path) + 1)]))


def prior(writings: list[tuple[int, ...]], quiet: Made, path: tuple[int, ...], token: int) -> float:
    turn = path[-tree.CONTEXT :]
    return quiet.row(next(each for each in beginnings(writings) if each[-tree.CONTEXT :] == turn))[token]


def grown(writings: list[tuple[int, ...]], quiet: Made) -> Node:
    root = tree.grow((f"sentence {at // 2}", writing) for at, writing in enumerate(writings))
    tree.learn_priors(root, quiet.begin(), quiet)
    return root


@given(WRITINGS, st.integers(0, 999))
def test_priors_are_those_of_the_first_place_after_the_same_two_tokens(
    writings: list[tuple[int, ...]], seed: int
) -> None:
    quiet = Made(seed)
    root = grown(writings, quiet)
    for path in beginnings(writings):
        node = root
        for token in path:
            node = node.next[token]
        for token in node.next:
            assert node.prior[token] == prior(writings, quiet, path, token)


@given(WRITINGS, st.integers(0, 999))
def test_a_wide_search_finds_every_sentence_in_the_order_of_its_fit(writings: list[tuple[int, ...]], seed: int) -> None:
    quiet, heard = Made(seed), Made(seed + 1_000)
    fits: dict[str, float] = {}
    for at, writing in enumerate(writings):
        told = (*writing, END)
        fit = sum(
            heard.row(told[:size])[token] - tree.PRIOR_SHARE * prior(writings, quiet, told[:size], token)
            for size, token in enumerate(told)
        )
        fits[f"sentence {at // 2}"] = max(fit, fits.get(f"sentence {at // 2}", fit))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(tree, "BEAM", 1_000)
        patch.setattr(tree, "HOPELESS", math.inf)
        found = tree.search(grown(writings, quiet), heard.begin(), heard)
    assert {each.text: each.fit for each in found} == pytest.approx(fits)
    assert [each.fit for each in found] == sorted((each.fit for each in found), reverse=True)
    some = tree.search(grown(writings, quiet), heard.begin(), heard)
    assert some and all(each.fit <= fits[each.text] + 1e-9 for each in some), (
        "the shipped beam misses, it never invents"
    )


def test_two_searches_agree_on_the_mean_and_what_one_gave_up_is_worse_than_its_worst() -> None:
    first = [Found("load leg", 5.0), Found("load thigh", 4.0), Found("status", 1.0)]
    second = [Found("load thigh", 6.0), Found("load leg", 2.0), Found("confirm", 0.0)]
    assert tree.agreed(first, second) == [
        Found("load thigh", 5.0),
        Found("load leg", 3.5),
        Found("status", 0.0),
        Found("confirm", 0.0),
    ]
