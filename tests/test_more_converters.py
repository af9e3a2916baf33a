"""Converters on a second bus and for platinum elements: the firmware on MicroPython, register by register.

The vectors are those of the data sheets, each named; what is from memory is marked (M).
"""

from ast import literal_eval
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from recorder.demo.devices.chips import Felt
from recorder.demo.devices.micropython_board import NOTES, MicropythonBoard
from recorder.demo.devices.more_chips import Max31865, Mcp9600, Mcp9601, ratio
from recorder.demo.devices.serial_board import Kitchen
from recorder.probes.source import Fault, Sample
from tests.firmware_desk import Desk, micropython, on_micropython, wired

RTD = ("needle", "MAX31865", "Pt1000-4", 17, 250)
I2C = ("needle", "MCP9600", "T", 0x67, 400)
I2C_OPEN = ("needle", "MCP9601", "T", 0x60, 400)


@pytest.fixture
def desk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Desk]:
    made = Desk(wired(tmp_path, request.param))
    yield made
    made.close()


# By the data sheets

TABLE_9 = {275: 0x81FE, 300: 0x87B6, 325: 0x8D64, 350: 0x9304, 375: 0x989A, 400: 0x9E24}
"""MAX31865 data sheet 19-6478, table 9, "Temperature Example for PT100 with 400 Ω": °C -> registers 01h-02h."""

IEC_60751 = {-40: 84.27, 0: 100.00, 50: 119.40, 100: 138.51, 200: 175.86, 300: 212.05, 400: 247.09}
"""Pt100, °C -> ohms; 300 and 400 are in table 9 too, the others are from memory (M)."""


@on_micropython
def test_a_platinum_elements_registers_become_degrees_as_printed() -> None:
    codes = [registers >> 1 for registers in TABLE_9.values()]
    said = micropython(f"from max31865 import celsius\nfor c in {codes}: print(celsius(c * 4 / 32768))")
    for temp_c, line in zip(TABLE_9, said.splitlines(), strict=True):
        assert float(line) == pytest.approx(temp_c, abs=0.04), "one step of the table's code is 0.03 °C"


@on_micropython
@pytest.mark.parametrize("element", [100, 1000])
def test_ohms_become_degrees_by_the_standards_table(element: int) -> None:
    ratios = [ohm / 100 for ohm in IEC_60751.values()]
    said = micropython(f"from max31865 import celsius\nfor r in {ratios}: print(celsius(r))")
    for temp_c, line in zip(IEC_60751, said.splitlines(), strict=True):
        assert float(line) == pytest.approx(temp_c, abs=0.02)
        assert ratio(temp_c) * element == pytest.approx(IEC_60751[temp_c] * element / 100, abs=element * 6e-5)


SCRIPTED = """
from max31865 import MAX31865
sent, registers = [], bytearray(8)
def transfer(out):
    sent.append(out.hex())
    if out[0] & 0x80:
        for at, byte in enumerate(out[1:], out[0] & 0x7F):
            registers[at] = byte & ~2 if at == 0 else byte
        return bytes(len(out))
    return b"\\0" + bytes(registers[: len(out) - 1])
chip = MAX31865(transfer, "Pt100-3", 50)
print(sent)
registers[0] &= ~0x20
registers[1:3] = b"\\x40\\x00"
del sent[:]
print(chip.value(), sent)
registers[7] = 0x80
registers[0] &= ~0x20
print(chip.value())
"""


@on_micropython
def test_what_goes_over_the_wire_to_a_platinum_converter() -> None:
    """Table 1: 80h writes the configuration, 83h to 86h the thresholds; bias 80h, one-shot 20h, three wires 10h, clear
    02h, 50 Hz 01h. 400 °C and -40 °C at 430 Ω: 247.09 and 84.27 Ω are codes 18829 and 6422, shifted left by one."""
    first, then, opened = micropython(SCRIPTED).splitlines()
    high, low = round(247.09 / 430 * 32768) << 1, round(84.27 / 430 * 32768) << 1
    limits = f"{high:04x}{low:04x}"
    got = literal_eval(first)
    assert got[0][:2] == "83" and all(
        abs(int(got[0][at : at + 4], 16) - int(limits[at - 2 : at + 2], 16)) <= 2 for at in (2, 6)
    )
    assert got[1:] == ["8093", "00" * 9, "80b1", "0000"]
    assert then == "19.24C ['000000000000000000', '80b1', '0000']", "4000h is code 8192, 107.5 Ω"
    assert 107.5 == 8192 / 32768 * 430 and ratio(19.24) == pytest.approx(1.075, abs=2e-5)
    assert opened == "open"


