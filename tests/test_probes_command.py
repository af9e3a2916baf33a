"""The command `probes`, and the panel of `probe`: what a person sees of probes before any is configured."""

import fcntl
import os
import pty
import re
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
import tomllib
from contextlib import closing
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.config import ConfigError, load
from recorder.demo.devices.modbus_transmitters import SimulatedTransmitters
from recorder.demo.devices.serial_board import Kitchen, SimulatedFirmware
from recorder.probes.kinds import Search
from recorder.probes.modbus.probe import ModbusSettings
from recorder.probes.modbus.registers import Register
from recorder.probes.modbus.scan import offers
from recorder.probes.serial import port
from recorder.probes.serial.port import SerialSettings, attached
from recorder.tables import build, toml


def test_ports_are_found_by_the_names_that_last(tmp_path: Path) -> None:
    board = SimulatedFirmware(Kitchen())
    (tmp_path / "usb-board-if00").symlink_to(board.port)
    assert attached(tmp_path)[0] == str(tmp_path / "usb-board-if00")
    assert str(Path(board.port).resolve()) not in attached(tmp_path)
    assert attached(tmp_path / "none") == attached(tmp_path)[1:]
    board.close()


def test_what_is_found_is_printed_as_configuration_that_works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    line = SimulatedTransmitters(Kitchen())
    monkeypatch.setattr(port, "attached", lambda: ["/dev/serial/by-id/usb-board-if00"])
    done = CliRunner().invoke(app, ["probes", "--seconds", "0", "--modbus", line.port, "--devices", "1-2"])
    line.close()
    assert done.exit_code == 0, done.output
    assert "Serial ports: 1" in done.stderr
    assert f"Modbus at {line.port}: " in done.stderr
    found = tomllib.loads(done.stdout)["probe"]
    assert found[0] == {"driver": "serial", "port": "/dev/serial/by-id/usb-board-if00"}
    assert {each["driver"] for each in found[1:]} == {"modbus"}
    path = tmp_path / "station.toml"
    path.write_text('station = "line-1"\n' + done.stdout)
    with pytest.raises(ConfigError, match="unit is missing"):  # what no device says is left to fill in
        load(path)
    path.write_text('station = "line-1"\n' + done.stdout.replace("# unit", "unit"))
    with pytest.raises(ConfigError, match="the channel needle is also that of serial /dev/serial/by-id/usb-board-if00"):
        load(path)  # nor what it measures
    named = done.stdout.replace('usb-board-if00"\n', 'usb-board-if00"\nchannels = ["cabinet"]\n')
    path.write_text('station = "line-1"\n' + named.replace("# unit", "unit"))
    assert len(load(path).probes) == len(found)


def test_what_cannot_be_looked_at_is_told_and_the_rest_goes_on(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path}/none")
    monkeypatch.setattr(port, "attached", list)
    done = CliRunner().invoke(app, ["probes", "--seconds", "0.1", "--modbus", str(tmp_path / "none")])
    assert done.exit_code == 1
    assert done.stdout == ""
    assert re.search(r"Serial ports: none\nBluetooth: no Bluetooth: .*\nModbus at .*none: unplugged", done.stderr)


@pytest.mark.parametrize("devices", ["0-3", "5-4", "x", "3-", "1-248", ""])
def test_a_senseless_range_is_refused(devices: str) -> None:
    done = CliRunner().invoke(app, ["probes", "--devices", devices])
    assert done.exit_code == 2
    assert "--devices is" in done.output


@pytest.mark.parametrize(
    "settings",
    [
        SerialSettings("serial", "/dev/ttyACM0", ("needle", "vat")),
        SerialSettings("serial", '/dev/a"b', form="plain", unit="F", silence_s=2.5),
        ModbusSettings(
            "modbus",
            "tcp://10.0.0.7",
            (Register("needle", 1, 0, scale=0.1, unit="C"), Register("vat", 2, 4, faults=(7,), scale=1.0, unit="C")),
        ),
    ],
)
def test_settings_as_toml_are_the_same_settings(settings: SerialSettings | ModbusSettings) -> None:
    (table,) = tomllib.loads(toml("probe", settings))["probe"]
    assert build(type(settings), table) == settings


def test_more_than_three_transmitters_on_a_line_each_get_a_channel() -> None:
    """ "vat" and "vat1" are one."""
    registers = tuple(Register("vat", device, 0, scale=0.1, unit="C") for device in range(1, 6))
    with closing(SimulatedTransmitters(Kitchen(), registers, True)) as far:
        (offer,) = offers(Search(bus=far.port, addresses=range(1, 6)))
    settings = offer.settings
    assert isinstance(settings, ModbusSettings)
    assert [each.device for each in settings.register] == [1, 2, 3, 4, 5]
    assert settings.names() == ("needle", "cabinet", "vat1", "vat2", "vat3")


def test_the_panel_shows_value_curve_pace_rest_and_fault() -> None:
    """On a terminal: a needle is dipped and then pulled out of its plug."""
    board, done, shown = SimulatedFirmware(Kitchen()), threading.Event(), bytearray()

    def text() -> str:
        return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", bytes(shown).decode("utf-8", "replace"))

    def speak() -> None:
        while not done.wait(0.05):
            if board.sent > 40:
                board.kitchen.insert(84.0)
                board.kitchen.pass_time(20_000)
            if "at rest at 84." in text():
                board.kitchen.pull_connector()
            board.advance(500)

    near, far = pty.openpty()
    fcntl.ioctl(far, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 140, 0, 0))
    thread = threading.Thread(target=speak)
    thread.start()
    command = [sys.executable, "-m", "recorder", "probe", board.port]
    with subprocess.Popen(
        command, stdin=far, stdout=far, stderr=far, env={**os.environ, "TERM": "xterm-256color"}
    ) as program:
        os.close(far)
        end_s = time.monotonic() + 30
        while time.monotonic() < end_s:
            try:
                shown += os.read(near, 65_536)
            except OSError:
                break
            if "lost: open circuit" in text() and not done.is_set():
                done.set()
                program.send_signal(signal.SIGINT)
    done.set()
    thread.join()
    os.close(near)
    board.close()
    assert program.returncode == 0, text()
    assert re.search(r"needle +\d\d\.\d\d °C +\d+\.\d\d °F.*\r\n\d+\.\d/s +[▁▂▃▄▅▆▇█ ]+ \d+ to \d+ °C", text())
    assert "at rest at 84." in text()
    assert "lost: open circuit" in text()
    assert "Ctrl-C ends it" in text()
