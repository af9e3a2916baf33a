"""Modbus registers: bytes against published vectors, pymodbus, crcmod and struct; what they mean against the manual."""

import math
import struct

import crcmod.predefined
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerRTU
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadHoldingRegistersResponse,
    ReadInputRegistersRequest,
)

from recorder.probes.modbus.registers import EXCEPTIONS, KINDS, MOST, TYPES, Block, Register, RegisterReader, blocks
from recorder.probes.source import Chunk, Doubt, Fault, Sample

FRAMES = {
    "11 03 00 6B 00 03 76 87": 0x8776,
    "11 03 06 AE 41 56 52 43 40 49 AD": 0xAD49,
    "01 03 00 00 00 0A C5 CD": 0xCDC5,
    "01 03 00 00 00 02 C4 0B": 0x0BC4,
    "11 04 00 08 00 01 B2 98": 0x98B2,
    "11 01 00 13 00 25 0E 84": 0x840E,
    "11 02 00 C4 00 16 BA A9": 0xA9BA,
    "01 03 00 00 00 2C 44 17": 0x1744,
    "FE 04 00 03 00 01 D5 C5": 0xC5D5,
    "00 83 02 91 31": 0x3191,
    "12 34 23 45 34 56 45 67 E2 DB": 0xDBE2,
    "02 07 41 12": 0x1241,
}
"""Whole RTU frames and their CRCs: published-values.md section 8 (its sources are named there, row by row)."""

PYMODBUS_TYPES = {
    "int16": ModbusClientMixin.DATATYPE.INT16,
    "uint16": ModbusClientMixin.DATATYPE.UINT16,
    "int32": ModbusClientMixin.DATATYPE.INT32,
    "uint32": ModbusClientMixin.DATATYPE.UINT32,
    "float32": ModbusClientMixin.DATATYPE.FLOAT32,
}


def reader(register: Register) -> RegisterReader:
    return RegisterReader((register,))


def read(register: Register, data: bytes) -> list[object]:
    return list(reader(register).read(Chunk(data, register.where)))


@pytest.mark.parametrize(("frame", "crc"), FRAMES.items())
def test_the_published_frames_have_the_crc_that_pymodbus_and_crcmod_say(frame: str, crc: int) -> None:
    """The wire format that the driver leaves to pymodbus, held against the published bytes and against crcmod."""
    data = bytes.fromhex(frame)
    assert crcmod.predefined.mkCrcFun("modbus")(data[:-2]) == crc
    assert FramerRTU.check_CRC(data[:-2], int.from_bytes(data[-2:]))
    assert data[-2:] == crc.to_bytes(2, "little"), "low byte first on the wire"


def test_the_check_value_of_the_crc() -> None:
    """CRC-16/MODBUS of "123456789" is 0x4B37: published-values.md section 8."""
    assert crcmod.predefined.mkCrcFun("modbus")(b"123456789") == 0x4B37
    assert FramerRTU.check_CRC(b"123456789", 0x374B)


@pytest.mark.parametrize(
    ("request_", "frame"),
    [
        (ReadHoldingRegistersRequest(address=0x6B, count=3, dev_id=17), "11 03 00 6B 00 03 76 87"),
        (ReadHoldingRegistersRequest(address=0, count=2, dev_id=1), "01 03 00 00 00 02 C4 0B"),
        (ReadInputRegistersRequest(address=8, count=1, dev_id=17), "11 04 00 08 00 01 B2 98"),
        (ReadInputRegistersRequest(address=3, count=1, dev_id=0xFE), "FE 04 00 03 00 01 D5 C5"),
    ],
)
def test_requests_are_the_published_bytes(request_: ReadHoldingRegistersRequest, frame: str) -> None:
    assert FramerRTU(DecodePDU(False)).buildFrame(request_) == bytes.fromhex(frame)


