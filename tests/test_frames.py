"""The two forms of a probe's lines: what they say, what is refused, and that nothing is ever invented."""

import random
import re
import tracemalloc
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from thermocouples import get_thermocouple

from recorder.core.limits import Limit
from recorder.demo.devices.serial_board import framed
from recorder.probes.serial.frames import LONGEST_LINE, SEQUENCE, FramedLines, Lines, PlainLines, checksum
from recorder.probes.source import Chunk, Doubt, Fault, Found, Sample
from tests.line_protocol import NOTES, outside_crc


def said(reader: Lines, *lines: bytes) -> list[Found]:
    """What counts; a doubt is only counted as bad."""
    return [each for each in reader.read(Chunk(b"".join(lines))) if not isinstance(each, Doubt)]


# The checksum


def test_the_checksum_has_its_published_check_value() -> None:
    """published-values.md section 8: CRC-16/IBM-3740 of "123456789" is 0x29B1 (computed there with crcmod too)."""
    assert checksum(b"123456789") == outside_crc(b"123456789") == 0x29B1


@given(st.binary(max_size=100))
def test_the_checksum_is_that_of_another_library(data: bytes) -> None:
    assert checksum(data) == outside_crc(data)


# The document


def test_the_right_examples_of_the_document_are_right() -> None:
    examples = re.findall(r"^    (\S+) (\d+) (\S+) ([0-9A-F]{4})$", NOTES.read_text(), re.M)
    assert len(examples) == 9
    for channel, number, value, crc in examples:
        line = f"{channel} {number} {value}".encode()
        assert f"{outside_crc(line):04X}" == crc, line
        (found,) = FramedLines().read(Chunk(line + f" {crc}\n".encode()))
        assert found.channel == {"vat": "vat1"}.get(channel, channel)
        if isinstance(found, Sample):
            in_c = float(value[:-1]) if value[-1] == "C" else (float(value[:-1]) - 32) * 5 / 9
            assert found.temp_c == pytest.approx(in_c, abs=1e-9)


def meaning(value: str) -> list[tuple[str, ...]]:
    """The document's examples that say what they mean, of values like this: fields, checksum, °C or fault."""
    pattern = rf"^    (\S+) (\d+) ({value}) ([0-9A-F]{{4}})  -> (?:(\S+) °C|(.+))$"
    return [each.groups("") for each in re.finditer(pattern, NOTES.read_text(), re.M)]


def test_the_raw_examples_of_the_document_mean_what_it_says() -> None:
    """The voltages are put back together by another copy of NIST SRD 60: PyPI thermocouples 2.1."""
    examples = meaning(r"\S+uV\S+")
    assert len(examples) == 5
    for channel, number, value, crc, meant_c, fault in examples:
        line = f"{channel} {number} {value}".encode()
        assert f"{outside_crc(line):04X}" == crc, line
        (found,) = FramedLines().read(Chunk(line + f" {crc}\n".encode()))
        if fault:
            assert found == Fault(channel, fault)
            continue
        assert isinstance(found, Sample)
        assert found.temp_c == pytest.approx(float(meant_c), abs=0.0006)
        kind, microvolts, cold_c = value[0], *map(float, value[1:-1].split("uV"))
        outside = get_thermocouple(kind)
        volts = outside.temp_to_volt(found.temp_c) - outside.temp_to_volt(cold_c)
        assert volts * 1e6 == pytest.approx(microvolts, abs=0.01)


def test_the_frames_of_the_document_mean_what_it_says() -> None:
    examples = meaning("[KJT][wr][0-9A-F]+")
    assert len(examples) == 12
    for channel, number, value, crc, meant_c, fault in examples:
        line = f"{channel} {number} {value}".encode()
        assert f"{outside_crc(line):04X}" == crc, line
        (found,) = said(FramedLines(), line + f" {crc}\n".encode())
        if fault:
            assert found == Fault("vat1" if channel == "vat" else channel, fault)
        else:
            assert isinstance(found, Sample)
            assert found.temp_c == pytest.approx(float(meant_c), abs=0.0006)


