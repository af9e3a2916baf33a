"""The numbers in the notes for board builders: each is computed here again, so that none can rot."""

import math
import re
import runpy
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from recorder.demo.devices.more_chips import ratio
from recorder.probes.serial.frames import FAULTS, OUT_OF_RANGE
from recorder.thermal.converters import STUCK_ONES, STUCK_ZEROS, Unfit, max31855k
from recorder.thermal.reach import UNSEEN_C
from recorder.thermal.thermocouple import emf_mv

NOTES = Path(__file__).parents[1] / "firmware_notes"
SETTINGS = runpy.run_path(str(NOTES / "board" / "settings.py"))

LIMITS = {
    "T, IEC class 1": (0.5, 0.4),
    "T, ASTM special": (0.5, 0.4),
    "T, IEC class 2": (1.0, 0.75),
    "T, ASTM standard": (1.0, 0.75),
    "K or J, ASTM special": (1.1, 0.4),
    "K or J, IEC class 1": (1.5, 0.4),
    "K or J, ASTM standard": (2.2, 0.75),
    "K or J, IEC class 2": (2.5, 0.75),
}
"""published-values.md 4.4: °C, or % of the temperature in °C, whichever is more."""

NOISE_C = 0.2
"""What noise adds to the interval at rest: `reach.NOISY` times a deviation of 0.13 °C of the end."""

FOOD_CODE_C = 1.0
"""Food Code 2022, 4-203.11(A)."""


def rows(page: str, heading: str) -> Iterator[list[str]]:
    """The cells of the table whose first heading this is."""
    lines = iter((NOTES / page).read_text().splitlines())
    assert any(line.startswith(f"| {heading} |") for line in lines), heading
    next(lines)
    for line in lines:
        if not line.startswith("|"):
            return
        yield [cell.strip() for cell in line.strip("|").split("|")]


def left(*parts_c: float) -> float | None:
    """What independent errors leave of the Food Code's degree."""
    rest = FOOD_CODE_C**2 - sum(part**2 for part in parts_c)
    return math.sqrt(rest) if rest > 0 else None


def test_the_wires_tolerances_and_what_they_leave() -> None:
    seen = set()
    for wire, limit, at_check, in_oil, rest in rows("probe-choice.md", "wire"):
        kind, _, classes = wire.partition(", ")
        least_c, percent = map(float, re.findall(r"[\d.]+", limit))
        for name in classes.split(" or "):
            assert LIMITS[f"{kind}, {name}"] == (least_c, percent)
            seen.add(f"{kind}, {name}")
        wire_c = max(least_c, percent / 100 * 74)
        assert at_check == f"{wire_c:.2f}"
        assert in_oil == f"{max(least_c, percent / 100 * 177):.2f}"
        rest_c = left(wire_c)
        assert rest == (f"{rest_c:.2f}" if rest_c else "none")
    assert seen == LIMITS.keys()


def slope_uv(kind: str, temp_c: float) -> float:
    """Microvolts a degree, by ITS-90."""
    return 1000 * (emf_mv(kind, temp_c + 0.5) - emf_mv(kind, temp_c - 0.5))


def test_what_stands_behind_the_wire_uses_up_the_degree() -> None:
    """MAX31856 data sheet, "Electrical Characteristics": 0.7 °C, 11.7 µV at gain 8 (2.9 at 32), 0.15 %, 4 nA."""
    *parts, (_, _, squares), (_, _, worst) = rows("probe-choice.md", "part")
    hot_uv, read_uv = slope_uv("T", 74), 1000 * (emf_mv("T", 74) - emf_mv("T", 45))
    chip_c = 0.7 * slope_uv("T", 45) / hot_uv
    behind = [chip_c, 11.7 / hot_uv, 0.0015 * read_uv / hot_uv, 4e-3 * 200 / hot_uv]
    made = [LIMITS["T, IEC class 1"][0], UNSEEN_C[0] + NOISE_C, *behind, 2**-7 / 2]
    assert [cell for *_, cell in parts] == [f"{each:.2f}" for each in made[:-1]] + [f"{made[-1]:.3f}"]
    total_c = math.hypot(*made)
    assert total_c > FOOD_CODE_C, "the text says that it does not fit"
    assert (squares, worst) == (f"{total_c:.2f}", f"{sum(made):.2f}")
    text = (NOTES / "probe-choice.md").read_text()
    gain_32 = math.hypot(*made[:3], 2.9 / hot_uv, *made[4:])
    assert f"2.9 µV, {2.9 / hot_uv:.2f} °C, and the sum {gain_32:.2f} °C" in text
    assert f"would be {0.0015 * 78_125 / hot_uv:.1f} °C" in text, "note 7: full scale is 78.125 mV at gain 8"


def test_a_platinum_needle_leaves_more() -> None:
    """IEC 60751: class A 0.15 °C + 0.002 t (M); MAX31865: 0.5 °C over all operating conditions (its first page)."""
    *parts, (_, _, squares) = rows("probe-choice.md", "part of a platinum needle")
    per_c = ratio(74.5) - ratio(73.5)
    made = [0.15 + 0.002 * 74, UNSEEN_C[0] + NOISE_C, 0.5, 0.001 * ratio(74) / per_c]
    assert [cell for *_, cell in parts] == [f"{each:.2f}" for each in made]
    assert squares == f"{math.hypot(*made):.2f}" and math.hypot(*made) < FOOD_CODE_C
    text = (NOTES / "probe-choice.md").read_text()
    milliwatts = [f"{1000 * (2.0 / (5.3 * ohm)) ** 2 * ohm:.{digits}f} mW" for ohm, digits in ((1000, 2), (100, 1))]
    assert all(each in text for each in milliwatts), milliwatts


