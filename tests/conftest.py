"""What several test files share."""

import fcntl
import os
import subprocess
import sys
from collections.abc import Generator
from dataclasses import dataclass
from pathlib import Path

import hypothesis
import pytest

from recorder.demo.devices.micropython_board import interpreter
from recorder.driver import DriverUnavailable

hypothesis.settings.register_profile("untimed", deadline=None)  # a busy machine is no failure
hypothesis.settings.load_profile("untimed")


@dataclass(frozen=True)
class Performance:
    """One run of the demo, as a person would start it."""

    output: str
    database: Path


def perform(out: Path, *arguments: str) -> Performance:
    """The demo, run in folder `out`."""
    run = subprocess.run(
        [sys.executable, "-W", "error", "-m", "recorder", "demo", "--out", str(out), *arguments],
        capture_output=True,
        text=True,
        timeout=900,
    )
    assert run.returncode == 0, run.stdout + run.stderr
    assert run.stderr == ""
    return Performance(run.stdout, out / "records.db")


def _interpreter() -> bool:
    try:
        interpreter()
    except DriverUnavailable:
        return False
    return True


OTHER_PROBES = [
    "ble-sim",
    "modbus-sim",
    pytest.param(
        "micropython",
        marks=pytest.mark.skipif(not _interpreter(), reason="no MicroPython for this machine"),
    ),
]
"""What `demo --probe` takes beside the usual."""


@pytest.fixture(scope="session")
def performance(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Performance:
    """The demo as it is without `--probe`, run once for all tests; of pytest-xdist's workers the first plays it."""
    base = tmp_path_factory.getbasetemp()
    out = (base if worker_id == "master" else base.parent) / "performance"
    output = out.with_suffix(".txt")
    with out.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not output.exists():
            output.write_text(perform(out).output)
    return Performance(output.read_text(), out / "records.db")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Who needs the demo is slow. Workers take whole files, the slow ones first: else one is left with them."""
    for item in items:
        if "performance" in getattr(item, "fixturenames", ()):
            item.add_marker("slow")
    if hasattr(config, "workerinput"):
        slow = {item.path for item in items if item.get_closest_marker("slow")}
        items.sort(key=lambda item: item.path not in slow)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """In CI (RECORDER_ALL_TESTS) a test that is skipped fails, unless it needs what CI can't have."""
    report = yield
    if report.skipped and os.environ.get("RECORDER_ALL_TESTS") and not item.get_closest_marker("hardware"):
        report.outcome, report.longrepr = "failed", f"skipped, and may not be in CI: {report.longrepr}"
    return report
