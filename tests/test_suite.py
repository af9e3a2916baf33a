"""The rules of this suite itself: nothing is skipped in CI, and a test file helps no other."""

import ast
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


def test_every_public_name_says_what_a_caller_gets() -> None:
    """Modules, classes, functions and methods; the frozen rules 1 to 4 stay as they were."""
    silent = []
    for path in (TESTS.parent / "recorder").rglob("*.py"):
        if "rules_1_to_4" in path.parts or not path.read_text("utf-8"):
            continue
        tree = ast.parse(path.read_text("utf-8"))
        named: list[tuple[str, ast.Module | ast.ClassDef | ast.FunctionDef]] = [(path.name, tree)]
        for node in tree.body:
            inside = node.body if isinstance(node, ast.ClassDef) else []
            named += [
                (f"{path.name}: {each.name}", each)
                for each in (node, *inside)
                if isinstance(each, ast.ClassDef | ast.FunctionDef)
                and not each.name.startswith("_")
                and not getattr(node, "name", "_").startswith("_")
            ]
        silent += [name for name, node in named if not ast.get_docstring(node)]
    assert silent == []
