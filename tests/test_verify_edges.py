"""`verify` at its edges: the clocks of the entries, the times of the messages, and what can't be read."""

import shutil
import sqlite3
import struct
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from recorder.clock import Stamp
from recorder.core import meanings as m
from recorder.core.effects import Cue, Effect, Record, Tone
from recorder.core.events import Event, LinkDown, LinkUp, Started, Tick
from recorder.journal import verify
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.errors import JournalError, JournalNewer
from recorder.journal.journal import Journal
from recorder.journal.reader import ENTRY, Reader, as_entry, as_row
from recorder.journal.replay import Way
from recorder.journal.verify_outbox import Outbox
from recorder.verification.examine import examine
from tests.appended import append
from tests.kitchen import MINUTE, Kitchen, kept
from tests.tampering import tamper, unguarded

HOUR = 60 * MINUTE
DAY = 24 * HOUR


def stamped(path: Path, stamps: Sequence[tuple[int, str, int]]) -> Path:
    """A journal of ticks with these moments: time line, boot, boot clock."""
    with Journal.open(path) as journal:
        for at_ms, boot_id, boot_ms in stamps:
            append(journal, Stamp(at_ms, boot_id, boot_ms, at_ms, True), Tick(at_ms))
    return path


BACK = "time ran backwards: "
BEFORE = f"{BACK}its boot clock is before that of the entry before it"
ENDED = "it is of a boot that had ended: another boot came between"


@pytest.mark.parametrize(
    ("stamps", "faults"),
    [
        ([(5, "a", 5), (5, "a", 5), (6, "a", 6)], []),
        ([(5, "a", 5), (5, "b", 1), (5, "c", 0)], []),
        ([(1500, "a", 5), (1499, "a", 5)], [(2, f"{BACK}it is 0.001 s before the entry before it")]),
        ([(61_500, "a", 5), (0, "b", 5)], [(2, f"{BACK}it is 61.5 s before the entry before it")]),
        ([(5, "a", 5), (6, "a", 4)], [(2, BEFORE)]),
        ([(5, "a", 5), (6, "b", 4), (7, "a", 6)], [(3, ENDED)]),
        ([(5, "a", 5), (6, "b", 4), (7, "c", 6), (8, "b", 9)], [(4, ENDED)]),
        ([(9000, "a", 5), (5000, "a", 6), (8000, "a", 7), (9000, "a", 8)], [(2, ""), (3, "")]),
        ([(9, "a", 5), (5, "b", 6), (9, "a", 5)], [(2, "")]),
        ([(9, "a", 5), (9, "a", 4), (9, "a", 4), (9, "a", 5)], [(2, BEFORE), (3, BEFORE)]),
    ],
)
def test_both_clocks_only_go_forwards_and_what_is_wrong_is_not_gone_by(
    stamps: list[tuple[int, str, int]], faults: list[tuple[int, str]], tmp_path: Path
) -> None:
    """Moments may be the same: a millisecond holds several entries."""
    found = examine(stamped(tmp_path / "r.db", stamps))
    assert (found.entries, found.rows) == (len(stamps), 0)
    assert [(fault.table, fault.row) for fault in found.faults] == [("journal", row) for row, _ in faults]
    for fault, (_, what) in zip(found.faults, faults, strict=True):
        assert fault.what == what or not what


def rewritten(path: Path, seq: int, **parts: object) -> None:
    """The entry with other parts and the hash that fits them."""
    with unguarded(path) as connection:
        entry = as_entry(connection.execute(f"{ENTRY} WHERE seq = ?", (seq,)).fetchone())
        new = linked(
            seq,
            entry.stamp,
            str(parts.get("kind", entry.kind)),
            str(parts.get("body", entry.body)),
            str(parts.get("previous", entry.previous)),
        )
        connection.execute("DELETE FROM journal WHERE seq = ?", (seq,))
        connection.execute(f"INSERT INTO journal VALUES ({', '.join('?' * 10)})", as_row(new))


@pytest.fixture
def ticks(tmp_path: Path) -> Path:
    return stamped(tmp_path / "ticks.db", [(at, "a", at) for at in range(6)])


def told(path: Path) -> list[tuple[str, object, str]]:
    return [(fault.table, fault.row, fault.what) for fault in examine(path).faults]


