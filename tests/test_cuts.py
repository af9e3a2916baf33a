"""The power is cut under a shift, at the level of files; `python -m tests.bench.cuts` cuts more often."""

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from recorder.journal.journal import Journal
from recorder.journal.reader import Reader
from tests.conftest import Performance
from tests.cuts import SPOILED, WAYS, Disk, Step, cut, recorded
from tests.kills import Story, brokered
from tests.shift_under_fire import COMMITTING, Life
from tests.system import compiled

CUTS = 8 * len(WAYS)


@dataclass(frozen=True)
class Recording:
    """A shift of two lives, step by step; the first of them died."""

    story: Story
    life: Life
    steps: list[Step]


@pytest.fixture(scope="module")
def recording(performance: Performance, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Recording]:
    folder = tmp_path_factory.mktemp("cuts")
    with brokered(performance.database) as story:
        life = replace(story.life(folder / "shift", random.Random(1), 60), publish="all")
        killed = replace(life, point=COMMITTING["COMMIT"], passage=25)
        yield Recording(story, life, recorded([killed, life], compiled("cuts.c", folder)))


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")  # as in test_kill.py
def test_a_power_cut_loses_nothing_that_was_shown(recording: Recording, tmp_path: Path) -> None:
    done = list(cut(recording.steps, CUTS, tmp_path / "left", random.Random(2)))
    assert {held.way for held in done} == set(WAYS)
    assert done[-1].cued > 5 and done[-1].given > 50
    assert sum(held.unsynced for held in done) > CUTS / 2
    assert sum(held.kept for held in done) > 5, "the state that is kept was tried too"


def test_nor_where_flash_spoils_the_block_that_it_was_writing(recording: Recording, tmp_path: Path) -> None:
    for _ in cut(recording.steps, 60, tmp_path / "left", random.Random(3), (SPOILED,)):
        pass


def test_what_a_cut_left_is_played_to_its_end_with_every_message(recording: Recording, tmp_path: Path) -> None:
    half = recording.steps[: len(recording.steps) // 2]
    for _ in cut(half, 3, tmp_path / "left", random.Random(4)):
        assert recording.story.resume(recording.life, tmp_path / "left") > 5


def test_nothing_was_written_past_the_shim(recording: Recording) -> None:
    disk = Disk()
    for step in recording.steps:
        disk.do(step)
    left = {file.name: file.read_bytes() for file in Path(recording.life.folder).iterdir()}
    assert left.keys() == {"records.db", "records.db.lock", "records.db.state", "witness.log"}
    assert left == disk.written()


def test_a_disk_that_never_synced_is_found_out(recording: Recording, tmp_path: Path) -> None:
    """The check can fail: the same cuts, with the syncs of SQLite's log left out."""
    forgetful = [step for step in recording.steps if (step.what, step.name) != ("s", "records.db-wal")]
    with pytest.raises(AssertionError, match=r"is not there|no entry is there|verify says"):
        list(cut(forgetful, CUTS, tmp_path / "left", random.Random(2)))


def test_a_folder_with_a_question_mark_in_its_name_is_no_address(tmp_path: Path) -> None:
    folder = tmp_path / "what? 100% #1"
    Journal.open(folder / "records.db").close()
    assert (folder / "records.db").stat().st_size > 0
    with Reader.open(folder / "records.db") as journal:
        assert journal.newest() is None
