"""What is seen of a running station, and typed to it: lines, the log, and the live view in a real pseudo terminal."""

import fcntl
import json
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC
from io import StringIO
from pathlib import Path

import pyte
import pytest

from recorder.clock import ManualClock
from recorder.config import ConfigError, load, load_phrases, load_procedure
from recorder.console.hints import hint
from recorder.console.lines import Line, lines
from recorder.console.plain import Plain, text
from recorder.console.standing import standing
from recorder.console.typed import continuations, heard, long_lot, nearest
from recorder.console.view import View
from recorder.core import events as e
from recorder.core.effects import Alert, Cue, Effect, Level, Notice, Tone
from recorder.core.meanings import Intent
from recorder.core.procedure import Procedure
from recorder.core.station import State, step
from recorder.core.subjects.guidance import next_words
from recorder.journal.reader import Reader
from recorder.probes.simulated import HOW, KITCHEN
from recorder.reports.day import gather
from recorder.reports.page import page
from recorder.verification.examine import examine
from recorder.voice.footswitch import KEY

ROWS, COLUMNS = 30, 100
PATIENCE_S = 90.0
PHRASES = load_phrases(None)
PROCEDURE = load_procedure(None)

LOST = Alert("7-probe-lost", "probe lost", Level.WARNING, "Probe needle lost: unplugged.", None, (), 0)

HAPPENED: list[tuple[e.Event, tuple[Effect, ...], list[tuple[str, str | None, Level]]]] = [
    (
        e.Heard(0, "probe thigh", Intent("probe", part="thigh"), "moonshine", "name"),
        (Cue(Tone.REFUSED, "Refused: no batch is being checked."),),
        [
            ("heard", "“probe thigh”", Level.INFO),
            ("said", "Refused: no batch is being checked.", Level.WARNING),
        ],
    ),
    (
        e.Unheard(0, "load thigh", "too noisy", "moonshine", "name"),
        (),
        [("unheard", 'not taken: too noisy; the nearest sentence is "load thigh"', Level.WARNING)],
    ),
    (
        e.Reading(0, "needle", 84.0, True, 3, 0.4, 9_000),
        (),
        [("reading", "at rest: 183.2 °F ± 0.7, after 9 s", Level.INFO)],
    ),
    (e.Reading(0, "needle", 70.0), (), []),
    (e.Reading(0, "vat1", 170.0), (), []),
    (
        e.ProbeLost(0, "needle", "unplugged"),
        (Notice(LOST, "raised"),),
        [
            ("probe", "lost: unplugged; plug it in again", Level.WARNING),
            ("alert", "Probe needle lost: unplugged. (waits for the broker)", Level.WARNING),
        ],
    ),
    (e.LinkUp(0), (), [("broker", "reached", Level.INFO)]),
    (e.LinkDown(0, "no cable"), (), [("broker", "not reached: no cable. Messages wait on disk", Level.WARNING)]),
    (e.Seen(0, "7-probe-lost", "phone of AB"), (), [("seen", "phone of AB shows the alert 7-probe-lost", Level.INFO)]),
    (e.EarTrouble(0, e.SILENT), (), [("microphone", None, Level.WARNING)]),
    (e.SpaceLow(0, 40, 200), (), [("disk", "40 MB free, should be 200; make room on the disk", Level.WARNING)]),
    (e.ClockStepped(0, 61_000, True), (), [("clock", "set by +61 s", Level.INFO)]),
    (e.RecordsSetAside(0, "records.db.1", "torn"), (), [("records", None, Level.CRITICAL)]),
    (e.Tick(0), (), []),
]  # fmt: skip


@pytest.mark.parametrize(("event", "effects", "wanted"), HAPPENED)
def test_each_event_is_told_in_its_own_lines(
    event: e.Event, effects: tuple[Effect, ...], wanted: list[tuple[str, str | None, Level]]
) -> None:
    found = [(line.what, line.text, line.level) for line in lines(event, effects, "F", False)]
    assert [(what, level) for what, _, level in found] == [(what, level) for what, _, level in wanted]
    for (_, said, _), (_, words, _) in zip(found, wanted, strict=True):
        assert words is None or said == words


