"""What is read of a journal, against a plain list of its entries; and what is saved of one that loses its files."""

import gc
import os
import random
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from recorder.clock import Stamp
from recorder.core.effects import Record
from recorder.core.events import Event, LinkUp, Started, Tick
from recorder.journal.chain import Entry
from recorder.journal.codec import plain
from recorder.journal.errors import JournalDamaged, JournalError, JournalNewer
from recorder.journal.finding import Kind, RecordFault
from recorder.journal.journal import Journal
from recorder.journal.messages import Message
from recorder.journal.reader import Reader
from tests.appended import append
from tests.kitchen import Kitchen, kept
from tests.tampering import tamper, unguarded


def events(path: Path, chance: random.Random, count: int, gone: float) -> tuple[Reader, list[tuple[Entry, Event]]]:
    """A journal with several entries at some moments; of them some are gone, though never the first or the last."""
    written: list[tuple[Entry, Event]] = []
    with Journal.open(path) as journal:
        at_ms = 0
        for _ in range(count):
            at_ms += chance.choice((0, 0, 1, 2, 50))
            event: Event = chance.choice((Tick, LinkUp))(at_ms)
            stamp = Stamp(at_ms, "boot", at_ms, at_ms, chance.random() < 0.3)
            written.append((append(journal, stamp, event), event))
    lost = {entry.seq for entry, _ in written[1:-1] if chance.random() < gone}
    tamper(path, f"DELETE FROM journal WHERE seq IN ({', '.join(map(str, lost)) or 0})")
    return Reader.open(path), [each for each in written if each[0].seq not in lost]


