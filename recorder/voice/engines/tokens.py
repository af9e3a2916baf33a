"""The pieces of writing that a recogniser's model thinks in: byte-pair encoding over a fixed list of tokens. Pure.

A token list is the file `tokenizer.bin` of the model: each token as its length (one byte, or two where the first is
128 or more: low seven bits, then the rest) and its bytes in UTF-8. A space is written as U+2581. The earlier a token
stands in the list, the sooner its two halves are joined. Tokens 3 to 258 are single bytes for what no other token has;
a letter that stands in the list a second time is meant by the later one.
"""

import re
from collections.abc import Iterable
from functools import cache, cached_property
from itertools import pairwise

SPACE = "\u2581"

_WORD = re.compile(f"{SPACE}+[^{SPACE}]*")
"""One word with the spaces before it."""

_ACROSS = re.compile(f"[^{SPACE}]{SPACE}")
"""A space after something else, in a token."""

START, END = 1, 2
"""The tokens that open and close what is said."""


class Tokens:
    """One model's list of tokens."""

    def __init__(self, data: bytes) -> None:
        """Raises `ValueError` when `data` is no token list."""
        self._tokens = list(_read(data))
        if self._tokens[START : END + 1] != [b"<s>", b"</s>"]:
            raise ValueError("this is no token list; tokens 1 and 2 must be <s> and </s>")
        self._by_word = not any(_ACROSS.search(token.decode(errors="replace")) for token in self._tokens)
        self._encoded = cache(self._encode)

    def __len__(self) -> int:
        return len(self._tokens)

    def encode(self, text: str) -> tuple[int, ...]:
        """The tokens of `text`, which begins a word; raises `ValueError` for a letter that no token has.

        No two words are ever joined, where no token has a space after a letter: then each word is worked out once.
        """
        written = SPACE + text.replace(" ", SPACE)
        words = _WORD.findall(written) if self._by_word else [written]
        return tuple(token for word in words for token in self._encoded(word))

    def _encode(self, written: str) -> tuple[int, ...]:
        pieces = [letter.encode() for letter in written]
        if unknown := [piece.decode() for piece in pieces if piece not in self._ranks]:
            raise ValueError(f"the model cannot write {', '.join(unknown)}")
        while True:
            joins = [
                (self._ranks[left + right], at)
                for at, (left, right) in enumerate(pairwise(pieces))
                if left + right in self._ranks
            ]
            if not joins:
                return tuple(self._ranks[piece] for piece in pieces)
            _, at = min(joins)
            pieces[at : at + 2] = [pieces[at] + pieces[at + 1]]

    def decode(self, tokens: Iterable[int]) -> str:
        """The text of `tokens`."""
        written = b"".join(self._tokens[token] for token in tokens if token not in (START, END))
        return written.decode(errors="replace").replace(SPACE, " ").strip()

    @cached_property
    def _ranks(self) -> dict[bytes, int]:
        return {token: rank for rank, token in enumerate(self._tokens)}


def _read(data: bytes) -> Iterable[bytes]:
    at = 0
    while at < len(data):
        size = data[at]
        at += 1
        if size >= 128:
            if at == len(data):
                raise ValueError("the token list ends within a length")
            size += 128 * data[at] - 128
            at += 1
        if at + size > len(data):
            raise ValueError("the token list ends within a token")
        yield data[at : at + size]
        at += size
