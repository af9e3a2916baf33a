"""What a person reads after a wrong input: every message names the thing, where it stands, and what to do about it.

The inputs are the table below; the answers are tests/messages.txt, as `python -m tests.test_messages` prints them. Read
that file after a change as the person would who made the mistake.
"""

import lzma
import os
import re
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from importlib.resources import files
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.config import ConfigError, load, load_procedure

pytestmark = pytest.mark.slow

LISTED = Path(__file__).with_name("messages.txt")
RECORD = min(Path(__file__).parents[1].glob("fixtures/records/*.db.xz"), key=lambda each: each.stat().st_size)
SHARE = files("recorder") / "share"
PROCEDURE = SHARE.joinpath("procedure.toml").read_text("utf-8")

SMALL = 'station = "line-1"\nprocedure = "procedure.toml"\n'
SERIAL = SMALL + '\n[[probe]]\ndriver = "serial"\nport = "/dev/ttyACM0"\n'
PLAIN = SERIAL + 'form = "plain"\nunit = "F"\n'
BLE = SMALL + '\n[[probe]]\ndriver = "ble"\naddress = "00:11:22:33:44:55"\n'
SENSOR = SMALL + '\n[mqtt]\n\n[[probe]]\ndriver = "mqtt"\ntopic = "sensors/oil"\nchannel = "vat"\nunit = "C"\n'
LINE = (
    SMALL
    + '\n[[probe]]\ndriver = "modbus"\nport = "/dev/ttyUSB0"\n\n[[probe.register]]\nchannel = "vat"\ndevice = 1\n'
    + 'address = 0\nscale = 0.1\nunit = "C"\n'
)
VOICE = SMALL + "\n[voice]\n"
BROKER = SMALL + "\n[mqtt]\n"

