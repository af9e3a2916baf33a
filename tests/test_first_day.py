"""The way from the box to the first shift: each command of docs/first-day.md, in its order, as a new user types it."""

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app

PAGE = Path("recorder/share/docs/first-day.md")
COMMANDS = re.findall(
    r"^(batch-recorder .*)$", "\n".join(re.findall(r"```sh\n(.*?)```", PAGE.read_text("utf-8"), re.S)), re.M
)
ELSEWHERE = {"batch-recorder demo": "tests/test_demo.py plays it", "batch-recorder probes": "needs what is attached"}
READY = "is in force"


def test_the_page_has_commands() -> None:
    assert len(COMMANDS) == 9 and set(ELSEWHERE) <= set(COMMANDS)


def test_every_command_of_the_page_does_what_it_says(tmp_path: Path) -> None:
    """`run` until it records; what asks is answered with the return key alone."""
    env = {**os.environ, "PYTHONPATH": str(Path.cwd())}
    for command in (each for each in COMMANDS if each not in ELSEWHERE):
        words = [sys.executable, "-m", "recorder", *command.split()[1:]]
        if " run " in command and "--practice" not in command:
            real = tmp_path / "kitchen/station.toml"
            real.write_text(re.sub(r"\[\[probe\]\]\n.*\n.*\n", "", real.read_text("utf-8")))
        with subprocess.Popen(
            words,
            cwd=tmp_path,
            env=env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as child:
            if " run " in command:
                assert child.stderr
                for line in child.stderr:
                    if READY in line:
                        child.send_signal(signal.SIGTERM)
                        break
            _, wrong = child.communicate(timeout=60)
        if command == "batch-recorder configure --folder kitchen":
            assert child.returncode == 2 and "nobody is there to be asked" in wrong, "without a terminal it asks nobody"
            given = (
                "configure --folder kitchen --station fry-line-1 --vats 1 --unit F --microphone none --probe simulated"
            )
            subprocess.run([*words[:3], *given.split()], cwd=tmp_path, env=env, check=True, capture_output=True)
        else:
            assert child.returncode == 0, f"{command}: {wrong}"
    made = {path.name for path in (tmp_path / "kitchen").iterdir()}
    assert {"station.toml", "procedure.toml", "practice.db", "records.db"} <= made


@pytest.mark.parametrize(
    "name", ["first-day", "trouble", "limits", "stations", "records", "alerts", "questions", "speaking"]
)
def test_every_command_that_a_page_names_is_one(name: str) -> None:
    text = (PAGE.parent / f"{name}.md").read_text("utf-8")
    named = set(re.findall(r"batch-recorder ([a-z][a-z-]+)", text)) - {"is", "means"}
    there = set(CliRunner().invoke(app, ["--help"]).output.replace("│", " ").split())
    assert named <= there, named - there
