"""The command line as a whole: its version, its groups of help, completion, and how little it loads for them."""

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import _imported, app
from recorder.commands.catalogue import GROUPS

NAMES = [entry.name for entries in GROUPS.values() for entry in entries]

LIGHT = {"recorder", "recorder.__main__", "recorder.commands", "recorder.commands.catalogue"} | {
    "recorder.commands.shared",
    "recorder.core",
    "recorder.core.limits",
    "recorder.errors",
    "recorder.practice",
    "recorder.printable",
}
"""All of ours that help may load."""

LIBRARIES = {"asyncio", "cryptography", "jinja2", "numpy", "onnxruntime", "paho", "pyarrow", "serial", "sqlite3"}

SHOW_MODULES = "import sys\nfrom recorder.__main__ import app\ntry:\n    app()\nfinally:\n    print(*sys.modules)"


@pytest.mark.parametrize("word", ["--help", "--version"])
def test_help_and_version_load_nothing_of_a_command(word: str) -> None:
    """Counted, not timed: a busy machine is no fault. When help imported every command it loaded 819 modules."""
    command = [sys.executable, "-c", SHOW_MODULES, word]
    run = subprocess.run(command, capture_output=True, text=True, check=True, env={**os.environ, "COLUMNS": "200"})
    loaded = run.stdout.splitlines()[-1].split()
    assert {name for name in loaded if name.split(".")[0] == "recorder"} == LIGHT
    assert LIBRARIES & set(loaded) == set()
    assert len(loaded) < 500


def test_the_version_is_that_of_the_package() -> None:
    (version,) = re.findall(r"^batch-recorder (\S+)\n$", CliRunner().invoke(app, ["--version"]).stdout)
    assert version == tomllib.loads(Path("pyproject.toml").read_text("utf-8"))["project"]["version"]
    changes = Path("recorder/share/docs/changelog.md").read_text("utf-8")
    assert re.findall(r"^## ([\d.]+)", changes, re.M)[0] == version


def test_help_has_three_groups_with_every_command_once() -> None:
    shown = CliRunner().invoke(app, ["--help"], env={"COLUMNS": "200"}).output
    assert list(GROUPS) == ["Daily", "Set up", "Records"]
    assert re.findall(r"^╭─ ([\w ]+?) ─", shown, re.M) == ["Options", *GROUPS]
    assert re.findall(r"^│ ([a-z][a-z-]*) ", shown, re.M) == NAMES
    assert len(set(NAMES)) == len(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_every_command_is_where_the_catalogue_says(name: str) -> None:
    command = _imported(name)
    assert command.name in (name, None)
    done = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "200"})
    assert done.exit_code == 0
    assert f"Usage: root {name} " in done.output


def test_no_command_is_missing_from_the_catalogue() -> None:
    """By their text: what a decorator makes a command is in the list."""
    found: set[str] = set()
    for file in Path("recorder/commands").glob("*.py"):
        text = file.read_text("utf-8")
        made = re.findall(r"^@app\.command\((?:\"([a-z-]+)\")?\)\ndef (\w+)", text, re.M)
        found |= {given or function for given, function in made}
        found |= set(re.findall(r"^app\.add_typer\(\w+, name=\"([a-z-]+)\"\)", text, re.M))
    assert found == set(NAMES)


def test_a_mistyped_command_is_named_with_the_nearest() -> None:
    done = CliRunner().invoke(app, ["verfy"])
    assert done.exit_code == 2
    assert "No such command 'verfy'. Did you mean 'verify'?" in done.output


@pytest.mark.parametrize(
    ("shell", "words"),
    [
        ("bash", {"COMP_WORDS": "batch-recorder prob", "COMP_CWORD": "1"}),
        ("zsh", {"_TYPER_COMPLETE_ARGS": "batch-recorder prob"}),
        ("fish", {"_TYPER_COMPLETE_ARGS": "batch-recorder prob", "_TYPER_COMPLETE_FISH_ACTION": "get-args"}),
    ],
)
def test_a_shell_completes_commands_and_options(shell: str, words: dict[str, str]) -> None:
    def completed(change: tuple[str, str]) -> str:
        asked = {key: value.replace(*change) for key, value in words.items()}
        if shell == "bash":
            asked["COMP_CWORD"] = str(asked["COMP_WORDS"].count(" "))
        variables = {**os.environ, **asked, "_BATCH_RECORDER_COMPLETE": f"complete_{shell}"}
        command = [str(Path(sys.executable).parent / "batch-recorder")]
        return subprocess.run(command, capture_output=True, text=True, env=variables, check=False).stdout

    assert set(re.findall(r"\bprobe[a-z-]*(?![a-z-])", completed(("", "")))) >= {"probe", "probes", "probe-check"}
    assert "--baud" in completed(("prob", "probes --b"))


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_script_for_each_shell_is_printed(shell: str) -> None:
    variables = {**os.environ, "_BATCH_RECORDER_COMPLETE": f"source_{shell}"}
    command = [str(Path(sys.executable).parent / "batch-recorder")]
    run = subprocess.run(command, capture_output=True, text=True, env=variables, check=True)
    assert "_BATCH_RECORDER_COMPLETE=complete_" in run.stdout