STATIONS: list[tuple[str, str]] = [
    ("an empty file", ""),
    ("no quotes", "station = line-1"),
    ("one quote too few, at the end", 'station = "line-1\nvats = [1]'),
    ("one quote too few, at the beginning", 'station = line-1"\nvats = [1]'),
    ("quotes of a word processor", "station = “line-1”"),
    ("no value", "station ="),
    ("a colon for =", "station: line-1"),
    ("a list without its end", 'station = "line-1"\nvats = [1, 2\ndatabase = "r.db"'),
    ("a table without its bracket", SMALL + "[voice\n"),
    ("a key twice", SMALL + 'station = "line-2"\n'),
    ("a table twice", SMALL + "[voice]\n[speaker]\n[voice]\n"),
    ("True as in Python", BROKER + "tls = False\n"),
    ("a station with a space", SMALL.replace("line-1", "Line 1")),
    ("a station by number", "station = 1\n"),
    ("a practice name", SMALL.replace("line-1", "line-1-practice")),
    ("vats by count", SMALL + "vats = 2\n"),
    ("no vats", SMALL + "vats = []\n"),
    ("vats in quotes", SMALL + 'vats = ["1"]\n'),
    ("a vat twice", SMALL + "vats = [1, 1]\n"),
    ("a misspelt key", SMALL + "vat = [1]\n"),
    ("a key of no kind", SMALL + 'colour = "red"\n'),
    ("space in text", SMALL + 'least_free_mb = "200 MB"\n'),
    ("less than no space", SMALL + "least_free_mb = -1\n"),
    ("the database by number", SMALL + "database = 3\n"),
    ("a procedure that is not there", SMALL.replace("procedure.toml", "mine.toml")),
    ("a database as procedure", SMALL.replace("procedure.toml", "records.db")),
    ("a folder as procedure", SMALL.replace("procedure.toml", "folder")),
    ("phrases that are not there", SMALL + 'phrases = "mine.toml"\n'),
    ("single brackets for a probe", SERIAL.replace("[[probe]]", "[probe]")),
    ("double brackets for [voice]", SMALL + "[[voice]]\n"),
    ("a misspelt table", SMALL + "[vioce]\n"),
    ("an empty probe", SMALL + "[[probe]]\n"),
    ("a misspelt driver", SERIAL.replace('"serial"', '"serail"')),
    ("no port", SMALL + '[[probe]]\ndriver = "serial"\n'),
    ("a misspelt key of a probe", SERIAL + "buad = 9600\n"),
    ("a baud in quotes", SERIAL + 'baud = "9600"\n'),
    ("no baud", SERIAL + "baud = 0\n"),
    ("silence in minutes", SERIAL + 'silence_s = "10 min"\n'),
    ("a misspelt channel", SERIAL + 'channels = ["neddle"]\n'),
    ("one channel without brackets", SERIAL + 'channels = "needle"\n'),
    ("a channel of no vat", SERIAL + 'channels = ["vat3"]\n'),
    ("two probes of one channel", SERIAL + SERIAL.removeprefix(SMALL).replace("ACM0", "ACM1")),
    ("a plain board without a unit", PLAIN.replace('unit = "F"\n', "")),
    ("a plain board in kelvin", PLAIN.replace('"F"', '"K"')),
    ("a plain board with two channels", PLAIN + 'channels = ["needle", "vat"]\n'),
    ("a misspelt form", PLAIN.replace('"plain"', '"plane"')),
    ("recorded too seldom", SERIAL + "period_s = 45\n"),
    ("an address with dashes", BLE.replace(":", "-")),
    ("a profile of no kind", BLE + 'profile = "termometer"\n'),
    ("an interval in text", BLE + 'interval_s = "1 s"\n'),
    ("a sensor without a unit", SENSOR.replace('unit = "C"\n', "")),
    ("a topic with a wildcard", SENSOR.replace("sensors/oil", "sensors/#")),
    ("a sensor without a broker", SENSOR.replace("[mqtt]\n", "")),
    ("a line without a register", LINE[: LINE.index("[[probe.register]]")]),
    ("a register by the manual's number", LINE.replace("address = 0", "address = 300001")),
    ("a register without a scale", LINE.replace("scale = 0.1\n", "")),
    ("a register of no type", LINE + 'type = "int"\n'),
    ("a misspelt key of a register", LINE.replace("device", "devise")),
    ("parity in full", LINE.replace('port = "/dev/ttyUSB0"', 'port = "/dev/ttyUSB0"\nparity = "even"')),
    ("a port as on Windows", LINE.replace("/dev/ttyUSB0", "COM3")),
    ("a misspelt engine", VOICE + 'engine = "moonshin"\n'),
    ("a way to listen that there is not", VOICE + 'listening = "always"\n'),
    ("a switch without its path", VOICE + 'listening = "switch"\n'),
    ("a name with a digit", VOICE + 'name = "station 7"\n'),
    ("a misspelt key of [voice]", VOICE + 'devise = "default"\n'),
    ("half of the thresholds", VOICE + "[voice.thresholds.plain]\nnamed = 1\n"),
    ("noise suppression of 9", VOICE + "[voice.front_end]\nnoise_suppression = 9\n"),
    ("a loudspeaker's volume", SMALL + "[speaker]\nvolume = 11\n"),
    ("a misspelt key of [mqtt]", BROKER + 'hots = "127.0.0.1"\n'),
    ("a misspelt value of publish", BROKER + 'publish = "alert"\n'),
    ("a port above all", BROKER + "port = 70000\n"),
    ("no host", BROKER + 'host = ""\n'),
    ("a protocol by number", BROKER + "protocol = 5\n"),
    ("a password without a name", BROKER + 'password_file = "notes.txt"\n'),
    ("a password that is not there", BROKER + 'username = "a"\npassword_file = "word"\n'),
    ("a key below the wrong table", VOICE + "vats = [1, 2]\n"),
    (
        "five mistakes at once",
        SERIAL.replace("line-1", "Line 1") + 'baud = 0\nunits = "F"\n[voice]\nengine = "ears"\n[mqtt]\nport = -1\n',
    ),
]
"""What is wrong, and the text of station.toml."""