@pytest.mark.parametrize(
    ("word", "hot_c", "cold_c"),
    [
        ("01901900", 25, 25),
        ("064C1900", 100.75, 25),
        ("04A01F40", 74, 31.25),
        ("0B0C2800", 176.75, 40),
        ("FFFC0000", -0.25, 0),
        ("FFF0FF00", -1, -1),
    ],
)
def test_a_max31855s_published_word_comes_through_as_printed(word: str, hot_c: float, cold_c: float) -> None:
    """published-values.md 4.5. The chip's straight line (41.276 µV/°C) is drawn again from the true temperature by
    another copy of NIST SRD 60: PyPI thermocouples 2.1."""
    (found,) = said(FramedLines(), framed("vat", 0, f"Kw{word}"))
    assert isinstance(found, Sample)
    outside = get_thermocouple("K")
    volts = outside.temp_to_volt(found.temp_c) - outside.temp_to_volt(cold_c)
    assert cold_c + volts / 41.276e-6 == pytest.approx(hot_c, abs=0.0005)


def registers(hot: str, cold: str = "1900", fault: str = "00", kind: int = 7) -> str:
    """16 registers of a MAX31856 that is set to `kind`."""
    return f"100{kind}FF7FC07FFF800000{cold}{hot}{fault}"


@pytest.mark.parametrize(
    ("hot", "hot_c"),
    [
        ("064F00", 100.9375),
        ("019000", 25),
        ("000100", 0.0625),
        ("FFFF00", -0.0625),
        ("FFFC00", -0.25),
        ("FFF000", -1),
        ("04A000", 74),
        ("000020", 0.0078125),
    ],
)
def test_a_max31856s_published_registers_come_through_as_printed(hot: str, hot_c: float) -> None:
    """published-values.md 4.6; no correction, since the chip follows ITS-90 itself."""
    for kind, number in (("K", 3), ("J", 2), ("T", 7)):
        line = framed("needle", 0, f"{kind}r{registers(hot, kind=number)}")
        assert len(line) < LONGEST_LINE
        assert said(FramedLines(), line) == [Sample("needle", hot_c)]


@pytest.mark.parametrize("cold", ["7D00", "1980", "1900", "0004", "FFFC", "E700", "C900"])
def test_every_published_cold_junction_is_taken(cold: str) -> None:
    """published-values.md 4.6: 125 to -55 °C."""
    assert said(FramedLines(), framed("needle", 0, f"Tr{registers('04A000', cold)}")) == [Sample("needle", 74.0)]


@pytest.mark.parametrize(
    ("value", "reason"),
    [
        ("Kw00011901", "open circuit"),
        ("Kw00011902", "short to ground"),
        ("Kw00011904", "short to supply"),
        ("Kw00011905", "open circuit, short to supply"),
        ("Kw00000000", "bus stuck at zeros"),
        ("KwFFFFFFFF", "bus stuck at ones"),
        ("Kw01921900", "bits at odds"),
        ("KwF060C900", "hot junction out of range"),  # published: -250/-55 °C
        ("Kw3E801900", "hot junction out of range"),  # 1000 °C
        ("Tr" + "00" * 16, "bus stuck at zeros"),
        ("Tr" + "FF" * 16, "bus stuck at ones"),
        ("Tr" + registers("04A000", fault="01"), "open circuit"),
        ("Tr" + registers("04A000", fault="02"), "voltage out of range"),
        ("Tr" + registers("04A000", fault="C0"), "hot junction out of range, cold junction out of range"),
        ("Tr" + registers("04A000", kind=3), "set to another type"),
        ("Kr" + registers("000000", "0000", kind=3), "no conversion yet"),
        ("Kr" + registers("640000", kind=3), "hot junction out of range"),  # published: 1600 °C
        ("Kr" + registers("3E8000", kind=3), "hot junction out of range"),  # published: 1000 °C
        ("Kr" + registers("F06000", kind=3), "hot junction out of range"),  # published: -250 °C
    ],
)
def test_a_frame_with_a_fault_is_a_fault_and_never_a_number(value: str, reason: str) -> None:
    reader = FramedLines()
    assert said(reader, framed("needle", 0, value)) == [Fault("needle", reason)]
    assert (reader.good, reader.bad) == (1, {})


@given(st.binary(min_size=4, max_size=4) | st.binary(min_size=16, max_size=16), st.sampled_from("KJT"))
def test_any_frame_is_a_temperature_that_a_probe_can_have_or_a_fault(data: bytes, kind: str) -> None:
    value = f"{'Kw' if len(data) == 4 else kind + 'r'}{data.hex().upper()}"
    (found,) = said(FramedLines(), framed("needle", 0, value))
    assert isinstance(found, Fault) or -40 <= found.temp_c <= 400


