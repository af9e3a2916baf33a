"""Every mistake in a configuration is told with the file, the key and the remedy."""

from importlib.resources import files
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.config import ConfigError, load, load_phrases, load_procedure
from recorder.core import meanings as m
from recorder.core.limits import Limit
from recorder.lengths import length_ms
from recorder.toml_text import line_of

SHARE = files("recorder").joinpath("share")


def station(folder: Path, text: str) -> Path:
    path = folder / "station.toml"
    path.write_text(text)
    return path


def test_the_numbers_of_a_copied_procedure_count(tmp_path: Path) -> None:
    """The second step of README's "Set up a station", as it stands there."""
    shipped = SHARE.joinpath("procedure.toml").read_text()
    (tmp_path / "procedure.toml").write_text(shipped.replace("target = 178", "target = 181"))
    thigh = load(station(tmp_path, SHARE.joinpath("station.toml").read_text())).procedure.part("thigh")
    assert thigh and thigh.target == Limit(181.0, "F")


def test_the_example_is_a_station(tmp_path: Path) -> None:
    (tmp_path / "procedure.toml").write_text(SHARE.joinpath("procedure.toml").read_text())
    settings = load(station(tmp_path, SHARE.joinpath("station.toml").read_text()))
    assert (settings.station, settings.vats, settings.publish) == ("fry-line-1", (1,), "alerts")
    assert settings.probes[0].names() == ("needle", "vat1", "cabinet")
    assert settings.voice and settings.voice.engine == "moonshine"
    assert settings.mqtt and settings.mqtt.topic("alerts") == "kitchen/fry-line-1/alerts"


def test_a_station_needs_little(tmp_path: Path) -> None:
    settings = load(station(tmp_path, 'station = "a"'))
    assert settings.database == tmp_path / "records.db"
    assert (settings.vats, settings.probes, settings.voice, settings.speaker, settings.mqtt) == (
        (1,),
        (),
        None,
        None,
        None,
    )


def test_the_shipped_safety_limits_name_their_source() -> None:
    """FDA Food Code 2022: 3-401.11(A)(3), poultry 165 °F; 3-501.16(A)(1), hot holding 135 °F."""
    procedure = load_procedure(None)
    assert {part.critical for part in procedure.parts} == {Limit(165.0, "F")}
    assert procedure.hold_minimum == Limit(135.0, "F")
    text = SHARE.joinpath("procedure.toml").read_text()
    assert "FDA Food Code 2022, 3-401.11(A)(3)" in text and "FDA Food Code 2022, 3-501.16(A)(1)" in text
    unmarked = [
        line
        for line in text.splitlines()
        if "=" in line and "#" not in line and line.split(" ")[0] not in ("unit", "name", "target", "critical")
    ]
    assert unmarked == [], "every number is the kitchen's own or has a source"


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "station is missing; write station ="),
        ('station = "Line 1"', "use small letters"),
        ("station = 7", "write text in quotes"),
        ('station = "a"\nvats = [1, 1]', "each vat's number once"),
        ('station = "a"\nvats = [0]', "each vat's number once"),
        ('station = "a"\nvat = [1]', "vat is not known here; did you mean vats?"),
        ('station = "a"\n[[probe]]\ndriver = "magic"', "write one of serial"),
        ('station = "a"\n[[probe]]\ndriver = "serial"', "port"),
        (
            'station = "a"\n[[probe]]\ndriver = "serial"\nport = "x"\nchannels = ["toe"]',
            "has 'toe'; write one of",
        ),
        ('station = "a"\n[[probe]]\ndriver = "serial"\nport = "x"\nbaud = "fast"', "baud is 'fast'"),
        (
            'station = "a"\n[[probe]]\ndriver = "serial"\nport = "x"\nspeed = 3',
            "speed is not known here",
        ),
        ('station = "a"\n[probe]\ndriver = "serial"', "probe needs double brackets around its name, [[ ]]"),
        ('station = "a"\n[mqtt]\ntls = "no"', "write true or false"),
        ('station = "a"\nvats = 1', "write a list, in [ ]"),
        ('station = "a"\n[voice]\nengine = "ears"', "engine"),
        ('station = "a"\n[speaker]\nvolume = 11', "speaker.volume is not known here"),
        ('station = "a"\n[mqtt]\npublish = "nothing"', "alerts, records, all"),
        ('station = "a"\n[mqtt]\nprotocol = "4"', 'write "5" or "3.1.1"'),
        ('station = "a"\n[mqtt]\nroot = "#"', "write a topic"),
        ('station = "a"\n[mqtt]\nca_file = "ca.pem"', "is not a file"),
        ('station = "a"\n[mqtt]\ntls = "no"', "tls is 'no'"),
        ('station = "a"\nprocedure = "none.toml"', "none.toml can't be read"),
        ('station = "a"\nphrases = "none.toml"', "none.toml can't be read"),
        ("station = ", "is not TOML"),
    ],
)
def test_a_mistake_in_a_station_file(tmp_path: Path, text: str, complaint: str) -> None:
    with pytest.raises(ConfigError) as error:
        load(station(tmp_path, text))
    assert complaint in str(error.value)
    assert "toml" in str(error.value)


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('planned = "12 min"', 'planned = "12"', 'write it like "12 min"'),
        ('planned = "12 min"', 'planned = "9 min"', "cook.planned is 9 min; write at least shortest, 11 min"),
        ("minimum = 135", 'minimum = "hot"', "minimum is 'hot'"),
        ("pieces_per_load = 40", "pieces_per_load = true", "pieces_per_load is True"),
        ("target = 178", "target = 160", "target of thigh is 160 °F, below its critical limit of 165 °F"),
        ('unit = "F"', 'unit = "K"', 'write "F" or "C"'),
        ("[oil]", "[oil]\nsmell = 3", "oil.smell is not known here; remove it; keys here: low, high"),
        ('product = "breaded bone-in chicken"', "", "product is missing"),
        ("low = 325", "low = 360", "oil.low is 360 °F; write less than high, 350 °F"),
        (
            '["discard batch"]',
            '["throw away"]',
            "an entry that is 'throw away'; write one of shift start",
        ),
        ('["discard batch"]', '["confirm", 7]', "ask_first has an entry that is 7; write text in quotes"),
        ('["discard batch"]', '"discard batch"', "ask_first is 'discard batch'; write a list, in [ ]"),
    ],
)
def test_a_mistake_in_a_procedure(tmp_path: Path, old: str, new: str, complaint: str) -> None:
    text = SHARE.joinpath("procedure.toml").read_text()
    assert old in text
    path = tmp_path / "procedure.toml"
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(ConfigError) as error:
        load_procedure(path)
    assert complaint in str(error.value) and str(path) in str(error.value)