PROCEDURES: list[tuple[str, str, str]] = [
    ("a misspelt key", "pieces_per_load", "pieces_per_lod"),
    ("a key that is missing", 'product = "breaded bone-in chicken"', "#"),
    ("a misspelt table", "[oil]", "[oils]"),
    ("one quote too few", 'planned = "12 min"', 'planned = 12 min"'),
    ("one quote too few, at the end", 'planned = "12 min"', 'planned = "12 min'),
    ("a decimal comma", "target = 178", "target = 178,5"),
    ("a time without its unit", 'planned = "12 min"', 'planned = "12"'),
    ("a time by number", 'planned = "12 min"', "planned = 12"),
    ("a time in words", 'planned = "12 min"', 'planned = "12 minutes"'),
    ("cook times in the wrong order", 'planned = "12 min"', 'planned = "9 min"'),
    ("no shortest cook", 'shortest = "11 min"', 'shortest = "0 min"'),
    ("a cook of a day", 'longest = "14 min"', 'longest = "24 h"'),
    ("kelvin", 'unit = "F"', 'unit = "K"'),
    ("the other unit", 'unit = "F"', 'unit = "C"'),
    ("a count in text", "pieces_per_load = 40", 'pieces_per_load = "40"'),
    ("no pieces", "pieces_per_load = 40", "pieces_per_load = 0"),
    ("more checks than pieces", "checks_per_batch = 4", "checks_per_batch = 41"),
    ("a window in minutes", 'settle_window = "45 s"', 'settle_window = "45 min"'),
    ("yes for true", "spoken_readings_prove = false", "spoken_readings_prove = no"),
    ("true in quotes", "spoken_readings_prove = false", 'spoken_readings_prove = "false"'),
    ("a verdict of no kind", 'critical_by = "reading"', 'critical_by = "luck"'),
    ("advice of no kind", '# dwell_advice = "chicken" ', 'dwell_advice = "duck" #'),
    ("a command that there is not", '["discard batch"]', '["throw away"]'),
    ("a command without brackets", '["discard batch"]', '"discard batch"'),
    ("a warning after the limit", 'warning = "25 min"', 'warning = "35 min"'),
    ("no repeat", 'repeat = "5 min"', 'repeat = "0 s"'),
    ("a hold by hope", 'by = "temperature"', 'by = "hope"'),
    ("a cold hold", "minimum = 135", "minimum = 57"),
    ("a hold that is less safe", "minimum = 135", "minimum = 132"),
    ("a minimum in text", "minimum = 135", 'minimum = "135 F"'),
    ("probe checks too often", 'every = "24 h"', 'every = "1 min"'),
    ("a kitchen in feet", "altitude_m = 0", "altitude_m = 29000"),
    ("oil upside down", "low = 325", "low = 360"),
    ("oil in Celsius", "low = 325", "low = 163"),
    ("oil by law", "# polar_limit = 24", "polar_limit = 240"),
    ("a target below the critical limit", "target = 175", "target = 160"),
    ("a critical limit in Celsius", "critical = 165", "critical = 74"),
    ("a part twice", 'name = "leg"', 'name = "thigh"'),
    ("a part without its target", "target = 178", "#"),
    ("single brackets for a part", "[[part]]", "[part]"),
]
"""What is wrong, what stands in the shipped procedure, and what is there instead at its first place."""