def test_frames_share_a_channels_count_and_its_jumps() -> None:
    reader = FramedLines()
    words = ("74.00C", "Kw04A01F40", "Kw0B0C2800", "Kw04A01F40")
    found = said(reader, *(framed("needle", number, word) for number, word in enumerate(words)))
    assert [round(each.temp_c, 1) for each in found if isinstance(each, Sample)] == [74.0, 74.0, 74.0]
    assert reader.bad == {"jump": 1}
    assert said(reader, framed("needle", 3, "Kw00011901")) == []
    assert reader.bad == {"jump": 1, "out of order": 1}


@pytest.mark.parametrize("value", ["K0.0uV-60.00C", "K-1.0uV-54.00C", "T20872.0uV25.00C", "J99999.9uV25.00C"])
def test_a_raw_voltage_out_of_range_is_a_fault_and_never_a_number(value: str) -> None:
    assert said(FramedLines(), framed("needle", 0, value)) == [Fault("needle", "voltage out of range")]


def test_raw_and_plain_degrees_share_a_channels_count_and_its_jumps() -> None:
    reader = FramedLines()
    words = ("72.75C", "K1985.6uV24.50C", "K6000.0uV24.50C", "72.75C")
    found = said(reader, *(framed("needle", number, word) for number, word in enumerate(words)))
    assert [round(each.temp_c, 2) for each in found if isinstance(each, Sample)] == [72.75, 72.75, 72.75]
    assert reader.bad == {"jump": 1}


def test_the_wrong_examples_of_the_document_are_wrong_as_it_says() -> None:
    examples = re.findall(r"^    (.+)  <- (.+)$", NOTES.read_text(), re.M)
    assert len(examples) == 12
    for line, kind in examples:
        reader = FramedLines()
        assert said(reader, line.encode() + b"\n") == []
        assert reader.bad == {kind: 1}, line


# The line protocol


def test_a_line_says_a_temperature_or_a_fault() -> None:
    reader = FramedLines()
    assert said(reader, framed("needle", 0, "71.25C"), framed("vat", 0, "338.0F"), framed("needle", 1, "open")) == [
        Sample("needle", 71.25),
        Sample("vat1", 170.0),
        Fault("needle", "open circuit"),
    ]
    assert (reader.good, reader.bad.total(), reader.missed) == (3, 0, 0)


def test_fahrenheit_comes_out_as_it_went_in() -> None:
    """A value at the limit must meet it after the way there and back."""
    (found,) = said(FramedLines(), framed("needle", 0, "165.00F"))
    assert isinstance(found, Sample)
    assert Limit(165.0, "F").met_by(found.temp_c)


def test_a_line_counts_only_when_its_end_has_come() -> None:
    reader, line = FramedLines(), framed("needle", 0, "71.25C")
    assert reader.read(Chunk(line[:-1])) == []
    assert reader.read(Chunk(b"\n")) == [Sample("needle", 71.25)]
    assert said(reader, framed("needle", 1, "71.50C").replace(b"\n", b"\r\n")) == [Sample("needle", 71.5)]
    assert reader.good + reader.bad.total() == 2


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"needle 0 71.25C 0000\n", "wrong checksum"),
        (b"needle 0 71.25C\n", "not of the protocol"),
        (b"71.25\n", "not of the protocol"),
        (b"x" * 81 + b"\n", "too long"),
        (framed("needle", 0, "hot"), "unknown fault word"),
        (framed("oven", 0, "71.25C"), "not of the protocol"),
        (framed("vat0", 0, "71.25C"), "not of the protocol"),
        (framed("needle", 0, "nanC"), "not of the protocol"),
        (framed("needle", 0, "71.25K"), "not of the protocol"),
        (framed("needle", 0, "-40.01C"), "out of range"),
        (framed("needle", 0, "400.01C"), "out of range"),
        (framed("needle", 65_536, "71.25C"), "out of order"),
    ],
)
def test_a_bad_line_is_counted_by_kind(line: bytes, kind: str) -> None:
    reader = FramedLines()
    assert said(reader, line) == []
    assert reader.bad == {kind: 1}
    assert reader.read(Chunk(framed("needle", 1, "71.25C"))) == [Sample("needle", 71.25)]


def test_a_jump_counts_when_it_is_seen_twice() -> None:
    reader = FramedLines()
    values = ("25.00C", "24.90C", "171.00C", "25.10C", "171.00C", "170.50C", "170.50C")
    found = said(reader, *(framed("needle", number, value) for number, value in enumerate(values)))
    assert found == [Sample("needle", value) for value in (25.0, 24.9, 25.1, 170.5, 170.5)]
    assert reader.bad == {"jump": 2}


def test_a_channel_jumps_alone() -> None:
    assert len(said(FramedLines(), framed("needle", 0, "25.00C"), framed("vat", 0, "170.00C"))) == 2


