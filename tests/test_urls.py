"""Probe URLs mean the same settings as a table of the configuration."""

from pathlib import Path

import pytest

from recorder.config import load
from recorder.probes.serial.port import SerialSettings
from recorder.probes.urls import settings


@pytest.mark.parametrize(
    ("url", "meant"),
    [
        ("/dev/ttyACM0", SerialSettings("serial", "/dev/ttyACM0")),
        ("serial:/dev/ttyACM0", SerialSettings("serial", "/dev/ttyACM0")),
        ("socket://10.0.0.7:4001", SerialSettings("serial", "socket://10.0.0.7:4001")),
        ("/dev/x?baud=9600&channels=needle,vat", SerialSettings("serial", "/dev/x", ("needle", "vat"), baud=9600)),
        ("/dev/x?form=plain&unit=F", SerialSettings("serial", "/dev/x", form="plain", unit="F")),
        ("/dev/x?silence_s=2.5&channels=", SerialSettings("serial", "/dev/x", (), silence_s=2.5)),
    ],
)
def test_a_url_is_read(url: str, meant: SerialSettings) -> None:
    assert settings(url) == meant
    assert settings(settings(url).url(), channels=list(meant.channels)).title() == meant.title()


def test_what_the_url_says_goes_before_the_defaults() -> None:
    assert settings("/dev/x", channels=[], period_s=1.0, other=3) == SerialSettings(
        "serial", "/dev/x", (), period_s=1.0
    )
    assert settings("/dev/x?channels=vat", channels=[]).names() == ("vat1",)


@pytest.mark.parametrize(
    ("url", "complaint"),
    [
        ("/dev/x?baud", "baud has no value; write baud=VALUE"),
        ("/dev/x?baud=fast", "baud is 'fast'; it must be a whole number"),
        ("/dev/x?speed=9600", "speed is not known here; remove it; keys here: driver, port"),
        ("/dev/x?channels=oven", "channels has 'oven'; write one of needle"),
        ("serial:?baud=9600", "there is no address; write it after serial:"),
        ("seriall:/dev/x", "'seriall' is no driver; write one of serial, ble"),
        ("replay:none.jsonl", "none.jsonl, which is no recording"),
        ("/dev/x?unit.of=C", "unit is"),
        ("/dev/x?port.of=C", "port.of has no place, since port is '/dev/x'"),
        ("/dev/x?driver.of=C", "driver.of has no place, since driver is 'serial'"),
        ("modbus:/dev/x?register=5&register.address=0", r"register.address has no place, since register is \[5\]"),
        ("/dev/x?silence_s=inf", "silence_s is inf; it must be a finite number"),
        ("/dev/x?period_s=nan", "period_s is nan; it must be a finite number"),
    ],
)
def test_a_mistake_is_named(url: str, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint) as error:
        settings(url)
    assert str(error.value).startswith(url)


def test_the_plain_boards_url_in_a_complaint_can_be_pasted(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text(
        'station = "a"\nvats = [2]\n[[probe]]\ndriver = "serial"\nport = "/dev/x"\nform = "plain"\nunit = "F"\n'
        'channels = ["vat2"]'
    )
    (configured,) = load(tmp_path / "station.toml").probes
    assert settings(configured.url()) == configured
