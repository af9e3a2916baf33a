"""The trade's tables as files that other programs read: CSV, JSON Lines, Parquet. The only door to pyarrow."""

import csv
import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from itertools import islice
from pathlib import Path
from typing import Any, TextIO

from recorder import private
from recorder.journal.errors import JournalError
from recorder.journal.finding import Finding
from recorder.journal.reader import Reader
from recorder.reports.exported import BOUND, DATE, EXPORTED, JSON, READINGS, rows
from recorder.reports.integrity import NOT_KNOWN, integrity
from recorder.reports.lookup import Lookup, Row
from recorder.reports.words import cell, hides

FORMS = ("csv", "jsonl", "parquet")

KINDS = {"INTEGER": "int64", "REAL": "float64", "TEXT": "string", DATE: "date32"}

AT_ONCE = 10_000
"""Rows of a Parquet file that are in memory together."""


def export(lookup: Lookup, folder: Path, form: str, records: Row, finding: Finding) -> Iterator[tuple[Path, int]]:
    """One file for each table and a dictionary of the columns; each file and its rows, as they are written.

    `lookup` is of the journal, the zone and the days that are wanted. `finding` is what `verify` says of that journal,
    of which `about` says `records`; both go into a manifest beside them. A table that is not as the recorder makes it
    has no file, and the manifest says so.

    Empty columns are empty in CSV and null elsewhere. In CSV a text is as `words.cell` has it, so that no spreadsheet
    computes it; JSON Lines and Parquet hold the exact text. Raises `JournalError` where a package is missing, and
    `OSError`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    write = {"csv": _csv, "jsonl": _jsonl, "parquet": _parquet}[form]
    counts: dict[str, int | None] = {}
    for table in EXPORTED:
        file = folder / f"{table}.{form}"
        if not lookup.readable("journal" if table == READINGS else table):
            file.unlink(missing_ok=True)  # of an earlier export: it would be taken for this one's
            counts[table] = None
            continue
        counts[table] = write(file, table, rows(lookup, table))
        yield file, counts[table] or 0
    _manifest(folder / "manifest.json", records, form, counts, finding, lookup)
    described = list(dictionary())
    with private.writing(folder / "dictionary.csv") as out:
        _write_csv(out, list(described[0]), described)
    yield folder / "dictionary.csv", len(described)


def _manifest(
    file: Path, records: Row, form: str, counts: dict[str, int | None], finding: Finding, lookup: Lookup
) -> None:
    """What the files hold, and what is known of the record that they are from; null rows: a table without a file."""
    record = integrity(finding)
    first, last = lookup.days.first, lookup.days.last
    said = {
        **records,
        "form": form,
        "record": record.verdict,
        "found": record.found,
        "not_compared": record.not_compared,
        "not_known": NOT_KNOWN,
        "not_read": lookup.unread,
        "entries": finding.entries,
        "chain_head": finding.head,
        "zone": lookup.zone_name,
        "from": first.isoformat() if first else None,
        "to": last.isoformat() if last else None,
        "days": "by shift_day: what belongs to a shift has the local day on which the shift began",
        "readings": BOUND,
        "rows": counts,
    }
    with private.writing(file) as out:
        out.write(json.dumps(said, indent=1) + "\n")


def written(form: str) -> list[str]:
    """The names of the files that an export writes."""
    return [*(f"{table}.{form}" for table in EXPORTED), "manifest.json", "dictionary.csv"]


def about(journal: Reader, name: str) -> dict[str, Any]:
    """What a manifest says of the records that the files are from, whatever came to them since."""
    try:
        first = journal.first()
    except JournalError:  # damaged; the manifest says so
        first = None
    return {"database": name, "first_entry": first.hash if first else None}


def dictionary() -> Iterator[dict[str, Any]]:
    """Every column of every file: its type, its UCUM code and what it means."""
    for table, columns in EXPORTED.items():
        for column in columns:
            about = {"type": column.kind, "unit": column.unit, "means": column.about}
            yield {"table": table, "column": column.name, **about}


def _csv(file: Path, table: str, rows: Iterable[Row]) -> int:
    with private.writing(file) as out:
        return _write_csv(out, [column.name for column in EXPORTED[table]], rows)


def _write_csv(out: TextIO, names: Sequence[str], rows: Iterable[Row]) -> int:
    writer, count = csv.DictWriter(out, names), 0
    writer.writeheader()
    for row in rows:
        writer.writerow({name: _cell(value) for name, value in row.items()})
        count += 1
    return count


def _cell(value: Any) -> Any:
    if isinstance(value, dict | list):
        return _json(value)
    return cell(value) if isinstance(value, str) else value


def _jsonl(file: Path, table: str, rows: Iterable[Row]) -> int:
    count = 0
    with private.writing(file) as out:
        for row in rows:
            out.write(_json(row) + "\n")
            count += 1
    return count


def _json(value: Any) -> str:
    """JSON with its own escapes for what can't be seen: it is the same value, and nothing in it acts on a terminal."""
    text = json.dumps(value, ensure_ascii=False)
    return "".join(json.dumps(each)[1:-1] if hides(each) else each for each in text)


def _parquet(file: Path, table: str, rows: Iterable[Row]) -> int:
    """Data that was text is a list: of ids, or of structs with a name and either a number or a text."""
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError as error:
        raise JournalError("Parquet needs pyarrow; pip install pyarrow, or take csv or jsonl") from error
    named = pa.list_(pa.struct([("name", pa.string()), ("number", pa.float64()), ("text", pa.string())]))
    data = {"numbers": named, "checks_in_doubt": pa.list_(pa.int64())}
    schema = pa.schema(
        pa.field(
            column.name,
            data[column.name] if column.kind == JSON else getattr(pa, KINDS[column.kind])(),
            metadata={"unit": column.unit, "means": column.about},
        )
        for column in EXPORTED[table]
    )
    dates = [column.name for column in EXPORTED[table] if column.kind == DATE]
    private.make(file)
    count, left = 0, iter(rows)
    with parquet.ParquetWriter(file, schema) as out:
        while some := [_typed(row, dates) for row in islice(left, AT_ONCE)]:
            out.write_table(pa.Table.from_pylist(some, schema))
            count += len(some)
    return count


def _typed(row: Row, dates: Sequence[str]) -> Row:
    days = {name: date.fromisoformat(row[name]) for name in dates if row[name]}
    return {name: _structs(value) for name, value in row.items()} | days


def _structs(value: Any) -> Any:
    if not isinstance(value, dict):
        return value
    return [
        {"name": name, "number": None, "text": each} if isinstance(each, str) else {"name": name, "number": each}
        for name, each in value.items()
    ]
