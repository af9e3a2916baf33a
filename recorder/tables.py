"""A settings value from a table of plain values, as TOML or JSON has them, checked by its fields' types; and back."""

import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict, fields, is_dataclass
from pathlib import Path
from types import UnionType
from typing import Any, TypeVar, cast, get_args, get_type_hints

T = TypeVar("T")

WORDS: dict[Any, str] = {
    bool: "true or false",
    int: "a whole number",
    float: "a number",
    str: "text in quotes",
    Path: "text in quotes",
    list: "a list, in [ ]",
    tuple: "a list, in [ ]",
    dict: "a table, [its name] and its lines under it",
}
"""How each type is written in TOML."""


def build(kind: Callable[..., T], table: Mapping[str, Any]) -> T:
    """A value of dataclass `kind` from the keys of `table`; a list of tables becomes a tuple of the field's dataclass.

    Raises `ValueError` naming the key.
    """
    hints = get_type_hints(kind)
    names = [field.name for field in fields(cast(Any, kind))]
    values = {}
    for key, value in table.items():
        if key not in names:
            raise ValueError(f"does not know {key}; there are {', '.join(names)}")
        if isinstance(value, list):
            value = tuple(_item(key, each, hints[key]) for each in value)
        if isinstance(value, float) and not math.isfinite(value):
            raise ValueError(f"{key} is {value}; write a number")
        if not _fits(value, hints[key]):
            raise ValueError(f"{key} is {value!r}; it must be {in_words(hints[key])}")
        values[key] = value
    try:
        return kind(**values)
    except TypeError as error:
        raise ValueError(str(error)) from error


def in_words(kind: Any) -> str:
    """What a value of `kind`, a type, a union or a tuple of types, looks like in TOML."""
    kinds = kind if isinstance(kind, tuple) else get_args(kind) if isinstance(kind, UnionType) else (kind,)
    words = dict.fromkeys(WORDS.get(getattr(each, "__origin__", each), "") for each in kinds if each is not type(None))
    return " or ".join(filter(None, words))


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


def _item(key: str, value: Any, hint: Any) -> Any:
    kind = next(iter(get_args(hint)), None)
    if not (isinstance(value, dict) and isinstance(kind, type) and is_dataclass(kind)):
        return value
    try:
        return build(kind, value)
    except ValueError as error:
        raise ValueError(f"{key}: {error}") from error


def _fits(value: Any, hint: Any) -> bool:
    if isinstance(hint, UnionType):
        return any(_fits(value, each) for each in get_args(hint))
    plain = getattr(hint, "__origin__", hint)
    if plain is float:
        return type(value) in (int, float)
    return type(value) is plain if plain in (int, bool) else isinstance(value, plain)