NOT_FOLLOWING = "it does not follow the entry before it: the hashes differ"
NOT_FITTING = "it was changed: its hash does not fit what stands in it"


def test_an_entry_that_was_rewritten_with_its_hash_is_given_away_by_the_next_one(ticks: Path) -> None:
    rewritten(ticks, 3, body='{"at_ms":7}')
    assert told(ticks) == [("journal", 4, NOT_FOLLOWING)]
    rewritten(ticks, 1, previous="1" + GENESIS[1:])
    assert told(ticks) == [("journal", 1, NOT_FOLLOWING), ("journal", 2, NOT_FOLLOWING), ("journal", 4, NOT_FOLLOWING)]


def test_what_only_its_hash_gives_away_is_said_of_itself_and_not_of_the_next(ticks: Path) -> None:
    tamper(ticks, "UPDATE journal SET hash = replace(hash, substr(hash, 1, 1), 'x') WHERE seq = 3")
    assert told(ticks) == [("journal", 3, NOT_FITTING)]
    tamper(ticks, "UPDATE journal SET body = '{\"at_ms\":9}' WHERE seq = 5")
    found = examine(ticks)
    assert [(fault.row, fault.what) for fault in found.faults] == [(3, NOT_FITTING), (5, NOT_FITTING)]
    assert (found.entries, found.rows) == (6, 0), "all are read, and no row is compared"


def test_a_changed_last_hash_is_the_head_that_is_shown(ticks: Path) -> None:
    tamper(ticks, "UPDATE journal SET hash = 'f' WHERE seq = 6")
    assert examine(ticks).head == "f" and told(ticks) == [("journal", 6, NOT_FITTING)]


def test_an_entry_that_no_version_spells_so_is_named(ticks: Path) -> None:
    """With its right hash, and by RFC 8785. What is at its default may be there: the first versions wrote it."""
    rewritten(ticks, 6, kind="reading", body='{"at_ms":5,"channel":"vat1","settled":false,"temp_c":20.5}')
    assert told(ticks) == []
    for body in (
        '{"channel":"vat1","at_ms":5,"temp_c":20.5}',
        '{"at_ms":5, "channel":"vat1","temp_c":20.5}',
        '{"at_ms":5,"channel":"vat1","temp_c":20.50}',
    ):
        rewritten(ticks, 6, kind="reading", body=body)
        assert told(ticks) == [("journal", 6, "its body is not written as any version writes it")]


@pytest.mark.parametrize(("number", "at"), [(0, 1), (-5, 1)])
def test_no_entry_has_a_number_before_the_first(ticks: Path, number: int, at: int) -> None:
    tamper(ticks, f"UPDATE journal SET seq = {number} WHERE seq = 4")
    assert told(ticks) == [("journal", at, f"its number reads {number}")]


def test_what_verify_hands_on_is_there() -> None:
    """By the language reference, 7.11: each name in __all__ is one of the module's."""
    assert {*verify.__all__} <= vars(verify).keys() and len({*verify.__all__}) == len(verify.__all__)


