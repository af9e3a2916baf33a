"""What CI makes of pip-audit's answer: as 2.10.1 gave it without an index, and as its source writes findings."""

import json
import subprocess
import sys

import pytest

SKIPPED = {"name": "numpy", "skip_reason": "Dependency not found on PyPI and could not be audited: numpy (2.2.0)"}
CLEAN = {"name": "rich", "version": "13.0", "vulns": []}
BAD = {"name": "x", "version": "1.0", "vulns": [{"id": "PYSEC-2026-1", "fix_versions": ["1.1"], "aliases": []}]}


@pytest.mark.parametrize(
    ("given", "code", "told"),
    [
        ("", 0, "NOT DONE"),
        (json.dumps({"dependencies": [SKIPPED]}), 0, "NOT DONE, all 1 packages were skipped: Dependency not found"),
        (json.dumps({"dependencies": [SKIPPED, CLEAN]}), 0, "1 packages asked about, 1 skipped, 0 vulnerabilities"),
        (json.dumps({"dependencies": [CLEAN, BAD]}), 1, "x 1.0: PYSEC-2026-1, fixed in 1.1"),
    ],
)
def test_an_audit_that_asked_nobody_says_so_and_a_vulnerability_fails(given: str, code: int, told: str) -> None:
    run = subprocess.run([sys.executable, ".ci/audit"], input=given, capture_output=True, text=True, timeout=30)
    assert (run.returncode, told in run.stdout) == (code, True), run.stdout + run.stderr
