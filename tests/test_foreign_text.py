"""What others wrote is shown and never obeyed: escape codes, markup in brackets, names that would be lines; recordings
that name themselves; sound files whose headers lie."""

import json
import logging
import os
import resource
import struct
import subprocess
import sys
import threading
import tomllib
from contextlib import suppress
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from prompt_toolkit.application import create_app_session
from prompt_toolkit.data_structures import Size
from prompt_toolkit.output.vt100 import Vt100_Output
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.clock import SystemClock
from recorder.commands.shared import json_line, terminal
from recorder.config import load
from recorder.console.lines import Line
from recorder.console.plain import Plain
from recorder.console.screen import Screen
from recorder.console.view import LogLines, View
from recorder.driver import DriverUnavailable
from recorder.printable import printable
from recorder.probes import urls
from recorder.probes.ble import probe as ble
from recorder.probes.ble.radio import Seen
from recorder.probes.recording import DEEPEST, Recording, Replay
from recorder.probes.serial import port
from recorder.probes.serial.port import SerialSettings
from recorder.tables import toml
from recorder.voice.audio.soundfile import LONGEST_BYTES, SoundError, read_wav

ESCAPES = "\x1b]0;title\x07\x1b[2J\x1b[31mred\x9b1m\x08\r\u202e[/] [red]"
"""Sets a title, clears the screen, colours, by ECMA-48's C0 and C1; turns the reading direction; rich's markup."""


def obeyed(text: str) -> list[str]:
    """What a terminal would do something for."""
    return [each for each in text if not each.isprintable() and each != "\n"]


@given(st.text())
def test_nothing_printable_is_obeyed_and_json_and_toml_stay_what_they_are(text: str) -> None:
    assert obeyed(printable(text).replace("\t", "")) == []
    assert json.loads(json_line({"text": text})) == {"text": text}
    assert not [each for each in json_line(text) if ord(each) < 32 or 127 <= ord(each) < 160]
    settings = SerialSettings("serial", text)
    assert tomllib.loads(toml("probe", settings))["probe"][0].get("port", "") == text


def test_setup_shows_a_file_that_lies_there_and_obeys_nothing_in_it(tmp_path: Path) -> None:
    unit = tmp_path / "etc/systemd/system/batch-recorder.service"
    unit.parent.mkdir(parents=True)
    unit.write_text(f"[Service]\n{ESCAPES}\n")
    shown = CliRunner().invoke(app, ["setup", "--root", str(tmp_path), "--program", "/usr/bin/env"])
    assert "\n-\\x1b]0;title" in shown.output
    assert obeyed(shown.output) == []


@pytest.mark.parametrize(
    "command",
    [
        ["check", "--config", "FILE"],
        ["probe", f"/dev/{ESCAPES}", "--seconds", "0.1"],
        ["probe", f"replay:{ESCAPES}"],
        ["hear", f"{ESCAPES}.wav"],
        ["probes", "--seconds", "0", "--modbus", f"tcp://{ESCAPES}"],
        ["probes", "--seconds", "0", "--devices", ESCAPES],
        ["verify", f"{ESCAPES}.db"],
    ],
    ids=lambda command: command[0],
)
def test_hostile_names_are_shown_as_they_are(tmp_path: Path, command: list[str]) -> None:
    path = tmp_path / "station.toml"
    name = json.dumps(f"/dev/{ESCAPES}")
    path.write_text(f'station = "a"\n[[probe]]\ndriver = "serial"\nport = {name}\n'.replace("\x9b", "\\u009b"))
    done = CliRunner().invoke(app, [str(path) if each == "FILE" else each for each in command])
    assert done.exit_code in (1, 2) and (done.exception is None or isinstance(done.exception, SystemExit)), done.output
    assert obeyed(done.output) == []


def test_a_bluetooth_name_is_no_line_of_the_configuration(monkeypatch: pytest.MonkeyPatch) -> None:
    name = f'{ESCAPES}\n[[probe]]\ndriver = "replay"\nfile = "/etc/passwd"'
    monkeypatch.setattr(ble, "nearby", lambda seconds: [Seen("00:11:22:33:44:55", name, "thermometer")])
    monkeypatch.setattr(port, "attached", list)
    done = CliRunner().invoke(app, ["probes"])
    assert [each["driver"] for each in tomllib.loads(done.stdout)["probe"]] == ["ble"]
    assert obeyed(done.output) == []