@pytest.mark.parametrize(
    ("linked", "where"), [(None, ""), (True, " (goes to the broker)"), (False, " (waits for the broker)")]
)
def test_an_alert_says_where_it_goes(linked: bool | None, where: str) -> None:
    first, again = lines(e.Tick(0), (Notice(LOST, "raised"), Notice(LOST, "repeated")), "F", linked)
    assert first.text == f"{LOST.text}{where}" and again.text == f"still open: {LOST.text}{where}"


def _view(folder: Path, text: str = "", practice: bool = False) -> tuple[View, list[Line]]:
    """A station's view, and what it shows."""
    config, shown = folder / "station.toml", list[Line]()
    config.write_text(f'station = "line-1"\n{text}')
    settings = load(config).practice() if practice else load(config)
    view = View(settings, shown.append)
    view.begin(lambda event: None, ManualClock(0), lambda cue: None)
    return view, shown


@pytest.mark.parametrize(
    ("text", "practice", "said"),
    [
        ("", False, ["alerts stay on this station; there is no [mqtt]"]),
        ("[mqtt]\n", True, ["alerts stay on this station; practice: nothing goes to a broker"]),
        ("[mqtt]\n", False, []),
    ],
)
def test_that_alerts_go_nowhere_is_said_once_at_the_start(
    tmp_path: Path, text: str, practice: bool, said: list[str]
) -> None:
    view, shown = _view(tmp_path, text, practice)
    view.see(e.Tick(0), State(), (Notice(LOST, "raised"),))
    assert [line.text for line in shown if line.what == "alerts"] == said
    assert "mqtt" not in shown[-1].text


SIMULATED = '[[probe]]\ndriver = "simulated"\nchannels = ["needle", "vat", "cabinet"]\n'
SWITCH = '[voice]\ndevice = "wav:."\nlistening = "switch"\nswitch = "terminal"\n'


def test_help_and_the_tab_key_know_all_that_can_be_typed(tmp_path: Path) -> None:
    view, shown = _view(tmp_path, SIMULATED + SWITCH)
    del shown[:]
    view.typed("Help ")
    told = " ".join(line.text for line in shown)
    assert {line.what for line in shown} == {"help"}
    for each in ("what can i say", "what next", HOW, "needle, vat1, cabinet", "F2", "Ctrl-C"):
        assert each in told
    for channel in ("needle", "vat1"):  # one kitchen for the whole program
        KITCHEN.measured(channel, 0.0)
        KITCHEN.steer([channel, "plugged"], "C")
    for begun, words in {
        "si": {"simulate"},
        "he": {"help"},
        "simulate ": {"needle", "vat1", "cabinet"},
        "simulate v": {"vat1"},
        "simulate needle ": {"air", "ice", "boiling", "unplugged"},
        "simulate vat1 ": {"load", "unplugged"},
        "simulate vat1 load ": set[str](),
    }.items():
        assert set(view.continuations(begun)) == words, begun
    assert {"batch", "simulate"} <= set(view.continuations("")) | set(view.continuations("b"))
    view, shown = _view(tmp_path)
    view.typed("help")
    assert "simulate" not in " ".join(line.text for line in shown) and list(view.continuations("simulate ")) == []


def test_a_lot_of_many_digits_is_typed_in_two_sentences(tmp_path: Path) -> None:
    view, shown = _view(tmp_path)
    for words, said in {
        "lot 4712": "up to 3 digits",
        "load thighs 4712": "no sentence",
        "lot x": "no sentence",
    }.items():
        view.typed(words)
        assert said in shown[-1].text, words
    assert long_lot(PHRASES, "lot 471") is None


