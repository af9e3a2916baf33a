"""The numbers in the notes for board builders: each is computed here again, so that none can rot."""

import math
import re
import runpy
from collections.abc import Iterator
from pathlib import Path

import pytest

from recorder.probes.frames import FAULTS, OUT_OF_RANGE
from recorder.thermal.converters import STUCK_ONES, STUCK_ZEROS, Unfit, max31855k
from recorder.thermal.settle import SURE_C

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


def test_what_stands_behind_the_wire() -> None:
    (_, wire), (_, settled), (_, step), (_, rest) = rows("probe-choice.md", "part")
    assert float(wire) == LIMITS["T, IEC class 1"][0]
    assert float(settled) == SURE_C
    assert step == f"{2**-7 / 2:.3f}", "published-values.md 4.6: a step is 0.0078125 °C"
    rest_c = left(float(wire), float(settled), float(step))
    assert rest_c and rest == f"{rest_c:.2f}"
    assert float(rest) >= 0.7, "the text says that 0.7 °C fits"


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
