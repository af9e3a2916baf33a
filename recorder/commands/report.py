"""The commands `report`, `export` and `sign`: records on paper and as files, and a manager's initials to a day."""

import json
import os
import time
from contextlib import closing
from datetime import UTC, date, datetime, tzinfo
from pathlib import Path
from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import typer

from recorder import errands
from recorder.commands.records import examined
from recorder.commands.shared import Config, Database, fail
from recorder.config import ConfigError, load
from recorder.core.effects import Cue, Tone
from recorder.core.events import Signed
from recorder.driver import DriverUnavailable
from recorder.journal.errors import JournalBusy, JournalError
from recorder.journal.journal import Journal
from recorder.notices.answers import SIGN, signed
from recorder.notices.reaching import send
from recorder.notices.settings import MqttSettings
from recorder.reports.day import gather
from recorder.reports.export import FORMS
from recorder.reports.export import export as write_all
from recorder.reports.page import page

app = typer.Typer()

WAIT_S = 10.0
"""How long a running recorder is given to take a signature."""

DayOption = Annotated[
    str | None, typer.Option(metavar="DATE", help="Such as 2026-02-26; without it, the last one on record.")
]


@app.command()
def report(
    database: Database,
    day: DayOption = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The file to write; without it, report-DATE.html.")
    ] = None,
    zone: Annotated[
        str | None, typer.Option(metavar="ZONE", help="Time zone, such as Europe/Madrid; without it, this machine's.")
    ] = None,
) -> None:
    """Write one day as an HTML file that prints well, with everything in it."""
    try:
        place = _zone(zone)
        with closing(Journal.read(database)) as journal:
            found = gather(journal, _date(day), place)
        text = page(found, examined(database), time.time_ns() // 1_000_000)
    except (JournalError, ValueError, OSError) as error:
        fail(error)
    file = out or Path(f"report-{found.day}.html")
    try:
        file.write_text(text, "utf-8")
    except OSError as error:
        fail(f"{file} can't be written: {error.strerror}; name another file with --out")
    batches, checks = len(found.batches), len(found.checks)
    typer.echo(f"{file}: {found.day}, {batches} batch{'es' * (batches != 1)}, {checks} check{'s' * (checks != 1)}")


@app.command()
def export(
    database: Database,
    out: Annotated[Path, typer.Option(metavar="DIR", help="Folder for the files.")] = Path("export"),
    form: Annotated[str, typer.Option("--as", metavar="FORM", help="csv, jsonl or parquet.")] = "csv",
) -> None:
    """Write every table as a file that other programs read, with a dictionary of all columns."""
    if form not in FORMS:
        fail(f"{form!r} is no form; write one of {', '.join(FORMS)}")
    try:
        with closing(Journal.read(database)) as journal:
            for file, rows in write_all(journal, out, form):
                typer.echo(f"{file}: {rows} rows")
    except JournalError as error:
        fail(error)
    except OSError as error:
        fail(f"{out} can't be written: {error.strerror}; name another folder with --out")


@app.command()
def sign(
    config: Config,
    by: Annotated[str, typer.Option(metavar="INITIALS", help="Your initials, up to 8 letters and digits.")],
    day: DayOption = None,
    note: Annotated[
        str, typer.Option(metavar="TEXT", help="What you have to say of the day; needed while alerts are open.")
    ] = "",
) -> None:
    """Put your initials to a day's records, once you have read its report. Exit 1 if that was refused."""
    said: list[Cue] = []
    try:
        settings = load(config)
        with closing(Journal.read(settings.database)) as journal:
            found = gather(journal, _date(day), _zone(None))
        event = _signed(str(found.day), by, note)
        try:
            errands.sign(settings, event, said.append)
        except JournalBusy:
            if settings.mqtt is None:
                raise
            said.append(_through_the_recorder(settings.mqtt, settings.database, event))
    except (ConfigError, JournalError, DriverUnavailable, ValueError) as error:
        fail(error)
    typer.echo(said[-1].say)
    if said[-1].tone is not Tone.DONE:
        raise typer.Exit(1)


def _through_the_recorder(settings: MqttSettings, database: Path, event: Signed) -> Cue:
    """Ask the recorder that runs to take the signature; what became of it."""
    before = _signatures(database)
    body = json.dumps({"day": event.day, "by": event.by, "note": event.note}, ensure_ascii=False)
    send(settings, SIGN, body, WAIT_S)
    end_s = time.monotonic() + WAIT_S
    while time.monotonic() < end_s:
        if _signatures(database) > before:
            return Cue(Tone.DONE, f"Signed for {event.day} by {event.by}.")
        time.sleep(0.1)
    return Cue(Tone.REFUSED, "The recorder that runs did not take it. Are alerts open? Say why with --note.")


def _signatures(database: Path) -> int:
    with closing(Journal.read(database)) as journal:
        return len(journal.table("signatures"))


def _here() -> tzinfo:
    """This machine's time zone, with its summer time; where it does not say, how far it is from UTC today."""
    name = os.environ.get("TZ", "").removeprefix(":")
    try:
        if name:
            return ZoneInfo(name)
        with Path("/etc/localtime").open("rb") as rules:
            return ZoneInfo.from_file(rules)
    except (OSError, ValueError, ZoneInfoNotFoundError):
        return datetime.now(UTC).astimezone().tzinfo or UTC


def _signed(day: str, by: str, note: str) -> Signed:
    """The signature, checked as one from a phone is."""
    try:
        return signed({"day": day, "by": by, "note": note}, 0)
    except ValueError as error:
        raise ValueError(str(error).replace("its ", "--", 1)) from error


def _zone(name: str | None) -> tzinfo:
    """The time zone of this name, or this machine's."""
    try:
        return ZoneInfo(name) if name else _here()
    except (ZoneInfoNotFoundError, ValueError) as error:
        raise ValueError(f"{name!r} is no time zone; write it like Europe/Madrid or UTC") from error


def _date(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise ValueError(f"{text!r} is no date; write it like 2026-02-26") from error
