"""The figures of a report count what they say, and a reading that says nothing of its piece is in none of them."""

import math
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from statistics import fmean, stdev

import pytest
from scipy import stats

from recorder.commands.report import made
from recorder.core import meanings as m
from recorder.demo import story
from recorder.reports import charts
from recorder.reports.day import Day
from recorder.reports.figures import bound, dwell, numbers, verdict
from recorder.reports.integrity import integrity
from tests.kitchen import MINUTE, PROCEDURE, Kitchen, kept
from tests.reported import text_of

READ = {"thigh": 186.0, "breast": 190.0, "leg": 188.0, "wing": 195.0}


def opened() -> Kitchen:
    """A shift with a batch of before, so that there is a spread to go by, up to the open lid of the second one."""
    kitchen = Kitchen(at_ms=story.START_MS)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    for _ in range(2):
        kitchen.cook()
        for part, value in READ.items():
            kitchen.check(part, value)
        kitchen.say(m.HOLD_START)
        kitchen.say(m.HOLD_END)
        kitchen.say(m.SOLD)
    kitchen.cook()
    return kitchen


def day_of(kitchen: Kitchen, path: Path) -> tuple[Day, dict[str, str], str]:
    kept(kitchen, path).close()
    day, finding, html = made(path, None, UTC, kitchen.at_ms)
    assert not finding.faults
    return day, {name: value for name, value, _ in numbers(day, integrity(finding), {})}, text_of(html)


def of_normal(values: list[float]) -> float:
    """The lower tolerance bound of a normal distribution by the noncentral t: NIST/SEMATECH Handbook, 7.2.6.3."""
    n = len(values)
    factor = stats.nct.ppf(0.95, n - 1, stats.norm.ppf(0.95) * math.sqrt(n)) / math.sqrt(n)
    return float(fmean(values) - factor * stdev(values))


def test_a_bound_of_readings_that_stand_is_the_one_on_record(tmp_path: Path) -> None:
    kitchen = opened()
    for part, value in READ.items():
        kitchen.check(part, value)
    kitchen.say(m.HOLD_START)
    day, _, text = day_of(kitchen, tmp_path / "r.db")
    sheet = day.batches[-1]
    assert sheet.batch["bound"] == pytest.approx(of_normal(list(READ.values())), abs=0.02)
    assert f"by these pieces alone, above {math.floor(sheet.batch['bound'] * 10) / 10:.1f} °F" in bound(sheet)
    assert bound(sheet) in text


def test_a_bound_leaves_out_what_came_into_doubt_after_it_was_reckoned(tmp_path: Path) -> None:
    kitchen = opened()
    for part in ("thigh", "breast", "leg"):
        kitchen.check(part, READ[part])
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32)
    kitchen.check("wing", READ["wing"])
    kitchen.say(m.HOLD_START)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(50)
    day, figures, text = day_of(kitchen, tmp_path / "r.db")
    sheet, left = day.batches[-1], [READ[part] for part in ("thigh", "breast", "leg")]
    assert sheet.batch["bound"] == pytest.approx(of_normal(list(READ.values())), abs=0.02), "the row stays as it was"
    now = math.floor(of_normal(left) * 10) / 10
    assert f"By the first checks that stand, 95 % of the batch is above {now:.1f} °F" in text
    assert "Left out: 1 of its first checks is disputed, in doubt" in text
    assert figures["checks passed"] == "11 of 12" and figures["readings in doubt"] == "1"
    assert "All 11 readings were at or above the food safety limit; 0 of them below the target. 1 more passed" in text


def test_no_figure_rests_on_a_probe_that_failed_its_check_afterwards(tmp_path: Path) -> None:
    """The batches are sold by then; the row of the hold keeps what it was at its beginning."""
    kitchen = opened()
    for part, value in READ.items():
        kitchen.check(part, value)
    kitchen.say(m.HOLD_START)
    kitchen.wait(MINUTE)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(50)
    day, figures, text = day_of(kitchen, tmp_path / "r.db")
    assert figures["checks passed"] == "0 of 12" and figures["readings in doubt"] == "12"
    assert figures["batches held without all checks"] == "3"
    assert [bound(sheet) for sheet in day.batches[1:]] == [
        "What its first checks say of the whole batch is left out: 4 of its first checks are disputed, in doubt, or by"
        " a probe that had failed its own check."
    ] * 2
    assert verdict(day).startswith("No reading stands. 12 more passed and say nothing") and day.means() == {}
    assert "All 12 readings" not in text


