"""The command `recall`: what became of the food of one lot."""

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Annotated

import typer

from recorder.commands.records import examined
from recorder.commands.shared import Database, fail, json_line
from recorder.core.limits import listed, pieces_text
from recorder.journal.reader import Reader
from recorder.printable import printable
from recorder.reports import zones
from recorder.reports.integrity import integrity
from recorder.reports.lookup import Lookup, Row
from recorder.reports.recall import COLUMNS, LOADED, lots, recalled
from recorder.reports.words import cell

app = typer.Typer()

FORMS = ("text", "csv", "jsonl")


@app.command()
def recall(
    lot: Annotated[str, typer.Argument(metavar="LOT", help="The digits of the lot or date code, as they were said.")],
    database: Database,
    form: Annotated[str, typer.Option("--as", metavar="FORM", help="text, csv or jsonl.")] = "text",
    zone: Annotated[
        str | None, typer.Option(metavar="ZONE", help="Time zone, such as Europe/Madrid; default: this machine's.")
    ] = None,
) -> None:
    """Find what became of the food of one lot: which batches, when, pieces, and where they went.

    The record is verified first. If it was changed, what is readable is printed, and the exit code is 1.
    """
    if not lot.isdecimal():
        fail(f"{lot!r} is no lot; write its digits alone, as they were said")
    if form not in FORMS:
        fail(f"{form!r} is not a format; use one of {', '.join(FORMS)}")
    try:
        place = zones.zone(zone)
    except ValueError as error:
        fail(error)
    with Reader.open(database) as journal:
        record = integrity(examined(database, opened=journal))
        rows, known = recalled(journal, Lookup(journal, place), lot), lots(journal)
    match form:
        case "csv":
            typer.echo(_csv(rows), nl=False)
        case "jsonl":
            for row in rows:
                typer.echo(json_line(row))
        case _:
            for line in _text(lot, rows, known):
                typer.echo(printable(line))
    if record.found:
        warning = f"warning: {database}: {record.verdict}. {record.text()} batch-recorder verify {database} names each."
        typer.echo(printable(warning), err=True)
        raise typer.Exit(1)


def _csv(rows: Sequence[Row]) -> str:
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: cell(value) if isinstance(value, str) else value for name, value in row.items()})
    return out.getvalue()


def _text(lot: str, rows: Sequence[Row], known: Sequence[str]) -> Iterator[str]:
    alike = [each for each in known if each != lot and (each in lot or lot in each)]
    loads = [row for row in rows if row["what"] == LOADED]
    batches = len({row["batch_id"] for row in loads})
    if rows:
        counted = f"{len(loads)} load{'s' * (len(loads) != 1)} in {batches} batch{'es' * (batches != 1)}"
        yield f"Lot {lot}: {counted}."
    else:
        yield f"Nothing on record is of lot {lot}. Lots on record: {', '.join(known) or 'none'}."
    for row in rows:
        at = (row["at"] or "").replace("T", " ")[:16]
        sure = "" if row["lot"] == lot else f" (it may be of any of the lots {listed(row['lot'].split())})"
        cook = f", cook {row['cook']}" if row["cook"] is not None else ""
        if row["what"] == LOADED:
            where = f"batch {row['batch']}, vat {row['vat']}, {row['product']}{cook}"
            yield f"{at}  {row['part']}, {_pieces(row)}, into {where}{sure}"
            yield f"    {_went(row)}"
        else:
            left = "" if row["still_there"] in (0, None) else f", {row['still_there']} left"
            back = "still out" + left if row["back"] is None else f"{row['stage']} {row['back'].replace('T', ' ')[:16]}"
            yield f"{at}  {row['part']}, {_pieces(row)}, out of the cooler{cook}: {back}"
    if loads:
        yield "Where pieces went is counted by batch: of which part they were is not on record."
    if alike and rows:
        yield f"Alike, and not in this list: {', '.join(alike)}."


def _pieces(row: Row) -> str:
    return "uncounted pieces" if row["pieces"] is None else pieces_text(row["pieces"])


def _went(row: Row) -> str:
    """Where the pieces of its batch went."""
    went = [f"{name} {row[name]}" for name in ("sold", "discarded", "dropped") if row[name]]
    counted = f"of its {row['batch_pieces']} pieces" if row["batch_pieces"] else "of its uncounted pieces"
    if row["still_there"] is None:
        went.append("the others are not counted")
    elif row["still_there"]:
        went.append(f"still there {row['still_there']}")
    return f"{counted}: {', '.join(went) or 'none is counted out'}; {row['stage']}"
