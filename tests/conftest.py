"""What several test files share."""

import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True)
class Performance:
    """One run of the demo, as a person would start it."""

    output: str
    seconds: float
    database: Path


def perform(out: Path, *arguments: str) -> Performance:
    """The demo, run in folder `out`."""
    began_s = time.monotonic()
    run = subprocess.run(
        [sys.executable, "-W", "error", "-m", "recorder", "demo", "--out", str(out), *arguments],
        capture_output=True,
        text=True,
        timeout=240,
    )
    seconds = time.monotonic() - began_s
    assert run.returncode == 0, run.stdout + run.stderr
    assert run.stderr == ""
    return Performance(run.stdout, seconds, out / "records.db")


@pytest.fixture(scope="session")
def performance(tmp_path_factory: pytest.TempPathFactory) -> Performance:
    """The demo, run once for all tests."""
    return perform(tmp_path_factory.mktemp("demo"))
