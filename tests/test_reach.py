"""The value and the interval of a fitted approach; the shares are those of NEEDLE.md, the rest is arithmetic."""

import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from recorder.thermal.approach import Approach
from recorder.thermal.reach import (
    EARLY,
    FAR_FLUID,
    FAR_MEAT,
    HANDLE_C,
    LATE,
    NOISY,
    RISE_C,
    SHALLOW,
    SHY_C,
    STEEP_S,
    SURE_C,
    THICK_HALF_S,
    THICK_LAG_S,
    THIN_HALF_S,
    THIN_LAG_S,
    UNSEEN_C,
    Way,
    reached,
)

TEXT = " ".join(Path("recorder/thermal/NEEDLE.md").read_text("utf-8").split())
SAID = {
    r"([\d.]+) times the way between them where the samples follow meat, ([\d.]+) times where": (
        FAR_MEAT[0],
        FAR_FLUID[0],
    ),
    r"up to ([\d.]+) times and ([\d.]+) times, until it has been": (FAR_MEAT[1], FAR_FLUID[1]),
    r"in for (\d+) times as long as half of its way took. After (\d+) times": (EARLY, LATE),
    r"come ([\d.]+) times the end's deviation by noise, ([\d.]+) s of the slope": (NOISY, STEEP_S),
    r"shows: ([\d.]+) °C for a thin needle, ([\d.]+) °C for a thick one": UNSEEN_C,
    r"shows and at most ([\d.]+) °C of what": (RISE_C,),
    r"and slope, and ([\d.]+) °C for a thick needle": (SHY_C,),
    r"within ([\d.]+) s or later, thin one that has within ([\d.]+) s": (THICK_HALF_S, THIN_HALF_S),
    r"half of it is at most ([\d.]+) °C, of a thick needle ([\d.]+) °C": SURE_C,
    r"hides ([\d.]+) of what it shows above 40 °C, a thick one ([\d.]*\d)": SHALLOW,
    r"thin below ([\d.]+) s, thick from ([\d.]+) s": (THIN_LAG_S, THICK_LAG_S),
}


@pytest.mark.parametrize("sentence", SAID)
def test_the_figures_are_those_of_the_document(sentence: str) -> None:
    (found,) = re.findall(sentence, TEXT)
    assert tuple(map(float, found if isinstance(found, tuple) else (found,))) == SAID[sentence]


MEAT = Approach(80, 90, 84, 82, 0.0, 0.1, quick_c=0.0, slow_c=2.0, lean=1.0, noise_c=0.0)
FLUID = replace(MEAT, lean=-1.0)
THIN, THICK = Way(0.5, 5.0, None), Way(3.0, 10.0, None)


def valued(fit: Approach, way: Way, bath: bool = False) -> tuple[float, float]:
    """The value and half of its interval."""
    found = reached(fit, way, bath)
    return found.temp_c, found.half_c


def test_what_is_thick_shows_by_the_lag_or_else_by_how_it_came() -> None:
    assert [Way(half_s, 9, None).thick for half_s in (0.1, 0.9, 2.2, math.inf)] == [0, 0, 1, 1]
    assert Way(1.55, 9, None).thick == pytest.approx(0.5)
    assert [Way(9, 9, lag_s).thick for lag_s in (0.5, THIN_LAG_S, THICK_LAG_S, 9)] == [0, 0, 1, 1]
    assert Way(9, 9, (THIN_LAG_S + THICK_LAG_S) / 2).thick == pytest.approx(0.5)


def test_a_thick_needle_comes_to_its_late_times_by_its_own_clock() -> None:
    assert [Way(2, 2 * times, None).early for times in (1, EARLY, LATE, 99)] == [1, 1, 0, 0]
    assert Way(2, EARLY + LATE, None).early == pytest.approx(0.5)
    assert Way(math.inf, 9, None).early == 1


def test_on_the_way_up_the_value_goes_little_further_and_the_interval_has_the_rest() -> None:
    value_c, half_c = valued(MEAT, THIN)
    assert value_c == pytest.approx(82 + RISE_C)
    assert value_c + half_c == pytest.approx(82 + FAR_MEAT[0] * 2 + UNSEEN_C[0])
    value_c, half_c = valued(FLUID, THIN)
    assert value_c == pytest.approx(82)
    assert value_c + half_c == pytest.approx(82 + FAR_FLUID[0] * 2 + UNSEEN_C[0])
    assert valued(replace(MEAT, slow_c=0.5), THIN)[0] == pytest.approx(82 + 0.6 * 0.5)