def test_the_key_for_the_foot_switch_says_what_it_does(tmp_path: Path) -> None:
    view, shown = _view(tmp_path, SWITCH)
    del shown[:]
    view.turn_switch()
    with KEY:
        view.turn_switch()
        view.turn_switch()
    said = [line.text for line in shown]
    assert "is not open" in said[0] and said[1].startswith("listening") and said[2:] == ["released"]
    state, _ = step(State(), e.Started(0, "boot", True, "0", "line-1", (1,), e.RULES))
    view.see(e.Tick(0), state, ())
    assert view.standing()[0].endswith("F2 to speak")
    with KEY:
        view.turn_switch()
        assert view.standing()[0].endswith("LISTENING, F2 ends it")
    view, shown = _view(tmp_path)
    view.turn_switch()
    assert 'switch = "terminal"' in shown[-1].text and "F2" not in view.standing()[0]


def test_a_probe_command_without_a_needle_says_which_line_is_missing(tmp_path: Path) -> None:
    event = heard(PHRASES, "probe thigh", 0)
    assert event
    for probes, said in {
        "": "there is no [[probe]]; write one",
        SIMULATED.replace('"needle", ', ""): 'no [[probe]] has the channel "needle"; in the [[probe]] that is it',
        SIMULATED: "",
    }.items():
        view, shown = _view(tmp_path, probes)
        view.see(event, State(), ())
        told = [line.text for line in shown if line.what == "probe"]
        assert [said in each for each in told] == ([True] if said else [])


def test_a_hint_with_several_batches_is_of_the_most_urgent_one(tmp_path: Path) -> None:
    state = State()
    said = ["shift start cook three", "batch start vat one", "load thighs twelve vat one", "lid locked vat one"]
    said += ["batch start vat two", "load thighs twelve vat two"]
    start = e.Started(0, "boot", True, "0", "line-1", (1, 2, 3), e.RULES)
    spoken = [heard(PHRASES, each, 10_000) for each in said]
    for event in (start, e.ProcedureLoaded(0, PROCEDURE), *spoken):
        assert event
        state, _ = step(state, event)
    assert [batch.number for batch in state.world.batches] == [1, 2]
    told = hint(state.world, 10_000)
    assert told == "Batch 2: breast is next in the load order, or lid locked. And 1 more: ask 'what next'."
    assert next_words(state.world, 10_000) != told


def test_a_line_of_the_log_can_be_read_back() -> None:
    """Whatever a device or a broker is called: one line, and each value whole (values as JSON, RFC 8259)."""
    odd = 'a "quoted" name\nof two lines = x'
    line = Line(
        "probe", "needle", odd, Level.WARNING, (("reason", odd), ("percent", 80), ("empty", ""), ("none", None))
    )
    written = text(line)
    assert "\n" not in written
    pairs = re.findall(r'(\w+)=("(?:[^"\\]|\\.)*"|\S+)', written)
    read = {key: json.loads(value) if value.startswith('"') else value for key, value in pairs}
    assert read == {"what": "probe", "reason": odd, "percent": "80", "empty": "", "text": odd}


def test_journald_gets_the_level_as_a_prefix(monkeypatch: pytest.MonkeyPatch) -> None:
    """sd-daemon(3): "<4>" is a warning."""
    monkeypatch.setenv("JOURNAL_STREAM", "8:1")
    stream = StringIO()
    Plain(stream).show(Line("broker", "broker", "reached", Level.WARNING))
    assert stream.getvalue() == "<4>what=broker text=reached\n"


@pytest.mark.parametrize(
    ("typed", "sentence"),
    [
        ("Batch  Start", "batch start"),
        ("load thighs 12", "load thighs twelve"),
        ("reading 185", "reading one eight five"),
        ("load thighs 12 vat 2", "load thighs twelve vat two"),
        ("load thighs 1000", None),
        ("open the lid", None),
        ("", None),
    ],
)
def test_a_typed_sentence_is_a_command_on_record_as_typed(typed: str, sentence: str | None) -> None:
    event = heard(PHRASES, typed, 5)
    assert (event.text if event else None) == sentence
    if event:
        assert (event.engine, event.listening, event.at_ms) == ("keyboard", "typed", 5)


