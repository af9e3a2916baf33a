"""Damaged text at the doors: only the documented error comes back, whatever was done to it."""

from contextlib import suppress
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from recorder.config import ConfigError, load, load_procedure
from recorder.core.events import Event
from recorder.journal.codec import CodecError, decode, encode
from recorder.voice.language import phrases
from recorder.voice.language.wording import PhraseError
from tests.strategies import events

SHARE = files("recorder").joinpath("share")
STATION = SHARE.joinpath("station.toml").read_text("utf-8")
PROCEDURE = SHARE.joinpath("procedure.toml").read_text("utf-8")
SMALL = SHARE.joinpath("phrases-en.toml").read_text("utf-8")

PIECES = [
    "nan",
    "-inf",
    "9" * 400,
    "1e999",
    "[1]",
    "[[]]",
    "{}",
    '""',
    '"\\u0000"',
    "true",
    "-1",
    "1979-05-27",
    "[" * 5000,
]
pieces = st.sampled_from(PIECES) | st.text(max_size=6)


@st.composite
def damaged(draw: st.DrawFn, text: str) -> str:
    """`text` with values replaced, lines left out, doubled or cut, or any characters put in."""
    lines = text.splitlines()
    for _ in range(draw(st.integers(1, 3))):
        at = draw(st.integers(0, len(lines) - 1))
        key, equals, _ = lines[at].partition("=")
        match draw(st.sampled_from(["value", "leave out", "double", "cut", "put in"])):
            case "value" if equals:
                lines[at] = f"{key}= {draw(pieces)}"
            case "leave out" if len(lines) > 1:
                del lines[at]
            case "double":
                lines.insert(at, lines[at])
            case "cut":
                lines[at] = lines[at][: draw(st.integers(0, len(lines[at])))]
            case _:
                place = draw(st.integers(0, len(lines[at])))
                lines[at] = lines[at][:place] + draw(pieces) + lines[at][place:]
    return "\n".join(lines)


quick = settings(max_examples=60, deadline=5000, suppress_health_check=[HealthCheck.function_scoped_fixture])


@quick
@given(events(), st.data())
def test_a_damaged_body_is_an_event_or_a_codec_error(event: Event, data: st.DataObject) -> None:
    kind, body = encode(event)
    place = data.draw(st.integers(0, len(body)))
    end = data.draw(st.integers(place, len(body)))
    with suppress(CodecError):
        decode(kind, body[:place] + data.draw(pieces) + body[end:])


@quick
@given(damaged(STATION))
def test_a_damaged_station_file_is_a_station_or_a_config_error(tmp_path: Path, text: str) -> None:
    path = tmp_path / "station.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    (tmp_path / "procedure.toml").write_text(PROCEDURE, "utf-8")
    with suppress(ConfigError):
        load(path)


@quick
@given(damaged(PROCEDURE))
def test_a_damaged_procedure_is_one_or_a_config_error(tmp_path: Path, text: str) -> None:
    path = tmp_path / "procedure.toml"
    path.write_bytes(text.encode("utf-8", "surrogatepass"))
    with suppress(ConfigError):
        load_procedure(path)


@settings(quick, max_examples=10)
@given(damaged(SMALL))
def test_a_damaged_phrase_file_is_one_or_a_phrase_error(text: str) -> None:
    with suppress(PhraseError):
        phrases.load(text)


@pytest.mark.parametrize(
    "line",
    [
        "probe = [1]",
        'probe = ["a"]',
        "vats = [{}]",
        "x = " + "9" * 5000,
        "x = " + "[" * 5000,
        'procedure = "\\u0000"',
        'phrases = "\\u0000"',
        "voice = {model = 3}",
        "voice = {device = 3}",
        'mqtt = {port = "a"}',
        'mqtt = {ca_file = "\\u0000"}',
        "voice = {thresholds = {plain = 3}}",
        'voice = {front_end = {noise_suppression = "a"}}',
        "voice = {name = 3}",
        "voice = {engine = []}",
        "voice = {listening = []}",
        "probe = [{driver = []}]",
    ],
)
def test_a_station_file_that_once_raised_something_else(tmp_path: Path, line: str) -> None:
    path = tmp_path / "station.toml"
    path.write_text(f'station = "a"\n{line}')
    with suppress(ConfigError):
        load(path)


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("pieces_per_load", 'part = ["a"]\npieces_per_load'),
        ("low = 325", "low = 1" + "0" * 400),
        ("low = 325", "low = nan"),
        ('settle_window = "45 s"', f'settle_window = "{"9" * 400} h"'),
        ('["discard batch"]', "[[1]]"),
        ('["discard batch"]', "[{}]"),
    ],
)
def test_a_procedure_that_once_raised_something_else(tmp_path: Path, old: str, new: str) -> None:
    path = tmp_path / "procedure.toml"
    path.write_text(PROCEDURE.replace(old, new, 1))
    with suppress(ConfigError):
        load_procedure(path)


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 5000,
        "x = " + "9" * 5000,
        "groups = 3",
        "groups = [3]",
        "[slots.vat]\nwords = 3",
        "[slots.part]\nwords = {a = [{}]}",
        "[[groups]]\n[groups.commands]\n" + '"hold start" = "' + "[a] " * 40 + 'b"',
        "[slots.number]\nwords = {a = ['b']}",
        "sounds = {a = 3}",
        "sounds = {a = [3]}",
        "[card]\ntitle = 3",
        "[numerals]\n1 = [3]",
        "[slots.vat.words]\n1 = []",
    ],
)
def test_a_phrase_file_that_once_raised_something_else(text: str) -> None:
    with suppress(PhraseError):
        phrases.load(text)


def test_many_brackets_are_refused_at_once() -> None:
    """Until 2026-11-26 a sentence with 40 of them was written out in 2^40 ways, which never ended."""
    line = next(line for line in SMALL.splitlines() if line.startswith('"hold start"'))
    with pytest.raises(PhraseError, match="more than 10 brackets"):
        phrases.load(SMALL.replace(line, '"hold start" = "' + "[a] " * 40 + 'hold"'))
