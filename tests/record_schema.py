"""The schema of a row as it is sent, made of `journal.columns`.

python -m tests.record_schema     # writes share/schemas/record.json
"""

import json
from typing import Any

from recorder.core import alerts
from recorder.core.effects import EARLIER_TABLES, Level
from recorder.journal.columns import BY_CHECKS, BY_UNIT, TABLES, Column
from recorder.journal.step_tables import ADDED
from tests.contract import SHARE

FILE = SHARE / "schemas" / "record.json"

TYPES = {"INTEGER": "integer", "REAL": "number", "TEXT": "string"}

KINDS = sorted({*alerts.KINDS, *alerts.EARLIER})

ONE_OF: dict[tuple[str, str], list[str]] = {
    **{(table, "unit"): ["F", "C"] for table in TABLES},
    ("alerts", "kind"): KINDS,
    ("alerts", "level"): [*Level],
}
"""Columns of text that have one of these values."""

BEFORE = {
    "station": {"type": "string", "description": "The station's name.", "pattern": "^[a-z0-9][a-z0-9-]*$"},
}
AFTER = {
    "entry": {"type": "integer", "description": "Number of the journal entry that this comes from.", "minimum": 1},
    "entry_hash": {
        "type": "string",
        "pattern": "^[0-9a-f]{64}$",
        "description": "SHA-256 of that entry, which covers all before it.",
    },
    "at_ms": {
        "type": "integer",
        "description": "When it was recorded. Milliseconds since 1970 UTC, as far as the station's clock was set.",
        "x-ucum": "ms",
    },
    "wall_known": {"type": "boolean", "description": "Whether the station's wall clock was known to be right."},
}
"""What a message has around the row; a row's own `at_ms` goes before."""


def property_of(table: str, column: Column) -> dict[str, Any]:
    kind = TYPES[column.kind]
    made: dict[str, Any] = {"type": [kind, "null"] if column.null else kind}
    made["description"] = f"{column.about[0].upper()}{column.about[1:]}."
    if column.unit in (BY_UNIT, BY_CHECKS):
        made["x-ucum"] = {"F": "[degF]", "C": "Cel"}
    elif column.unit not in ("", "1"):
        made["x-ucum"] = column.unit
    values: list[Any] = [0, 1] if column.flag else [*ONE_OF.get((table, column.name), [])]
    if values:
        made["enum"] = [*values, None] if column.null else values
    if column.name == "id" and column.kind == "INTEGER":
        made["minimum"] = 1
    return made


def definition(table: str) -> dict[str, Any]:
    """A row of this table; columns that later versions added need not be there, since older messages lack them."""
    own = {column.name: property_of(table, column) for column in TABLES[table]}
    around = {name: about for name, about in AFTER.items() if name not in own}
    name = {"enum": [table, EARLIER_TABLES[table]]} if table in EARLIER_TABLES else {"const": table}
    properties = {**BEFORE, "table": name, **own, **around}
    required = [name for name in properties if name not in ADDED.get(EARLIER_TABLES.get(table, table), ())]
    return {"type": "object", "required": required, "additionalProperties": False, "properties": properties}


def made() -> str:
    """The whole file; what stands around the rows stays as it is there."""
    schema = json.loads(FILE.read_text("utf-8"))
    schema["properties"]["data"] = {"oneOf": [{"$ref": f"#/$defs/{table}"} for table in TABLES]}
    schema["$defs"] = {table: definition(table) for table in TABLES}
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    FILE.write_text(made(), "utf-8")
