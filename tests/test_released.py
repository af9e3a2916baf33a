"""Records of released versions stay clean, are gone on with, reported, exported and copied."""

import lzma
import sqlite3
import tomllib
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.core.editions import NEWEST, RULES_OF
from recorder.journal import schema
from recorder.journal.journal import Journal
from recorder.journal.migrations import ORDER, taken
from recorder.journal.reader import Reader
from recorder.verification.examine import examine
from tests.replayed import replayed
from tests.tampering import tamper, unguarded

FOLDER = Path(__file__).parent.parent / "fixtures/records"
INDEX = tomllib.loads((FOLDER / "index.toml").read_text("utf-8"))


@pytest.fixture(params=INDEX)
def released(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, Path]:
    path = tmp_path / "records.db"
    path.write_bytes(lzma.decompress((FOLDER / f"{request.param}.db.xz").read_bytes()))
    return request.param, path


def unpacked(name: str, path: Path) -> Path:
    path.write_bytes(lzma.decompress((FOLDER / f"{name}.db.xz").read_bytes()))
    return path


def test_there_are_records_of_each_rules_number_edition_and_step() -> None:
    assert {each["edition"] for each in INDEX.values()} == {*RULES_OF}
    assert {each["rules"] for each in INDEX.values()} == {*RULES_OF.values()} and max(RULES_OF) == NEWEST
    assert {each["schema"] for each in INDEX.values()} >= {*range(3, 9)}, "the first version took the first three"
    assert all(RULES_OF[each["edition"]] == each["rules"] for each in INDEX.values())


def test_they_are_what_the_index_says(released: tuple[str, Path]) -> None:
    name, path = released
    with Reader.open(path) as journal:
        assert journal.rules() == INDEX[name]["rules"]
    with closing(sqlite3.connect(path)) as connection:
        assert len(taken(connection)) == INDEX[name]["schema"] and list(schema.faults(connection)) == []


def test_they_are_clean_as_they_lie_and_once_this_version_has_opened_them(released: tuple[str, Path]) -> None:
    _, path = released
    found = examine(path)
    assert found.faults == () and found.entries > 250 and found.rows > 100
    Journal.open(path).close()
    with closing(sqlite3.connect(path)) as connection:
        assert taken(connection) == {*ORDER}
    assert examine(path).faults == ()


@pytest.mark.parametrize("name", sorted(file.name.removesuffix(".db.xz") for file in FOLDER.glob("*.db.xz")))
def test_they_replay_to_the_rows_messages_and_cues_that_they_always_did(name: str, tmp_path: Path) -> None:
    """By digests that were taken once; `python -m tests.replayed` prints those of new records."""
    lines = (Path(__file__).parent / "replays/released.txt").read_text("utf-8").splitlines()
    assert replayed(name, tmp_path) in lines


def test_they_are_reported_exported_and_copied(released: tuple[str, Path], tmp_path: Path) -> None:
    _, path = released
    for command in (
        ["report", str(path), "--out", str(tmp_path / "day.html")],
        ["export", str(path), "--out", str(tmp_path / "tables")],
        ["upkeep", str(path), "--folder", str(tmp_path / "copies")],
    ):
        done = CliRunner().invoke(app, command)
        assert done.exit_code == 0, f"{command[0]}: {done.output}"


def test_one_recorder_went_by_one_edition_only(tmp_path: Path) -> None:
    """An alert that another edition would have ended in other words is found, though that edition has the same rules:
    the rest of what its recorder wrote is not that edition's."""
    path = unpacked("4f5f6d6", tmp_path / "records.db")
    new = "replace({0}, 'at or below it again', 'read again')"
    with closing(sqlite3.connect(path)) as connection:
        like = "SELECT count(*) FROM alerts WHERE ended_by = 'at or below it again'"
        assert connection.execute(like).fetchone()[0] > 0
    tamper(
        path, f"UPDATE alerts SET ended_by = {new.format('ended_by')}", f"UPDATE outbox SET body = {new.format('body')}"
    )
    assert {fault.table for fault in examine(path).faults} == {"alerts", "outbox"}


@pytest.mark.parametrize("name", ["46da2e1", "afae10d", "bd3d6af", "26d4385", "be37cd4"])
def test_a_changed_value_in_them_is_found(name: str, tmp_path: Path) -> None:
    path = unpacked(name, tmp_path / "records.db")
    tamper(path, "UPDATE batches SET checks_passed = checks_passed + 1 WHERE id = (SELECT min(id) FROM batches)")
    (fault,) = examine(path).faults
    assert fault.table == "batches" and "checks_passed" in fault.what
    tamper(path, "UPDATE batches SET checks_passed = checks_passed - 1 WHERE id = (SELECT min(id) FROM batches)")
    if name in ("afae10d", "26d4385", "be37cd4"):
        tamper(path, "UPDATE batches SET bound = bound + 0.01 WHERE bound IS NOT NULL")
        assert {fault.what.split()[0] for fault in examine(path).faults} == {"bound"}


def newer(path: Path, what: str) -> None:
    from recorder.journal.chain import linked
    from recorder.journal.reader import ENTRY, as_entry, as_row

    with unguarded(path) as connection:
        if what == "a step":
            connection.execute("INSERT INTO _sqlite_migrations VALUES (99, 'batch-recorder', 'm999_later', '2030')")
            return
        last = as_entry(connection.execute(f"{ENTRY} ORDER BY seq DESC LIMIT 1").fetchone())
        kind, body = {
            "rules": ("started", '{"at_ms":1,"boot_id":"b","rules":99,"station":"s","vats":[1],"version":"9"}'),
            "an event": ("hologram seen", '{"at_ms":1}'),
            "a field": ("tick", '{"at_ms":1,"colour":"green"}'),
        }[what]
        body = body.replace('"version":"9"', '"version":"9","wall_known":true')
        entry = linked(last.seq + 1, last.stamp, kind, body, last.hash)
        connection.execute(f"INSERT INTO journal VALUES ({', '.join('?' * 10)})", as_row(entry))


@pytest.mark.parametrize("what", ["a step", "rules", "an event", "a field"])
def test_what_a_newer_version_wrote_is_called_newer_and_not_changed(what: str, tmp_path: Path) -> None:
    path = unpacked("be37cd4", tmp_path / "records.db")
    newer(path, what)
    done = CliRunner().invoke(app, ["verify", str(path)])
    assert done.exit_code == 2 and "was written by a newer version" in done.output and "CHANGED" not in done.output
    tamper(path, "UPDATE journal SET body = replace(body, 'heard', 'herd') || ' ' WHERE seq = 20")
    done = CliRunner().invoke(app, ["verify", str(path)])
    assert done.exit_code == 1 and "CHANGED  journal, row 20" in done.output, "what it does understand is still checked"


@pytest.mark.parametrize("name", ["rules-5", "rules-5-deviations", "rules-6", "rules-7"])
def test_records_by_later_rules_stay_as_they_were_judged(name: str, tmp_path: Path) -> None:
    """Each made by the first version that judges so: a change of words or limits needs rules of its own."""
    path = unpacked(name, tmp_path / "records.db")
    finding = examine(path)
    assert finding.faults == () and finding.rows > 20, finding.faults[:1]
    Journal.open(path).close()
    assert examine(path).faults == ()