@pytest.mark.parametrize(
    ("text", "ms"), [("12 min", 720_000), ("45 s", 45_000), ("1 h 30 min", 5_400_000), ("0.5 h", 1_800_000)]
)
def test_lengths_of_time(text: str, ms: int) -> None:
    assert length_ms(text) == ms


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("", (m.DISCARD,)),
        ("ask_first = []", ()),
        ('ask_first = ["hold end", "shift end"]', (m.HOLD_END, m.SHIFT_END)),
    ],
)
def test_what_asks_first(tmp_path: Path, line: str, asked: tuple[str, ...]) -> None:
    shipped = SHARE.joinpath("procedure.toml").read_text()
    path = tmp_path / "procedure.toml"
    path.write_text("\n".join(line if each.startswith("ask_first") else each for each in shipped.splitlines()))
    assert load_procedure(path).ask_first == asked
    assert load_procedure(None).ask_first == (m.DISCARD,)


def test_a_part_that_no_phrase_says(tmp_path: Path) -> None:
    text = SHARE.joinpath("procedure.toml").read_text()
    (tmp_path / "procedure.toml").write_text(text.replace('name = "wing"', 'name = "gizzard"'))
    with pytest.raises(ConfigError, match="no phrase says the part 'gizzard'"):
        load(station(tmp_path, 'station = "a"\nprocedure = "procedure.toml"'))


def test_a_phrase_file_with_a_mistake(tmp_path: Path) -> None:
    path = tmp_path / "phrases.toml"
    path.write_text('language = "en"')
    with pytest.raises(ConfigError, match=r"phrases\.toml"):
        load_phrases(path)


def test_check_names_the_example_and_what_cannot_be_written(tmp_path: Path) -> None:
    path = station(tmp_path, 'station = "a"\ndatabase = "/proc/none/records.db"')
    done = CliRunner().invoke(app, ["check", "--config", str(path)], env={"COLUMNS": "60"})
    told = " ".join(done.stdout.split())
    assert done.exit_code == 1 and "every number is the shipped example's" in told, told
    assert "can't be made: No such file or directory; name another place as database" in told, told
    assert "\N{HORIZONTAL ELLIPSIS}" not in told


TEXT = """# a comment
station = "a"
vats = [
  1,
  2,
]
note = '''
[[probe]]
'''

[[probe]]
driver = "x"

[[probe.register]]
scale = 1

[[probe.register]]
scale = 2

[[probe]]
driver = "y"
"""


@pytest.mark.parametrize(
    ("at", "line"),
    [
        (("station",), "station = "),
        (("vats",), "vats = ["),
        (("vats", 1), "vats = ["),
        (("note",), "note = "),
        (("probe", 0, "driver"), 'driver = "x"'),
        (("probe", 0, "register", 1, "scale"), "scale = 2"),
        (("probe", 0, "register", 1, "unit"), "[[probe.register]]"),
        (("probe", 1), "[[probe]]"),
        (("probe", 1, "driver"), 'driver = "y"'),
    ],
)
def test_the_line_of_a_key_is_found(at: tuple[str | int, ...], line: str) -> None:
    number = line_of(TEXT, at)
    assert number and TEXT.split("\n")[number - 1].startswith(line)
    assert line_of(TEXT, ("colour",)) is None


def test_a_microphone_that_is_not_there_is_named_once(tmp_path: Path) -> None:
    path = station(tmp_path, 'station = "a"\n[voice]\ndevice = "plughw:CARD=Nobody"\n')
    done = CliRunner().invoke(app, ["check", "--config", str(path)], env={"COLUMNS": "300"})
    (row,) = [line for line in done.stdout.splitlines() if line.startswith("fix  microphone")]
    assert row.count("microphone") == 1 and "arecord: main" not in row, row