def test_what_can_follow_and_what_was_meant() -> None:
    assert list(continuations(PHRASES, "load th")) == ["thigh", "thighs"]
    assert set(continuations(PHRASES, "batch ")) == {"start"}
    assert list(continuations(PHRASES, "nothing of this")) == []
    assert nearest(PHRASES, "lid lokced") == "lid locked"
    assert nearest(PHRASES, "zzzz") == ""


def test_the_foot_of_the_screen_says_how_the_station_stands() -> None:
    state = State()
    for event in _a_batch(PROCEDURE):
        state, _ = step(state, event)
    first, second, third = standing(state.world, 100_000, True)
    assert first.startswith("line-1  ·  cook 3  ·  broker reached  ·  ")
    assert second == "needle 72 °F, 1 min 35 s old" or second.startswith("needle ")
    assert third == "batch 1 in vat 1 cooks for 1 min 30 s"


def _a_batch(procedure: Procedure) -> list[e.Event]:
    said = ["shift start cook three", "batch start", "load thighs twelve", "lid locked"]
    spoken = [heard(PHRASES, each, 10_000) for each in said]
    start = e.Started(0, "boot", True, "0", "line-1", (1,), e.RULES)
    return [
        start,
        e.ProcedureLoaded(0, procedure),
        e.Reading(5_000, "needle", 22.0),
        *(each for each in spoken if each),
    ]


class Terminal:
    """A pseudo terminal with `run` in it; what it shows is kept by an emulator (pyte)."""

    def __init__(self, config: Path, term: str = "xterm-256color") -> None:
        self.shown = pyte.Screen(COLUMNS, ROWS)
        self._stream = pyte.ByteStream(self.shown)
        self._near, far = pty.openpty()
        fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        command = [sys.executable, "-m", "recorder", "run", "--config", str(config)]
        env = {**os.environ, "TERM": term, "COLUMNS": str(COLUMNS), "LINES": str(ROWS)}
        self.child = subprocess.Popen(
            command,
            stdin=far,
            stdout=far,
            stderr=far,
            env=env,
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0),  # so that Ctrl-C is a signal between two prompts
        )
        os.close(far)

    def until(self, done: Callable[[str], bool], seconds: float = PATIENCE_S) -> str:
        """What it shows once `done` is pleased with it."""
        end_s = time.monotonic() + seconds
        while not done(text := "\n".join(line.rstrip() for line in self.shown.display)):
            assert time.monotonic() < end_s, text
            if select.select([self._near], [], [], 0.1)[0]:
                try:
                    data = os.read(self._near, 65_536)
                except OSError:  # its end: Linux's pty says so
                    self.child.wait(PATIENCE_S)
                    return text
                self._stream.feed(data)
                if b"\x1b[6n" in data:  # where is the cursor? (ECMA-48, DSR)
                    self.type(f"\x1b[{self.shown.cursor.y + 1};{self.shown.cursor.x + 1}R", "")
        return text

    def type(self, text: str, enter: str = "\r") -> None:
        os.write(self._near, (text + enter).encode())

    def ended(self) -> int:
        """Its exit code, once it has ended by itself."""
        self.until(lambda _: self.child.poll() is not None)
        return self.child.wait(PATIENCE_S)

    def close(self) -> None:
        self.child.kill()
        self.child.wait()
        os.close(self._near)


def test_the_live_view_shows_a_shift_that_is_typed(tmp_path: Path) -> None:
    config = tmp_path / "station.toml"
    config.write_text('station = "line-1"\n')
    with closing(Terminal(config)) as terminal:
        terminal.until(lambda shown: "no batch" in shown and "say:" in shown)
        terminal.type("shift start cook 3")
        terminal.until(lambda shown: "Shift started, cook 3." in shown)
        terminal.type("probe thigh")
        terminal.until(lambda shown: "Refused: no batch is being checked." in shown)
        terminal.type("batch strat")
        terminal.until(lambda shown: '"batch start"?' in shown)
        terminal.type("batch start")
        shown = terminal.until(lambda shown: "batch 1 in vat 1 loading" in shown)
        assert "line-1  ·  cook 3  ·  no broker" in shown
        terminal.type("load th", "")
        terminal.until(lambda shown: "thighs" in shown.splitlines()[-4] or "thighs" in shown)
        terminal.type("\x03", "")
        assert terminal.ended() == 0
    with Reader.open(tmp_path / "records.db") as journal:
        said = [(row["text"], row["engine"], row["listening"]) for row in journal.table("commands")]
    assert said == [(each, "keyboard", "typed") for each in ("shift start cook three", "probe thigh", "batch start")], (
        "a mistake of the typist is no command"
    )


