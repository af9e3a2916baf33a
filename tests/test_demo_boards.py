"""The demo with each other kind of probe gives the same batches and verdicts as with the usual one."""

from pathlib import Path

import pytest

from recorder.journal.reader import Reader
from tests.conftest import OTHER_PROBES, Performance, perform


def verdicts(database: Path) -> dict[str, list[tuple[object, ...]]]:
    """What a manager would decide by: batches, cooks, checks, corrections, holds and alerts."""
    names = {
        "batches": ("number", "vat", "pieces", "rounds", "checks_passed", "proven", "stage", "outcome"),
        "fryings": ("batch", "short", "overdue"),
        "checks": ("batch", "part", "verdict", "probe_was", "struck"),
        "corrections": ("batch", "action", "why", "struck"),
        "holds": ("batch", "past_limit", "struck"),
        "probe_checks": ("how", "due", "verdict"),
        "alerts": ("kind", "level", "batch", "ended_by", "repeats"),
    }
    journal = Reader.open(database)
    found = {
        table: [tuple(row[name] for name in columns) for row in journal.table(table)]
        for table, columns in names.items()
    }
    journal.close()
    return found


@pytest.mark.parametrize("name", OTHER_PROBES)
def test_the_verdicts_are_the_same_by_every_kind_of_probe(name: str, performance: Performance, tmp_path: Path) -> None:
    other, usual = perform(tmp_path / "demo", "--probe", name), verdicts(performance.database)
    assert len(usual["checks"]) > 20
    assert verdicts(other.database) == usual
    assert "Clean:" in other.output
