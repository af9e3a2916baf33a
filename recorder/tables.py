"""Dataclasses out of plain values, as TOML and JSON have them, and back. The one builder of the house.

Every value is checked by its field's type, to the letter: true is no number, and a number is no text.
"""

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import MISSING, asdict, fields, is_dataclass
from enum import Enum
from functools import cache
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from recorder.errors import RecorderError

T = TypeVar("T")

Make = Callable[[Any], Any]
"""A plain value to the value that a field holds; raises `MisfitError`."""

WORDS: dict[Any, str] = {
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    str: "text in quotes",
    Path: "text in quotes",
    tuple: "a list, in [ ]",
    dict: "a table, [its name] and its lines under it",
}
"""How each type is written in TOML."""


class MisfitError(RecorderError, ValueError):
    """A value does not fit its field. The text names the key, with those of the tables around it: `cook.longest`."""

    def __init__(self, problem: str, *path: str) -> None:
        """`problem` follows the key: "is 3; it must be text in quotes"."""
        self.problem, self.path = problem, path
        key = ".".join(path)
        super().__init__(f"{key}{problem if problem.startswith(':') else f' {problem}'}".lstrip(": "))

    def within(self, key: str) -> "MisfitError":
        """The same, seen from the table that has `key`."""
        return MisfitError(self.problem, key, *self.path)

    def of_an_entry(self) -> "MisfitError":
        """The same, of the list that the value is in."""
        return MisfitError(f"has an entry that {self.problem}")


def build(kind: Callable[..., T], table: Any) -> T:
    """A value of dataclass `kind` from the keys of `table`. A field's type may be a dataclass again.

    Other types are bool, int, float, str, `Path`, an enum, a tuple, a dict, one of these or None, and
    `Annotated[type, make]`, whose values are what `make` gives. Raises `MisfitError` that names the key and the remedy.
    """
    made: T = _maker(kind)(table)
    return made


def plain(value: Any) -> dict[str, Any]:
    """The table of `value`, a dataclass as `build` makes them."""
    return asdict(value)


def toml(name: str, value: Any) -> str:
    """`value`, a dataclass as `build` makes them, as an entry of TOML's array of tables `name`, without defaults."""
    lines, within = [f"[[{name}]]"], []
    for field in fields(value):
        held = getattr(value, field.name)
        if held == field.default:
            continue
        if isinstance(held, tuple) and held and is_dataclass(held[0]):
            within += [toml(f"{name}.{field.name}", each) for each in held]
        else:
            lines.append(f"{field.name} = {_toml_value(held)}")
    return "\n".join([*lines, *within])


def _toml_value(held: Any) -> str:
    """JSON's text is TOML's too, but for the controls from DEL on: those must be written as escapes."""
    text = json.dumps(held, ensure_ascii=False)
    return re.sub(r"[\x7f-\x9f]", lambda each: f"\\u{ord(each[0]):04x}", text)


@cache
def _maker(hint: Any) -> Make:
    """What makes a value of the type `hint`; found out once for each type."""
    if is_dataclass(hint):
        return _dataclass(cast(type, hint))
    origin, parts = get_origin(hint), get_args(hint)
    if origin is Annotated:
        return cast(Make, parts[1])
    if origin in (UnionType, Union):
        return _union(tuple(each for each in parts if each is not NoneType), NoneType in parts)
    if origin is tuple:
        return _several(hint, parts)
    if origin is dict:
        return _mapping(_maker(parts[1]))
    if hint is Any:
        return lambda value: value
    if hint is float:
        return _number
    if hint is Path:
        return lambda value: value if isinstance(value, Path) else Path(_exact(str)(value))
    return _enum(hint) if isinstance(hint, type) and issubclass(hint, Enum) else _exact(hint)


def _dataclass(kind: type) -> Make:
    makers = {name: _maker(hint) for name, hint in get_type_hints(kind, include_extras=True).items()}
    names = [field.name for field in fields(kind)]
    needed = [each.name for each in fields(kind) if each.default is MISSING and each.default_factory is MISSING]

    def make(table: Any) -> Any:
        if type(table) is not dict and not isinstance(table, Mapping):
            raise _misfit(table, WORDS[dict])
        values, key = {}, ""
        try:
            for key, value in table.items():
                if key not in makers:
                    raise MisfitError(f"does not know {key}; there are {', '.join(names)}")
                values[key] = makers[key](value)
        except MisfitError as error:
            raise (error if key not in makers else error.within(key)) from None
        if missing := [name for name in needed if name not in values]:
            raise MisfitError("is missing", missing[0])
        try:
            return kind(**values)
        except MisfitError:
            raise
        except (ValueError, TypeError) as error:
            raise MisfitError(f": {error}") from error

    return make


def _several(hint: Any, parts: tuple[Any, ...]) -> Make:
    """A tuple; of any length, or with a type for each place."""
    each, tables = _maker(parts[0]), is_dataclass(parts[0]) or get_origin(parts[0]) is dict
    places = None if parts[-1] is ... else [_maker(part) for part in parts]

    def make(value: Any) -> tuple[Any, ...]:
        if isinstance(value, Mapping) and tables:
            raise MisfitError("needs double brackets around its name, [[ ]], since there may be several")
        if not isinstance(value, (list, tuple)):
            raise _misfit(value, WORDS[tuple])
        if places is None:
            try:
                return tuple(map(each, value))
            except MisfitError as error:
                raise (error.of_an_entry() if not error.path and error.problem.startswith("is ") else error) from None
        if len(value) != len(places):
            raise _misfit(value, f"a list of {len(places)}")
        return tuple(place(part) for place, part in zip(places, value, strict=True))

    return make


def _union(kinds: tuple[Any, ...], or_none: bool) -> Make:
    """The type that the value has already, or else the first."""
    makers = {kind: _maker(kind) for kind in kinds}
    first = makers[kinds[0]]

    def make(value: Any) -> Any:
        if value is None and or_none:
            return None
        return makers.get(type(value), first)(value)

    return make


def _mapping(each: Make) -> Make:
    def make(value: Any) -> dict[str, Any]:
        if not isinstance(value, Mapping):
            raise _misfit(value, WORDS[dict])
        made, key = {}, ""
        try:
            for key, held in value.items():
                made[key] = each(held)
        except MisfitError as error:
            raise error.within(key) from None
        return made

    return make


def _enum(kind: type[Enum]) -> Make:
    def make(value: Any) -> Enum:
        try:
            return kind(value)
        except ValueError:
            raise _misfit(value, f"one of {', '.join(str(each.value) for each in kind)}") from None

    return make


def _number(value: Any) -> float:
    if type(value) is float:
        number = value
    elif type(value) is int:
        try:
            number = float(value)
        except OverflowError:
            raise MisfitError("is too large; write a number") from None
    else:
        raise _misfit(value, WORDS[float])
    if not math.isfinite(number):
        raise _misfit(value, "a finite number")
    return number


def _exact(kind: type) -> Make:
    words = WORDS.get(kind, kind.__name__)

    def make(value: Any) -> Any:
        if type(value) is not kind:
            raise _misfit(value, words)
        return value

    return make


def _misfit(value: Any, words: str) -> MisfitError:
    return MisfitError(f"is {value!r}; it must be {words}")