def test_a_number_that_became_a_text_is_named_and_nothing_behind_it_is_read(ticks: Path) -> None:
    """Type 1, a whole number of one byte, becomes 15, a text of one (sqlite.org/fileformat2.html, 2.1). STRICT looks
    at what is written, and not at what lies there."""
    with closing(sqlite3.connect(ticks)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'journal'").fetchone()
    data = bytearray(ticks.read_bytes())
    (cell,) = struct.unpack_from(">H", data, (page - 1) * 4096 + 8 + 2 * 2)
    at = (page - 1) * 4096 + cell + (2 if data[(page - 1) * 4096 + cell] >= 128 else 1)
    header = data[at]
    assert (data[at + 1], data[at + header]) == (1, 3), "the third entry"
    data[at + 1] = 15
    ticks.write_bytes(data)
    assert ("journal", 3, "its number reads '\\x03'") in told(ticks)


def test_each_gap_is_named_by_its_first_entry(ticks: Path) -> None:
    tamper(ticks, "DELETE FROM journal WHERE seq IN (2, 3, 5)")
    assert told(ticks) == [
        ("journal", 2, "the entry is missing; the next one is 4"),
        ("journal", 5, "the entry is missing; the next one is 6"),
    ]
    assert examine(ticks).entries == 3, "so many were read"


def test_the_rest_of_a_file_that_breaks_off_is_named_once(tmp_path: Path) -> None:
    path = stamped(tmp_path / "long.db", [(at, "a", at) for at in range(400)])
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'journal'").fetchone()
    data = bytearray(path.read_bytes())
    right = int.from_bytes(data[(root - 1) * 4096 + 8 :][:4], "big")  # the last page: sqlite.org/fileformat2.html, 1.6
    data[(right - 1) * 4096 : (right - 1) * 4096 + 8] = bytes(8)
    path.write_bytes(data)
    found = examine(path)
    (first, *rest) = found.faults
    assert (first.table, first.row) == ("journal", found.entries + 1) and "malformed" in first.what
    assert {fault.table for fault in rest} <= {"file"} and 0 < found.entries < 400


def test_a_journal_that_was_made_otherwise_is_not_read(ticks: Path) -> None:
    with closing(sqlite3.connect(ticks)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("UPDATE sqlite_master SET sql = replace(sql, 'STRICT', '') WHERE name = 'journal'")
        connection.commit()
    found = examine(ticks)
    assert (found.entries, found.head, found.rows) == (0, GENESIS, 0)
    assert [(fault.table, fault.row) for fault in found.faults] == [("table journal", None)]


def test_where_there_is_no_room_to_verify_that_is_said_and_where_it_was_looked_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The rows that entries explain go into a file of SQLite's own (sqlite.org/tempfiles.html), which is full here."""
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    for _ in range(3):
        kitchen.cook()
        kitchen.check_all()
    kept(kitchen, tmp_path / "r.db").close()
    connect = sqlite3.connect

    def crammed(address: str, **more: Any) -> sqlite3.Connection:
        made: sqlite3.Connection = connect(address, **more)
        if address == "":
            made.execute("PRAGMA max_page_count = 2")
        return made

    monkeypatch.setattr(sqlite3, "connect", crammed)
    with pytest.raises(JournalError, match=r"no room to verify .*: database or disk is full; .* SQLITE_TMPDIR says"):
        examine(tmp_path / "r.db")


def test_messages_that_became_a_view_are_not_read(ticks: Path) -> None:
    """A view can be made to never end."""
    endless = "WITH RECURSIVE n(id) AS (SELECT 1 UNION ALL SELECT id + 1 FROM n)"
    with closing(sqlite3.connect(ticks)) as connection:
        connection.execute("DROP TABLE outbox")
        connection.execute(
            f"CREATE VIEW outbox AS {endless} SELECT id, 1 AS seq, 't' AS topic, '{{}}' AS body, 0 AS retain,"
            " NULL AS sent_ms FROM n"
        )
    assert {"table outbox", "view outbox"} <= {fault.table for fault in examine(ticks).faults}


def test_of_two_things_that_only_a_newer_version_knows_the_first_is_named(ticks: Path) -> None:
    body = '{"at_ms":5,"boot_id":"b","rules":%d,"station":"s","vats":[1],"version":"9","wall_known":true}'
    rewritten(ticks, 6, kind="started", body=body % 98)
    with pytest.raises(JournalNewer, match=r"was written by a newer version \(entry 6 begins with rules 98\)"):
        examine(ticks)
    with unguarded(ticks) as connection:
        last = as_entry(connection.execute(f"{ENTRY} WHERE seq = 6").fetchone())
        for seq, kind, text in ((7, "started", body % 97), (8, "hologram", "{}")):
            last = linked(seq, last.stamp, kind, text, last.hash)
            connection.execute(f"INSERT INTO journal VALUES ({', '.join('?' * 10)})", as_row(last))
    with pytest.raises(JournalNewer, match="entry 6 begins with rules 98"):
        examine(ticks)
    tamper(ticks, "UPDATE journal SET wall_ms = 4711 WHERE seq = 2")
    assert told(ticks) == [("journal", 2, NOT_FITTING)], "what was changed is told, and not that it is newer"


def test_of_a_step_and_an_entry_that_only_a_newer_version_knows_the_step_is_named(ticks: Path) -> None:
    rewritten(ticks, 6, kind="hologram", body="{}")
    tamper(ticks, "INSERT INTO _sqlite_migrations VALUES (99, 'batch-recorder', 'm999_later', '2030')")
    with pytest.raises(JournalNewer, match=r"was written by a newer version \(m999_later\); verify it with that"):
        examine(ticks)


# ---- messages ----


def sold_evening() -> Kitchen:
    """A kitchen whose link goes down and comes back, with alerts before, meanwhile and after."""
    kitchen = Kitchen()
    kitchen.feed(LinkUp(kitchen.at_ms))
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check("thigh", 150)
    kitchen.wait(MINUTE)
    return kitchen


def marked(path: Path, sent_ms: int, number: int = 1) -> list[tuple[str, object, str]]:
    """The faults of a copy in which this message, of the first shift's start, is marked as sent then."""
    changed = Path(shutil.copy(path, path.with_name("changed.db")))
    tamper(changed, f"UPDATE outbox SET sent_ms = {sent_ms} WHERE id = {number}")
    return told(changed)


AWAY = "it is marked as sent at a time at which no broker was reached"


@pytest.fixture(scope="module")
def cut_off(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int, int]:
    """Records over which the link was down for two hours; from when to when."""
    kitchen = sold_evening()
    down_ms = kitchen.at_ms
    kitchen.feed(LinkDown(down_ms, "no route"))
    kitchen.wait(HOUR)
    kitchen.feed(LinkDown(kitchen.at_ms, "refused"))
    kitchen.wait(HOUR)
    up_ms = kitchen.at_ms
    kitchen.feed(LinkUp(up_ms))
    kitchen.wait(HOUR)
    path = tmp_path_factory.mktemp("link") / "r.db"
    kept(kitchen, path, "all").close()
    assert examine(path).faults == ()
    return path, down_ms, up_ms


def test_nothing_is_sent_while_no_broker_is_reached_from_a_quarter_of_an_hour_on(
    cut_off: tuple[Path, int, int],
) -> None:
    """The journal may be behind by so much, at either end."""
    path, down_ms, up_ms = cut_off
    slack = 15 * MINUTE
    for sent_ms in (down_ms, down_ms + slack - 1, up_ms - slack, up_ms, up_ms + slack):
        assert marked(path, sent_ms) == []
    for sent_ms in (down_ms + slack, down_ms + HOUR, up_ms - slack - 1):
        assert marked(path, sent_ms) == [("outbox", 1, AWAY)]


@pytest.mark.parametrize(("minutes", "sure"), [(29, False), (30, False), (31, True)])
def test_a_link_that_was_down_for_half_an_hour_may_have_been_up(minutes: int, sure: bool, tmp_path: Path) -> None:
    kitchen = sold_evening()
    down_ms = kitchen.at_ms
    kitchen.feed(LinkDown(down_ms, "no route"))
    kitchen.wait(minutes * MINUTE)
    kitchen.feed(LinkUp(kitchen.at_ms))
    kept(kitchen, tmp_path / "r.db", "all").close()
    at_ms = down_ms + 15 * MINUTE
    assert marked(tmp_path / "r.db", at_ms) == ([("outbox", 1, AWAY)] if sure else [])
    assert marked(tmp_path / "r.db", at_ms + MINUTE) == []


def test_a_recorder_reaches_nobody_until_it_says_so_and_up_to_its_last_entry(tmp_path: Path) -> None:
    """From its start to the newest entry, or to the last one before the next start."""
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.wait(2 * HOUR)
    kitchen.say(m.BATCH_START)
    last_ms = kitchen.at_ms
    kept(kitchen, tmp_path / "one.db", "all").close()
    kitchen.wait(HOUR)
    kitchen.feed(Started(kitchen.at_ms, "boot-1", True, "test", "line-1", (1,)))
    kitchen.feed(LinkUp(kitchen.at_ms))
    kept(kitchen, tmp_path / "two.db", "all").close()
    for name in ("one.db", "two.db"):
        assert examine(tmp_path / name).faults == ()
        assert marked(tmp_path / name, last_ms - 15 * MINUTE - 1) == [("outbox", 1, AWAY)]
        assert marked(tmp_path / name, 15 * MINUTE) == [("outbox", 1, AWAY)]
        assert marked(tmp_path / name, 15 * MINUTE - 1) == []
        assert marked(tmp_path / name, last_ms - 15 * MINUTE) == []


def test_what_is_sent_goes_out_within_a_day_of_the_newest_entry(tmp_path: Path) -> None:
    kitchen = sold_evening()
    path = tmp_path / "r.db"
    journal = kept(kitchen, path, "all")
    newest = journal.newest()
    assert newest
    journal.close()
    assert marked(path, newest.stamp.at_ms + DAY) == []
    late = "it is marked as sent long after the newest entry"
    assert marked(path, newest.stamp.at_ms + DAY + 1) == [("outbox", 1, late)]
    tamper(path, f"UPDATE outbox SET sent_ms = {newest.stamp.at_ms + 2 * DAY} WHERE id IN (3, 5)")
    assert marked(path, newest.stamp.at_ms + 2 * DAY - 1, 4) == [("outbox", 3, late)], "the last one alone"


def test_a_message_is_sent_no_sooner_than_it_was_made(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    journal = kept(sold_evening(), path, "all")
    (row,) = journal.rows("SELECT id, at_ms FROM outbox JOIN journal USING (seq) ORDER BY id DESC LIMIT 1")
    number, made_ms = row
    journal.close()
    assert marked(path, made_ms, number) == []
    soon = "it is marked as sent before it was made"
    assert marked(path, made_ms - 1, number) == [("outbox", number, soon)]


@pytest.mark.parametrize(
    ("sql", "faults"),
    [
        (
            "INSERT INTO outbox (seq, topic, body, retain) SELECT seq, topic, body, retain FROM outbox ORDER BY id DESC"
            " LIMIT 1",
            [(-1, "the message is there twice")],
        ),
        (
            "INSERT INTO outbox (seq, topic, body, retain)"
            " VALUES (9999, 'kitchen/line-1/alerts', '{\"id\":\"1-0\"}', 0)",
            [(-1, "no entry of the journal explains this message")],
        ),
        (
            "INSERT INTO outbox (seq, topic, body, retain) SELECT max(seq), 'x/y/z', '[\"id\"]', 0 FROM outbox",
            [(-1, "no entry of the journal explains this message")],
        ),
        (
            "INSERT INTO outbox (seq, topic, body, retain) SELECT max(seq), 'x/y/z', 'no JSON', 0 FROM outbox",
            [(-1, "no entry of the journal explains this message")],
        ),
        ("UPDATE outbox SET seq = 0 WHERE id = 1", [(1, "no entry of the journal explains this message")]),
        ("UPDATE outbox SET retain = 1 WHERE id = 4", [(4, "the message is not what the journal says")]),
        ("UPDATE outbox SET topic = 'kitchen/line-1/other' WHERE id = 4", [(4, "not what the journal says")]),
        ("UPDATE outbox SET body = replace(body, '1.0', '1.1') WHERE id = 4", [(4, "not what the journal says")]),
        ("DELETE FROM outbox WHERE id = 4", [(5, "the message before it is missing: its number would be 4")]),
        (
            "DELETE FROM outbox WHERE id IN (1, 3, 4)",
            [(2, "its number would be 1"), (5, "its number would be 3")],
        ),
    ],
)
def test_a_message_that_was_added_changed_or_taken_away(
    sql: str, faults: list[tuple[int, str]], tmp_path: Path
) -> None:
    path = tmp_path / "r.db"
    journal = kept(sold_evening(), path, "all")
    journal.close()
    tamper(path, sql)
    with Reader.open(path) as reader:
        (last,) = next(reader.rows("SELECT max(id) FROM outbox"))
    found = [fault for fault in examine(path).faults if fault.table != "table sqlite_sequence"]
    assert {fault.table for fault in found} == {"outbox"}
    assert [(fault.row, what in fault.what) for fault, (_, what) in zip(found, faults, strict=False)] == [
        (last if row == -1 else row, True) for row, what in faults
    ]
    assert len(found) == len(faults), found


@pytest.mark.parametrize("root", ["", "kit+chen", "kit#chen", "kit\0chen"])
def test_no_message_goes_where_no_broker_takes_it(root: str, tmp_path: Path) -> None:
    """MQTT 5.0, 4.7.1 and 4.7.3: a topic that is published to has no wildcard and no NUL."""
    path = tmp_path / "r.db"
    kept(sold_evening(), path).close()
    with unguarded(path) as connection:
        connection.execute(
            "UPDATE outbox SET topic = ? || substr(topic, 8)" if root else "UPDATE outbox SET topic = substr(topic, 8)",
            (root,) if root else (),
        )
    found = examine(path).faults
    assert found and {fault.what.partition(" to ")[0] for fault in found} == {"it goes"}


def test_an_alert_that_was_not_told_is_named_by_its_message(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    journal = kept(sold_evening(), path)
    (row,) = journal.rows("SELECT id, seq, json_extract(body, '$.id') FROM outbox ORDER BY id DESC LIMIT 1")
    journal.close()
    number, seq, id = row
    assert id.startswith(f"{seq}-")
    tamper(path, f"DELETE FROM outbox WHERE id = {number}", f"UPDATE sqlite_sequence SET seq = {number - 1}")
    assert told(path) == [("outbox", None, f"the message {id} on /line-1/alerts is missing")]


def test_what_is_wrong_is_told_before_what_is_missing(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    journal = kept(sold_evening(), path)
    last = journal.outbox.unsent(most=100)[-1].id
    journal.close()
    tamper(
        path,
        f"DELETE FROM outbox WHERE id = {last}",
        f"UPDATE sqlite_sequence SET seq = {last - 1}",
        "UPDATE outbox SET retain = 1 WHERE id = 1",
    )
    assert [row for _, row, _ in told(path)] == [1, None]


# ---- rows ----


def test_a_row_of_which_two_values_differ_is_named_once_by_the_first(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    kept(sold_evening(), path).close()
    assert examine(path).rows > 5
    tamper(path, "UPDATE shifts SET cook = 5, started_ms = 7", "INSERT INTO oil (id, struck) VALUES (99, 0)")
    assert told(path) == [
        ("shifts", examine(path).faults[0].row, "cook is 5, the journal says 4"),
        ("oil", 99, "no entry of the journal explains this row"),
    ]
    tamper(path, "DELETE FROM loads")
    with Reader.open(path) as journal:
        rows = [row["id"] for row in journal.table("batches")]
    missing = [fault for fault in examine(path).faults if fault.table == "loads"]
    assert len(missing) == 4 and len(rows) == 1
    assert [fault.row for fault in missing] == sorted(int(fault.row or 0) for fault in missing)
    assert {fault.what for fault in missing} == {"the row is missing"}


def test_a_page_of_zeros_anywhere_is_a_fault_of_what_stood_there_and_the_rest_is_compared(tmp_path: Path) -> None:
    """sqlite.org/fileformat2.html, 1.6: no page of a table or an index begins with a zero."""
    path = tmp_path / "r.db"
    kept(sold_evening(), path, "all").close()
    whole, rows = path.read_bytes(), examine(path).rows
    with closing(sqlite3.connect(path)) as connection:
        roots = "SELECT type, name, tbl_name, rootpage FROM sqlite_master WHERE rootpage > 0"
        objects = connection.execute(roots).fetchall()
    assert len(objects) > 15
    for kind, name, table, page in objects:
        path.write_bytes(whole[: (page - 1) * 4096] + bytes(4096) + whole[page * 4096 :])
        found = examine(path)
        of_file = [fault for fault in found.faults if fault.table == "file"]
        others = [fault for fault in found.faults if fault.table != "file"]
        assert of_file and of_file[0].row is None and "malformed" in of_file[0].what, name
        empty = table in ("prompts", "tasks") and not others  # of no row nothing is looked up
        if (kind == "table" or name.startswith("sqlite_autoindex")) and not empty:
            made = table in ("outbox", "sqlite_sequence", "_sqlite_migrations")
            assert [(fault.table, fault.row) for fault in others] == [
                (f"table {table}" if made else table, 1 if name == "journal" else None)
            ], name
            assert "malformed" in others[0].what
        assert found.rows == (0 if name == "journal" else rows), name


def test_what_only_sqlite_itself_finds_is_a_fault_of_the_file(tmp_path: Path) -> None:
    """An index that lacks a row. The last byte of its page is its first entry's: 9 for a one, 8 for a zero
    (sqlite.org/fileformat2.html, 2.1)."""
    path = tmp_path / "r.db"
    kept(sold_evening(), path).close()
    with closing(sqlite3.connect(path)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'outbox_unsent'").fetchone()
    data = bytearray(path.read_bytes())
    assert data[page * 4096 - 1] == 9, "message 1, the first that waits"
    data[page * 4096 - 1] = 8
    path.write_bytes(data)
    found = examine(path).faults
    assert found and {(fault.table, fault.row) for fault in found} == {("file", None)}
    assert any("outbox_unsent" in fault.what for fault in found), found


def test_how_it_is_made_is_told_before_what_it_holds(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    kept(sold_evening(), path).close()
    tamper(path, "UPDATE shifts SET cook = 5", "DROP VIEW checks_read", "UPDATE outbox SET retain = 1 WHERE id = 1")
    assert [fault.table for fault in examine(path).faults] == ["view checks_read", "shifts", "outbox"]


def test_messages_that_can_not_all_be_read_are_one_fault_and_none_of_them_is_called_missing(
    cut_off: tuple[Path, int, int], tmp_path: Path
) -> None:
    """The table's second page of messages is gone: sqlite.org/fileformat2.html, 1.6."""
    path = Path(shutil.copy(cut_off[0], tmp_path / "r.db"))
    with closing(sqlite3.connect(path)) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'outbox'").fetchone()
    data = bytearray(path.read_bytes())
    page = data[(root - 1) * 4096 :][:4096]
    assert page[0] == 5, "an inner page of a table"
    second = int.from_bytes(page[14:16], "big")
    leaf = int.from_bytes(page[second : second + 4], "big")
    data[(leaf - 1) * 4096 : leaf * 4096] = bytes(4096)
    path.write_bytes(data)
    found = [fault for fault in examine(path).faults if fault.table == "outbox"]
    assert [fault.row for fault in found] == [None] and "malformed" in found[0].what


@dataclass(frozen=True, slots=True)
class Undecided:
    """A station of which it is not known which of two versions wrote an entry: they answered in other words."""

    made: Sequence[Way]
    kept: list[tuple[list[int], Sequence[Effect]]]

    def ways(self, entry: Entry, event: Event) -> Sequence[Way]:
        return self.made

    def keep(self, entry: Entry, event: Event, fit: Sequence[int], effects: Sequence[Effect]) -> None:
        self.kept.append((list(fit), effects))


def answer(reply: str, outcome: str = "done", id: int = 1) -> Record:
    return Record("commands", id, (("at_ms", 5), ("outcome", outcome), ("reply", reply), ("struck", 0)))


OIL = Record("oil", 1, (("what", "topped up"),))
CUE = Cue(Tone.DONE, "as it was said")


@pytest.mark.parametrize(
    ("ways", "fit"),
    [
        (([answer("yes")], [answer("no")]), [0]),
        (([answer("no")], [answer("yes")]), [1]),
        (([answer("yes", "asked")], [answer("yes")]), [1]),
        (([answer("no")], [answer("yes")], [answer("yes")]), [1, 2]),
        (([answer("no")], [answer("never")]), [0, 1]),
        (([CUE, OIL, answer("yes")], [CUE, answer("no"), OIL]), [0]),
        (([OIL], [CUE]), [0, 1]),
        (([answer("no", id=2), answer("yes")], [answer("no")]), [0]),
        (([answer("no", id=3)], [answer("yes", id=3)]), [0, 1]),
    ],
)
def test_of_two_ways_of_the_same_messages_that_one_is_taken_whose_answer_is_on_disk(
    ways: tuple[list[Effect], ...], fit: list[int], tmp_path: Path
) -> None:
    """What another row says, or a row of before, tells nothing: it may be otherwise by now."""
    path = tmp_path / "r.db"
    with Journal.open(path) as journal:
        entry = append(journal, Stamp(5, "a", 5, 5, True), Tick(5), [answer("yes"), answer("yes", id=2)])
    undecided = Undecided([Way(effects, ()) for effects in ways], [])
    with Reader.open(path) as reader:
        assert Outbox(reader, True).chosen(entry, Tick(5), undecided) == ways[fit[-1]]
    assert undecided.kept == [(fit, ways[fit[-1]])]


def test_where_the_answer_is_no_more_on_disk_each_way_may_be_it(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    with Journal.open(path) as journal:
        entry = append(journal, Stamp(5, "a", 5, 5, True), Tick(5))
    undecided = Undecided([Way([answer("yes")], ()), Way([answer("no")], ())], [])
    with Reader.open(path) as reader:
        Outbox(reader, True).chosen(entry, Tick(5), undecided)
    assert [fit for fit, _ in undecided.kept] == [[0, 1]]
