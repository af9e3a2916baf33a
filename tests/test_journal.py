"""One commit per event, a chain over them, and nothing that can be changed."""

import ast
import fcntl
import hashlib
import math
import re
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing
from importlib.resources import files
from pathlib import Path

import pytest
from sqlite_utils import Database

from recorder.clock import ManualClock, Stamp
from recorder.core import meanings as m
from recorder.core.effects import Cue, Effect, Record, Tone
from recorder.core.events import RULES, Event, Heard, Intent, Reading, Signed, Started, Tick
from recorder.core.station import State, step
from recorder.journal import schema
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.columns import columns
from recorder.journal.errors import JournalBusy, JournalError
from recorder.journal.file_integrity import locked
from recorder.journal.journal import Journal
from recorder.journal.messages import Message
from recorder.journal.migrations import migrations
from recorder.journal.reader import Reader
from recorder.journal.transactions import Transactions
from recorder.journal.watch import Watch
from recorder.loop import Loop, record
from recorder.notices.outbox import Messages
from recorder.verification.examine import examine
from tests.appended import append, numbered, silent
from tests.kitchen import MINUTE, Kitchen, kept

STAMP = Stamp(1_772_100_000_000, "boot", 7, 1_772_100_000_000, True)
LOAD = Record("loads", 1, (*((name, None) for name in columns("loads")[1:-1]), ("struck", 0)))


@pytest.mark.parametrize("gone", ["moved", "deleted with its folder", "another in its place"])
def test_nothing_is_cued_that_goes_into_a_file_that_is_not_there(gone: str, tmp_path: Path) -> None:
    """unlink(2): a file that is open lives on without a name, and SQLite with its log never looks again."""
    folder = tmp_path / "records"
    journal = Journal.open(folder / "r.db")
    cues: list[Cue] = []
    loop = Loop(journal, ManualClock(0), cues.append, silent)
    loop.handle(Started(0, "boot", True, "test", "line-1", (1,)))
    assert len(cues) == 1
    if gone == "deleted with its folder":
        shutil.rmtree(folder)
    else:
        (folder / "r.db").rename(folder / "older.db")
    if gone == "another in its place":
        (folder / "r.db").touch()
    with pytest.raises(JournalError, match=r"r\.db was moved or deleted"):
        loop.handle(Started(0, "boot", True, "test", "line-1", (1,)))
    assert len(cues) == 1
    journal.close()


def test_the_hash_is_sha_256_over_rfc_8785() -> None:
    """FIPS 180-4's one-block example, and the same digest from the standard library over the canonical text by hand."""
    assert hashlib.sha256(b"abc").hexdigest() == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    covered = (
        '{"at_ms":1772100000000,"body":"{\\"at_ms\\":1}","boot_id":"boot","boot_ms":7,"kind":"tick","previous":"'
        + GENESIS
        + '","seq":1,"wall_known":1,"wall_ms":1772100000000}'
    )
    assert linked(1, STAMP, "tick", '{"at_ms":1}', GENESIS).hash == hashlib.sha256(covered.encode()).hexdigest()