COMMANDS: list[tuple[str, str]] = [
    ("no such configuration", "run --config none.toml"),
    ("a database as configuration", "run --config records.db"),
    ("a folder as configuration", "check --config folder"),
    ("a text as configuration", "check --config notes.txt"),
    ("no such database", "verify none.db"),
    ("a text as database", "verify notes.txt"),
    ("a folder as database", "verify folder"),
    ("a configuration as database", "report station.toml"),
    ("an empty file as database", "export empty.db"),
    ("a day that is none", "report records.db --day 26.2.2026"),
    ("a zone that is none", "report records.db --zone Madrid"),
    ("a report into a folder that is not there", "report records.db --out none/day.html"),
    ("a report in place of a folder", "report records.db --out folder"),
    ("a report in place of a file", "report records.db --out notes.txt"),
    ("an export as a spreadsheet", "export records.db --as xlsx"),
    ("an export in place of a file", "export records.db --out notes.txt"),
    ("an export over somebody's file", "export records.db --out tables"),
    ("copies in place of a file", "upkeep records.db --folder notes.txt"),
    ("copies of a text", "upkeep notes.txt --folder copies"),
    ("no anchors in a text", "verify records.db --anchors notes.txt"),
    ("no such anchors", "verify records.db --anchors none.txt"),
    ("a folder as anchors", "verify records.db --anchors folder"),
    ("a key without anchors", "verify records.db --key 00"),
    ("a text as device key", "device-key notes.txt"),
    ("a key in a folder that is not there", "device-key none/key.pem"),
    ("initials in full", "sign --config station.toml --by Roberto-Carlos"),
    ("a signature of an empty record", "sign --config new.toml --by RC"),
    ("a bath of no kind", "probe-check oil --config station.toml"),
    ("a probe check without a probe", "probe-check ice --config station.toml"),
    ("no probe at all", "probe"),
    ("a probe of no kind", "probe usb:3"),
    ("a probe that is not there", "probe /dev/ttyNONE --seconds 1"),
    ("a plain probe without a unit", "probe /dev/ttyNONE?form=plain"),
    ("a key of no probe", "probe /dev/ttyNONE?buad=9600"),
    ("a text as recording", "probe replay:notes.txt"),
    ("a recording in place of a file", "probe simulated:1 --record notes.txt --seconds 1"),
    ("a range of no devices", "probes --seconds 0 --devices 1..16"),
    ("a sound that is none", "hear notes.txt"),
    ("a sound that is not there", "hear none.wav"),
    ("a folder as sound", "hear folder"),
    ("a card in no form", "phrases --out card.doc"),
    ("a card in place of a file", "phrases --out drawing.pdf"),
    ("a card on no paper", "phrases --out card.pdf --paper A9"),
    ("a card in a folder that is not there", "phrases --out none/card.pdf"),
    ("a measure that is none", "phrases --confusable --measured notes.txt"),
    ("a page without a broker", "page --config station.toml --out folder"),
    ("a page in place of a file", "page --config broker.toml --out notes.txt"),
    ("a phone with a space", "page --config broker.toml --phone Jo.Doe --out page"),
    ("a bridge without a site", "bridge --config broker.toml --remote hq.example"),
    ("a bridge to no port", "bridge --config broker.toml --remote hq.example:mqtt --site main-street"),
    ("a bridge without a password", "bridge --config broker.toml --remote hq.example --site main-street"),
    ("a bridge with a text as certificate", "bridge --config broker.toml --remote hq --site main --ca notes.txt"),
    ("a tuning without [voice]", "voice-tune --config station.toml"),
    ("a model that is not there", "voice-model install --from none.zip --to models"),
    ("a model that is none", "voice-model install --from notes.txt --to models"),
    ("a station that is there already", "configure"),
    ("a station with a space", "configure --folder new --station Line_1 --vats 1 --unit F --microphone none"),
    ("too many vats", "configure --folder new --station a --vats 12 --unit F --microphone none"),
    ("a unit of no kind", "configure --folder new --station a --vats 1 --unit K --microphone none"),
    (
        "a probe of no kind, to configure",
        "configure --folder n --station a --vats 1 --unit F --microphone a --probe x:1",
    ),
    ("a demo of no probe", "demo --probe wifi"),
    ("a demo in place of a file", "demo --out notes.txt"),
    ("a set-up in place of a file", "setup --root notes.txt"),
]
"""What is wrong, and the command."""


def prepare(folder: Path) -> None:
    """The files that the commands name."""
    (folder / "folder").mkdir()
    (folder / "notes.txt").write_text("Order more breading.\n")
    (folder / "empty.db").write_bytes(b"")
    (folder / "drawing.pdf").write_bytes(b"%PDF-1.4\n")
    (folder / "tables").mkdir()
    (folder / "tables/batches.csv").write_text("of another program\n")
    (folder / "procedure.toml").write_text(PROCEDURE)
    (folder / "station.toml").write_text(SMALL)
    (folder / "broker.toml").write_text(BROKER)
    (folder / "new.toml").write_text(SMALL + 'database = "none.db"\n')
    (folder / "records.db").write_bytes(lzma.decompress(RECORD.read_bytes()))


@dataclass(frozen=True)
class Row:
    """One wrong input."""

    what: str
    written: str
    """The text of the file; "" for a command."""
    answer: tuple[str, ...]
    """Lines."""


def told(read: Callable[[Path], object], path: Path, text: str) -> tuple[str, ...]:
    """What is said of a file with this text."""
    path.write_text(text)
    try:
        read(path)
    except ConfigError as error:
        return tuple(str(error).splitlines())
    return ()


