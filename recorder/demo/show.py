"""What the one who watches the demo sees: a timeline as it happens, then the summary."""

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from recorder.core.alerts import RECORDER_STARTED
from recorder.core.effects import Cue, Effect, Tone
from recorder.core.events import NEEDLE, Event, Reading
from recorder.core.limits import degrees, minutes_text, temp_text
from recorder.core.station import State
from recorder.demo import qr
from recorder.demo.broker import PHONE
from recorder.demo.subscriber import Subscriber
from recorder.journal.reader import Reader

TONES = {Tone.DONE: "green", Tone.REFUSED: "red", Tone.ASKS: "cyan", Tone.ALERT: "yellow", Tone.ANSWER: "blue"}
LEVELS = {"info": "blue", "warning": "yellow", "critical": "bold red"}
PROBES = {
    "insert": "the needle goes in",
    "pull_connector": "the needle's plug is pulled",
    "put_back": "the needle's plug is put back",
    "load_vat": "the pieces are in the oil",
}
WAY = 4
"""So many readings of the needle's way are shown."""
BOUND = (
    "Four pieces say little about thirty-six: nearly all above is where 95 % of a batch's pieces are, with 95 %"
    " confidence, as far as it spreads like the batches before."
)
PAUSE_S = 0.2
"""Between lines, for a person at a terminal."""


class Show:
    """Prints lines from any thread, each with the time of the story."""

    def __init__(self, console: Console) -> None:
        self._console = console
        self._lock = threading.Lock()
        self._pause_s = PAUSE_S if console.is_terminal else 0.0
        self.clock: Callable[[], int] = lambda: 0
        self._way: list[str] = []
        """What the needle read since it was last at rest."""
        self._spot = 0

    def begins(self, seconds: int) -> None:
        """What is to come, and how long it takes."""
        self._console.print(
            f"{seconds // 60} minutes of an invented shift, in fast motion: this takes about a minute.", style="bold"
        )

    @contextmanager
    def loading(self, what: str) -> Iterator[None]:
        """Meanwhile a bar runs, on a terminal; elsewhere a line says it."""
        if not self._console.is_terminal:
            self._console.print(f"{what} ...")
            yield
            return
        columns = (TextColumn("{task.description}"), BarColumn(24), TimeElapsedColumn())
        with Progress(*columns, console=self._console, transient=True) as progress:
            progress.add_task(what, total=None)
            yield

    def page(self, url: str, password: str) -> None:
        """Where the phone page stands, if there is one, and how a phone gets in."""
        if not url:
            return
        self._console.print(f"The phone page: {url}", style="bold", soft_wrap=True)
        if not password:
            return
        if self._console.is_terminal:
            for line in qr.lines(url):
                self._console.print(Text(line, "black on white"), soft_wrap=True)
        self._console.print(f"On a phone of this network. Name: {PHONE}. Password, for this demo only: {password}")
        self._console.print("The page is not encrypted: whoever is on this network can read along.", style="dim")

    def over(self, url: str, password: str) -> None:
        """The story has ended, and the page stays."""
        with self._lock:
            self._console.print()
            self.page(url, password)
            self._console.print("The shift is over. Look at the phone page, then press Ctrl-C.", style="bold")

    def tell(self, text: str) -> None:
        """A heading of the story."""
        with self._lock:
            self._console.print()
            self._console.print(text, style="bold")

    def said(self, words: str) -> None:
        """What the cook says."""
        self._line("cook", Text(f"\N{LEFT DOUBLE QUOTATION MARK}{words}\N{RIGHT DOUBLE QUOTATION MARK}", "italic"))

    def ignored(self) -> None:
        """What was said was for nobody here."""
        self._line("recorder", Text("(not for the recorder; nothing is kept)", "dim"))

    def cue(self, cue: Cue) -> None:
        """What the recorder answers."""
        self._line("recorder", Text(cue.say, TONES[cue.tone]))

    def probe(self, what: str, value_c: float | None) -> None:
        """What is done with a probe; what changes by itself is not shown."""
        if what in PROBES:
            self.hands(PROBES[what])

    def hands(self, text: str) -> None:
        """What the cook's hands do."""
        self._line("hands", Text(text, "dim"))

    def watch(self, event: Event, state: State, effects: Sequence[Effect]) -> None:
        """What the needle reads on its way into a piece, and when it has settled there."""
        if not isinstance(event, Reading) or event.channel != NEEDLE:
            return
        unit = state.world.procedure.unit if state.world.procedure else "C"
        if not event.settled:
            self._way = [*self._way, degrees(event.temp_c, unit)][-WAY:]
        elif event.spot != self._spot:
            self._spot = event.spot
            way = " \N{RIGHTWARDS ARROW} ".join([*self._way, temp_text(event.temp_c, unit)])
            took = f" in {event.settle_ms / 1000:.0f} s" if event.settle_ms is not None else ""
            self._line("needle", Text(f"{way}{took}", "dim"))
            self._way = []

    def broker(self, how: str) -> None:
        """What becomes of the broker."""
        self._line("broker", Text(how, "magenta"))

    def phone(self, message: dict[str, Any]) -> None:
        """A message as the phone gets it."""
        data, change = message["data"], message["type"].removeprefix("alert.")
        word = {"raised": data["level"], "repeated": f"{data['level']}, again"}.get(change, change)
        quiet = change in ("ended", "acknowledged")
        style = "dim" if quiet else LEVELS[data["level"]]
        done = data["ended_by"] if change == "ended" else f"in hand, says {data.get('acknowledged_by')}"
        text = f"{data['kind']}: {done}" if quiet else f"{data['text']}"
        batch = f"batch {data['batch']}, " if quiet and data["batch"] else ""
        badge = style if quiet else f"{style} reverse"
        self._line("phone", Text.assemble((f" {word} ", badge), (f" {batch}{text}", style)))

    def summary(self, database: Path, phone: Subscriber) -> None:
        """The tables of batches and alerts, as the database has them, and what reached the phone."""
        with Reader.open(database) as journal:
            self._console.print()
            self._console.print(_batches(journal))
            self._console.print()
            self._console.print(_alerts(journal, phone))

    def _line(self, who: str, text: Text) -> None:
        with self._lock:
            grid = Table.grid(padding=(0, 2))
            grid.add_column(width=8)
            grid.add_column(width=8, justify="right", style="dim")
            grid.add_column(overflow="fold")
            grid.add_row(_clock_text(self.clock()), who, text)
            self._console.print(grid)
        time.sleep(self._pause_s)


