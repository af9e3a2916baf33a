"""The trade's tables as files that other programs read: CSV, JSON Lines, Parquet. The only door to pyarrow."""

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from recorder import private
from recorder.journal.columns import TABLES, columns
from recorder.journal.errors import JournalError
from recorder.journal.finding import Finding
from recorder.journal.reader import Reader
from recorder.reports.integrity import NOT_KNOWN, integrity
from recorder.reports.words import cell, hides

FORMS = ("csv", "jsonl", "parquet")

KINDS = {"INTEGER": "int64", "REAL": "float64", "TEXT": "string"}


def export(journal: Reader, folder: Path, form: str, name: str, finding: Finding) -> Iterator[tuple[Path, int]]:
    """One file for each table and a dictionary of the columns; each file and its rows, as they are written.

    `finding` is what `verify` says of this `journal`, whose file has this `name`; it goes into a manifest beside them.
    A table that is not as the recorder makes it has no file, and the manifest says so.

    Empty columns are empty in CSV and null elsewhere. In CSV a text is as `words.cell` has it, so that no spreadsheet
    computes it; JSON Lines and Parquet hold the exact text. Raises `JournalError` where a package is missing, and
    `OSError`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    write = {"csv": _csv, "jsonl": _jsonl, "parquet": _parquet}[form]
    counts: dict[str, int | None] = {}
    for table in TABLES:
        file = folder / f"{table}.{form}"
        if table in journal.made_otherwise():
            file.unlink(missing_ok=True)  # of an earlier export: it would be taken for this one's
            counts[table] = None
            continue
        rows = journal.table(table)
        write(file, table, rows)
        counts[table] = len(rows)
        yield file, len(rows)
    _manifest(folder / "manifest.json", name, form, counts, finding)
    described = list(dictionary())
    _csv(folder / "dictionary.csv", None, described)
    yield folder / "dictionary.csv", len(described)


def _manifest(file: Path, name: str, form: str, counts: dict[str, int | None], finding: Finding) -> None:
    """What the files hold, and what is known of the record that they are from; null rows: a table without a file."""
    record = integrity(finding)
    said = {
        "database": name,
        "form": form,
        "record": record.verdict,
        "found": record.found,
        "not_compared": record.not_compared,
        "not_known": NOT_KNOWN,
        "entries": finding.entries,
        "chain_head": finding.head,
        "rows": counts,
    }
    with private.writing(file) as out:
        out.write(json.dumps(said, indent=1) + "\n")


def dictionary() -> Iterator[dict[str, Any]]:
    """Every column of every table: its type, its UCUM code and what it means."""
    for table in TABLES:
        for column in TABLES[table]:
            about = {"type": column.kind, "unit": column.unit, "means": column.about}
            yield {"table": table, "column": column.name, **about}


def _csv(file: Path, table: str | None, rows: list[dict[str, Any]]) -> None:
    names = columns(table) if table else list(rows[0])
    with private.writing(file) as out:
        writer = csv.DictWriter(out, names)
        writer.writeheader()
        writer.writerows({name: _cell(value) for name, value in row.items()} for row in rows)


def _cell(value: Any) -> Any:
    return cell(value) if isinstance(value, str) else value


def _jsonl(file: Path, table: str, rows: list[dict[str, Any]]) -> None:
    with private.writing(file) as out:
        out.writelines(_escaped(json.dumps(row, ensure_ascii=False)) + "\n" for row in rows)


def _escaped(text: str) -> str:
    """JSON with its own escapes for what can't be seen: it is the same value, and nothing in it acts on a terminal."""
    return "".join(json.dumps(each)[1:-1] if hides(each) else each for each in text)


def _parquet(file: Path, table: str, rows: list[dict[str, Any]]) -> None:
    try:
        import pyarrow
        from pyarrow import parquet
    except ImportError as error:
        raise JournalError("Parquet needs pyarrow; pip install pyarrow, or take csv or jsonl") from error
    fields = [
        pyarrow.field(column.name, KINDS[column.kind], metadata={"unit": column.unit, "means": column.about})
        for column in TABLES[table]
    ]
    private.make(file)
    parquet.write_table(pyarrow.Table.from_pylist(rows, pyarrow.schema(fields)), file)
