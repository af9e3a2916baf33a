"""Disks that run full, fail or take seconds: nothing that was cued is lost, and it is never silent."""

import threading
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app as command_line
from recorder.app import App, open_journal
from recorder.clock import ManualClock
from recorder.config import load
from recorder.core.effects import Cue
from recorder.core.events import Reading
from recorder.daemon import run
from recorder.journal.errors import JournalError
from recorder.journal.upkeep import MARGIN, keep
from recorder.journal.verify import Finding
from recorder.space import LOOK_MS, RESERVE, Reserve
from recorder.verification.examine import examine
from tests.disk_faults import crawl, fail
from tests.disks import fill, read_only, station_on, tiny_disk, write_on


def test_space_is_watched_ahead_of_time(tmp_path: Path) -> None:
    """Once a minute, with the alert ended when there is space again; the look itself is free of records."""
    with tiny_disk(tmp_path / "disk", "40m") as disk:
        (disk / "station.toml").write_text('station = "line-1"\nleast_free_mb = 20\n')
        clock, cues = ManualClock(0), list[Cue]()
        settings = load(disk / "station.toml")
        with open_journal(settings) as journal:
            app = App(settings, journal, clock, cues.append)
            app.open()
            app.turn(0)
            seen: list[tuple[str, str | None]] = []
            for leave_mb in (30, 15, 12, 22, 30):  # back only when a fifth more is free than the least
                (disk / "filler").unlink(missing_ok=True)
                fill(disk, leave_mb * 1_000_000)
                clock.advance(LOOK_MS - 1)
                assert not app.turn(0) and len(cues) == 1 + bool(seen[1:])
                clock.advance(1)
                app.turn(0)
                (row,) = journal.table("alerts", kind="disk nearly full") or [{"text": "", "ended_by": ""}]
                seen.append((row["text"][:52], row["ended_by"]))
            full = "The recorder's disk is nearly full: 14 MB free, shou"
            assert seen == [("", ""), (full, None), (full, None), (full, None), (full, "space is back")]
            assert [cue.say for cue in cues] == ["Recorder started.", "The disk is nearly full. Tell the manager."]
            app.close()
        result = CliRunner().invoke(
            command_line, ["check", "--config", str(disk / "station.toml")], env={"COLUMNS": "200"}
        )
        assert "MB free, alert under 20 MB" in result.output and "lamp" not in result.output
        fill(disk, 15_000_000)
        result = CliRunner().invoke(
            command_line, ["check", "--config", str(disk / "station.toml")], env={"COLUMNS": "200"}
        )
        assert result.exit_code == 1 and "should be 20; make room" in result.output.replace("\n", " ")


def test_a_full_disk_is_survived_by_the_reserve(tmp_path: Path) -> None:
    """Filled within a minute, so that no look could come before: the next start gives it up and records on."""
    with tiny_disk(tmp_path / "disk", "40m") as disk:
        (disk / "station.toml").write_text('station = "line-1"\n')
        settings = load(disk / "station.toml")
        reserve = Reserve(settings.database)
        reserve.tend()
        assert reserve.file.stat().st_blocks * 512 == RESERVE
        app = station_on(disk, [])
        fill(disk)
        with pytest.raises(JournalError, match="the disk is full"):
            write_on(app.journal)
        app.journal.close()
        with pytest.raises(JournalError, match="the disk is full"):
            station_on(disk, [])
        reserve.tend()
        cues = list[Cue]()
        app = station_on(disk, cues)
        app.turn(0)
        assert "The disk is nearly full. Tell the manager." in [cue.say for cue in cues]
        for number in range(1_000):
            app.loop.handle(Reading(app.clock.now_ms(), "vat1", 160.0 + number % 7))
        app.close()
        assert not reserve.file.exists() and examine(settings.database).faults == ()
        (disk / "filler").unlink()
        reserve.tend()
        assert reserve.file.exists()


def test_a_folder_that_cannot_be_looked_into_is_told_as_one_that_cannot_be_written(tmp_path: Path) -> None:
    """A name longer than Linux has (255 bytes) fails for every user; so does a folder that is another's, or a disk."""
    (tmp_path / "station.toml").write_text(f'station = "line-1"\ndatabase = "{"x" * 256}/records.db"\n')
    with pytest.raises(JournalError, match=r"records\.db can't be opened"):
        run(load(tmp_path / "station.toml"), threading.Event())


def test_old_copies_go_before_the_disk_is_full(tmp_path: Path) -> None:
    with tiny_disk(tmp_path / "disk", "64m") as disk:
        station_on(disk, []).close()
        path, copies = disk / "records.db", disk / "copies"
        sound = keep(path, copies, 7, examine)
        for night in range(1, 4):
            (copies / f"records-2026010{night}T030000Z.db").write_bytes(bytes(4_000_000))
        fill(disk, MARGIN + 1_000_000 - 5_000_000)
        copy = keep(path, copies, 7, examine)
        assert [file.name[8:16] for file in copy.dropped] == ["20260101", "20260102"]
        before = {*copies.iterdir()}
        fill(disk, MARGIN - 20_000_000)
        with pytest.raises(JournalError, match="the disk is full"):
            keep(path, copies, 7, examine)
        assert {*copies.iterdir()} == before and sound.file in before


def test_a_disk_that_is_made_read_only_while_the_copy_is_verified_is_told(tmp_path: Path) -> None:
    station_on(tmp_path, []).close()
    with tiny_disk(tmp_path / "disk", "64m") as disk:

        def examined(part: Path) -> Finding:
            finding = examine(part)
            read_only(disk)
            return finding

        with pytest.raises(JournalError, match="it is read-only"):
            keep(tmp_path / "records.db", disk / "copies", 7, examined)


def test_a_disk_that_fails_ends_it_aloud_and_what_was_cued_is_there(tmp_path: Path) -> None:
    fail(tmp_path, "sync", 20)


def test_a_disk_that_takes_seconds_makes_cues_late_and_loses_nothing(tmp_path: Path) -> None:
    crawl(tmp_path, 0.4, 1.4)