def test_the_published_answer_decodes_to_its_registers() -> None:
    """0xAE41, 0x5652, 0x4340 from unit 17: published-values.md section 8. Then through our own reader."""
    used, answer = FramerRTU(DecodePDU(False)).handleFrame(bytes.fromhex("11 03 06 AE 41 56 52 43 40 49 AD"), 17, 0)
    assert isinstance(answer, ReadHoldingRegistersResponse)
    assert (used, answer.registers) == (11, [0xAE41, 0x5652, 0x4340])
    data = bytes.fromhex("AE 41 56 52 43 40")
    wired = Register("needle", 17, 0x6D, "holding", scale=0.01, unit="C")
    block = blocks([wired, Register("vat1", 17, 0x6B, "holding", "uint32", scale=1.0, unit="C")])[0]
    assert (block.address, block.count) == (0x6B, 3)
    (sample,) = read(wired, block.part(wired, data))
    assert isinstance(sample, Sample)
    assert sample.temp_c == pytest.approx(172.16)


@given(
    st.sampled_from(sorted(TYPES)),
    st.sampled_from(["big", "little"]),
    st.lists(st.integers(0, 0xFFFF), min_size=2, max_size=2),
)
def test_words_and_signs_are_read_as_pymodbus_reads_them(type_: str, order: str, words: list[int]) -> None:
    register = Register("needle", 1, 0, type=type_, word_order=order, scale=1.0, unit="C")
    used = words[: register.words]
    wanted = ModbusClientMixin.convert_from_registers(used, PYMODBUS_TYPES[type_], order)  # type: ignore[arg-type]
    got = register.raw(b"".join(word.to_bytes(2) for word in used))
    assert isinstance(wanted, int | float)
    if math.isnan(wanted):
        assert math.isnan(got)
    else:
        assert got == pytest.approx(wanted, rel=1e-6, abs=0)
    if type_ != "float32":
        assert got == wanted


@given(st.integers(-4_000, 40_000))
def test_a_float_says_the_decimal_that_was_put_into_it(hundredths: int) -> None:
    """IEEE 754 single precision by `struct`; 7 digits are what it holds."""
    value = hundredths / 100
    assert Register("needle", 1, 0, type="float32", scale=1.0, unit="C").raw(struct.pack(">f", value)) == value


@pytest.mark.parametrize(
    ("register", "data", "temp_c"),
    [
        (Register("needle", 1, 0, scale=0.1, unit="C"), "02 E4", 74.0),
        (Register("needle", 1, 0, scale=0.1, unit="C"), "FF 43", -18.9),
        (Register("needle", 1, 0, type="uint16", scale=0.01, unit="C"), "FF 43", None),
        (Register("needle", 1, 0, unit="F", scale=1.0), "00 A5", 73.888889),
        (Register("needle", 1, 0, type="uint16", scale=0.1, offset=-50.0, unit="C"), "04 D8", 74.0),
        (Register("needle", 1, 0, type="int32", scale=0.01, unit="C"), "00 00 1C E8", 74.0),
        (Register("needle", 1, 0, type="int32", scale=0.01, word_order="little", unit="C"), "1C E8 00 00", 74.0),
        (Register("needle", 1, 0, type="float32", scale=1.0, unit="C"), "42 94 00 00", 74.0),
        (Register("needle", 1, 0, type="float32", word_order="little", scale=1.0, unit="C"), "00 00 42 94", 74.0),
        (Register("needle", 1, 0, type="float32", unit="F", scale=1.0), "43 25 00 00", 73.888889),
        (Register("needle", 1, 0, scale=0.1, unit="C", byte_order="little"), "E4 02", 74.0),
    ],
)
def test_raw_values_become_degrees_celsius(register: Register, data: str, temp_c: float | None) -> None:
    """165 °F is 73.889 °C: published-values.md section 1; the rest is arithmetic."""
    lines = reader(register)
    found = lines.read(Chunk(bytes.fromhex(data), register.where))
    if temp_c is None:
        assert (found, lines.bad) == ([Doubt("needle", "out of range")], {"out of range": 1})
    else:
        assert [each.temp_c for each in found if isinstance(each, Sample)] == [pytest.approx(temp_c, abs=1e-6)]
        assert lines.good == 1