def numbers(*sequence: int, reader: FramedLines | None = None) -> tuple[list[int], FramedLines]:
    """Which of these sequence numbers are taken."""
    reader = reader or FramedLines()
    return [number for number in sequence if reader.read(Chunk(framed("needle", number, "71.25C")))], reader


def test_repeated_and_lower_numbers_are_refused_and_gaps_are_counted() -> None:
    taken, reader = numbers(0, 0, 1, 2, 2, 1, 5, 4, 6)
    assert taken == [0, 1, 2, 5, 6]
    assert reader.missed == 2
    assert reader.bad == {"out of order": 4}


def test_numbers_begin_again_at_1_after_the_highest() -> None:
    taken, reader = numbers(SEQUENCE - 1, SEQUENCE, 1, 2)
    assert taken == [SEQUENCE - 1, SEQUENCE, 1, 2]
    assert reader.missed == 0


def test_a_board_that_starts_again_is_believed_at_once_by_its_0_or_else_after_five_lines() -> None:
    assert numbers(700, 701, 0, 1)[0] == [700, 701, 0, 1]
    assert numbers(700, 701, 1, 2, 3, 4, 5, 6)[0] == [700, 701, 5, 6]
    assert numbers(700, 701, 698, 699, 702, 697, 699, 700)[0] == [700, 701, 702]


def test_a_reopened_port_forgets_half_a_line_and_the_count_but_not_the_counters() -> None:
    _, reader = numbers(700)
    reader.read(Chunk(b"needle 701 71.2"))
    reader.reopened()
    assert numbers(3, reader=reader)[0] == [3]
    assert (reader.good, reader.bad.total(), reader.missed) == (2, 0, 0)


# The plain form


def test_plain_numbers_have_the_unit_of_their_letter_or_of_the_configuration() -> None:
    assert (
        said(PlainLines("needle", "F"), b"1\n", b"212\n", b" 100.0 C\r\n", b"+212.00f\n")
        == [Sample("needle", 100.0)] * 3
    )
    assert said(PlainLines("vat1", "C"), b"1\n", b"170.25\n") == [Sample("vat1", 170.25)]


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"nan", "not a number"),
        (b"inf", "not a number"),
        (b"1e3", "not a number"),
        (b"71,5", "not a number"),
        (b"open", "not a number"),
        (b"71.5 K", "not a number"),
        (b"-127.00", "out of range"),
        (b"850", "out of range"),
        (b"150.0", "jump"),
    ],
)
def test_a_bad_plain_line_is_counted_by_kind(line: bytes, kind: str) -> None:
    reader = PlainLines("needle", "C")
    assert said(reader, b"70\n", b"70.5\n", line + b"\n") == [Sample("needle", 70.5)]
    assert reader.bad == {"first, maybe cut": 1, kind: 1}


def test_the_first_plain_line_of_an_opened_port_is_not_believed() -> None:
    reader = PlainLines("needle", "C")
    assert said(reader, b"1.5\n", b"71.5\n") == [Sample("needle", 71.5)]
    reader.reopened()
    assert said(reader, b"1.5\n", b"72.5\n") == [Sample("needle", 72.5)]


# Whatever comes


@st.composite
def _streams(draw: st.DrawFn) -> bytes:
    good = st.builds(
        framed,
        st.sampled_from(["needle", "vat", "vat1", "cabinet"]),
        st.integers(0, 9),
        st.one_of(
            st.floats(-60, 450).map("{:.2f}C".format),
            st.sampled_from(["open", "short", "12.5F", "K1985.6uV24.50C", "Kw04A01F40", "Tr" + "04A0" * 8]),
        ),
    )
    parts = st.lists(st.one_of(good, st.binary(max_size=100), st.sampled_from([b"\n", b"\r\n", b"71.5\n"])))
    return b"".join(draw(parts))


@given(_streams(), st.booleans(), st.lists(st.integers(0, 400)))
def test_bytes_say_the_same_however_they_are_cut(data: bytes, plain: bool, cuts: list[int]) -> None:
    def reader() -> Lines:
        return PlainLines("needle", "C") if plain else FramedLines()

    whole, single, cut = reader(), reader(), reader()
    found = whole.read(Chunk(data))
    assert [each for byte in data for each in single.read(Chunk(bytes([byte])))] == found
    edges = sorted({0, len(data), *(at for at in cuts if at < len(data))})
    pieces = [data[begin:end] for begin, end in pairwise(edges)]
    assert [each for piece in pieces for each in cut.read(Chunk(piece))] == found
    assert whole.bad == single.bad == cut.bad
    assert whole.good == single.good == sum(not isinstance(each, Doubt) for each in found)


