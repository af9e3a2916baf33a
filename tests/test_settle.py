"""The judge of rest, tried on the first-order lag of a needle with noise. The physics is textbook; the lags, the noise
and the temperatures are of the size of a thin needle's and invented."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from recorder.thermal.settle import Place
from tests.bench.settle import TOLERANCE_C, insertions
from tests.needles import AIR_C, Needle, probed


def test_a_needle_that_is_pushed_in_comes_to_rest_in_one_spot() -> None:
    needle = Needle(noise_c=0.1)
    assert needle.go(AIR_C, 9, 20) == []
    found = needle.go(84, 2, 300)
    assert {rest.spot for _, rest in found} == {1}
    assert all(abs(rest.temp_c - 84) < 0.3 for _, rest in found)
    assert len(found) > 550, "it is said with nearly every sample, as long as it rests"


@pytest.mark.parametrize(
    ("lag_s", "noise_c", "within_s"), [(1, 0.1, 8), (2, 0.1, 12), (4, 0.1, 20), (2, 0.3, 14), (6, 0.1, 27)]
)
def test_how_soon_and_how_near_the_first_rest_is(lag_s: float, noise_c: float, within_s: float) -> None:
    """Measured bounds, with some air."""
    for seed in range(12):
        needle = Needle(noise_c=noise_c, seed=seed)
        piece_c = 60 + 35 * seed / 11
        needle.go(AIR_C, 9, 10)
        after_ms, rest = needle.go(piece_c, lag_s, 90)[0]
        assert after_ms <= within_s * 1000
        assert rest.uncertainty_c <= 0.5
        assert rest.temp_c == pytest.approx(piece_c, abs=1.0)
        assert rest.settle_ms == pytest.approx(after_ms, abs=1000)


@pytest.mark.slow
@pytest.mark.no_cover
def test_hardly_a_settle_is_false_and_the_interval_covers() -> None:
    """The first insertions of `tests.bench.settle`, which has ten thousand; its bounds widened by chance."""
    settled = [each for insertion in insertions(600, seed=1) if (each := insertion.by_fit())]
    assert len(settled) >= 594
    assert sum(abs(each.error_c) > TOLERANCE_C for each in settled) <= 2
    assert 0.925 <= sum(abs(each.error_c) <= each.half_c for each in settled) / len(settled) <= 0.975


@pytest.mark.parametrize(("lag_s", "high_c"), [(2, 0.25), (4, 0.3), (8, 0.5)])
def test_a_fall_into_a_colder_piece_reads_hardly_too_high(lag_s: float, high_c: float) -> None:
    """Too high is the unsafe side; measured bounds at 0.1 °C of noise."""
    for seed in range(12):
        needle = probed(90, noise_c=0.1, seed=seed)
        piece_c = 60 + 20 * seed / 11
        _, rest = next(each for each in needle.go(piece_c, lag_s, 90) if each[1].spot == 2)
        assert rest.temp_c - piece_c <= high_c


@settings(deadline=None, max_examples=30)
@given(
    st.sampled_from([1, 2]),
    st.floats(0, 0.2),
    st.integers(0, 999),
    st.floats(60, 95),
    st.floats(15, 37),
    st.floats(5, 120),
)
@example(hz=1, noise_c=0.1875, seed=402, piece_c=60, air_c=29, lag_s=113)
def test_a_withdrawn_needle_never_settles(
    hz: float, noise_c: float, seed: int, piece_c: float, air_c: float, lag_s: float
) -> None:
    """Neither while it cools nor at rest in the air, however slowly it cools."""
    needle = probed(piece_c, hz=hz, noise_c=noise_c, seed=seed)
    spot = needle.settling.spot
    for after_ms, rest in needle.go(air_c, lag_s, 8 * lag_s + 60):
        assert after_ms <= 3000 + 1000 / hz, (
            "its rest may be said until the movement shows, a sample later for the median"
        )
        assert abs(rest.temp_c - piece_c) < 1
    assert needle.settling.spot == spot


def test_air_and_table_are_no_spot_though_they_warm_and_cool() -> None:
    needle = Needle(temp_c=22, noise_c=0.05)
    assert needle.go(22, 9, 60) == []
    assert needle.drift(+0.03, 500) == []
    assert needle.drift(+0.2, 30) == []
    assert needle.drift(-0.03, 500) == []
    assert needle.go(36, 40, 200) == []
    assert needle.settling.spot == 0


def test_a_cold_needle_that_warms_up_in_air_is_in_no_spot_but_a_raw_piece_is_found() -> None:
    needle = Needle(temp_c=4)
    assert needle.go(4, 9, 20) == []
    assert needle.go(30, 12, 200) == []
    found = needle.go(41, 2, 30)
    assert found[-1][1].spot == 1
    assert found[-1][1].temp_c == pytest.approx(41, abs=0.1)


def test_pieces_one_after_another_are_spots_one_after_another() -> None:
    needle = Needle(noise_c=0.08)
    needle.go(AIR_C, 9, 10)
    for spot, (piece_c, in_air_s) in enumerate([(84, 6), (80, 6), (62, 0), (90, 0), (55, 30), (83, 8)], 1):
        rest = needle.go(piece_c, 2, 25)[-1][1]
        assert (rest.spot, rest.temp_c) == (spot, pytest.approx(piece_c, abs=0.25))
        assert rest.colder == (spot == 5), "only there it went down from one piece to the next"
        if in_air_s:
            needle.go(AIR_C, 9, in_air_s)


@pytest.mark.parametrize("c_per_s", [0.02, 0.05, 0.1, 0.3])
def test_a_piece_that_is_still_warming_stays_one_spot(c_per_s: float) -> None:
    needle = probed(70, noise_c=0.05)
    needle.drift(c_per_s, 8 / c_per_s)
    assert needle.go(needle.temp_c, 2, 30)[-1][1].spot == 1


def test_a_slow_drift_down_leaves_the_spot_for_none() -> None:
    needle = probed(80)
    assert needle.drift(-0.3, 60)[-1].temp_c > 79
    assert needle.go(needle.temp_c, 2, 60) == []
    assert needle.go(84, 2, 30)[-1][1].spot == 2


def test_a_rest_whose_beginning_was_not_seen_is_no_spot() -> None:
    needle = Needle(temp_c=84)
    assert needle.go(84, 2, 60) == []
    assert needle.go(78, 2, 30)[-1][1].spot == 1


@pytest.mark.parametrize("how", ["told", "gap"])
def test_after_an_interruption_the_needle_must_move_and_spots_go_on_counting(how: str) -> None:
    needle = probed(84)
    if how == "told":
        needle.settling.interrupted()
    else:
        needle.at_ms += 5_000
    assert needle.go(84, 2, 30) == []
    needle.go(AIR_C, 9, 20)
    assert needle.go(84, 2, 30)[-1][1].spot == 2


@pytest.mark.parametrize("spike_c", [-40.0, 2.0, 125.0])
def test_one_spike_is_not_believed(spike_c: float) -> None:
    needle = probed(84)
    needle.say(spike_c)
    assert [rest.spot for _, rest in needle.go(84, 2, 20)] == [1] * 40


def test_a_dip_in_and_out_of_air_between_two_samples_is_noticed_when_it_shows() -> None:
    needle = probed(84)
    needle.go(AIR_C, 9, 2)
    assert needle.settling.spot == 1
    found = needle.go(84, 2, 30)
    assert found[-1][1].spot == 2
    assert found[0][0] > 3000


def test_it_needs_a_sample_in_four_seconds() -> None:
    slow = Needle(hz=0.2)
    slow.go(AIR_C, 9, 60)
    assert slow.go(84, 2, 120) == []
    assert slow.settling.place is Place.UNKNOWN
    assert probed(84, hz=0.5).settling.spot == 1


def test_ten_samples_a_second_settle_as_soon_and_a_wobble_is_no_way() -> None:
    """The hand shakes the needle by nearly four degrees while it is in: it has moved, and is where it was."""
    needle = Needle(hz=10, noise_c=0.1)
    needle.go(AIR_C, 9, 10)
    assert needle.go(84, 2, 20)[0][0] < 12_000
    for goal_c in (80.5, 87.5) * 4:
        needle.go(goal_c, 0.3, 1)
    rest = needle.go(84, 1, 40)[-1][1]
    assert rest.temp_c == pytest.approx(84, abs=0.2)


def test_a_coarse_probe_that_flickers_by_a_whole_degree_settles_within_it() -> None:
    needle = Needle()
    needle.go(AIR_C, 9, 10)
    rests = [rest for value in [84.0, 84.0, 85.0, 85.0] * 50 if (rest := needle.say(value))]
    assert {rest.spot for rest in rests} == {1}
    assert all(84 <= rest.temp_c <= 85 and rest.uncertainty_c >= 0.1 for rest in rests)


def test_an_ice_bath_is_found() -> None:
    needle = Needle(noise_c=0.1, temp_c=24)
    needle.go(24, 9, 20)
    rest = needle.go(0, 2, 60)[-1][1]
    assert rest.temp_c == pytest.approx(0, abs=0.2)
    assert needle.settling.place is Place.FOOD
    needle.go(AIR_C, 9, 3)
    assert needle.go(AIR_C, 9, 120) == [], "it warms up in a draught"
    assert needle.settling.place is Place.AIR


def test_places_are_told_apart() -> None:
    """The basket that comes out of hot oil is hotter than wet food can be."""
    needle = Needle(noise_c=0.05)
    needle.go(AIR_C, 9, 20)
    seen = []
    for goal_c, lag_s, seconds in [
        (84, 2, 4),
        (84, 2, 20),
        (75, 2, 3),
        (75, 2, 20),
        (150, 3, 5),
        (150, 3, 30),
        (30, 9, 90),
    ]:
        found = needle.go(goal_c, lag_s, seconds)
        seen.append((needle.settling.place, found[-1][1].colder if found else None))
    assert seen == [
        (Place.RISING, None),
        (Place.FOOD, False),
        (Place.FALLING, None),
        (Place.FOOD, True),
        (Place.RISING, None),
        (Place.METAL, None),
        (Place.AIR, None),
    ]


def test_a_spot_after_air_is_not_a_colder_spot_of_the_same_piece() -> None:
    needle = probed(84)
    needle.go(AIR_C, 9, 90)
    assert not needle.go(62, 2, 25)[-1][1].colder