@pytest.mark.parametrize(
    ("word_order", "byte_order", "data"),
    [
        ("big", "big", "42 96 AC 4A"),
        ("little", "big", "AC 4A 42 96"),
        ("big", "little", "96 42 4A AC"),
        ("little", "little", "4A AC 96 42"),
    ],
)
def test_all_four_orders_of_a_float_are_read(word_order: str, byte_order: str, data: str) -> None:
    """75.3365 is 4296AC4A hex as an IEEE 754 binary32 (`struct`, which follows that standard), A B C D."""
    assert struct.unpack(">f", bytes.fromhex("42 96 AC 4A")) == (pytest.approx(75.3365, abs=5e-5),)
    float_ = Register("vat", 1, 0, type="float32", word_order=word_order, scale=1.0, unit="C", byte_order=byte_order)
    assert float_.raw(bytes.fromhex(data)) == pytest.approx(75.3365, abs=5e-5)
    whole = Register("vat", 1, 0, type="int32", word_order=word_order, scale=1.0, unit="C", byte_order=byte_order)
    assert whole.raw(bytes.fromhex(data)) == 0x4296AC4A


@pytest.mark.parametrize(
    ("type_", "faults", "data"),
    [
        ("int16", (0x7FFF,), "7F FF"),
        ("int16", (0x8000,), "80 00"),
        ("int16", (-32768,), "80 00"),
        ("uint16", (-1,), "FF FF"),
        ("int32", (0x80000000,), "80 00 00 00"),
        ("float32", (), "7F C0 00 00"),
        ("float32", (), "7F 80 00 00"),
        ("float32", (), "FF 80 00 00"),
        ("float32", (-9999,), "C6 1C 3C 00"),
    ],
)
def test_fault_values_are_faults_before_any_scaling(type_: str, faults: tuple[int, ...], data: str) -> None:
    found = read(Register("needle", 1, 0, type=type_, faults=faults, scale=0.001, unit="C"), bytes.fromhex(data))
    assert [type(each) for each in found] == [Fault]
    assert str(found).count("probe fault (") == 1
    if type_ != "float32":
        assert not any(
            isinstance(each, Fault)
            for each in read(Register("n", 1, 0, type=type_, scale=1.0, unit="C"), bytes.fromhex(data))
        )


def test_an_exception_is_a_fault_with_its_name() -> None:
    """The names are of the Modbus application protocol (from memory); the codes are held against pymodbus' list."""
    assert set(EXCEPTIONS) == {int(code) for code in ExcCodes} - {7}, "7 was of one maker's programming commands"
    assert read(Register("needle", 1, 0, scale=1.0, unit="C"), b"\x02") == [
        Fault("needle", "exception 2: illegal data address")
    ]
    assert read(Register("needle", 1, 0, scale=1.0, unit="C"), b"\x0b") == [
        Fault("needle", "exception 11: device behind the gateway does not answer")
    ]
    assert read(Register("needle", 1, 0, scale=1.0, unit="C"), b"\x63") == [
        Fault("needle", "exception 99: not of the protocol")
    ]


def test_equal_answers_are_measurements_and_a_jump_is_doubted_once() -> None:
    register = Register("needle", 1, 0, scale=1.0, unit="C")
    lines = reader(register)
    said = [lines.read(Chunk(value.to_bytes(2), register.where)) for value in (70, 70, 170, 70, 170, 170)]
    assert [isinstance(found[0], Sample) for found in said] == [True, True, False, True, False, True]
    assert (lines.good, lines.bad, lines.missed) == (4, {"jump": 2}, 0)


def test_what_did_not_come_is_missed_and_what_is_no_answer_is_bad() -> None:
    register = Register("needle", 1, 0, type="int32", scale=1.0, unit="C")
    lines = reader(register)
    assert lines.read(Chunk(b"", register.where)) == []
    assert lines.read(Chunk(b"\1\3\2", "wrong checksum")) == []
    assert lines.read(Chunk(b"\0\1", register.where)) == []
    lines.reopened()
    assert (lines.good, lines.bad, lines.missed) == (0, {"wrong checksum": 1, "wrong length": 1}, 1)