def test_no_prompt_stands_before_what_a_plain_terminal_prints(tmp_path: Path) -> None:
    """A terminal that can't move its cursor (TERM=dumb) keeps a prompt where it was printed."""
    config = tmp_path / "station.toml"
    config.write_text('station = "line-1"\n')
    with closing(Terminal(config, "dumb")) as terminal:
        terminal.until(lambda shown: "is in force" in shown)
        terminal.type("shift start cook 3")
        shown = terminal.until(lambda shown: "Shift started, cook 3." in shown)
        terminal.type("\x03", "")
        assert terminal.ended() == 0
    printed = [line for line in shown.splitlines() if re.search(r"\d\d:\d\d:\d\d", line)]
    assert printed and all(re.match(r"\d\d:\d\d:\d\d ", line) for line in printed), shown


def test_without_a_terminal_each_thing_is_a_line(tmp_path: Path) -> None:
    config = tmp_path / "station.toml"
    config.write_text('station = "line-1"\n[mqtt]\nport = 1\n')
    env = {key: value for key, value in os.environ.items() if key != "JOURNAL_STREAM"}
    command = [sys.executable, "-m", "recorder", "run", "--config", str(config)]
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, env=env) as child:
        assert child.stderr
        seen = []
        for line in child.stderr:
            seen.append(line)
            if "what=broker" in line:
                break
        child.terminate()
    assert "level=info what=started station=line-1" in "".join(seen)
    assert "nothing listens at 127.0.0.1:1; does the broker run there, is port right?" in seen[-1]


def test_who_practises_hears_what_comes_next(tmp_path: Path) -> None:
    config = tmp_path / "station.toml"
    config.write_text('station = "line-1"\n')
    shown: list[Line] = []
    given: list[Cue] = []
    for settings in (load(config), load(config).practice()):
        view = View(settings, shown.append)
        view.begin(lambda event: None, ManualClock(0), given.append)
        event = heard(PHRASES, "shift start cook 3", 0)
        assert event
        state, effects = step(State(), event)
        view.see(event, state, effects)
    assert [line.what for line in shown].count("hint") == 1
    assert [cue.say for cue in given] == [line.text for line in shown if line.what == "hint"]


def test_practice_is_a_record_of_its_own_that_says_so(tmp_path: Path) -> None:
    """Nothing of it is in the real record, nothing goes to the broker, and the report says what it is."""
    config = tmp_path / "station.toml"
    config.write_text('station = "line-1"\n[mqtt]\nport = 1\n')
    command = [sys.executable, "-m", "recorder", "run", "--practice", "--config", str(config)]
    with subprocess.Popen(command, stdin=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as child:
        assert child.stderr
        for line in child.stderr:
            assert "what=broker" not in line
            if "what=procedure" in line:
                break
        child.terminate()
    assert not (tmp_path / "records.db").exists()
    with Reader.open(tmp_path / "practice.db") as journal:
        day = gather(journal, None, UTC)
    assert day.station == "line-1-practice" and day.practice
    shown = page(day, examine(tmp_path / "practice.db"), 0)
    assert "<b>Practice</b>. None of this happened to food, and nobody signs it." in shown
    assert "Not yet reviewed" not in shown and "reviewed by" not in shown
    config.write_text('station = "line-1-practice"\n')
    with pytest.raises(ConfigError, match="are run --practice's own"):
        load(config)
