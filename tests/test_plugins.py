"""Kinds of probes and recognisers from other packages: `tests/plugins/` holds one as pip installs it.

The form of `entry_points.txt` is that of packaging.python.org/en/latest/specifications/entry-points.
"""

import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.config import ConfigError, load
from recorder.driver import DriverUnavailable
from recorder.probes.kinds import PROBES
from recorder.probes.urls import settings
from recorder.voice import ear, engines
from recorder.voice.engines import ENGINES

PLUGINS = Path(__file__).parent / "plugins"

THRESHOLDS = "[voice.thresholds.plain]\nnamed = 0\nscore = 0\n[voice.thresholds.numbered]\nnamed = 0\nscore = 0\n"


@pytest.fixture
def parrot(monkeypatch: pytest.MonkeyPatch) -> None:
    """The package is installed."""
    monkeypatch.syspath_prepend(PLUGINS)


def installed(folder: Path, name: str, entry: str, group: str = "batch_recorder.probes") -> None:
    """Another package, in a folder that is on the path already."""
    info = folder / f"{name}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[{group}]\n{entry}\n")


def test_a_probe_of_another_package_is_read_by_its_url(parrot: None) -> None:
    done = CliRunner().invoke(app, ["probe", "parrot:7?temp_c=60.5", "--seconds", "0.4", "--json"])
    assert done.exit_code == 0, done.output
    assert '"event": "reading"' in done.stdout
    assert '"temp_c": 60.5' in done.stdout
    assert settings("parrot:7").title() == "parrot 7"


def test_a_probe_of_another_package_is_found_and_configured(parrot: None, tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["probes", "--seconds", "0"])
    assert done.exit_code == 0, done.output
    assert "Cages: 1\n" in done.stderr
    assert '# a grey one\n[[probe]]\ndriver = "parrot"\n# cage = "7"   # or another\n' in done.stdout
    text = done.stdout[done.stdout.index("# a grey one") :].replace("# cage", "cage")
    assert tomllib.loads(text)["probe"] == [{"driver": "parrot", "cage": "7"}]
    path = tmp_path / "station.toml"
    path.write_text(f'station = "line-1"\n{text}')
    (probe,) = load(path).probes
    assert probe.title() == "parrot 7"
    path.write_text(path.read_text() + "cagge = 2\n")
    with pytest.raises(ConfigError, match="cagge is not known here; remove it; keys here: driver, cage, temp_c"):
        load(path)


def test_without_the_package_the_kind_is_unknown(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"'parrot' is no driver; write one of serial, ble, .*, simulated$"):
        settings("parrot:7")
    with pytest.raises(DriverUnavailable, match="no driver is called 'parrot'; there are serial, ble, modbus, mqtt"):
        PROBES.load("parrot")


def test_a_recogniser_of_another_package_is_built(parrot: None, tmp_path: Path) -> None:
    path = tmp_path / "station.toml"
    path.write_text('station = "line-1"\n[voice]\nengine = "parrot"\n')
    with pytest.raises(ConfigError, match="thresholds is missing, and only its maker knows"):
        load(path)
    path.write_text(path.read_text() + THRESHOLDS)
    loaded = load(path)
    assert loaded.voice
    guess = ear.build(loaded.phrases, loaded.voice).recognise(b"")
    assert guess
    assert guess.text == "status"
    assert list(ENGINES) == ["moonshine", "sphinx", "vosk", "parrot"]


@pytest.mark.parametrize(
    ("entry", "why"),
    [
        ("broken = no_such_module:Settings", "ModuleNotFoundError: No module named 'no_such_module'"),
        ("broken = parrot:Budgie", "AttributeError: module 'parrot' has no attribute 'Budgie'"),
        ("broken = raises:Settings", "RuntimeError: it has a cold"),
        ("broken = parrot:Parrot", "it has no title, url, names, reader, faster, source, detect"),
    ],
)
def test_a_broken_entry_point_is_named(
    parrot: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, entry: str, why: str
) -> None:
    (tmp_path / "raises.py").write_text("raise RuntimeError('it has a cold')\n")
    installed(tmp_path, "broken-probe", entry)
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(DriverUnavailable) as refused:
        settings("broken:1")
    assert f"the driver 'broken' can't be used: package broken-probe, entry point {entry}: {why}" in str(refused.value)
    assert str(refused.value).endswith("; repair or uninstall that package")
    path = tmp_path / "station.toml"
    path.write_text('station = "line-1"\n[[probe]]\ndriver = "broken"\n')
    with pytest.raises(ConfigError, match=r"station\.toml, line 2: probe: the driver 'broken' can't be used"):
        load(path)
    done = CliRunner().invoke(app, ["probes", "--seconds", "0"])
    assert "broken: the driver 'broken' can't be used: package broken-probe" in done.stderr
    assert "Cages: 1\n" in done.stderr  # and the others are looked for


@pytest.mark.parametrize(
    ("name", "owners"),
    [
        ("parrot", r"package parrot, entry point parrot = parrot:ParrotSettings"),
        ("serial", "batch-recorder"),
    ],
)
def test_a_kind_that_is_there_twice_is_refused_and_both_are_named(
    parrot: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, owners: str
) -> None:
    installed(tmp_path, "cuckoo", f"{name} = cuckoo:Settings")
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(DriverUnavailable, match=f"the driver '{name}' is there more than once: .*uninstall all") as why:
        PROBES.load(name)
    assert owners in str(why.value)
    assert f"package cuckoo, entry point {name} = cuckoo:Settings" in str(why.value)
    assert PROBES.load("modbus").__name__ == "ModbusSettings"


def test_a_recogniser_that_cannot_recognise_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    installed(tmp_path, "mute", "mute = pathlib:Path", "batch_recorder.recognisers")
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(DriverUnavailable, match="package mute, entry point mute = pathlib:Path: it has no recognise"):
        engines.build("mute", None, "", None)  # type: ignore[arg-type]