@given(st.sampled_from(sorted(TYPES)), st.binary(max_size=6), st.floats(-1e300, 1e300).filter(bool))
def test_no_bytes_raise_and_none_become_an_absurd_temperature(type_: str, data: bytes, scale: float) -> None:
    for each in read(Register("needle", 1, 0, type=type_, scale=scale, unit="C"), data):
        assert not isinstance(each, Sample) or -40 <= each.temp_c <= 400


def test_neighbours_are_read_in_one_request_and_nothing_else_is() -> None:
    made = blocks(
        [
            Register("vat1", 1, 2, type="float32", scale=1.0, unit="C"),
            Register("needle", 1, 0, type="int32", scale=1.0, unit="C"),
            Register("cabinet", 1, 5, scale=1.0, unit="C"),
            Register("vat2", 1, 4, "holding", scale=1.0, unit="C"),
            Register("vat3", 2, 4, scale=1.0, unit="C"),
        ]
    )
    assert [(each.device, each.kind, each.address, each.count) for each in made] == [
        (1, "holding", 4, 1),
        (1, "input", 0, 4),
        (1, "input", 5, 1),
        (2, "input", 4, 1),
    ]


@given(st.sets(st.tuples(st.integers(1, 3), st.sampled_from(sorted(KINDS)), st.integers(0, 400)), min_size=1))
def test_blocks_cover_each_register_once_and_no_other(places: set[tuple[int, str, int]]) -> None:
    registers = [Register("needle", device, address, kind, scale=1.0, unit="C") for device, kind, address in places]
    made = blocks(registers)
    covered = [(each.device, each.kind, each.address + n) for each in made for n in range(each.count)]
    assert sorted(covered) == sorted(places)
    assert max(each.count for each in made) <= MOST


def test_a_block_of_125_registers_is_whole_and_a_longer_one_is_two() -> None:
    """At most 125 registers in a request: published-values.md section 8."""
    made = blocks([Register("needle", 1, at, scale=1.0, unit="C") for at in range(126)])
    assert [each.count for each in made] == [125, 1]
    assert Block(made[0].registers).part(made[0].registers[3], bytes(range(250))) == b"\6\7"


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        ({"device": 0}, "device is 0; write its address on the line, 1 to 247"),
        ({"device": 248}, "1 to 247"),
        ({"kind": "coil"}, 'write "input" or "holding"'),
        ({"type": "int64"}, 'did you mean "int16"'),
        ({"address": -1}, "0 to 65535"),
        ({"address": 65_535, "type": "int32"}, "0 to 65535"),
        ({"address": 300_001}, "without the manual's leading 3 or 4"),
        ({"word_order": "middle"}, 'write "big" or "little"'),
        ({"byte_order": "middle"}, 'byte_order is .* write "big" or "little"'),
        ({"scale": 0.0}, "scale is missing, or 0"),
        ({"scale": math.inf}, "is no finite number; write one"),
        ({"unit": ""}, "unit is missing, .*by the manual"),
        ({"scale": math.nan}, "is no finite number; write one"),
        ({"offset": math.inf}, "is no finite number; write one"),
        ({"unit": "K"}, 'write "C" or "F"'),
        ({"faults": (0x10000,)}, "faults has 65536, which int16 can't be"),
        ({"faults": (-32769,)}, "which int16 can't be"),
    ],
)
def test_senseless_registers_are_refused_with_a_remedy(change: dict[str, object], complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        Register(**{"channel": "needle", "device": 1, "address": 0, "scale": 1.0, "unit": "C", **change})  # type: ignore[arg-type]


def test_two_channels_cannot_have_one_register() -> None:
    with pytest.raises(ValueError, match="'needle' and 'vat' have the same register 1/input/1"):
        blocks(
            [Register("needle", 1, 0, type="int32", scale=1.0, unit="C"), Register("vat", 1, 1, scale=1.0, unit="C")]
        )
