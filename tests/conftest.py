"""What several test files share."""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import hypothesis
import pytest

from recorder.driver import DriverUnavailable
from recorder.probes.micropython_board import interpreter

hypothesis.settings.register_profile("untimed", deadline=None)  # a busy machine is no failure
hypothesis.settings.load_profile("untimed")


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
        marks=pytest.mark.skipif(
            not (_interpreter() or os.environ.get("RECORDER_ALL_TESTS")), reason="no MicroPython for this machine"
        ),
    ),
]
"""What `demo --probe` takes beside the usual."""


@pytest.fixture(scope="session", autouse=True)
def performances(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[dict[str, "Future[Performance]"]]:
    """The demo by each kind of probe that a test asks for: begun at once, and played beside the tests before that."""
    others = {item.name for item in request.session.items if item.path.name == "test_simulated_probes.py"}
    names = [name for name in ("ble-sim", "modbus-sim", "micropython") if any(name in each for each in others)]
    if any("performance" in getattr(item, "fixturenames", ()) for item in request.session.items):
        names.insert(0, "serial")
    with ThreadPoolExecutor(1) as pool:
        yield {name: pool.submit(perform, tmp_path_factory.mktemp(name), "--probe", name) for name in names}


@pytest.fixture(scope="session")
def performance(performances: dict[str, "Future[Performance]"]) -> Performance:
    """The demo as it is without `--probe`, run once for all tests."""
    return performances["serial"].result()
