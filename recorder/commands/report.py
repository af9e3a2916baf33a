"""The commands `report`, `export` and `sign`: records on paper and as files, and a manager's initials to a day."""

import json
import time
from datetime import date, tzinfo
from pathlib import Path
from typing import Annotated

import typer

from recorder import oneshot, private
from recorder.commands.records import examined
from recorder.commands.replacing import Force, refuse_export, refuse_report
from recorder.commands.shared import Config, Database, fail
from recorder.config import load
from recorder.core.effects import Cue, Tone
from recorder.core.events import Signed
from recorder.initials import LETTERS
from recorder.journal.errors import JournalBusy, JournalError
from recorder.journal.reader import Reader
from recorder.journal.verify import Finding
from recorder.notices.answers import SIGN, signed
from recorder.notices.connection import send
from recorder.notices.settings import MqttSettings
from recorder.printable import printable
from recorder.reports import zones
from recorder.reports.day import Day, gather
from recorder.reports.days import Calendar
from recorder.reports.export import FORMS, about, written
from recorder.reports.export import export as write_all
from recorder.reports.integrity import Integrity, integrity
from recorder.reports.later import Later
from recorder.reports.lookup import Days, Lookup
from recorder.reports.page import page
from recorder.reports.signing import why_not

app = typer.Typer()

WAIT_S = 10.0
"""How long a running recorder is given to take a signature."""

DayOption = Annotated[
    str | None, typer.Option(metavar="DATE", help="Such as 2026-02-26; default: the last day of trade.")
]

Zone = Annotated[
    str | None, typer.Option(metavar="ZONE", help="Time zone, such as Europe/Madrid; default: this machine's.")
]