def rows(folder: Path) -> Iterator[Row]:
    """Every input with its answer. `folder` is empty, and is where we are."""
    prepare(folder)
    for what, text in STATIONS:
        yield Row(f"station.toml: {what}", text, told(load, Path("station.toml"), text))
    (folder / "station.toml").write_text(SMALL)
    for what, old, new in PROCEDURES:
        assert old in PROCEDURE, old
        text = PROCEDURE.replace(old, new, 1)
        yield Row(f"procedure.toml: {what}: {new}", text, told(load_procedure, Path("procedure.toml"), text))
    (folder / "procedure.toml").write_text(PROCEDURE)
    for what, command in COMMANDS:
        done = CliRunner().invoke(app, command.split(), env={"COLUMNS": "200"})
        said = done.stderr if done.stderr.strip() else done.stdout
        yield Row(f"{what}: batch-recorder {command}", "", tuple(said.splitlines()) or (repr(done.exception),))


@cache
def answered() -> tuple[Row, ...]:
    """All rows, as they read in any folder at any time."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as made:
        os.chdir(made)
        try:
            return tuple(
                replace(
                    row,
                    answer=tuple(TIME.sub("TIME", line.replace(made, "/HERE")) for line in row.answer),
                )
                for row in rows(Path(made))
            )
        finally:
            os.chdir(before)


def listed() -> str:
    """All answers, as tests/messages.txt has them."""
    return "\n".join("\n".join([row.what, *(f"    {line}" for line in row.answer), ""]) for row in answered())


TIME = re.compile(r"\d{8}T\d{6}Z")

REMEDY = re.compile(
    r"\b(write|name|use|correct|did you mean|remove|change|choose|take|add|give|convert|make|move|say|chmod|end"
    r"|keep|install|run|try|try another|see|download it|needs|lists|leave|set|stays)\b"
)

PYTHON = re.compile(
    r"\w(Error|Exception)\b|Errno|Traceback|<class|NoneType|\.py:|_ssl|JSONDecode|Expecting|\bobject at\b"
)

DOUBLED = re.compile(r"(?:^|: )([^:]{2,}): (?:.*: )?\1(?::|$)")

PLACE = re.compile(r"^(\w+\.toml), line (\d+): (.*)$")


@pytest.fixture(scope="module")
def all_rows() -> tuple[Row, ...]:
    return answered()


def test_the_list_is_what_is_said(all_rows: tuple[Row, ...]) -> None:
    assert listed() == LISTED.read_text("utf-8"), "python -m tests.test_messages > tests/messages.txt, and read it"


def test_there_are_many_and_none_is_taken(all_rows: tuple[Row, ...]) -> None:
    assert len(all_rows) >= 60 and [row.what for row in all_rows if not row.answer] == []


def test_each_is_short_and_has_a_remedy_and_nothing_of_python(all_rows: tuple[Row, ...]) -> None:
    for row in all_rows:
        for line in row.answer:
            if line.endswith("found."):  # the count that `check` ends with
                continue
            assert len(line) < 240, line
            assert len(re.findall(r"[.?!](?: |$)", line)) <= 3, line
            assert not PYTHON.search(line), line
            assert not DOUBLED.search(line), line
        assert REMEDY.search(" ".join(row.answer)), row


def test_each_mistake_in_a_file_is_named_with_its_file_its_line_and_its_key(all_rows: tuple[Row, ...]) -> None:
    """The key in the message stands on that line; of one that is missing, the table is the one around its place."""
    for row in all_rows:
        for line in row.answer if row.written else ():
            found = PLACE.match(line)
            if not found:
                assert re.match(r"(station|procedure)\.toml: \w+ is missing; write ", line), line
                continue
            there = row.written.split("\n")[int(found[2]) - 1]
            key = re.match(r"\[*([\w.]+)", found[3])
            assert key, line
            last = key[1].rpartition(".")[2]
            near = "is missing" in line or " of " in line
            assert last in there or (near and there.startswith("[")) or found[3][:10] in there, (line, there)


def test_all_mistakes_of_a_file_are_named_at_once(all_rows: tuple[Row, ...]) -> None:
    (row,) = [row for row in all_rows if row.what.endswith("five mistakes at once")]
    numbers = [int(found[2]) for line in row.answer if (found := PLACE.match(line))]
    assert len(numbers) == 5 and numbers == sorted(numbers)


def test_one_cause_has_one_message(all_rows: tuple[Row, ...]) -> None:
    several = [row.what for row in all_rows if row.written and len(row.answer) > 1]
    assert several == ["station.toml: half of the thresholds", "station.toml: five mistakes at once"]


if __name__ == "__main__":
    sys.stdout.write(listed())
