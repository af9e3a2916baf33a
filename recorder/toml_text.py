"""TOML as it was written: on which line a key stands, and what a slip of the pen was likely meant to be.

The parser of the standard library gives no lines for values. So the key is looked for with that parser itself: it
stands where the shortest text that has it ends.
"""

import re
import tomllib
from collections.abc import Sequence
from typing import Any

Place = Sequence[str | int]
"""Keys from the top of the file; numbers are places in a list."""

LONGEST = 50
"""Characters of a line that are shown."""

REMEDIES = (
    ("Illegal character '\\n'", "write the missing quote at the end of the text, such as {example}"),
    ("Cannot overwrite", "it stands twice; remove one of them"),
    ("Cannot declare", "it stands twice; remove one of them"),
    ("Cannot mutate", "it stands twice; remove one of them"),
    ("Expected ']'", "write the missing bracket, such as [hold], or [[part]] with two"),
    ("Expected ']]'", "write the missing bracket, such as [hold], or [[part]] with two"),
    ("Unclosed array", "write the missing ] at the end of the list, and a comma between entries"),
    ("Expected '='", "write a key, = and its value, such as {example}"),
    ("Unescaped '\\'", "write \\\\ for each \\ within quotes"),
)
"""How tomllib's complaint begins -> what to do; the first that fits counts."""


def parse(text: str) -> dict[str, Any]:
    """The tables in `text`; raises `ValueError` that names line, what stands there and the remedy."""
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise ValueError(": it is nested too deeply to be TOML; remove the brackets that are too many") from error
    except ValueError as error:
        raise ValueError(_slip(text, str(error))) from error


def line_of(text: str, path: Place) -> int | None:
    """The line, from 1, on which the value at `path` begins in valid `text`, or else that of the table around it.

    None for what stands nowhere, such as a key that is missing at the top of the file.
    """
    table = tomllib.loads(text)
    while path and not _has(table, path):
        path = path[:-1]
    if not path:
        return None
    lines = text.split("\n")
    without, with_it = 0, len(lines)
    while with_it - without > 1:
        middle = tried = (without + with_it) // 2
        while tried < with_it and (has := _begun(lines[:tried], path)) is None:
            tried += 1
        if tried == with_it or has:
            with_it = middle
        else:
            without = tried
    return without + 1


def _begun(lines: list[str], path: Place) -> bool | None:
    """Whether the value is there by the end of `lines`; None where they end within some value."""
    try:
        return _has(tomllib.loads("\n".join(lines)), path)
    except (ValueError, RecursionError):
        return None


def _has(table: Any, path: Place) -> bool:
    for key in path:
        try:
            table = table[key]
        except (KeyError, IndexError, TypeError):
            return False
    return True


def _slip(text: str, complaint: str) -> str:
    """Where and what tomllib complains of, with a remedy."""
    lines = text.split("\n")
    found = re.search(r" \(at line (\d+), column \d+\)$", complaint)
    number = int(found[1]) if found else len(text.rstrip().split("\n"))
    line = re.sub(r"\s+#.*", "", lines[number - 1].strip())
    key, equals, rest = line.partition("=")
    value = rest.strip("\"'“”„ ")
    if complaint.startswith("Cannot") and line.startswith("["):
        return f", line {number}: {line[:LONGEST]} is there already; remove one, or write each with two brackets, [[ ]]"
    remedy = next((remedy for start, remedy in REMEDIES if complaint.startswith(start)), None)
    if remedy is None and value.lower() in ("true", "false", "yes", "no", "on", "off"):
        example = f"{key.strip()} = {'true' if value.lower() in ('true', 'yes', 'on') else 'false'}"
        remedy = f"write it in small letters, without quotes: {example}"
    elif remedy is None and re.fullmatch(r"-?\d+,\d+", value):
        remedy = f"write a point in place of the comma: {key.strip()} = {value.replace(',', '.')}"
    elif remedy is None and not value:
        remedy = "write its value after the =, such as {example}"
    elif remedy is None:
        remedy = "write text between two quotes, such as {example}"
    example = f'{key.strip()} = "{value}"' if equals and value else 'station = "fry-line-1"'
    shown = line if len(line) <= LONGEST else f"{line[:LONGEST]}..."
    return f", line {number}: {shown or 'this line'} is not TOML; {remedy.replace('{example}', example[: 2 * LONGEST])}"
