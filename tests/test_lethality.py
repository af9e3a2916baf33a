"""Lethality, against the published tables, their quirks, and published worked examples."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.thermal.lethality import FATS, TABLES, f_value, hold_needed_s, lethal_rate, log_reduction

SPECIES = ("chicken", "turkey")

# USDA FSIS Cooking Guideline, Revised Appendix A, December 2021, FSIS-GD-2021-0014.
SPOTS = [
    ("chicken", 1, 136, 63.3 * 60),
    ("chicken", 12, 136, 81.4 * 60),
    ("chicken", 12, 142, 23.5 * 60),  # a much-copied list gives the turkey's 23.7, 19.8 and 16.6 here
    ("chicken", 12, 143, 19.3 * 60),
    ("chicken", 12, 144, 15.9 * 60),
    ("turkey", 12, 142, 23.7 * 60),
    ("turkey", 12, 143, 19.8 * 60),
    ("turkey", 12, 144, 16.6 * 60),
    ("chicken", 4, 154, 59.1),
    ("chicken", 5, 154, 60),
    ("turkey", 4, 156, 59.8),
    ("turkey", 5, 156, 60),
    ("chicken", 1, 160, 13.7),  # page 39: 13.7 to 26.9 s at 160 °F over species and fat
    ("turkey", 12, 160, 26.9),
    ("chicken", 6, 162, 0),
    ("chicken", 7, 162, 9.6),
    ("chicken", 12, 163, 0),
    ("turkey", 12, 164, 11.7),
    ("turkey", 12, 165, 0),
]


@pytest.mark.parametrize(("species", "fat", "temp_f", "seconds"), SPOTS)
def test_printed_cells(species: str, fat: int, temp_f: int, seconds: float) -> None:
    assert hold_needed_s(species, fat, temp_f, "F") == pytest.approx(seconds, abs=1e-6)


def test_all_360_cells_of_each_table_fall_with_heat_and_rise_with_fat_but_for_the_printed_quirks() -> None:
    """Chicken at 151 °F, turkey at 150 and 151 °F: at 1 % of fat the printed time is longer than at 2 %."""
    quirks = []
    for species in SPECIES:
        table = TABLES[species]
        assert list(table) == list(range(136, 166)) and all(len(cells) == 12 for cells in table.values())
        for colder, hotter in pairwise(table.values()):
            assert all(one >= other for one, other in zip(colder, hotter, strict=True))
        quirks += [
            (species, temp_f, fat)
            for temp_f, cells in table.items()
            for fat, (lean, fatter) in enumerate(pairwise(cells), 1)
            if lean > fatter
        ]
    assert quirks == [("chicken", 151, 1), ("turkey", 150, 1), ("turkey", 151, 1)]


def test_between_cells_the_quirk_is_not_passed_over() -> None:
    """The 1 % cell at 151 °F is 2.1 min, the 2 % cell 2 min: between them the longer one covers both."""
    assert hold_needed_s("chicken", 1.5, 151, "F") == pytest.approx(126)


@given(st.sampled_from([*TABLES]), st.floats(0, 40), st.floats(136, 200))
def test_never_shorter_than_a_cell_that_covers_the_case(species: str, fat: float, temp_f: float) -> None:
    """Covering cells: as hot or colder, and on either side of the fat."""
    fat_column, row = min(max(fat, 1), 12), math.floor(min(temp_f, 165))
    around = [TABLES[species][row][each - 1] for each in (math.floor(fat_column), math.ceil(fat_column))]
    assert hold_needed_s(species, fat, temp_f, "F") == max(around)


@given(st.floats(0, 30), st.floats(57.8, 90))
def test_mixed_poultry_takes_the_longer_table(fat: float, temp_c: float) -> None:
    """Page 36."""
    longest = max(hold_needed_s(species, fat, temp_c, "C") for species in SPECIES)
    assert hold_needed_s("poultry", fat, temp_c, "C") == longest


@pytest.mark.parametrize("fat", [12, 12.5, 60, None])
def test_much_or_unknown_fat_takes_the_last_column(fat: float | None) -> None:
    """Page 39."""
    assert hold_needed_s("chicken", fat, 150, "F") == pytest.approx(4.2 * 60)


def test_lean_below_the_first_column_takes_it() -> None:
    assert hold_needed_s("chicken", 0, 150, "F") == pytest.approx(2.7 * 60)


def test_celsius_is_converted_exactly_and_not_taken_from_the_rounded_column() -> None:
    """60.0 °C is 140 °F. The line of 145 °F is printed as 62.8 °C, which is 145.04 °F; 62.7 °C is below it."""
    assert hold_needed_s("chicken", 12, 60.0, "C") == hold_needed_s("chicken", 12, 140, "F") == pytest.approx(2100)
    assert hold_needed_s("chicken", 12, 62.7, "C") == hold_needed_s("chicken", 12, 144, "F")
    assert hold_needed_s("chicken", 12, 73.8, "C") == 0
    for temp_f in range(136, 166):
        exact_c = (temp_f - 32) * 5 / 9
        assert hold_needed_s("turkey", 3, exact_c, "C") == hold_needed_s("turkey", 3, temp_f, "F")


@pytest.mark.parametrize(
    ("args", "complaint"),
    [
        (("goose", 5, 150, "F"), "no table for 'goose'; there is one for chicken, turkey, poultry"),
        (("chicken", 5, 135.9, "F"), r"135.9 °F is outside the tables, which begin at 136 °F \(57.8 °C\)"),
        (("chicken", 5, 57.7, "C"), "57.7 °C is outside"),
        (("chicken", 5, math.nan, "F"), "nan °F is outside"),
        (("chicken", 5, math.inf, "F"), "inf °F is outside"),
        (("chicken", 101, 150, "F"), "fat is 101 %"),
        (("chicken", -1, 150, "F"), "fat is -1 %"),
        (("chicken", math.nan, 150, "F"), "fat is nan %"),
        (("chicken", 5, 150, "K"), "unit is 'K'"),
    ],
)
def test_what_the_tables_do_not_say_is_refused(args: tuple[str, float, float, str], complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        hold_needed_s(*args)


# AMI Foundation, process lethality determination, worked example: z 10 °F, reference 150 °F, D 0.172 min; half minutes.
TEMPS_F = [40, 64, 82, 97, 113, 128, 138, 142, 145, 148, 145, 140, 137, 136, 135, 134, 133]
F_MIN = [0, 0, 0, 0, 0, 0.002, 0.019, 0.074, 0.193, 0.430, 0.667, 0.771, 0.808, 0.831, 0.849, 0.863]
D_S, REF_C, Z_C = 0.172 * 60, (150 - 32) / 1.8, 10 / 1.8


def test_the_published_course_of_a_cook() -> None:
    times_s, temps_c = [30.0 * n for n in range(17)], [(temp_f - 32) / 1.8 for temp_f in TEMPS_F]
    for size, minutes in enumerate(F_MIN[1:], 2):
        assert f_value(times_s[:size], temps_c[:size], REF_C, Z_C) / 60 == pytest.approx(minutes, abs=0.001)
    whole = f_value(times_s, temps_c, REF_C, Z_C)
    assert whole / 60 == pytest.approx(0.8741, abs=0.00005)
    assert log_reduction(whole, D_S) == pytest.approx(5.08, abs=0.005)
    assert log_reduction(0.884 * 60, D_S) == pytest.approx(5.14, abs=0.005), "the published total, at 10 min"


def test_a_straight_rise_has_a_closed_form() -> None:
    """F = z / (a ln 10) (L1 - L0): 50 to 74 °C at 2 °C a minute, z 5.56 °C, reference 71.1 °C gives 4.01228 min."""
    times_s = [n / 10 for n in range(7201)]
    temps_c = [50 + each / 30 for each in times_s]
    assert f_value(times_s, temps_c, 71.1, 5.56) / 60 == pytest.approx(4.01228, abs=0.00001)


# FSIS 2021 table 2 (meat, page 35), 6.5-log column, seconds; D at 150 °F 0.172 min, z 10 °F from AMI's spreadsheet.
MEAT = dict(zip(range(130, 146), (112, 89, 71, 56, 45, 36, 28, 23, 18, 15, 12, 9, 8, 6, 5, 4), strict=True))
MEAT_S = dict(zip(range(146, 158), (169, 134, 107, 85, 67, 54, 43, 34, 27, 22, 17, 14), strict=True))


def test_the_meat_table_is_such_a_model_rounded_up() -> None:
    """25 of 28 cells exactly; those of 133, 136 and 150 °F lie less than 0.1 over the printed whole number."""
    over = {}
    for table, size_s in ((MEAT, 60), (MEAT_S, 1)):
        for temp_f, printed in table.items():
            needed = 6.5 * D_S / lethal_rate((temp_f - 32) / 1.8, REF_C, Z_C) / size_s
            if math.ceil(needed) != printed:
                over[temp_f] = needed - printed
    assert sorted(over) == [133, 136, 150]
    assert all(0 < each < 0.1 for each in over.values())


@given(st.lists(st.floats(20, 110), min_size=3, max_size=30), st.integers(1, 28))
def test_parts_of_a_course_add_up(temps_c: list[float], cut: int) -> None:
    cut = min(cut, len(temps_c) - 2)
    times_s = [10.0 * n for n in range(len(temps_c))]
    parts = f_value(times_s[: cut + 1], temps_c[: cut + 1], 70, 10) + f_value(times_s[cut:], temps_c[cut:], 70, 10)
    assert parts == pytest.approx(f_value(times_s, temps_c, 70, 10))


@given(st.floats(-50, 200), st.floats(-50, 200), st.floats(2, 30))
def test_one_z_hotter_kills_ten_times_as_fast(temp_c: float, ref_c: float, z_c: float) -> None:
    assert lethal_rate(temp_c + z_c, ref_c, z_c) == pytest.approx(10 * lethal_rate(temp_c, ref_c, z_c), rel=1e-9)
    assert lethal_rate(ref_c, ref_c, z_c) == 1


def test_a_step_adds_nothing() -> None:
    assert f_value([0, 10, 10, 20], [60, 60, 70, 70], 70, 10) == pytest.approx(10 * 0.1 + 10)


@pytest.mark.parametrize("bad", [(math.nan, 70, 10), (70, math.inf, 10), (70, 70, 0), (70, 70, -1), (1e9, 70, 1)])
def test_no_rate_without_a_model(bad: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError):
        lethal_rate(*bad)


@pytest.mark.parametrize(
    ("times_s", "temps_c", "complaint"),
    [
        ([0, 1], [70], "2 times for 1 temperatures"),
        ([0], [70], "1 readings make no course"),
        ([1, 0], [70, 70], "must be finite and must not fall"),
        ([0, math.inf], [70, 70], "must be finite and must not fall"),
    ],
)
def test_no_course_is_refused(times_s: list[float], temps_c: list[float], complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        f_value(times_s, temps_c, 70, 10)


@pytest.mark.parametrize("bad", [(-1.0, 10.0), (1.0, 0.0), (math.nan, 10.0), (1.0, math.inf)])
def test_no_reduction_without_d(bad: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="must not be negative"):
        log_reduction(*bad)


def test_columns() -> None:
    assert list(FATS) == list(range(1, 13))
