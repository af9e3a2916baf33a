"""What does not fit a field: the error that names key and remedy, and what dataclasses need to raise it. Pure."""

import difflib
import textwrap
from collections.abc import Iterable, Sequence

from recorder.errors import RecorderError

LISTED = 130
"""Characters of a list of names."""

Wrong = tuple[str, str]
"""A key, such as "baud" or "register.0.channel", and what is wrong with its value: "is 3; write 1 or 2"."""


class MisfitError(RecorderError, ValueError):
    """A value does not fit its field. The text names the key, with those of the tables around it: `cook.longest`."""

    def __init__(self, problem: str, *path: str | int, others: "Sequence[MisfitError]" = ()) -> None:
        """`problem` follows the key: "is 3; it must be text in quotes". Numbers in `path` are places in a list."""
        self.problem, self.path = problem, path
        self.all: tuple[MisfitError, ...] = (self, *others)
        """All that was found in the same table, this one first."""
        super().__init__(problem)

    def __str__(self) -> str:
        key = ".".join(each for each in self.path if isinstance(each, str))
        first = f"{key}{self.problem if self.problem.startswith(':') else f' {self.problem}'}".lstrip(": ")
        return "; ".join([first, *map(str, self.all[1:])])

    def within(self, *above: str | int) -> "list[MisfitError]":
        """All, seen from the table that has `above`."""
        return [MisfitError(each.problem, *above, *each.path) for each in self.all]


def raised(found: Iterable[MisfitError]) -> MisfitError:
    """The first of `found`, with all others behind it, ready to be raised."""
    first, *others = found
    return MisfitError(first.problem, *first.path, others=others)


def refuse(found: Iterable[Wrong]) -> None:
    """Raise `MisfitError` with all of `found`, if there is any; for what a dataclass checks once it is made."""
    if wrong := [MisfitError(problem, *place(key)) for key, problem in found]:
        raise raised(wrong)


def place(key: str) -> list[str | int]:
    """The keys of "register.0.channel", from above, and places in lists."""
    return [int(each) if each.isdigit() else each for each in key.split(".") if each]


def listed(names: Iterable[str]) -> str:
    """The names on one line, with ... for those that are too many to read."""
    return textwrap.shorten(", ".join(names), LISTED, placeholder=" ...")


def choice(value: object, allowed: Iterable[str]) -> str:
    """That `value` is none of `allowed`, and which was likely meant."""
    names = list(allowed)
    close = difflib.get_close_matches(str(value), names, n=1)
    return f"is {value!r}; " + (f'did you mean "{close[0]}"?' if close else f"write one of {listed(names)}")