@pytest.mark.parametrize("seed", range(8))
def test_what_is_read_is_what_a_plain_list_gives(seed: int, tmp_path: Path) -> None:
    chance = random.Random(seed)
    journal, held = events(tmp_path / "r.db", chance, chance.choice((1, 2, 3, 40)), (0, 0.5)[seed % 2])
    entries = [entry for entry, _ in held]
    last_ms = entries[-1].stamp.at_ms
    assert list(journal.entries()) == held
    assert (journal.first(), journal.newest()) == (entries[0], entries[-1])
    for after in (0, 1, len(held) // 2, entries[-1].seq):
        assert list(journal.entries(after)) == [each for each in held if each[0].seq > after]
        known = [entry.stamp for entry in entries if after <= entry.seq <= after + 9 and entry.stamp.wall_known]
        assert journal.newest_known(after, after + 9) == (known[-1] if known else None)
    for seq in range(entries[-1].seq + 2):
        assert journal.at(seq) == next((entry for entry in entries if entry.seq == seq), None)
    for entry, following in zip(entries, [*entries[1:], None], strict=True):
        assert journal.after(entry) == following
    for kind, made in (("tick", Tick), ("link up", LinkUp), ("dance", Event)):
        of_kind = [(entry, event) for entry, event in held if type(event) is made]
        assert list(journal.all_of(kind)) == [event for _, event in of_kind]
        for high_ms in (-1, 0, last_ms // 2, last_ms):
            until = [event for entry, event in of_kind if entry.stamp.at_ms <= high_ms]
            assert journal.newest_of(kind, high_ms) == (until[-1] if until else None)
    moments = sorted({ms for entry in entries for ms in (entry.stamp.at_ms - 1, entry.stamp.at_ms)} | {last_ms + 1})
    for low_ms in moments:
        asked: list[int] = []

        def early(entry: Entry, low_ms: int = low_ms, asked: list[int] = asked) -> bool:
            asked.append(entry.seq)
            return entry.stamp.at_ms < low_ms

        if entries[0].stamp.at_ms < low_ms:
            found = journal.last_where(early, entries[0], entries[-1])
            assert found == [entry for entry in entries if entry.stamp.at_ms < low_ms][-1]
            assert len(asked) <= 2 + 2 * len(entries).bit_length()
        for high_ms in (low_ms - 1, low_ms, low_ms + 3, last_ms + 1):
            between = [event for entry, event in held if low_ms <= entry.stamp.at_ms <= high_ms]
            assert list(journal.between(low_ms, high_ms)) == between
    journal.close()


@pytest.mark.parametrize("seed", range(4))
def test_entries_of_some_kinds_and_of_a_time_are_what_a_plain_list_gives(seed: int, tmp_path: Path) -> None:
    chance = random.Random(seed)
    journal, held = events(tmp_path / "r.db", chance, 30, 0.2)
    last_ms = held[-1][0].stamp.at_ms
    for kinds in (("tick",), ("tick", "link up"), ("link up", "tick", "dance"), ("dance",)):
        for low_ms in (None, 0, last_ms // 2, last_ms, last_ms + 1):
            for high_ms in (None, -1, 0, last_ms // 2, last_ms):
                low, high = -1 if low_ms is None else low_ms, last_ms if high_ms is None else high_ms
                wanted = [entry for entry, _ in held if entry.kind in kinds and low <= entry.stamp.at_ms <= high]
                assert list(journal.of_kinds(*kinds, low_ms=low_ms, high_ms=high_ms)) == wanted
    journal.close()


@pytest.mark.parametrize("last", range(1, 11))
def test_the_last_entry_of_which_something_holds_is_found_also_where_entries_are_missing(
    last: int, tmp_path: Path
) -> None:
    """Somebody deleted five in the middle: what is left is still halved."""
    ticking(tmp_path / "r.db", 10).close()
    with unguarded(tmp_path / "r.db") as connection:
        connection.execute("DELETE FROM journal WHERE seq BETWEEN 5 AND 9")
    with Reader.open(tmp_path / "r.db") as journal:
        ends = journal.ends()
        assert ends
        first, newest = ends
        assert (first.seq, newest.seq) == (1, 10)
        found = journal.last_where(lambda entry: entry.seq <= last, first, newest)
        assert found.seq == max(seq for seq in (1, 2, 3, 4, 10) if seq <= last)


def test_what_is_wrong_is_said_in_these_kinds_and_is_about_one_row_where_nothing_else_is_said() -> None:
    assert {kind.name.lower(): kind for kind in Kind} == {kind.value: kind for kind in Kind}
    fault = RecordFault("oil", 3, "the row is missing")
    assert (fault.kind, fault.count) == (Kind.CHANGED, 1)


def test_an_empty_journal_has_nothing_to_read(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "r.db") as journal:
        assert journal.first() is journal.newest() is journal.at(1) is journal.newest_of("tick", 9) is None
        assert list(journal.entries()) == list(journal.between(0, 9)) == list(journal.all_of("tick")) == []
        assert (journal.rules(), journal.outbox.count_unsent(), journal.outbox.unsent()) == (1, 0, [])


def test_the_rules_are_the_last_recorders(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "r.db") as journal:
        for rules in (2, 5, 3):
            append(journal, Stamp(0, "b", 0, 0, True), Started(0, "b", True, "t", "line-1", (1,), rules))
            append(journal, Stamp(0, "b", 0, 0, True), Tick(0))
            assert journal.rules() == rules


def test_rows_are_in_the_order_of_their_ids_and_those_that_were_asked_for(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "r.db") as journal:
        rows = [Record("oil", id, (("vat", id % 2), ("what", f"w{id}"), ("struck", 0))) for id in (3, 1, 4, 2)]
        append(journal, Stamp(0, "b", 0, 0, True), Tick(0), rows)
        assert [row["id"] for row in journal.table("oil")] == [1, 2, 3, 4]
        assert [row["what"] for row in journal.table("oil", vat=1)] == ["w1", "w3"]
        assert [row["id"] for row in journal.table("oil", vat=1, what="w3")] == [3]
        assert [row["id"] for row in journal.each("oil", percent=None)] == [1, 2, 3, 4]
        assert [row["id"] for row in journal.within("oil", "id", 2, 3)] == [2, 3]
        assert (journal.greatest("oil", "id"), journal.greatest("oil", "percent")) == (4, None)
        assert journal.table("oil")[0]["percent"] is None and list(journal.table("oil")[0])[:3] == ["id", "vat", "what"]
        again = Record("oil", 3, (("vat", 7), ("what", "new"), ("struck", 1)))
        append(journal, Stamp(0, "b", 0, 0, True), Tick(0), (again,))
        assert [(row["vat"], row["struck"]) for row in journal.table("oil")] == [(1, 0), (0, 0), (7, 1), (0, 0)]
        with pytest.raises(JournalError, match="can't be read here"):
            journal.table("oil", no_such_column=1)


def test_the_last_checks_are_those_that_were_read_and_not_struck(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "r.db") as journal:
        facts = [(70.0, 0), (None, 0), (71.0, 1), (72.0, 0), (73.0, 0), (None, 1)]
        rows = [Record("checks", n, (("temp_c", c), ("struck", struck))) for n, (c, struck) in enumerate(facts, 1)]
        append(journal, Stamp(0, "b", 0, 0, True), Tick(0), rows)
        assert [row["id"] for row in journal.last_checks(9)] == [1, 4, 5]
        assert [row["id"] for row in journal.last_checks(2)] == [4, 5]


def test_messages_that_wait_are_given_twenty_at_a_time(tmp_path: Path) -> None:
    def post(entry: Entry, event: object, effects: object) -> list[Message]:
        return [Message("t", f"{entry.seq}", bool(entry.seq % 2))]

    with Journal.open(tmp_path / "r.db") as journal:
        for _ in range(25):
            append(journal, Stamp(0, "b", 0, 0, True), Tick(0), (), post)
        assert [row.id for row in journal.outbox.unsent()] == list(range(1, 21)) and journal.outbox.count_unsent() == 25
        journal.outbox.mark_sent((2, 3), 7)
        assert [row.id for row in journal.outbox.unsent(1, 2)] == [4, 5] and journal.outbox.count_unsent() == 23
        assert [row.message for row in journal.outbox.unsent(24)] == [Message("t", "25", True)]
        assert list(journal.rows("SELECT id, sent_ms FROM outbox WHERE sent_ms IS NOT NULL")) == [(2, 7), (3, 7)]
    assert Message("t", "b").retain is False


def test_plain_values_are_plain_all_the_way_down() -> None:
    assert plain({"a": (1, (2, Tick(3))), "b": {"c": Tick(4)}}) == {
        "a": [1, [2, {"at_ms": 3}]],
        "b": {"c": {"at_ms": 4}},
    }


# ---- how it is opened ----


def test_what_stands_behind_a_question_mark_in_a_name_is_its_name(tmp_path: Path) -> None:
    """RFC 3986, 3.4: in an address a question mark begins something else."""
    path = tmp_path / "a?mode=memory#1%20.db"
    with Journal.open(path) as journal:
        append(journal, Stamp(0, "b", 0, 0, True), Tick(0))
    with Reader.open(path) as journal:
        assert journal.newest() is not None
    beside = {path.name + part for part in ("", ".lock", "-wal", "-shm")}
    assert {path.name} <= {file.name for file in tmp_path.iterdir()} <= beside


def test_a_log_without_its_database_is_no_fresh_start(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    journal = Journal.open(path)
    append(journal, Stamp(0, "b", 0, 0, True), Tick(0))
    for name in ("r.db-wal", "r.db"):
        shutil.copy(tmp_path / name, tmp_path / f"kept-{name}")
    journal.close()
    for left in (None, b""):
        path.unlink(missing_ok=True)
        if left is not None:
            path.write_bytes(left)
        shutil.copy(tmp_path / "kept-r.db-wal", tmp_path / "r.db-wal")
        with pytest.raises(JournalDamaged, match="is missing or empty, and its write-ahead log is there"):
            Journal.open(path)
        assert (tmp_path / "r.db-wal").read_bytes() == (tmp_path / "kept-r.db-wal").read_bytes()
    (tmp_path / "r.db-wal").write_bytes(b"")
    Journal.open(path).close()


def test_readers_see_one_moment_and_can_not_write(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    with Journal.open(path) as journal:
        append(journal, Stamp(0, "b", 0, 0, True), Tick(0))
        with Reader.open(path) as reader:
            append(journal, Stamp(1, "b", 1, 1, True), Tick(1))
            assert len(list(reader.entries())) == 1
            assert not hasattr(reader, "commit") and not hasattr(reader, "outbox")
            for sql in ("DELETE FROM outbox", "CREATE TABLE t (x)", "INSERT INTO oil (id, struck) VALUES (1, 0)"):
                with pytest.raises(JournalError, match="readonly"):
                    list(reader.rows(sql))
        with closing(sqlite3.connect(":memory:")) as copy:
            journal.copy_to(copy)
            assert copy.execute("SELECT count(*) FROM journal").fetchone() == (2,)
        assert next(journal.rows("PRAGMA journal_size_limit"))[0] == 16 * 2**20
        assert next(journal.rows("PRAGMA journal_mode"))[0] == "wal"


@pytest.mark.parametrize(("kind", "body"), [("hologram", "{}"), ("tick", '{"at_ms":"soon"}')])
def test_an_entry_that_a_program_wrote_is_newer_and_one_that_somebody_changed_is_damaged(
    kind: str, body: str, tmp_path: Path
) -> None:
    from recorder.journal.chain import GENESIS, linked
    from recorder.journal.reader import as_row

    for path in (tmp_path / "newer.db", tmp_path / "damaged.db"):
        Journal.open(path).close()
        entry = linked(1, Stamp(0, "b", 0, 0, True), kind, body, GENESIS)
        with unguarded(path) as connection:
            connection.execute(f"INSERT INTO journal VALUES ({', '.join('?' * 10)})", as_row(entry))
            if path.stem == "damaged":
                connection.execute("UPDATE journal SET wall_ms = 1")
        with Reader.open(path) as journal:
            made = JournalNewer if path.stem == "newer" else JournalDamaged
            with pytest.raises(
                made, match=r"entry 1 can't be read.*(newer version wrote it|see batch-recorder verify)"
            ):
                list(journal.entries())


# ---- what is saved ----


def ticking(path: Path, count: int) -> Journal:
    journal = Journal.open(path)
    for at in range(count):
        append(journal, Stamp(at, "b", at, at, True), Tick(at))
    return journal


def alone(path: Path, copy: Path) -> int:
    """How many entries the database has without its log."""
    shutil.copy(path, copy)
    with Reader.open(copy) as journal:
        return len(list(journal.entries()))


@pytest.mark.parametrize("how", ["appended", "marked", "closed"])
def test_what_a_nameless_log_holds_goes_into_the_database_at_once(how: str, tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    journal = ticking(path, 9)
    (tmp_path / "r.db-wal").unlink()
    with pytest.raises(JournalError, match="was moved or deleted") if how != "closed" else closing(journal):
        if how == "appended":
            append(journal, Stamp(9, "b", 9, 9, True), Tick(9))
        elif how == "marked":
            journal.outbox.mark_sent([], 9)
    assert alone(path, tmp_path / "copy.db") == 9
    journal.close()


@pytest.mark.parametrize("how", ["appended", "closed"])
def test_what_a_cut_log_holds_never_goes_into_the_database_even_when_nobody_uses_it_any_more(
    how: str, tmp_path: Path
) -> None:
    path = tmp_path / "r.db"
    journal = ticking(path, 4)
    journal.truncate_log()
    for at in range(4, 8):
        append(journal, Stamp(at, "b", at, at, True), Tick(at))
    size, whole = (tmp_path / "r.db-wal").stat().st_size, path.read_bytes()
    os.truncate(tmp_path / "r.db-wal", 0)
    os.truncate(tmp_path / "r.db-wal", size)
    if how == "appended":
        with pytest.raises(JournalError, match="was cut"):
            append(journal, Stamp(9, "b", 9, 9, True), Tick(9))
    journal.close()
    del journal
    gc.collect()
    assert path.read_bytes() == whole
    assert alone(path, tmp_path / "copy.db") == 4


def test_a_lock_is_let_go_at_the_end_and_after_a_start_that_failed(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    for _ in range(2):
        Journal.open(path).close()
    path.write_bytes(b"?" * 5000)
    for _ in range(2):
        with pytest.raises(JournalError, match="can't be used"):
            Journal.open(path)
    path.unlink()
    kept(Kitchen(), path).close()


def test_text_that_is_no_utf_8_is_read_with_a_sign_in_its_place(tmp_path: Path) -> None:
    """U+FFFD for each byte that is none (Unicode 15, 3.9): so one bad byte hides no other row."""
    ticking(tmp_path / "r.db", 3).close()
    with unguarded(tmp_path / "r.db") as connection:
        connection.execute("UPDATE journal SET kind = CAST(x'7469636bff' AS TEXT) WHERE seq = 2")
    with Reader.open(tmp_path / "r.db") as journal:
        assert [(entry.kind) for entry in map(journal.at, (1, 2, 3)) if entry] == ["tick", "tick\ufffd", "tick"]