@on_micropython
@pytest.mark.parametrize(
    ("high", "low"), [(0x04, 0xA0), (0x0B, 0x0C), (0x00, 0x00), (0x00, 0x01), (0xFF, 0xFF), (0xFF, 0xF0), (0xFD, 0x80)]
)
def test_an_i2c_converters_bytes_become_degrees(high: int, low: int) -> None:
    """MCP9600 data sheet DS20005426C, equation 5-1: upper x 16 + lower / 16, less 4096 below 0 °C."""
    temp_c = high * 16 + low / 16 - (4096 if high & 0x80 else 0)
    script = f"""
from mcp9600 import MCP9600
class Bus:
    registers = {{0x00: bytes(({high}, {low})), 0x04: b"\\x40", 0x05: b"\\0", 0x06: b"\\0", 0x20: b"\\x40\\x12"}}
    def read(self, register, count):
        return self.registers[register][:count]
    def write(self, register, data):
        if register != 4:
            self.registers[register] = data
chip = MCP9600(Bus(), "T", 60)
print(chip.value(), Bus.registers[5].hex())
"""
    said, settings = micropython(script).split()
    assert said[-1] == "C" and len(said.partition(".")[2]) == 3
    assert float(said[:-1]) == pytest.approx(temp_c, abs=0.0051)
    assert settings == "20", "type T (M)"


# On the bus, with the recorder at the other end


@on_micropython
@pytest.mark.parametrize(("desk", "step_c"), [(RTD, 0.04), (I2C, 0.0625), (I2C_OPEN, 0.0625)], indirect=["desk"])
def test_temperatures_are_the_kitchens_within_the_chips_resolution(desk: Desk, step_c: float) -> None:
    for piece_c in (-10.0, 3.3, 73.9, 176.7):
        desk.board.kitchen.insert(piece_c)
        desk.play(60)
        *_, last = desk.needle(2)
        assert isinstance(last, Sample) and last.temp_c == pytest.approx(piece_c, abs=step_c / 2 + 0.012)
    assert desk.reader.bad == {}


@on_micropython
@pytest.mark.parametrize("desk", [RTD, I2C_OPEN], indirect=True)
def test_an_open_circuit_and_a_short_are_faults_until_they_are_mended(desk: Desk) -> None:
    desk.play(2)
    desk.board.kitchen.pull_connector()
    desk.play(1)
    assert set(desk.needle(2)) == {"open circuit"}
    desk.board.kitchen.put_back()
    desk.board.kitchen.short_circuit()
    desk.play(1)
    assert set(desk.needle(2)) == {"short circuit"}
    desk.board.kitchen.put_back()
    desk.play(1)
    assert all(isinstance(each, Sample) for each in desk.needle(2))


@on_micropython
@pytest.mark.parametrize("desk", [I2C], indirect=True)
def test_one_that_can_not_see_an_open_circuit_says_its_own_temperature(desk: Desk) -> None:
    """Why the notes want an MCP9601 for a needle; the ice check is what finds it (invented, as chips.py says)."""
    desk.board.kitchen.insert(80.0)
    desk.play(30)
    desk.board.kitchen.pull_connector()
    desk.play(1)
    *_, last = desk.needle(2)
    assert isinstance(last, Sample) and last.temp_c == pytest.approx(desk.board.cold_c, abs=0.04)


@on_micropython
@pytest.mark.parametrize("desk", [RTD, I2C], indirect=True)
def test_a_chip_that_lost_its_power_is_set_again_before_its_next_value(desk: Desk) -> None:
    desk.play(4)
    desk.board.chips["needle"].power_up()
    got = desk.needle(2)
    assert got[0] == "probe fault" and all(isinstance(each, Sample | Fault | str) for each in got)
    assert all(isinstance(each, Sample) for each in desk.needle(2))