def test_a_thick_needle_may_go_farther_and_its_stem_is_doubted_but_in_a_bath() -> None:
    value_c, half_c = valued(MEAT, THICK)
    assert value_c == pytest.approx(82 + RISE_C - SHY_C)
    assert value_c + half_c == pytest.approx(82 + FAR_MEAT[1] * 2 + UNSEEN_C[1])
    value_c, half_c = valued(MEAT, THICK, bath=True)
    assert value_c == pytest.approx(82 + RISE_C)
    assert value_c + half_c == pytest.approx(82 + FAR_MEAT[1] * 2 + UNSEEN_C[0])
    _, late_c = valued(MEAT, Way(3, 3 * LATE, None), bath=True)
    assert late_c == pytest.approx(FAR_MEAT[0] * 2 - RISE_C + UNSEEN_C[0])


def test_on_the_way_down_the_value_goes_to_meats_end() -> None:
    down = replace(MEAT, slow_c=-1.0)
    assert valued(down, THIN) == pytest.approx((82 - 1.1, 1.1 + UNSEEN_C[0]))
    assert valued(replace(down, slow_c=-0.5), THIN)[0] == pytest.approx(82 - 1.1 * 0.5)
    assert valued(replace(down, lean=-1.0), THIN) == pytest.approx((82 - 0.4, 0.5 + UNSEEN_C[0]))


def test_noise_and_slope_lower_the_value_and_widen_the_interval_twice() -> None:
    plain_c, half_c = valued(MEAT, THIN)
    noisy = replace(MEAT, noise_c=0.2, slope_c_per_s=-0.1)
    unsure_c = NOISY * 0.2 + STEEP_S * 0.1
    assert valued(noisy, THIN) == pytest.approx((plain_c - unsure_c, half_c + 2 * unsure_c))


def test_a_needle_that_stands_still_shows_what_is() -> None:
    """Nothing is taken off, so a piece at its target passes; with half of the least left, half is."""
    level = replace(MEAT, slow_c=0.0, noise_c=0.2)
    assert valued(level, THICK)[0] == pytest.approx(82)
    some = replace(level, slow_c=0.15, lean=-1.0)
    assert valued(some, THICK)[0] == pytest.approx(82 - (NOISY * 0.2 + SHY_C) / 2)
    slope = replace(level, slope_c_per_s=0.15 / 8)
    assert valued(slope, THIN)[0] == pytest.approx(82 - (NOISY * 0.2 + STEEP_S * 0.15 / 8) / 2)


def test_the_upper_side_has_what_a_needle_that_is_not_deep_may_hide() -> None:
    """More the thicker it is, and the hotter the piece; nothing in a bath, where all of it is hot, nor below what is
    around its handle."""
    for way, share in ((THIN, SHALLOW[0]), (THICK, SHALLOW[1]), (Way(1.55, 9, None), sum(SHALLOW) / 2)):
        found = reached(MEAT, way, bath=False)
        assert found.above_c == pytest.approx(found.half_c + share * (found.temp_c - HANDLE_C))
        bath = reached(MEAT, way, bath=True)
        assert bath.above_c == bath.half_c
        cold = reached(replace(MEAT, now_c=30), way, bath=False)
        assert cold.above_c == cold.half_c


@pytest.mark.parametrize(("diameter_mm", "share"), [(1.0, SHALLOW[0]), (3.2, SHALLOW[1])])
def test_what_a_needle_hides_at_5_mm_is_by_the_formula_of_the_fin(diameter_mm: float, share: float) -> None:
    """A long fin (Carslaw and Jaeger, 1959, section 4.5, from memory), with what NEEDLE.md has for meat and needle, and
    6 mm of meat around it, as `tests.bench.needles` has it."""
    radius_mm = diameter_mm / 2
    per_length = 2 * math.pi * 0.5 / math.log((radius_mm + 6) / radius_mm)
    fin = math.sqrt(per_length / (9.0 * math.pi * (radius_mm / 1000) ** 2))
    stem = math.exp(-fin * 0.005)
    assert share == pytest.approx(stem / (1 - stem), rel=0.03)


def test_a_thick_needle_must_be_surer() -> None:
    assert [reached(MEAT, way, bath=False).most_c for way in (THIN, THICK)] == [*SURE_C]
