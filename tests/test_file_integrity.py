"""Whose a file is, whether it is sound and as it was made: what is looked at before anything is written."""

import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric import ec
from sqlite_utils import Database, hookimpl
from sqlite_utils.plugins import pm

from recorder.clock import Stamp
from recorder.core.events import RecordsSetAside, Tick
from recorder.driver import DriverUnavailable
from recorder.journal import file_integrity, quarantine, schema, seal, upkeep
from recorder.journal.columns import TABLES, columns
from recorder.journal.errors import JournalBusy, JournalDamaged, JournalError
from recorder.journal.journal import Journal
from recorder.journal.migrations import ORDER, take, taken
from recorder.verification.examine import examine
from tests.appended import append
from tests.kitchen import Kitchen, kept
from tests.tampering import tamper, unguarded

BLOCK = 1 << 20
"""A file is looked through in such pieces."""

STAMP = Stamp(0, "b", 0, 0, True)


def whose(path: Path) -> type[JournalError]:
    return type(file_integrity.damaged(path, "it is", False))


@pytest.mark.parametrize("trace", [b"journal_keeps", b"batch-recorderm0", b'{"at_ms":'])
def test_one_trace_anywhere_says_that_it_is_ours(trace: bytes, tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    for at in (0, 77, *range(BLOCK - len(trace), BLOCK + 1), BLOCK + 9):
        with path.open("wb") as file:
            file.write(b"?")
            file.truncate(BLOCK + 40)
            file.seek(at)
            file.write(trace)
        assert whose(path) is JournalDamaged, at
        with path.open("r+b") as file:
            file.seek(at + len(trace) - 1)
            file.write(b"~")
            file.seek(BLOCK + 39)
            file.write(b"?")
        assert whose(path) is JournalError, at


def test_nothing_but_zeros_is_nobodys_and_so_ours(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    for size in (0, 1, BLOCK + 5):
        with path.open("wb") as file:
            file.truncate(size)
        assert whose(path) is JournalDamaged
    for at in (0, BLOCK + 4):
        with path.open("wb") as file:
            file.truncate(BLOCK + 5)
            file.seek(at)
            file.write(b"\1")
        assert whose(path) is JournalError


def test_the_error_is_one_line_and_names_the_file(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    path.write_bytes(b"?")
    assert str(file_integrity.damaged(path, "*** in database main ***\nPage 3:\n  bad", True)) == (
        f"{path} is damaged: *** in database main *** Page 3: bad"
    )
    assert str(file_integrity.damaged(path, "no\ndatabase", False)) == (
        f"{path} can't be used: no database; if it is the database of records set it aside, or name another"
    )


def test_what_the_disk_does_not_give_is_no_damage(tmp_path: Path) -> None:
    """A folder can be opened and not read: EISDIR, read(2)."""
    path = tmp_path / "r.db"
    file_integrity.read_whole(path)
    path.write_bytes(b"x" * (2 * BLOCK + 1))
    file_integrity.read_whole(path)
    (tmp_path / "r.db-wal").mkdir()
    for reads in (lambda: file_integrity.read_whole(path), lambda: file_integrity.damaged(path, "it is", True)):
        with pytest.raises(JournalError, match=r"r\.db can't be read: .*directory"):
            reads()
    with pytest.raises(JournalError, match=r"r\.db can't be read: .*directory"):
        quarantine.isolate(path)
    assert path.exists()


def test_a_log_without_its_database(tmp_path: Path) -> None:
    path, log = tmp_path / "r.db", tmp_path / "r.db-wal"
    assert not file_integrity.orphaned(path)
    log.write_bytes(b"")
    assert not file_integrity.orphaned(path)
    log.write_bytes(b"x")
    assert file_integrity.orphaned(path)
    path.write_bytes(b"")
    assert file_integrity.orphaned(path)
    path.write_bytes(b"x")
    assert not file_integrity.orphaned(path)


def _open_on(folder: Path) -> int:
    """How many of this process's descriptors are of files in the folder."""
    links = (str(link.readlink()) for link in Path("/proc/self/fd").iterdir() if link.is_symlink())
    return sum(target.startswith(str(folder)) for target in links)


def test_one_holds_the_lock_and_lets_it_go(tmp_path: Path) -> None:
    path = tmp_path / "some" / "folders" / "r.db"
    with file_integrity.locked(path) as lock:
        assert Path(lock.name) == path.with_name("r.db.lock") and Path(lock.name).stat().st_mode & 0o777 == 0o600
        before = _open_on(tmp_path)
        with pytest.raises(JournalBusy, match=r"r\.db is being written by a recorder that runs; stop it first"):
            file_integrity.locked(path)
        assert _open_on(tmp_path) == before == 1
    file_integrity.locked(path).close()
    (tmp_path / "file").touch()
    with pytest.raises(JournalError, match=r"r\.db can't be opened: "):
        file_integrity.locked(tmp_path / "file" / "r.db")


def test_a_fresh_file_and_a_sound_one_are_told_from_all_others(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    assert not file_integrity.sound(path) and not path.exists()
    path.touch()
    assert not file_integrity.sound(path) and not file_integrity.sound(tmp_path)
    path.unlink()
    kept(Kitchen(), path).close()
    assert file_integrity.sound(path)
    with closing(sqlite3.connect(path)) as connection:
        assert file_integrity.is_ours(connection)
        connection.execute("PRAGMA trusted_schema = OFF")
        file_integrity.check(path, connection)
    tamper(path, "INSERT INTO _sqlite_migrations VALUES (99, 'batch-recorder', 'm999_later', '2030')")
    for looks in (lambda: file_integrity.sound(path), lambda: Journal.open(path)):
        with pytest.raises(JournalError, match=r"was written by a newer version; install that one") as raised:
            looks()
        assert type(raised.value) is JournalError


@pytest.mark.parametrize(
    "columns", ["seq", "seq, at_ms, boot_id, boot_ms, wall_ms, wall_known, kind, body, hash, previous"]
)
def test_a_journal_with_other_columns_is_another_programs(columns: str, tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"CREATE TABLE journal ({columns})")
        assert not file_integrity.is_ours(connection)
    with pytest.raises(JournalError, match=r"is another program's database; name another file"):
        Journal.open(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE journal_keeps (x)")
    with pytest.raises(JournalDamaged, match=r"is damaged: its journal is not there, or not as it was made"):
        Journal.open(path)


def test_another_programs_file_that_waits_for_its_own_rollback_is_left_as_it_is(tmp_path: Path) -> None:
    """A hot journal (sqlite.org/lockingv3.html, 4.1): nobody who can only read may roll it back, so it is looked at
    again by who can."""
    theirs, path = tmp_path / "theirs.db", tmp_path / "r.db"
    with closing(sqlite3.connect(theirs)) as connection:
        connection.execute("PRAGMA cache_size = 1")
        connection.execute("CREATE TABLE recipes (name)")
        connection.execute("INSERT INTO recipes SELECT hex(zeroblob(3000)) FROM pragma_function_list LIMIT 40")
        connection.commit()
        connection.execute("UPDATE recipes SET name = 'changed' || name")
        for behind in ("", "-journal"):
            shutil.copy(f"{theirs}{behind}", f"{path}{behind}")
        connection.rollback()
    assert not file_integrity.sound(path), "it can't be read without writing"
    with pytest.raises(JournalError, match=r"r\.db is another program's database; name another file"):
        Journal.open(path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("recipes",)]
        assert connection.execute("SELECT count(*) FROM recipes WHERE name LIKE 'changed%'").fetchone() == (0,)


def test_damage_is_raised_before_anybody_opens_it_for_writing(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    path.write_bytes(b"no database" * 500)
    with pytest.raises(sqlite3.DatabaseError, match="file is not a database"):
        file_integrity.sound(path)


def test_a_journal_whose_newest_entry_is_no_text_is_not_opened_and_let_go_again(tmp_path: Path) -> None:
    """SQLite's own look at the file finds nothing wrong: it does not read texts."""
    path = tmp_path / "r.db"
    kept(Kitchen(), path).close()
    tamper(path, "UPDATE journal SET kind = CAST(x'7469636bff' AS TEXT) WHERE seq = (SELECT max(seq) FROM journal)")
    assert file_integrity.sound(path)
    with pytest.raises(JournalError, match="can't be read here: Could not decode to UTF-8"):
        Journal.open(path)
    file_integrity.locked(path).close()


# ---- as it was made ----


def made(path: Path, steps: int) -> sqlite3.Connection:
    connection = sqlite3.connect(path)
    take(connection, steps)
    return connection


@pytest.mark.parametrize("steps", range(len(ORDER) + 1))
def test_after_any_number_of_steps_it_is_as_they_make_it_and_a_later_object_is_too_early(
    steps: int, tmp_path: Path
) -> None:
    with closing(made(tmp_path / "r.db", steps)) as connection:
        assert list(schema.faults(connection)) == []
        held = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
        with closing(made(Path(":memory:"), steps + 1)) as later:
            new = later.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
        for kind, name, sql in new:
            if name not in held and kind in ("table", "view") and not name.startswith(("sqlite_", "_sqlite")):
                connection.execute(sql)
                assert f"{kind} {name}" in dict(schema.faults(connection)), name
                connection.execute(f"DROP {kind} {name}")
    assert len(ORDER) >= 9 and [name[:4] for name in ORDER] == [f"m{at:03}" for at in range(1, len(ORDER) + 1)]


def test_a_first_start_may_be_cut_anywhere_and_is_completed(tmp_path: Path) -> None:
    """Between any two objects of the library's own, before the first step."""
    path = tmp_path / "r.db"
    index = "idx__sqlite_migrations_migration_set_name"
    with closing(sqlite3.connect(path)) as connection:
        assert list(schema.faults(connection)) == []
        connection.execute(str(schema.PINNED["table", "_sqlite_migrations"][1]))
        assert list(schema.faults(connection)) == []
        schema.complete(connection)
        schema.complete(connection)
        assert list(schema.faults(connection)) == []
        names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master")]
        assert names == ["_sqlite_migrations", index]
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT count(*) FROM sqlite_master").fetchone() == (2,), "it is on disk"


def test_what_is_wrong_is_said_of_the_object(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    kept(Kitchen(), path).close()
    with unguarded(path) as connection:
        for view in ("batches_read", "checks_read", "deviations_read", "commands_read"):
            connection.execute(f"DROP VIEW {view}")
        connection.execute("CREATE VIEW batches_read AS SELECT 1")
        connection.execute("CREATE TABLE recipes (name)")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute("INSERT INTO sqlite_master SELECT * FROM sqlite_master WHERE name = 'recipes'")
        connection.execute("PRAGMA user_version = 7")
        assert list(schema.faults(connection)) == [
            ("table recipes", "no version of the recorder makes it: somebody added it"),
            ("view batches_read", "it was changed: the recorder makes it otherwise"),
            ("view checks_read", "it is missing"),
            ("view commands_read", "it is missing"),
            ("view deviations_read", "it is missing"),
            ("table recipes", "it is there more than once"),
            ("file's user_version", "it is 7, and the recorder leaves it at 0"),
        ]
    with closing(sqlite3.connect(tmp_path / "utf16.db")) as connection:
        connection.execute("PRAGMA encoding = 'UTF-16le'")
        connection.execute("CREATE TABLE t (x)")
        *_, last = schema.faults(connection)
        assert last == ("file's encoding", "it is 'UTF-16le', and the recorder leaves it at 'UTF-8'")


def test_the_steps_are_told_as_they_stand_there(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    for sql, said in {
        "DELETE FROM _sqlite_migrations WHERE id = 2": f"it names the steps {', '.join((ORDER[0], *ORDER[2:]))}, which",
        "UPDATE _sqlite_migrations SET migration_set = 'x' WHERE id = 2": "its rows are not numbered or named as",
        "UPDATE _sqlite_migrations SET id = id + 1": "its rows are not numbered or named as",
    }.items():
        path.unlink(missing_ok=True)
        with closing(made(path, len(ORDER))) as connection:
            if "id + 1" in sql:
                sql = "UPDATE _sqlite_migrations SET id = id + 100"
            connection.execute(sql)
            ((what, wrong),) = schema.faults(connection)
            assert what == "table _sqlite_migrations" and wrong.startswith(said)


def test_steps_of_which_nothing_is_left_are_missing_all(tmp_path: Path) -> None:
    with closing(made(tmp_path / "r.db", len(ORDER))) as whole, closing(sqlite3.connect(":memory:")) as connection:
        connection.execute(str(schema.PINNED["table", "_sqlite_migrations"][1]))
        rows = whole.execute("SELECT * FROM _sqlite_migrations").fetchall()
        connection.executemany("INSERT INTO _sqlite_migrations VALUES (?, ?, ?, ?)", rows)
        found = dict(schema.faults(connection))
    assert {"table journal", "trigger journal_keeps", "view checks_read"} <= found.keys()
    assert {*found.values()} == {"it is missing"} and "table _sqlite_migrations" not in found


def test_a_record_of_the_first_hours_has_a_hidden_row_number_and_messages_that_can_be_sent_twice(
    tmp_path: Path,
) -> None:
    """The first five hours' versions made it so (sqlite.org/withoutrowid.html), and no later step changes it."""
    sends_once = "SELECT sql FROM sqlite_master WHERE name = 'outbox_sends_once'"
    with closing(made(tmp_path / "r.db", len(ORDER))) as connection:
        (later,) = connection.execute(sends_once).fetchone()
        connection.execute("DROP TRIGGER outbox_sends_once")
        connection.execute("PRAGMA writable_schema = ON")
        without = "replace(sql, 'STRICT, WITHOUT ROWID', 'STRICT')"
        connection.execute(f"UPDATE sqlite_master SET sql = {without} WHERE type = 'table' AND name = 'journal'")
        (sql,) = connection.execute("SELECT sql FROM sqlite_master WHERE name = 'journal'").fetchone()
        assert list(schema.faults(connection)) == [] and sql.endswith(") STRICT")
        connection.execute(later)
        added = "no version of the recorder makes it: somebody added it"
        assert list(schema.faults(connection)) == [("trigger outbox_sends_once", added)]
    with closing(sqlite3.connect(tmp_path / "alone.db")) as connection:
        connection.execute(sql)
        missing = ("table _sqlite_migrations", "it is missing")
        assert list(schema.faults(connection)) == [missing, ("table journal", added)], "no step is known"


def test_the_numbering_of_messages_is_that_of_the_newest(tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    with closing(made(path, len(ORDER))) as connection:
        row = "INSERT INTO outbox (seq, topic, body, retain) VALUES (1, 't', '{}', 0)"
        connection.execute(row)
        connection.execute(row)
        assert list(schema.faults(connection)) == []
        connection.execute("UPDATE sqlite_sequence SET seq = 3")
        assert list(schema.faults(connection)) == [
            ("table sqlite_sequence", "it says [('outbox', 3)], and the newest message has the number 2")
        ]
        connection.execute("DROP TRIGGER outbox_holds")
        connection.execute("DELETE FROM outbox")
        assert dict(schema.faults(connection))["table sqlite_sequence"].endswith("the number None")


@pytest.mark.parametrize("table", ["_sqlite_migrations", "sqlite_sequence", "outbox"])
def test_what_can_not_be_read_is_said_of_its_table_and_the_rest_is_compared(table: str, tmp_path: Path) -> None:
    path = tmp_path / "r.db"
    made(path, len(ORDER)).close()
    with closing(sqlite3.connect(path)) as connection:
        (page,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (table,)).fetchone()
        connection.execute("CREATE TABLE z (x)")
    data = path.read_bytes()
    path.write_bytes(data[: (page - 1) * 4096] + bytes(4096) + data[page * 4096 :])
    with closing(sqlite3.connect(path)) as connection:
        found = dict(schema.faults(connection))
    assert found.pop(f"table {table}") == "it can't be read: database disk image is malformed"
    assert list(found) == ([] if table == "_sqlite_migrations" else ["table z"])


def test_another_programs_tables_of_the_same_names_are_told_apart(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "r.db")) as connection:
        connection.execute("CREATE TABLE outbox (id)")
        assert ("table outbox", "no version of the recorder makes it: somebody added it") in list(
            schema.faults(connection)
        )


def test_the_columns_are_those_of_the_tables_in_their_order(tmp_path: Path) -> None:
    with closing(made(tmp_path / "r.db", len(ORDER))) as connection:
        for table in TABLES:
            stored = "SELECT name FROM pragma_table_xinfo(?) WHERE hidden = 0 ORDER BY cid"
            assert columns(table) == [name for (name,) in connection.execute(stored, (table,))]


# ---- set aside ----


def test_what_was_set_aside_is_told_once_by_its_name(tmp_path: Path) -> None:
    path = tmp_path / "r[1].db"
    names = [f"{path.name}.damaged-20260226T10000{at}Z" for at in range(4)]
    for name in (names[0], f"{names[1]}-wal", f"{names[2]}.2-shm", f"{names[2]}.2", f"{names[3]}.12", names[3]):
        (tmp_path / name).touch()
    for name in (f"{names[0]}.gz", f"{names[0]}-old", f"{path.name}.damaged-2026", "r1.db.damaged-20260226T100000Z"):
        (tmp_path / name).touch()
    with Journal.open(path) as journal:
        all_of_them = [names[0], names[1], f"{names[2]}.2", names[3], f"{names[3]}.12"]
        assert quarantine.unreported(journal, path) == all_of_them
        append(journal, STAMP, RecordsSetAside(0, names[1], "malformed"))
        append(journal, STAMP, Tick(0))
        assert quarantine.unreported(journal, path) == [name for name in all_of_them if name != names[1]]
        assert quarantine.unreported(journal, tmp_path / "other.db") == []


# ---- keys ----


def test_a_key_signs_what_its_public_half_knows(tmp_path: Path) -> None:
    key = seal.make(tmp_path / "key")
    assert (tmp_path / "key").stat().st_mode & 0o777 == 0o600
    signature = key.sign(b"text")
    assert len(signature) == 128 and len(key.public) == 64 and bytes.fromhex(signature + key.public)
    assert seal.load(tmp_path / "key").public == key.public
    assert seal.genuine(key.public, b"text", signature) is True
    assert seal.genuine(key.public, b"texT", signature) is False
    assert seal.genuine(key.public, b"text", "no digits") is False
    assert seal.genuine(key.public, b"text", signature[:-2]) is False
    assert seal.genuine(seal.make(tmp_path / "other").public, b"text", signature) is False


@pytest.mark.parametrize("rights", [0o640, 0o604, 0o610, 0o601, 0o620, 0o602])
def test_a_key_that_others_may_touch_is_none(rights: int, tmp_path: Path) -> None:
    seal.make(tmp_path / "key")
    (tmp_path / "key").chmod(rights)
    with pytest.raises(DriverUnavailable, match=rf"can be touched by others \(mode {rights:o}\); chmod 600"):
        seal.load(tmp_path / "key")
    shutil.copy(tmp_path / "key", tmp_path / "copy")
    (tmp_path / "copy").chmod(0o400)
    seal.load(tmp_path / "copy")


def test_a_key_of_another_kind_is_none(tmp_path: Path) -> None:
    made = ec.generate_private_key(ec.SECP256R1())
    pem, form = serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8
    (tmp_path / "key").write_bytes(made.private_bytes(pem, form, serialization.NoEncryption()))
    (tmp_path / "key").chmod(0o600)
    with pytest.raises(DriverUnavailable, match=r"is no Ed25519 key; batch-recorder device-key NEWFILE makes one"):
        seal.load(tmp_path / "key")
    with pytest.raises(DriverUnavailable, match="can't be made"):
        seal.make(tmp_path / "key")
    (tmp_path / "key").write_bytes(b"no key")
    with pytest.raises(DriverUnavailable, match="holds no key; name another file"):
        seal.load(tmp_path / "key")
    with pytest.raises(
        DriverUnavailable, match=r"there is no device key .*none; batch-recorder device-key .*none makes"
    ):
        seal.load(tmp_path / "none")
    for public in ("", "ab", "no digits"):
        with pytest.raises(DriverUnavailable, match="is no public key"):
            seal.genuine(public, b"", "")


# ---- what is under everything ----


def test_what_is_made_or_renamed_is_on_the_disk_before_it_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fsync(2): of a file what it holds, of a folder its names."""
    synced: list[str] = []
    fsync = os.fsync

    def told(place: int) -> None:
        synced.append(str(Path(f"/proc/self/fd/{place}").readlink()))
        fsync(place)

    path = tmp_path / "r.db"
    kept(Kitchen(), path).close()
    monkeypatch.setattr(os, "fsync", told)
    copy = upkeep.keep(path, tmp_path / "copies", 3, examine)
    assert synced == [f"{copy.file}.part", str(tmp_path / "copies")]
    synced.clear()
    quarantine.isolate(path)
    assert synced == [str(tmp_path)]
    synced.clear()
    seal.make(tmp_path / "key")
    assert synced == [str(tmp_path / "key")]


def test_no_plugin_of_the_library_touches_the_records(tmp_path: Path) -> None:
    """sqlite-utils documents `prepare_connection`, which is called with each connection of a `Database`."""
    seen: list[sqlite3.Connection] = []

    class Plugin:
        @hookimpl
        def prepare_connection(self, conn: sqlite3.Connection) -> None:
            seen.append(conn)

    plugin = Plugin()
    pm.register(plugin)
    try:
        path = tmp_path / "r.db"
        kept(Kitchen(), path).close()
        examine(path)
        with closing(sqlite3.connect(":memory:")) as connection:
            take(connection, 2)
            assert taken(connection) == {*ORDER[:2]}
        assert seen == []
        with closing(sqlite3.connect(":memory:")) as connection:
            Database(connection)
            assert seen == [connection], "it would be"
    finally:
        pm.unregister(plugin)
