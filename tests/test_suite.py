"""The rules of this suite itself: nothing is skipped in CI, and a test file helps no other."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent


@pytest.mark.parametrize(
    ("marker", "in_ci", "outcome"),
    [("", "", "1 skipped"), ("", "1", "1 error"), ("@pytest.mark.hardware\n", "1", "1 skipped")],
)
def test_what_is_skipped_fails_in_ci_unless_ci_cannot_have_it(
    marker: str, in_ci: str, outcome: str, tmp_path: Path
) -> None:
    (tmp_path / "test_one.py").write_text(
        f"import pytest\n\n{marker}@pytest.mark.skipif(True, reason='nobody is here')\ndef test_one(): pass\n"
    )
    command = [sys.executable, "-m", "pytest", "-c", "pyproject.toml", "-p", "tests.conftest", str(tmp_path)]
    environment = {**os.environ, "RECORDER_ALL_TESTS": in_ci, "PYTEST_ADDOPTS": ""}
    run = subprocess.run(command, capture_output=True, text=True, cwd=TESTS.parent, env=environment)
    assert outcome in run.stdout and "nobody is here" in run.stdout, run.stdout + run.stderr


def test_no_test_file_is_imported_by_another() -> None:
    """What several need is a helper module: else a change for one test breaks another."""
    importing = re.compile(r"^\s*(?:from tests\.test_\w+ import|import tests\.test_|from tests import .*\btest_)", re.M)
    assert [path.name for path in TESTS.rglob("*.py") if importing.search(path.read_text("utf-8"))] == []