def test_a_converters_times_are_those_that_the_firmware_holds_to() -> None:
    """Read out of the firmware's own source: a PC can import it, since a chip knows neither pins nor clock."""
    shortest: dict[tuple[str, int], int] = {}
    for module, chips in (
        ("converters", ("MAX31855", "MAX31856")),
        ("max31865", ("MAX31865",)),
        ("mcp9600", ("MCP9600",)),
    ):
        made = runpy.run_path(str(NOTES / "board" / f"{module}.py"))
        shortest |= {(chip, hz): made[chip].shortest_ms(hz) for chip in chips for hz in (50, 60)}
    told: dict[str, Any] = {}
    for name, _, _, period in rows("build.md", "chip"):
        chip, hertz = name.split(",")[0], re.findall(r"(50|60) Hz", name)
        told |= {(chip, int(hz)): int(period.removesuffix(" ms")) for hz in hertz or (50, 60)}
    assert told == shortest
    assert (shortest["MAX31856", 50], shortest["MAX31856", 60]) == (185 + 44, 155 + 44)


def test_pins_of_both_boards_are_those_of_their_settings() -> None:
    pins = {cells[0]: cells[1:3] for cells in rows("build.md", "signal")}
    names = {
        "clock": "CLOCK_PIN",
        "from the board": "OUT_PIN",
        "to the board": "IN_PIN",
        "I2C clock": "I2C_CLOCK_PIN",
        "I2C data": "I2C_DATA_PIN",
    }
    for column, file in enumerate(("settings.py", "settings_esp32.py")):
        settings = runpy.run_path(str(NOTES / "board" / file))
        for signal, name in names.items():
            assert int(pins[signal][column]) == settings[name], (file, signal)
        for channel, chip, _, place, _ in settings["CHANNELS"]:
            shown = pins[f"select {channel}"][column]
            assert shown == ("" if chip.startswith("MCP") else str(place)), (file, channel)


def test_no_page_tells_anybody_to_open_or_reach_into_anything() -> None:
    for page in NOTES.glob("*.md"):
        for word in ("open the lid", "unlock", "reach into", "release the"):
            assert word not in page.read_text().lower(), (page.name, word)


@pytest.mark.parametrize("column", range(4))
def test_the_times_of_a_first_order_lag(column: int) -> None:
    """1 - exp(-t/tau); 63.2, 95 and 99 % and, of a step of 50 °C, all but 1 °C."""
    remains = (math.exp(-1), 0.05, 0.01, 1 / 50)[column]
    found = list(rows("probe-choice.md", "τ"))
    assert [tau for tau, *_ in found] == ["1 s", "2 s", "4 s"]
    for tau, *times in found:
        assert times[column] == f"{-float(tau[:-2]) * math.log(remains):.1f} s"


def test_pins_in_table_and_picture_are_those_of_the_settings() -> None:
    pins = {signal: pin for signal, pin, *_ in rows("wiring.md", "signal")}
    picture = (NOTES / "wiring.svg").read_text()
    buses = {"clock": "CLOCK_PIN", "from the board": "OUT_PIN", "to the board": "IN_PIN"}
    for signal, name in buses.items():
        assert int(pins[signal]) == SETTINGS[name]
    for name, word in (("CLOCK_PIN", "clock"), ("OUT_PIN", "out"), ("IN_PIN", "in")):
        assert f">{SETTINGS[name]} {word}<" in picture
    for channel, chip, kind, pin, _ in SETTINGS["CHANNELS"]:
        assert int(pins[f"select {channel}"]) == pin
        assert f">{pin} select {channel}<" in picture
        assert f">{channel}, type {kind}<" in picture
        (columns,) = [row[2:] for row in rows("wiring.md", "signal") if row[0] == f"select {channel}"]
        assert columns == (["CS", ""] if chip == "MAX31856" else ["", "CS"])


def test_faults_to_look_for_are_told_in_these_words() -> None:
    named: set[str] = set()
    for bit in range(3):
        made = max31855k(0x00011900 | 1 << bit)
        assert isinstance(made, Unfit)
        named.update(made.faults)
    told = {STUCK_ZEROS, STUCK_ONES, OUT_OF_RANGE, FAULTS["fault"], "silent", *named}
    listed = {name.strip() for cells in rows("wiring.md", "you see") for name in re.split("[,;]", cells[0])}
    joined = {"at ones": STUCK_ONES, "to supply": "short to supply"}
    assert {joined.get(name, name) for name in listed} == told


def test_every_page_is_named_and_every_link_leads_somewhere() -> None:
    for page in NOTES.glob("*.md"):
        for link in re.findall(r"\]\(([^)#]+)\)", page.read_text()):
            assert (NOTES / link).exists(), (page.name, link)
    index = (NOTES / "README.md").read_text()
    assert [
        page.name for page in NOTES.glob("*.md") if page.name != "README.md" and f"({page.name})" not in index
    ] == []