def test_the_log_and_a_table_show_what_a_broker_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = logging.LogRecord("recorder", logging.INFO, "", 0, "broker: %s", (ESCAPES,), None)
    stream = StringIO()
    path = tmp_path / "station.toml"
    path.write_text('station = "a"')
    LogLines(View(load(path), Plain(stream).show)).emit(record)
    assert "broker: " in stream.getvalue()
    assert obeyed(stream.getvalue()) == []
    terminal().print(ESCAPES, style="bold")
    assert obeyed(capsys.readouterr().out) == []


# Recordings

BOARD = {"driver": "serial", "port": "/dev/none"}


def recording(path: Path, probe: object, *lines: object) -> Path:
    path.write_text("".join(json.dumps(each) + "\n" for each in ({"probe": probe}, *lines)))
    return path


def test_the_live_view_shows_what_others_wrote_and_obeys_nothing_of_it() -> None:
    written = StringIO()
    output = Vt100_Output(written, lambda: Size(24, 200), term="dumb")
    screen = Screen(lambda text: iter(()), lambda: (), lambda text: None, lambda: None, lambda: None)
    with create_app_session(output=output):
        screen.show(Line("probe", "needle", "lost: \x1b[2J\x9b31m\u202eevil\x07"))
    assert "lost: \\x1b[2J\\x9b31m\\u202eevil\\x07" in written.getvalue()
    assert not {"\x9b", "\u202e", "\x07"} & set(written.getvalue())


def test_a_recording_that_names_itself_is_refused(tmp_path: Path) -> None:
    one, other = tmp_path / "one.jsonl", tmp_path / "other.jsonl"
    recording(one, {"driver": "replay", "file": str(one)})
    with pytest.raises(ValueError, match=r"one\.jsonl, which is no recording .*in a circle or too deep"):
        urls.settings(f"replay:{one}")
    recording(one, {"driver": "replay", "file": str(other)})
    recording(other, {"driver": "replay", "file": str(tmp_path / "." / "one.jsonl")})
    done = CliRunner().invoke(app, ["probe", f"replay:{one}"])
    assert done.exit_code == 2 and "in a circle" in done.output


def test_recordings_in_recordings_end_somewhere_and_are_not_made_any_more(tmp_path: Path) -> None:
    last = recording(tmp_path / "0.jsonl", BOARD, {"ms": 0, "hex": "00"}, {"ms": 1, "over": True})
    for number in range(1, DEEPEST + 1):
        last = recording(tmp_path / f"{number}.jsonl", {"driver": "replay", "file": str(last)})
        if number < DEEPEST:
            assert urls.settings(f"replay:{last}").names() == ("needle",)
    with pytest.raises(ValueError, match="too deep"):
        urls.settings(f"replay:{last}")
    again = tmp_path / "again.jsonl"
    with again.open("w") as file:
        Recording(urls.settings(f"replay:{tmp_path}/1.jsonl"), file, SystemClock(None))
    assert json.loads(again.read_text().splitlines()[0])["probe"]["driver"] == "serial"


ABSURD = [
    f'{{"probe": {{"driver": "serial", "port": "/dev/x", "{key}": {value}}}}}'
    for key, value in [("silence_s", "1e308"), ("period_s", "1e300"), ("baud", "1" * 40), ("silence_s", "NaN")]
]


@pytest.mark.parametrize(
    "first",
    [
        "[" * 100_000,
        '{"probe": ' * 50_000,
        '{"probe": 5}',
        '{"probe": {"driver": "replay", "file": 5}}',
        "9" * 10_000,
        "",
        *ABSURD,
    ],
    ids=lambda first: first[:60],
)
def test_a_first_line_that_is_absurd_is_refused(tmp_path: Path, first: str) -> None:
    path = tmp_path / "a.jsonl"
    path.write_text(first + "\n")
    with pytest.raises(ValueError, match="is no recording that can be read"):
        urls.settings(f"replay:{path}")