@app.command()
def report(
    database: Database,
    day: DayOption = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The file to write; default: report-DATE.html.")
    ] = None,
    zone: Zone = None,
    days: Annotated[bool, typer.Option("--days", help="List the days on record; write no report.")] = False,
    force: Force = False,
) -> None:
    """Write one day as a single HTML file that prints well. Exit 1 if the record was changed.

    An earlier report of the same station is replaced. Any other file stays, unless --force says otherwise.
    """
    try:
        place = zones.zone(zone)
        if days:
            _list(database, place)
            return
        found, finding, text = made(database, _date(day), place, time.time_ns() // 1_000_000)
    except (ValueError, OSError) as error:
        fail(error)
    file = out or Path(f"report-{found.day}.html")
    if not force:
        refuse_report(file, found.station)
    try:
        with private.writing(file) as page_file:
            page_file.write(text)
    except OSError as error:
        fail(f"{file} can't be written: {error.strerror}; choose another file with --out")
    batches, checks = len(found.batches), len(found.checks)
    typer.echo(f"{file}: {found.day}, {batches} batch{'es' * (batches != 1)}, {checks} check{'s' * (checks != 1)}")
    _warn(integrity(finding), database)


def made(database: Path, day: date | None, zone: tzinfo, made_ms: int) -> tuple[Day, Finding, str]:
    """A day, what `verify` finds, and the report as HTML; raises `JournalError`.

    What is shown and what is verified is one state of the file. A record that was changed so that its day can't be
    shown is named in the error.
    """
    with Reader.open(database) as journal:
        try:
            found = gather(journal, day, zone)
            later = Later(found)
            finding = examined(database, later.see, journal)
            return found, finding, page(found, finding, made_ms, later)
        except JournalError:
            raise
        except Exception as error:
            record = integrity(examined(database, opened=journal))
            if not record.changed:
                raise
            raise JournalError(
                f"{database} was changed or damaged, and no day can be shown from it. {record.text()}"
                f" batch-recorder verify {database} names each."
            ) from error


def _warn(record: Integrity, database: Path) -> None:
    """Say what is wrong with the record that was written out, as far as is known, and end with exit code 1."""
    if record.found:
        typer.echo(
            printable(
                f"warning: {database}: {record.verdict}. {record.text()} batch-recorder verify {database} names each."
            ),
            err=True,
        )
        raise typer.Exit(1)


def _list(database: Path, zone: tzinfo) -> None:
    """Print the days that are on record, with who signed them."""
    with Reader.open(database) as journal:
        signed = {row["day"]: row["initials"] for row in journal.table("signatures")}
        for day in Calendar(journal, zone).days():
            by = signed.get(day.isoformat())
            typer.echo(f"{day}  signed by {by}" if by else f"{day}  not signed")


@app.command()
def export(
    database: Database,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the files.")] = Path("export"),
    form: Annotated[str, typer.Option("--as", metavar="FORM", help="csv, jsonl or parquet.")] = "csv",
    first: Annotated[
        str | None, typer.Option("--from", metavar="DATE", help="First local day, such as 2026-02-26; default: all.")
    ] = None,
    last: Annotated[str | None, typer.Option("--to", metavar="DATE", help="Last local day, included.")] = None,
    zone: Zone = None,
    force: Force = False,
) -> None:
    """Write every table as a file that other programs read, with a dictionary of all columns.

    The record is verified first. manifest.json says what was found, and how many rows each table has. If the record was
    changed, everything readable is written, and the exit code is 1. In CSV a text that a spreadsheet would compute gets
    an apostrophe in front. JSONL and Parquet are exact.

    A night shift has the day on which it began, and stays whole. An earlier export of the same records is replaced. Any
    other file stays, unless --force says otherwise.
    """
    if form not in FORMS:
        fail(f"{form!r} is not a format; use one of {', '.join(FORMS)}")
    try:
        place, days = zones.zone(zone), _days(first, last)
    except ValueError as error:
        fail(error)
    try:
        with Reader.open(database) as journal:
            records = about(journal, database.name)
            if not force:
                refuse_export(out, written(form), records)
            finding = examined(database, opened=journal)
            for file, rows in write_all(Lookup(journal, place, days), out, form, records, finding):
                typer.echo(f"{file}: {rows} rows")
    except OSError as error:
        fail(f"{out} can't be written: {error.strerror}; choose another folder with --out")
    _warn(integrity(finding), database)


@app.command()
def sign(
    config: Config,
    by: Annotated[str, typer.Option(metavar="INITIALS", help=f"Your initials, {LETTERS}.")],
    day: DayOption = None,
    note: Annotated[str, typer.Option(metavar="TEXT", help="A note on the day; required while alerts are open.")] = "",
) -> None:
    """Sign a day's records with your initials, after reading its report. Exit 1 if that was refused."""
    said: list[Cue] = []
    try:
        settings = load(config)
        event = _event(settings.database, _date(day), by, note)
        if why := why_not(settings.database, settings.station, event, zones.here()):
            fail(why, 1)
        try:
            oneshot.sign(settings, event, said.append)
        except JournalBusy:
            if settings.mqtt is None:
                raise
            said.append(_through_the_recorder(settings.mqtt, settings.database, event))
    except ValueError as error:
        fail(error)
    typer.echo(said[-1].say)
    if said[-1].tone is not Tone.DONE:
        raise typer.Exit(1)


def _event(database: Path, day: date | None, by: str, note: str) -> Signed:
    """The signature of `day`, or of the last day of trade, checked as one from a phone is."""
    if day is None:
        with Reader.open(database) as journal:
            day = Calendar(journal, zones.here()).last_day()
    try:
        return signed({"day": day.isoformat(), "by": by, "note": note}, 0)
    except ValueError as error:
        raise ValueError(str(error).replace("its ", "--", 1)) from error


def _through_the_recorder(settings: MqttSettings, database: Path, event: Signed) -> Cue:
    """Ask the recorder that runs to take the signature; what became of it."""
    before = _signatures(database, event)
    body = json.dumps({"day": event.day, "by": event.by, "note": event.note}, ensure_ascii=False)
    send(settings, SIGN, body, WAIT_S)
    end_s = time.monotonic() + WAIT_S
    while time.monotonic() < end_s:
        if _signatures(database, event) > before:
            return Cue(Tone.DONE, f"Signed for {event.day} by {event.by}.")
        time.sleep(0.1)
    return Cue(Tone.REFUSED, "The recorder that runs did not take it. Are alerts open? Say why with --note.")


def _signatures(database: Path, event: Signed) -> int:
    """How many there are like this one."""
    with Reader.open(database) as journal:
        return len(journal.table("signatures", day=event.day, initials=event.by, note=event.note))


def _date(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise ValueError(f"{text!r} is no date; write it like 2026-02-26") from error


def _days(first: str | None, last: str | None) -> Days:
    days = Days(_date(first), _date(last))
    if days.first and days.last and days.first > days.last:
        raise ValueError(f"--from {first} is after --to {last}; exchange them")
    return days