def test_an_event_its_rows_and_its_messages_are_one_commit(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    journal = Journal.open(path)
    entry = append(journal, STAMP, Tick(1), (LOAD,), numbered)
    with pytest.raises(JournalError):
        append(journal, STAMP, Tick(2), (LOAD, Record("no such table", 1, ())), numbered)
    with pytest.raises(JournalError, match="takes no more"):
        append(journal, STAMP, Tick(3), (), numbered)
    journal.close()
    journal = Journal.open(path)
    assert [each for each, _ in journal.entries()] == [entry]
    assert len(journal.table("loads")) == len(journal.outbox.unsent()) == 1
    journal.close()


def test_an_entry_is_sealed_before_it_is_written_so_that_its_messages_can_name_it(tmp_path: Path) -> None:
    """`seal` writes nothing, and what it gave is what `commit` writes; `record` hands it to who makes messages."""
    path, seen = tmp_path / "records.db", list[Entry]()
    with Journal.open(path) as journal:
        entry = journal.seal(STAMP, Tick(1))
        assert journal.seal(STAMP, Tick(1)) == entry and journal.newest() is None
        journal.commit(entry)
        assert journal.newest() == entry

        def named(entry: Entry, event: Event, effects: Sequence[Effect]) -> list[Message]:
            seen.append(entry)
            return [Message("t", f"{entry.hash} {event} {len(effects)}")]

        second = record(journal, STAMP, Tick(2), (LOAD, Cue(Tone.DONE, "done")), named)
        assert seen == [second] == [journal.newest()] and second.previous == entry.hash
        assert [row.message.body for row in journal.outbox.unsent()] == [f"{second.hash} {Tick(2)} 2"]
        assert len(journal.table("loads")) == 1


def test_an_entry_that_does_not_follow_the_last_one_is_not_written(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "r.db") as journal:
        stale = journal.seal(STAMP, Tick(1))
        append(journal, STAMP, Tick(2))
        with pytest.raises(JournalError, match="entry 1 does not follow the last one; seal it again"):
            journal.commit(stale)
        with pytest.raises(JournalError, match="takes no more"):
            journal.seal(STAMP, Tick(3))
        assert [event for _, event in journal.entries()] == [Tick(2)]


@pytest.mark.parametrize("what", ["event", "messages"])
def test_what_can_not_be_written_as_json_is_final_and_leaves_nothing(what: str, tmp_path: Path) -> None:
    def messages(entry: Entry, event: Event, effects: Sequence[Effect]) -> Iterator[Message]:
        yield Message("t", "{}")
        raise ValueError("year 10000 is out of range")

    with Journal.open(tmp_path / "r.db") as journal:
        event = Reading(1, "needle", math.nan) if what == "event" else Tick(1)
        with pytest.raises(JournalError, match=r"the record can't be kept: (year 10000|can't be written as JSON)"):
            append(journal, STAMP, event, (LOAD,), messages)
        with pytest.raises(JournalError, match="takes no more"):
            append(journal, STAMP, Tick(2))
        assert journal.newest() is None and journal.table("loads") == journal.outbox.unsent() == []


def test_sql_stands_in_the_journals_room_alone() -> None:
    """As a text that begins like a statement; that nobody else opens SQLite is a contract of import-linter."""
    room = Path(str(files("recorder")))
    begins = re.compile(r"\s*(SELECT|INSERT|UPDATE|DELETE|PRAGMA|CREATE|DROP|ALTER|BEGIN|VACUUM)\s.*", re.DOTALL)
    found = [
        f"{path.relative_to(room)}:{text.lineno}"
        for path in room.rglob("*.py")
        for text in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(text, ast.Constant) and isinstance(text.value, str) and begins.fullmatch(text.value)
    ]
    assert len([each for each in found if each.startswith("journal/")]) > 30
    assert [each for each in found if not each.startswith("journal/")] == []


def test_the_journal_refuses_change_and_deletion(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    journal = Journal.open(path)
    append(journal, STAMP, Tick(1), (), numbered)
    journal.close()
    connection = sqlite3.connect(path)
    for sql, why in (
        ("UPDATE journal SET body = 'x'", "append-only"),
        ("DELETE FROM journal", "append-only"),
        ("UPDATE outbox SET body = 'x'", "never changed"),
        ("DELETE FROM outbox", "never deleted"),
    ):
        with pytest.raises(sqlite3.IntegrityError, match=why):
            connection.execute(sql)
    connection.close()


def test_a_message_is_sent_once(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    journal = Journal.open(path)
    append(journal, STAMP, Tick(1), (), numbered)
    journal.outbox.mark_sent([1], 5)
    journal.outbox.mark_sent([1], 9)  # the broker had it twice
    journal.close()
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT sent_ms FROM outbox").fetchone() == (5,)
    with pytest.raises(sqlite3.IntegrityError, match="was sent before"):
        connection.execute("UPDATE outbox SET sent_ms = NULL")
    connection.close()


def test_a_full_disk_is_told_and_what_was_kept_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    journal, kept = Journal.open(path), 0
    pages = next(journal.rows("PRAGMA page_count"))[0]
    assert next(journal.rows(f"PRAGMA max_page_count = {pages + 2}"))[0] == pages + 2
    with pytest.raises(JournalError, match="full; the disk is full; make room on it"):
        while True:
            append(journal, STAMP, Tick(kept), (Record("oil", kept + 1, (("what", "x" * 400), ("struck", 0))),))
            kept += 1
    with pytest.raises(JournalError, match="takes no more"):
        append(journal, STAMP, Tick(0))
    journal.close()
    journal = Journal.open(path)
    assert [event for _, event in journal.entries()] == [Tick(number) for number in range(kept)] and kept > 3
    assert len(journal.table("oil")) == kept
    append(journal, STAMP, Tick(0))
    journal.close()


def test_a_second_recorder_on_the_same_file_is_stopped(tmp_path: Path) -> None:
    """By its lock, and should a lock mean nothing on this file system, by the first commit."""
    one = Journal.open(tmp_path / "r.db")
    with pytest.raises(JournalBusy, match="is being written by a recorder that runs; stop it first"):
        Journal.open(tmp_path / "r.db")
    fcntl.flock(one._transactions._lock, fcntl.LOCK_UN)
    other = Journal.open(tmp_path / "r.db")
    append(one, STAMP, Tick(1))
    with pytest.raises(JournalError, match="another recorder writes the same file"):
        append(other, STAMP, Tick(2))
    assert [event for _, event in one.entries()] == [Tick(1)]
    one.close()
    other.close()


def test_a_first_start_that_was_cut_short_is_taken_up(tmp_path: Path) -> None:
    """The power may go after the library made its own table, before the first step of the schema."""
    path = tmp_path / "records.db"
    connection = sqlite3.connect(path)
    migrations.ensure_migrations_table(Database(connection))
    connection.close()
    journal = Journal.open(path)
    assert append(journal, STAMP, Tick(1)).seq == 1
    journal.close()


def test_columns_of_milliseconds_can_be_read_by_a_person(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    journal = Journal.open(path)
    append(journal, STAMP, Tick(1), (Record("shifts", 1, (("cook", 4), ("started_ms", STAMP.at_ms), ("struck", 0))),))
    journal.close()
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT started, ended FROM shifts").fetchone() == ("2026-02-26T10:00:00Z", None)
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    connection.close()


def test_commits_are_synchronous(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "records.db")
    pragma = {name: next(journal.rows(f"PRAGMA {name}"))[0] for name in ("synchronous", "trusted_schema")}
    journal.close()
    assert pragma == {"synchronous": 2, "trusted_schema": 0}


@pytest.mark.parametrize(
    ("make", "complaint"),
    [
        (
            lambda path: path.write_bytes(b"not a database at all, but long enough to be looked at" * 40),
            "can't be used",
        ),
        (
            lambda path: sqlite3.connect(path).execute("CREATE TABLE recipes (name)").connection.close(),
            "another program's",
        ),
        (
            lambda path: sqlite3.connect(path).execute("CREATE TABLE journal (day, note)").connection.close(),
            "another program's",
        ),
        (lambda path: path.mkdir(), "can't be"),
    ],
)
def test_a_file_that_is_not_ours_is_left_alone(tmp_path: Path, make: object, complaint: str) -> None:
    path = tmp_path / "records.db"
    make(path)  # type: ignore[operator]
    before = path.read_bytes() if path.is_file() else None
    with pytest.raises(JournalError, match=complaint):
        Journal.open(path)
    assert before is None or path.read_bytes() == before


def test_reading_needs_a_database_of_records(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="is not a file"):
        Reader.open(tmp_path / "none.db")
    (tmp_path / "text.db").write_text("hello")
    with pytest.raises(JournalError, match="is no database of records"):
        Reader.open(tmp_path / "text.db")
    sqlite3.connect(tmp_path / "empty.db").execute("CREATE TABLE journal (day)").connection.close()
    with pytest.raises(JournalError, match="it has no journal"):
        Reader.open(tmp_path / "empty.db")


def test_sent_messages_are_marked_and_the_others_wait_in_order(tmp_path: Path) -> None:
    journal = Journal.open(tmp_path / "r.db")
    for number in range(5):
        append(journal, STAMP, Tick(number), (), numbered)
    journal.outbox.mark_sent([1, 3], 99)
    assert [row.id for row in journal.outbox.unsent()] == [2, 4, 5]
    assert [row.id for row in journal.outbox.unsent(after=2, most=1)] == [4]
    journal.close()


def test_an_entry_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    path = tmp_path / "records.db"
    journal = Journal.open(path)
    append(journal, STAMP, Tick(1))
    journal.close()
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER journal_keeps")
    connection.execute("UPDATE journal SET kind = 'dance'")
    connection.commit()
    connection.close()
    reader = Reader.open(path)
    with pytest.raises(JournalError, match="entry 1 can't be read"):
        list(reader.entries())
    reader.close()


STEPS = [f"m{number:03}" for number in range(4, 9)]


@pytest.mark.parametrize("newer", STEPS)
def test_records_of_every_older_schema_go_on(newer: str, tmp_path: Path) -> None:
    """Made by the steps up to the one before `newer`: clean as they lie, after the upgrade, and with more behind."""
    path, kitchen = tmp_path / "records.db", Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    old = [Started(0, "boot-1", True, "old", "line-1", (1,), 1), *kitchen.events[1:]]
    db = Database(sqlite3.connect(path), execute_plugins=False)
    names = [step.name for step in migrations.pending(db)]
    migrations.apply(db, stop_before=next(name for name in names if name.startswith(newer)))
    db.execute("ALTER TABLE cooks RENAME TO fryings")  # the version of then wrote it by its name of then
    db.enable_wal()
    db.conn.execute("SELECT count(*) FROM sqlite_master").fetchall()
    lock = locked(path)
    journal = Journal(Transactions(db, Watch(path, Path(lock.name)), lock))
    messages, state, clock = Messages("kitchen", "line-1", "all"), State(), ManualClock(0)
    for event in old:
        clock.at_ms = clock.wall_ms = event.at_ms
        state, effects = step(state, event)
        append(journal, clock.stamp(), event, effects, messages)
    journal.close()
    with closing(sqlite3.connect(path)) as older:
        older.execute("ALTER TABLE fryings RENAME TO cooks")
        older.execute("PRAGMA writable_schema = ON")
        older.execute("UPDATE sqlite_master SET sql = replace(sql, '\"cooks\"', 'cooks') WHERE name = 'cooks'")
        older.commit()
    assert examine(path).faults == ()
    messages = Messages("kitchen", "line-1", "all")
    journal = Journal.open(path)
    messages.begin(journal.first(), journal.rules())
    newest = journal.newest()
    assert newest and (newest.seq, examine(path).faults) == (len(old), ())
    clock.advance(5 * MINUTE)
    more: list[Event] = [
        Started(clock.at_ms, "boot-1", True, "new", "line-1", (1,), RULES),
        Heard(clock.at_ms, "hold end", Intent(m.HOLD_END), "test", "open"),
        Signed(clock.at_ms, "1970-01-01", "JD"),
    ]
    loop = Loop(journal, clock, lambda cue: None, messages)
    for event in more:
        loop.handle(event)
    assert (len(journal.table("holds")), len(journal.table("signatures"))) == (1, 1)
    journal.close()
    assert (examine(path).entries, examine(path).faults) == (len(old) + 3, ())


def test_a_first_start_that_was_cut_between_two_objects_is_gone_on_with(tmp_path: Path) -> None:
    """Found by cutting the power of a disk that never synced: the table of steps was there, its index was not."""
    path = tmp_path / "records.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(str(schema.PINNED["table", schema.STEPS_TABLE][1]))
        connection.commit()
    kept(Kitchen(), path).close()
    Journal.open(path).close()
    assert examine(path).faults == ()
    with closing(sqlite3.connect(path)) as connection:
        names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'index'")]
    assert "idx__sqlite_migrations_migration_set_name" in names