@pytest.mark.parametrize("name", ["/dev/zero", "/dev", "fifo"])
def test_what_is_no_file_is_no_recording(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    if name == "fifo":
        os.mkfifo(path)
    with pytest.raises(ValueError, match="is no file"):
        urls.settings(f"replay:{path}")
    with pytest.raises(SoundError, match="is not a file"):
        read_wav(path)


@pytest.mark.parametrize(
    "line",
    [
        '{"ms": 1e300}',
        '{"ms": -1}',
        '{"ms": NaN}',
        '{"ms": Infinity}',
        '{"ms": "soon"}',
        '{"ms": true}',
        f'{{"ms": {10**30}}}',
        '{"hex": "zz"}',
        '{"hex": 5}',
        "[" * 100_000,
        "5",
    ],
    ids=lambda line: line[:40],
)
def test_absurd_numbers_in_a_recording_are_an_error_that_names_it(tmp_path: Path, line: str) -> None:
    path = recording(tmp_path / "a.jsonl", BOARD)
    path.write_text(path.read_text() + line + "\n" + '{"ms": 0, "over": true}\n')
    with pytest.raises(DriverUnavailable, match=r"a\.jsonl can't be played"):
        list(Replay(path, SystemClock(None)).chunks(threading.Event()))


# Sound files


def wav(path: Path, frames: bytes = bytes(32_000), claimed: int | None = None, **head: int) -> Path:
    """A RIFF file as its specification has it, but for what `claimed` and `head` say otherwise."""
    size = len(frames) if claimed is None else claimed
    channels, rate, bits = head.get("channels", 1), head.get("rate", 16_000), head.get("bits", 16)
    align = channels * bits // 8 % 65_536
    form = struct.pack("<HHIIHH", head.get("code", 1), channels, rate, rate * align % 2**32, align, bits)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", size % 2**32) + frames
    path.write_bytes(b"RIFF" + struct.pack("<I", min(len(body) if claimed is None else claimed, 2**32 - 1)) + body)
    return path


@pytest.mark.parametrize("claimed", [2**31 - 1, 2**31, 2**32 - 2, 2**32 - 1])
def test_a_header_that_claims_gigabytes_costs_what_is_there(tmp_path: Path, claimed: int) -> None:
    """As a recorder writes it that was cut off, or that writes to a pipe. In half a gigabyte of address space."""
    path = wav(tmp_path / "a.wav", claimed=claimed)
    code = (
        "import sys; from pathlib import Path; from recorder.voice.audio.soundfile import read_wav;"
        " print(len(read_wav(Path(sys.argv[1]))))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        text=True,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (2**29, 2**29)),
    )
    assert done.stdout.strip() == "32000", done.stderr


def test_a_file_that_is_too_long_says_how_to_cut_it(tmp_path: Path) -> None:
    path = wav(tmp_path / "long.wav", b"", claimed=2**31)
    with path.open("r+b") as file:
        file.truncate(LONGEST_BYTES + 10_000)  # a hole: it takes no room
    with pytest.raises(SoundError, match=r"long\.wav: 128 MB of sound, and at most 128 can be heard; cut it: ffmpeg"):
        read_wav(path)


@pytest.mark.parametrize("cut", [0, 3, 12, 20, 43, 44, 45, 1_001])
def test_a_truncated_file_is_heard_as_far_as_it_goes_or_is_an_error(tmp_path: Path, cut: int) -> None:
    path = wav(tmp_path / "a.wav")
    path.write_bytes(path.read_bytes()[:cut])
    if cut < 44:
        with pytest.raises(SoundError, match=r"a\.wav: not a PCM WAV file .*ffmpeg"):
            read_wav(path)
    else:
        assert len(read_wav(path)) == (cut - 44) // 2 * 2


@pytest.mark.parametrize(
    "head",
    [{"channels": 0}, {"rate": 0}, {"rate": 2**32 - 1}, {"bits": 0}, {"bits": 24}, {"bits": 65_535}, {"code": 3}],
    ids=str,
)
def test_an_odd_header_is_an_error_with_a_remedy(tmp_path: Path, head: dict[str, Any]) -> None:
    with pytest.raises(SoundError, match="ffmpeg"):
        read_wav(wav(tmp_path / "a.wav", **head))


@given(st.binary(max_size=200), st.integers(0, 44))
def test_no_bytes_of_a_header_bring_it_down(tmp_path_factory: pytest.TempPathFactory, noise: bytes, at: int) -> None:
    path = wav(tmp_path_factory.mktemp("wav") / "a.wav")
    sound = path.read_bytes()
    path.write_bytes(sound[:at] + noise + sound[at + len(noise) :])
    with suppress(SoundError):
        read_wav(path)