def intact(data: bytes) -> list[tuple[str, float]]:
    """The temperatures of the intact lines in `data`, found in another way and with another's CRC."""
    known = {"needle": "needle", "cabinet": "cabinet", "vat": "vat1", **{f"vat{n}": f"vat{n}" for n in range(1, 10)}}
    found = []
    for line in data.replace(b"\r", b"\n").split(b"\n")[:-1]:
        fields = line.split(b" ")
        if len(fields) != 4 or len(line) > LONGEST_LINE or len(fields[3]) != 4 or not fields[2]:
            continue
        if b"%04X" % outside_crc(line[:-5]) != fields[3]:
            continue
        channel, value, unit = known.get(fields[0].decode("latin-1")), fields[2][:-1], fields[2][-1:]
        if channel and unit in b"CF" and re.fullmatch(rb"[-+]?[0-9]+\.[0-9]+", value):
            found.append((channel, float(value) if unit == b"C" else (float(value) - 32) / 1.8))
    return found


def invented(samples: list[Sample], data: bytes) -> list[Sample]:
    """Samples with no intact line of their own in `data`, each line serving once and in order."""
    lines = iter(intact(data))
    return [
        sample
        for sample in samples
        if not any(sample.channel == channel and abs(sample.temp_c - temp_c) < 1e-9 for channel, temp_c in lines)
    ]


def _mutated(rng: random.Random) -> bytes:
    """A few lines of a board with something done to them, or noise."""
    if rng.random() < 0.1:
        return rng.randbytes(rng.randrange(200))
    count = rng.randrange(1, 5)
    words = [
        rng.choice([f"{rng.uniform(-60, 450):.2f}C", f"{rng.uniform(-60, 800):.1f}F", "open", "71.25C", "180.0F"])
        for _ in range(count)
    ]
    data = bytearray(
        b"".join(framed(rng.choice(["needle", "vat", "vat3", "cabinet"]), at, word) for at, word in enumerate(words))
    )
    for _ in range(rng.randrange(4)):
        at = rng.randrange(len(data) or 1)
        match rng.randrange(6):
            case 0 if data:
                data[at] ^= 1 << rng.randrange(8)
            case 1 if data:
                data[at] = rng.choice(b"0123456789.-CF \n\r")
            case 2:
                del data[at : at + rng.randrange(1, 8)]
            case 3:
                data[at:at] = rng.choice([b"\n", b"\r", b"0", b"9", b"-", b" ", b"\x00", b"\xff", rng.randbytes(5)])
            case 4:
                data += data[at:]
            case _:
                del data[at:]
    return bytes(data)


@pytest.mark.slow
def test_a_hundred_thousand_random_and_mutated_strings_invent_no_temperature() -> None:
    rng = random.Random(20_260_226)
    taken = refused = 0
    endless = FramedLines()
    for _ in range(100_000):
        data = _mutated(rng)
        reader = FramedLines()
        samples = [each for each in reader.read(Chunk(data)) if isinstance(each, Sample)]
        assert invented(samples, data) == [], data
        assert reader.good + reader.bad.total() <= len(re.findall(rb"[\r\n]", data)), "each line counts once"
        taken += len(samples)
        refused += reader.bad.total()
        endless.read(Chunk(data))
        PlainLines("needle", "C").read(Chunk(data))
    assert taken > 50_000, "the mutations leave too few good lines to try anything"
    assert refused > 50_000, "the mutations leave too few bad lines to try anything"
    assert endless.good + endless.bad.total() > 100_000


def test_the_check_for_invented_temperatures_can_fail() -> None:
    line = framed("needle", 0, "71.25C")
    assert invented([Sample("needle", 71.25)], line) == []
    assert invented([Sample("needle", 71.25)] * 2, line) != []
    assert invented([Sample("needle", 77.25)], line) != []
    assert invented([Sample("needle", 77.25)], line.replace(b"71", b"77")) != []
    assert invented([Sample("needle", 71.25)], line[:-1]) != []


def test_endless_garbage_without_an_end_takes_no_memory() -> None:
    reader = FramedLines()
    block = b"\x55" * 20_000
    tracemalloc.start()
    try:
        for _ in range(20):
            reader.read(Chunk(block))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 5_000
    assert said(reader, b"\n", framed("needle", 0, "71.25C")) == [Sample("needle", 71.25)]
    assert reader.bad == {"too long": 1}