def test_a_probe_that_had_failed_gives_no_figure_and_a_cold_piece_stays_in_whoever_disputes_it(tmp_path: Path) -> None:
    kitchen = opened()
    kitchen.check("thigh", 150)
    kitchen.say(m.SCRATCH)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(50)
    kitchen.check("breast", 190)
    day, figures, _ = day_of(kitchen, tmp_path / "r.db")
    assert figures["checks passed"] == "0 of 10" and figures["readings in doubt"] == "10"
    assert verdict(day).startswith("0 of 1 readings were at or above the food safety limit"), verdict(day)
    assert len(day.means()) == 0


def test_pieces_taken_out_of_a_batch_and_uncounted_ones_are_counted_as_such(tmp_path: Path) -> None:
    kitchen = opened()
    for part, value in READ.items():
        kitchen.check(part, value)
    kitchen.say(m.HOLD_START)
    kitchen.say(m.DISCARD, count=5)
    kitchen.say(m.CONFIRM)
    kitchen.say(m.HOLD_END)
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LOAD, part="thigh")
    kitchen.say(m.DISCARD, batch=4)
    kitchen.say(m.CONFIRM)
    _, figures, _ = day_of(kitchen, tmp_path / "r.db")
    assert figures["pieces discarded"] == "5, 1 batch uncounted"
    assert figures["pieces loaded"] == "144, more uncounted"


def test_a_batch_that_was_cooked_more_is_not_spoken_of_as_it_was_before(tmp_path: Path) -> None:
    kitchen = opened()
    for part, value in READ.items():
        kitchen.check(part, value - (20 if part == "thigh" else 0))
    kitchen.say(m.COOK_MORE)
    kitchen.say(m.LID_LOCKED)
    kitchen.wait(4 * MINUTE)
    kitchen.say(m.LID_OPEN)
    day, _, _ = day_of(kitchen, tmp_path / "r.db")
    said = bound(day.batches[-1])
    assert said.startswith("By its first checks, before it was cooked more, 95 % of the batch was above"), said
    assert bound(day.batches[1]).startswith("By its first checks, 95 % of the batch is above")


def test_a_ring_on_the_timeline_is_a_check_that_stands(tmp_path: Path) -> None:
    kitchen = opened()
    kitchen.check("thigh", 190)
    kitchen.say(m.ICE_POINT)
    kitchen.dip(50)
    day, _, _ = day_of(kitchen, tmp_path / "r.db")
    picture = charts.timeline(day, str)
    assert picture.count('class="pass"') == 0 and picture.count('class="miss"') == 9


@pytest.mark.parametrize(
    ("species", "read", "verdict", "said"),
    [
        # FSIS, Cooking Guideline (Revised Appendix A), 2021, table 3, 12 % fat: 155 °F 54.4 s, 136 °F 81.4 min
        ("chicken", (155.0, "F"), "below critical limit", "asks 54 s at it for chicken"),
        ("chicken", (136.0, "F"), "below critical limit", "asks 81 min 24 s at it for chicken"),
        ("chicken", (135.9, "F"), "below critical limit", "no time for chicken"),
        ("", (155.0, "F"), "below critical limit", ""),
        ("chicken", (170.0, "F"), "below target", ""),
        ("chicken", (None, "F"), "below critical limit", ""),
    ],
)
def test_the_advice_on_a_missed_piece_is_the_printed_time(
    species: str, read: tuple[float | None, str], verdict: str, said: str
) -> None:
    found = dwell(species, {"verdict": verdict, "temperature": read[0], "unit": read[1]})
    assert said in found if said else not found


def test_the_report_shows_the_advice_where_the_procedure_asks_for_it(tmp_path: Path) -> None:
    for species in ("", "chicken"):
        kitchen = Kitchen(at_ms=story.START_MS, procedure=replace(PROCEDURE, dwell_advice=species))
        kitchen.say(m.SHIFT_START, cook=4)
        kitchen.cook()
        kitchen.check("thigh", 155)
        _, _, text = day_of(kitchen, tmp_path / f"{species}r.db")
        assert ("advice: FSIS (Appendix A, 2021) asks 54 s at it for chicken" in text) is bool(species)
