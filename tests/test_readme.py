"""What README and its pages promise is there: commands and their options, sentences, alerts with their levels."""

import re
import shutil
import subprocess
import urllib.request
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.config import load, load_phrases
from recorder.core import alerts
from recorder.core.effects import Level
from recorder.core.own_words import OPENING, Choice, OwnWords, Prompt, Task
from recorder.demo.boards import BOARDS
from recorder.notices.connection import reach
from recorder.notices.settings import MqttSettings
from recorder.voice.language.own_words import with_own_words
from tests.phone_page import free_ports
from tests.system import needs
from tests.waiting import wait_for

DOCS = Path("recorder/share/docs")
README = Path("README.md").read_text("utf-8")
SPEAKING, STATIONS, ALERTS = ((DOCS / f"{page}.md").read_text("utf-8") for page in ("speaking", "stations", "alerts"))
COMMANDS = re.findall(r"^\| `([^`]+)` \|", README.split("| command |")[1].split("\n\n")[0], re.M)
SHORT, SAID = (
    re.findall(r"^\| ([a-z][^|`]*) \|", text.split("| say |")[1].split("\n\n")[0], re.M) for text in (README, SPEAKING)
)
OWN = ("cold oil", "cooked longer")
TOLD = {level: kinds.split(", ") for level, kinds in re.findall(r"^\| (\w+) \| [^|]+ \| ([^|`]+) \|$", ALERTS, re.M)}


@pytest.mark.parametrize("row", COMMANDS)
def test_a_command_has_the_options_that_readme_gives_it(row: str) -> None:
    words = re.match(r"[a-z-]+( install)?", row)
    assert words
    help = CliRunner().invoke(app, [*words[0].split(), "--help"], env={"COLUMNS": "200"})
    assert help.exit_code == 0
    for option, takes in re.findall(r"(--[a-z]+)(?: ([A-Z]+))?", row):
        assert re.search(rf"{option} +{takes}", help.output), f"{option} {takes} in {help.output}"


def test_readme_has_them_all() -> None:
    shown = CliRunner().invoke(app, ["--help"], env={"COLUMNS": "200"}).output
    there = set(re.findall(r"^[│|] ([a-z][a-z-]*) ", shown, re.M))
    assert there == {row.split()[0] for row in COMMANDS} and len(there) == 21


def test_what_readme_says_a_cook_may_say_is_understood() -> None:
    cause, action = ((Choice(name),) for name in OWN)
    prompts = (Prompt("Is it done?", "lid open", done=True),)
    own = OwnWords(prompts, (Task("gasket", OPENING),), cause, action)
    phrases = with_own_words(load_phrases(None), own)
    short, sentences = ([each.strip() for row in rows for each in re.split(r"[,/]", row)] for rows in (SHORT, SAID))
    assert len(sentences) > 20 and [each for each in sentences if not phrases.parse(each)] == []
    assert len(short) > 15 and set(short) <= set(sentences)


def test_the_simulated_probes_are_those_of_the_demo() -> None:
    table = STATIONS.split("| `NAME` |")[1].split("\n\n")[0]
    assert re.findall(r"^\| `([a-z-]+)`", table, re.M) == list(BOARDS)


def test_every_alert_stands_under_a_level() -> None:
    kinds = {value for name, value in vars(alerts).items() if name.isupper() and isinstance(value, str)}
    assert TOLD.keys() >= {level.value for level in Level}
    assert {kind for level in Level for kind in TOLD[level.value]} == kinds


@needs("mosquitto", "mosquitto")
def test_the_command_for_the_phone_page_serves_recorder_and_page(tmp_path: Path) -> None:
    """As the page on stations gives it, with the lines that the command prints for `[mqtt]`."""
    (line,) = re.findall(r"^    sudo \.venv/bin/(batch-recorder page .*)$", STATIONS, re.M)
    port, web = free_ports(2)
    config = tmp_path / "station.toml"
    config.write_text(f'station = "x"\n[mqtt]\nport = {port}\n')
    words = line.replace("station.toml", str(config)).split()[1:]
    printed = CliRunner().invoke(app, [*words, "--port", str(web), "--out", str(tmp_path / "out")]).output
    with config.open("a") as file:
        file.write("\n".join(re.findall(r"^  ((?:username|password_file) = .*)$", printed, re.M)))
    settings = load(config).mqtt
    assert settings
    (tmp_path / "page.conf").write_text((tmp_path / "out/page.conf").read_text() + "user root\n")
    program = shutil.which("mosquitto") or "/usr/sbin/mosquitto"
    with subprocess.Popen([program, "-c", str(tmp_path / "page.conf")], stderr=subprocess.DEVNULL) as broker:
        try:
            found: list[str] = []

            def served() -> bool:
                found[:] = [urllib.request.urlopen(f"http://127.0.0.1:{web}/?station=x", timeout=5).read().decode()]
                return True

            wait_for(served, OSError)
            assert '<main id="station"' in found[0]
            assert reach(settings, 5) == ""
            assert "Not authorized" in reach(MqttSettings("x", port=port), 5)
        finally:
            broker.terminate()