@on_micropython
@pytest.mark.parametrize("desk", [RTD], indirect=True)
def test_a_platinum_converter_that_does_not_hear_is_a_fault(desk: Desk) -> None:
    chip = desk.board.chips["needle"]
    assert isinstance(chip, Max31865)
    assert len(desk.needle(5)) == chip.measured == 20, "no measurement is told twice"
    chip.power_up()
    chip.deaf = True
    assert set(desk.needle(2)) == {"probe fault"}


@on_micropython
@pytest.mark.parametrize("desk", [I2C], indirect=True)
def test_a_chip_that_leaves_the_bus_is_a_fault_and_takes_no_other_with_it(desk: Desk) -> None:
    chip = desk.board.chips["needle"]
    assert isinstance(chip, Mcp9600)
    desk.play(2)
    chip.there = False
    assert set(desk.needle(2)) == {"probe fault"}
    chip.there = True
    desk.play(1)
    assert all(isinstance(each, Sample) for each in desk.needle(2))


@on_micropython
@pytest.mark.parametrize(
    ("channel", "mains_hz", "text"),
    [
        (("needle", "MAX31856", "T", 17, 220), 50, "needle: the period is 220 ms, and a MAX31856 needs 229 ms"),
        (("needle", "MCP9600", "T", 0x67, 250), 60, "needle: the period is 250 ms, and a MCP9600 needs 350 ms"),
        (("needle", "MAX31865", "Pt500-4", 17, 250), 60, "Pt500-4 is no element and wires; write Pt100-4 or Pt1000-4"),
        (("needle", "MCP9600", "N", 0x67, 400), 60, "thermocouple type N is none of K, J, T"),
    ],
)
def test_senseless_settings_end_the_firmware_with_the_remedy(
    tmp_path: Path, channel: tuple[str, str, str, int, int], mains_hz: int, text: str
) -> None:
    with pytest.raises(RuntimeError, match=text):
        MicropythonBoard(Kitchen(), wired(tmp_path, channel, mains_hz=mains_hz))


# Other boards


@on_micropython
def test_the_second_boards_settings_run_as_they_are(tmp_path: Path) -> None:
    settings = tmp_path / "settings.py"
    settings.write_text((NOTES / "board" / "settings_esp32.py").read_text())
    desk = Desk(settings)
    try:
        desk.play(3)
        kitchen = desk.board.kitchen
        last = {each.channel: each.temp_c for each in desk.play(2) if isinstance(each, Sample)}
        assert last == {
            "needle": pytest.approx(kitchen.needle_c, abs=0.01),
            "vat1": pytest.approx(kitchen.oil_c, abs=0.04),
            "cabinet": pytest.approx(kitchen.cabinet_c, abs=0.05),
        }
        assert desk.reader.bad == {}
    finally:
        desk.close()


@on_micropython
def test_a_board_whose_bus_has_pins_of_its_own_is_given_none(tmp_path: Path) -> None:
    settings = wired(tmp_path)
    settings.write_text(settings.read_text() + "CLOCK_PIN = OUT_PIN = IN_PIN = None\n")
    desk = Desk(settings)
    try:
        assert {each.channel for each in desk.play(2) if isinstance(each, Sample)} == {"needle", "vat1", "cabinet"}
    finally:
        desk.close()


# The simulated chips themselves


def test_the_simulated_platinum_chip_says_what_its_table_says() -> None:
    """Table 9 at 400 Ω, and its power-up thresholds (FFFFh and 0000h, "Fault Threshold Registers")."""
    chip = Max31865("Pt100-4", partial(Felt, 300.0, 25.0))
    chip.reference = 4.0
    assert chip.answer(bytes(9), 0)[4:8].hex() == "ffff0000"
    chip.answer(b"\x80\xa0", 0)
    assert abs(int.from_bytes(chip.answer(b"\1\0\0", 100)[1:]) - TABLE_9[300]) <= 2


def test_the_simulated_i2c_chip_follows_equation_5_1() -> None:
    chip = Mcp9601("T", partial(Felt, 74.0, 25.0))
    chip.write(0x05, b"\x20", 0)
    assert chip.read(0x04, 1, 300) == b"\0" and chip.read(0x04, 1, 320) == b"\x40"
    assert chip.read(0x00, 2, 330) == b"\x04\xa0"
    chip.write(0x04, b"\0", 330)
    assert chip.read(0x04, 1, 331) == b"\0", "told once"
