"""Snapshots of the state beside the journal: the same state to the letter, taken up only where it belongs."""

import logging
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given
from hypothesis import settings as tries
from hypothesis import strategies as st

from recorder import app, snapshot
from recorder.app import App, open_journal
from recorder.clock import ManualClock
from recorder.config import Settings
from recorder.core.events import Event, Heard, Intent, Reading, Started
from recorder.core.station import State, current, step
from recorder.journal.codec import decode, encode
from recorder.journal.errors import JournalError
from recorder.journal.reader import Reader
from recorder.loop import restored
from recorder.snapshot import Snapshot
from recorder.verification.examine import examine
from tests.kitchen import settings_for
from tests.strategies import stories
from tests.tampering import tamper


def stored(events: list[Event]) -> list[Event]:
    """As they come back from the journal: whole numbers of a field for fractions are fractions."""
    return [decode(*encode(event)) for event in events]


@tries(max_examples=40, suppress_health_check=[HealthCheck.too_slow])  # as others use the machine
@given(stories(), stories())
@example([Started(0, "boot", True, "test", "a name\u2028of\x85lines", (1,))], [])
def test_a_state_comes_back_to_the_letter_and_goes_on_alike(
    tmp_path_factory: pytest.TempPathFactory, before: list[Event], after: list[Event]
) -> None:
    file = tmp_path_factory.getbasetemp() / "records.db.state"
    state = State()
    for event in stored(before):
        state, _ = step(state, event)
    state = current(state)  # a recorder begins with its own start, so that no other is ever kept
    snapshot.save(file, Snapshot(state, "hash"))
    found = snapshot.read(file)
    assert found and repr(found) == repr(Snapshot(state, "hash"))
    again = found.state
    for event in stored(after):
        state, effects = step(state, event)
        again, same = step(again, event)
        assert repr(effects) == repr(same)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return settings_for(tmp_path / "records.db")


def work(settings: Settings, entries: int = 30, later_ms: int = 0) -> State:
    """A recorder that runs for a while; its last state."""
    station, clock = started(settings)
    clock.at_ms += later_ms
    words = ("shift start", "batch start", "load", "lid locked")
    for number in range(entries):
        clock.at_ms += 1000
        now_ms = clock.now_ms()
        if number < len(words):
            intent = Intent(words[number], cook=4, part="thigh", count=12, vat=1)
            station.loop.inbox.put(Heard(now_ms, words[number], intent, "test", "open", -1.5))
        else:
            station.loop.inbox.put(Reading(now_ms, "vat1", 150 + number / 7))
        while station.turn(0):
            pass
    station.journal.close()
    return station.loop.state


def started(settings: Settings) -> tuple[App, ManualClock]:
    journal = open_journal(settings)
    newest = journal.newest()
    clock = ManualClock(newest.stamp.at_ms, f"boot {newest.seq}") if newest else ManualClock(0)
    station = App(settings, journal, clock, lambda cue: None)
    station.open()
    return station, clock


def lived_through(database: Path) -> State:
    journal = Reader.open(database)
    state = restored(journal)
    journal.close()
    return state


def begun(settings: Settings) -> State:
    """The state from which a recorder would start reading."""
    journal = Reader.open(settings.database)
    try:
        return snapshot.start(snapshot.beside(settings.database), journal)
    finally:
        journal.close()


@pytest.fixture
def often(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app, "SNAPSHOT_EVERY", 10)


@pytest.mark.usefixtures("often")
def test_a_start_reads_only_what_came_after(settings: Settings) -> None:
    last = work(settings)
    assert last.seq - 10 < begun(settings).seq <= last.seq
    station, _ = started(settings)
    station.journal.close()
    assert station.loop.state == lived_through(settings.database)
    assert examine(settings.database).faults == ()


@pytest.mark.usefixtures("often")
def test_without_the_file_all_of_it_is_read(settings: Settings) -> None:
    last = work(settings)
    snapshot.beside(settings.database).unlink()
    assert begun(settings) == State() and lived_through(settings.database) == last


def cut(text: str) -> str:
    return text[: len(text) // 2]


def changed(text: str) -> str:
    return text.replace("thigh", "wings")


def of_other_code(text: str) -> str:
    return "0" * 64 + text[64:]


def empty(text: str) -> str:
    return ""


@pytest.mark.usefixtures("often")
@pytest.mark.parametrize("harm", [cut, changed, of_other_code, empty])
def test_a_file_that_is_not_as_it_was_written_is_left_aside(settings: Settings, harm: Callable[[str], str]) -> None:
    work(settings)
    file = snapshot.beside(settings.database)
    text = file.read_text("utf-8")
    file.write_text(harm(text), "utf-8")
    assert file.read_text("utf-8") != text and begun(settings) == State()


@pytest.mark.usefixtures("often")
@given(st.binary(max_size=200))
def test_no_bytes_in_its_place_stop_a_start(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    file = tmp_path_factory.getbasetemp() / "any.state"
    file.write_bytes(data)
    assert snapshot.read(file) is None


@pytest.mark.usefixtures("often")
def test_a_state_of_another_journal_is_left_aside(settings: Settings) -> None:
    work(settings)
    settings.database.rename(settings.database.with_name("older.db"))
    work(settings, 2, later_ms=1)
    assert begun(settings) == State()
    assert examine(settings.database).faults == ()


@pytest.mark.usefixtures("often")
def test_verify_finds_a_state_that_the_journal_does_not_say(settings: Settings) -> None:
    work(settings)
    file = snapshot.beside(settings.database)
    found = snapshot.read(file)
    assert found
    wrong = State(found.state.seq, found.state.at_ms + 1, found.state.world, found.state.said)
    snapshot.save(file, Snapshot(wrong, found.entry_hash))
    [fault] = examine(settings.database).faults
    assert (fault.table, fault.row) == ("kept state", found.state.seq)


@pytest.mark.usefixtures("often")
def test_a_file_that_cannot_be_written_is_told_and_the_recorder_goes_on(
    settings: Settings, caplog: pytest.LogCaptureFixture
) -> None:
    snapshot.beside(settings.database).with_name("records.db.state.part").mkdir()
    with caplog.at_level(logging.WARNING):
        last = work(settings)
    assert "the next start will take longer" in caplog.text
    assert last == lived_through(settings.database)


def test_what_was_lived_through_is_not_read_again(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    """Shown by an entry that can't be read: only a start that reads it fails."""
    monkeypatch.setattr(app, "SNAPSHOT_EVERY", 10)
    work(settings)
    tamper(settings.database, "UPDATE journal SET body = '{' WHERE seq = 3")
    started(settings)[0].journal.close()
    snapshot.beside(settings.database).unlink()
    with open_journal(settings) as journal, pytest.raises(JournalError, match="entry 3"):
        App(settings, journal, ManualClock(0), lambda cue: None)


@pytest.mark.usefixtures("often")
def test_systemd_is_told_to_wait_while_a_long_journal_is_read(
    settings: Settings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after an update, when the kept state is another program's; sd_notify(3): EXTEND_TIMEOUT_USEC."""
    last = work(settings)
    snapshot.beside(settings.database).unlink()
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        systemd.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        started(settings)[0].journal.close()
        for entry in range(10, last.seq + 1, 10):
            assert (
                systemd.recv(200)
                == f"EXTEND_TIMEOUT_USEC=120000000\nSTATUS=Reading the records: entry {entry}.".encode()
            )