def _batches(journal: Reader) -> Table:
    table = Table(
        title="Batches of this shift", title_justify="left", title_style="bold", box=None, padding=(0, 2, 0, 0)
    )
    for name in ("batch", "pieces", "cooked", "checks\npassed", "nearly\nall above", "sent\nback", "held", "outcome"):
        table.add_column(name, header_style="dim", overflow="fold")
    table.caption, table.caption_justify = BOUND, "left"
    shift = journal.table("shifts")[-1]["id"]
    for batch in (row for row in journal.table("batches") if row["shift"] == shift):
        mine = {name: _of(journal, name, batch["id"]) for name in ("fryings", "checks", "corrections", "holds")}
        cooked_ms = int(1000 * sum(cook["seconds"] or 0 for cook in mine["fryings"]))
        passed = sum(check["verdict"] == "passed" for check in mine["checks"])
        hold = mine["holds"][0] if mine["holds"] else None
        held = minutes_text(hold["ended_ms"] - hold["started_ms"]) if hold and hold["ended_ms"] else "-"
        table.add_row(
            str(batch["number"]),
            str(batch["pieces"]),
            minutes_text(cooked_ms),
            f"{passed} of {len(mine['checks'])}",
            f"{batch['pooled_bound']:.0f} °F" if batch["pooled_bound"] is not None else "-",
            str(len(mine["corrections"])),
            held + ("\npast limit" if hold and hold["past_limit"] else ""),
            batch["outcome"] or batch["stage"],
        )
    return table


def _alerts(journal: Reader, phone: Subscriber) -> Table:
    received: dict[str, int] = {}
    for message in phone.messages.values():
        received[message["data"]["id"]] = received.get(message["data"]["id"], 0) + 1
    table = Table(title="Alerts", title_justify="left", title_style="bold", box=None, padding=(0, 2, 0, 0))
    for name in ("began", "ended", "level", "alert", "batch", "ended by", "told"):
        table.add_column(name, header_style="dim")
    alerts = sorted(journal.table("alerts"), key=lambda row: row["began_ms"])
    began_ms = max(alert["began_ms"] for alert in alerts if alert["kind"] == RECORDER_STARTED)
    for alert in (each for each in alerts if each["began_ms"] >= began_ms):
        table.add_row(
            _clock_text(alert["began_ms"]),
            _clock_text(alert["ended_ms"]) if alert["ended_ms"] else "open",
            Text(alert["level"], LEVELS[alert["level"]]),
            alert["kind"],
            str(alert["batch"] or ""),
            alert["ended_by"] or "",
            str(received.get(alert["id"], 0)),
        )
    return table


def _of(journal: Reader, table: str, batch_id: int) -> list[dict[str, Any]]:
    return [row for row in journal.table(table) if row["batch_id"] == batch_id and not row["struck"]]


def _clock_text(at_ms: int) -> str:
    return datetime.fromtimestamp(at_ms / 1000, UTC).strftime("%H:%M:%S")
