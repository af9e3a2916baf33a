"""Dataclasses out of plain values, as TOML and JSON have them, and back. The one builder of the house.

Every value is checked by its field's type, to the letter: true is no number, and a number is no text.
"""

import difflib
import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import MISSING, asdict, fields, is_dataclass
from enum import Enum
from functools import cache
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, TypeVar, Union, cast, get_args, get_origin, get_type_hints

from recorder.misfits import MisfitError, listed, raised

T = TypeVar("T")

Make = Callable[[Any], Any]
"""A plain value to the value that a field holds; raises `MisfitError`."""

MEASURES = {"s": "seconds", "ms": "milliseconds", "mb": "megabytes", "m": "metres"}
"""Ending of a key -> what its number counts."""

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
    hints = get_type_hints(kind, include_extras=True)
    makers = {name: _maker(hint) for name, hint in hints.items()}
    names = [field.name for field in fields(kind)]
    needed = [each.name for each in fields(kind) if each.default is MISSING and each.default_factory is MISSING]

    def make(table: Any) -> Any:
        if type(table) is not dict and not isinstance(table, Mapping):
            raise _misfit(table, WORDS[dict])
        values: dict[str, Any] = {}
        found: list[MisfitError] = []
        for key, value in table.items():
            if key not in makers:
                found.append(_unknown(key, names, [name for name in names if name not in table]))
                continue
            try:
                values[key] = makers[key](value)
            except MisfitError as error:
                found += _measured(key, error)
        meant = {each.meant for each in found if isinstance(each, _UnknownKey)}
        absent = [name for name in needed if name not in table]
        found += [MisfitError(_missing(name, hints[name]), name) for name in absent if name not in meant]
        if all(name in values for name in needed):
            refused = {*(each.path[0] for each in found), *meant}
            try:
                made = kind(**values)
            except MisfitError as error:
                found += [each for each in error.all if not each.path or each.path[0] not in refused]
            except (ValueError, TypeError) as error:
                found.append(MisfitError(f": {error}"))
        if found:
            raise raised(found)
        return made

    return make


def _missing(name: str, hint: Any) -> str:
    if is_dataclass(hint):
        return "is missing; write a table of that name, in [ ], and its lines under it"
    if get_origin(hint) is tuple and is_dataclass(get_args(hint)[0]):
        return f"is missing; write a [[{name}]] for each one"
    return f"is missing; write {name} = and its value"


def _measured(key: str, error: MisfitError) -> list[MisfitError]:
    """All of `error` below `key`, whose ending names the unit of a number."""
    if error.problem.endswith(" number") and (unit := MEASURES.get(key.rpartition("_")[2])):
        return MisfitError(f"{error.problem} of {unit}").within(key)
    return error.within(key)


class _UnknownKey(MisfitError):
    """A key that a table does not have."""

    meant = ""
    """The one that was likely meant."""


def _unknown(key: str, names: list[str], free: list[str]) -> _UnknownKey:
    """`free`: the keys that are not yet there."""
    close = difflib.get_close_matches(key, free, n=1)
    there = listed(names)
    remedy = f"did you mean {close[0]}?" if close else f"remove it; keys here: {there}"
    error = _UnknownKey(f"is not known here; {remedy}", key)
    error.meant = close[0] if close else ""
    return error


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
            return _entries(each, value)
        if len(value) != len(places):
            raise _misfit(value, f"a list of {len(places)}")
        return tuple(place(part) for place, part in zip(places, value, strict=True))

    return make


def _entries(each: Make, value: Sequence[Any]) -> tuple[Any, ...]:
    try:
        return tuple(map(each, value))
    except MisfitError:
        found: list[MisfitError] = []
    for place, entry in enumerate(value):
        try:
            each(entry)
        except MisfitError as error:
            bare = not error.path and error.problem.startswith("is ")
            found += [MisfitError(f"has an entry that {error.problem}")] if bare else error.within(place)
    raise raised(found)


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
        made: dict[str, Any] = {}
        found: list[MisfitError] = []
        for key, held in value.items():
            try:
                made[key] = each(held)
            except MisfitError as error:
                found += error.within(key)
        if found:
            raise raised(found)
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
