"""Broken contacts and stuck converters: what a needle says through them must never look settled, and the channel is
reported by name. The patterns are invented; that a contact opens and closes at random is common practice, no source."""

import random
from collections.abc import Callable, Iterable

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from recorder.core.events import NEEDLE, Event, ProbeBack, ProbeLost, Reading
from recorder.demo.devices.serial_board import framed
from recorder.probes.channels import Channels
from recorder.probes.serial.frames import FramedLines
from recorder.probes.source import Chunk
from recorder.thermal.contact import BAD_CONTACT, FROZEN, MOST_SPIKES, QUIET_MS, RECENT
from recorder.thermal.settle import MOST_CORRECTED, WINDOW_MS, Rest
from tests.needles import AIR_C, Needle, probed

PIECE_C = 85.0


def inserted(hz: float = 2, noise_c: float = 0.05, seed: int = 1) -> Needle:
    """A needle that lay in air; the next thing is a piece."""
    needle = Needle(hz=hz, noise_c=noise_c, seed=seed)
    needle.go(AIR_C, 9, 20)
    return needle


def said(needle: Needle, values: Iterable[float]) -> list[Rest]:
    return [rest for value in values if (rest := needle.say(value))]


@pytest.mark.parametrize(
    "pattern",
    [
        [85, 85, 60],
        [85, 60],
        [85, 85, 85, 60],
        [85, 85, 85, 85, 85, 60],
        [85, 85, 60, 60],
        [85] * 6 + [60] * 3,
        [85] * 12 + [60] * 12,
        [85] * 18 + [80, 75, 40],
        [85] * 18 + [60] * 18,
        [85] * 10 + [81] * 10,
        [85, 85, 20],
        [85, 85, 85, 120, 120],
    ],
    ids=str,
)
@pytest.mark.parametrize("noise_c", [0.0, 0.1])
def test_no_pattern_of_a_broken_contact_settles_after_its_first_round(pattern: list[float], noise_c: float) -> None:
    needle = inserted()
    rng = random.Random(7)
    rounds = [[value + rng.gauss(0, noise_c) for value in pattern] for _ in range(400 // len(pattern))]
    needle.go(PIECE_C, 2, 6)
    said(needle, [value for each in rounds[:2] for value in each])
    assert said(needle, [value for each in rounds[2:] for value in each]) == []


@pytest.mark.parametrize("pattern", [[85, 85, 60], [85, 60], [85, 85, 85, 85, 60]], ids=str)
def test_a_contact_that_was_broken_from_the_start_never_settles(pattern: list[float]) -> None:
    """Not once: the median of three would show 85.0 all the time."""
    assert said(inserted(), pattern * 100) == []


@settings(deadline=None, max_examples=150)
@given(
    st.lists(st.one_of(st.just(0.0), st.floats(-60, -5), st.floats(5, 30)), min_size=2, max_size=14),
    st.sampled_from([1.0, 2.0, 4.0]),
    st.floats(0, 0.15),
)
def test_no_periodic_pattern_settles_with_more_than_the_stated_share_corrupt(
    offsets: list[float], hz: float, noise_c: float
) -> None:
    """Each round has one sound sample or more, and a level that lasts is no level of its own."""
    corrupt = sum(offset != 0 for offset in offsets)
    assume(0 < corrupt < len(offsets))
    assume(corrupt > 2 * MOST_CORRECTED * len(offsets))
    needle = inserted(hz=hz)
    needle.go(PIECE_C, 2, 10)
    rng = random.Random(1)
    values = [PIECE_C + offset + rng.gauss(0, noise_c) for offset in offsets * (200 // len(offsets) + 1)]
    said(needle, values[: 2 * len(offsets) + 8])
    assert said(needle, values[2 * len(offsets) + 8 :]) == []


@settings(deadline=None, max_examples=100)
@given(st.integers(0, 10_000), st.floats(0.02, 0.9), st.sampled_from([1.0, 2.0, 5.0]))
def test_random_corruption_settles_near_the_truth_or_not_at_all(seed: int, share: float, hz: float) -> None:
    """Among the samples of a settled reading hardly more than the stated share was corrupt, and its value is true."""
    rng = random.Random(seed)
    needle = inserted(hz=hz)
    needle.go(PIECE_C, 2, 8)
    marks = [False] * round(28 * hz)
    for _ in range(300):
        broken = rng.random() < share
        marks.append(broken)
        value = PIECE_C + (rng.choice([-1, 1]) * rng.uniform(5, 50) if broken else rng.gauss(0, 0.08))
        if rest := needle.say(value):
            window = marks[-round(WINDOW_MS / 1000 * hz) :]
            assert sum(window[:-1]) <= 2 * MOST_CORRECTED * len(window) + 1
            assert abs(rest.temp_c - PIECE_C) < 1.0


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 10_000), st.floats(0.05, 0.8))
def test_lost_lines_cost_time_and_not_truth(seed: int, lost: float) -> None:
    """What did not come is not made up: the needle settles late, or not, but never falsely."""
    rng = random.Random(seed)
    needle = inserted()
    temp_c = AIR_C
    for _ in range(200):
        temp_c += (PIECE_C - temp_c) * 0.22
        needle.at_ms += 500
        if rng.random() >= lost:
            rest = needle.settling.feed(needle.at_ms, temp_c + rng.gauss(0, 0.08))
            assert rest is None or abs(rest.temp_c - PIECE_C) < 1.5


def test_one_spike_costs_nothing_and_one_excursion_costs_a_fresh_insertion() -> None:
    needle = probed(84, noise_c=0.05)
    needle.say(60)
    assert len(needle.go(84, 2, 20)) == 40
    said(needle, [60, 60, 60])
    assert said(needle, [84.0]) == []
    assert needle.go(84, 2, 60) == [], "it was not seen to come here by heat"
    needle.go(AIR_C, 9, 30)
    assert needle.go(84, 2, 30)


def test_a_stuck_converter_settles_nowhere() -> None:
    needle = inserted()
    needle.go(PIECE_C, 2, 20)
    assert said(needle, [85.03] * 12)
    assert said(needle, [85.03] * 200) == [], "noise of 0.05 °C does not stop"
    assert needle.go(PIECE_C, 2, 10), "nor is it lost when it comes back"


def test_a_coarse_converter_may_say_the_same_for_long() -> None:
    """Steps of a quarter of a degree, as many thermocouple converters have, hide the noise; so do whole degrees."""
    for step_c in (0.25, 1.0):
        needle = Needle()
        rng = random.Random(3)
        felt = [AIR_C] * 40 + [PIECE_C - (PIECE_C - AIR_C) * 0.78**number for number in range(100)]
        said(needle, [round((value + rng.gauss(0, 0.08)) / step_c) * step_c for value in felt])
        assert len(said(needle, [PIECE_C] * 300)) == 300


class Wired:
    """A channel as it is wired: lines to events."""

    def __init__(self, channel: str = NEEDLE, every_ms: int = 500) -> None:
        self.events: list[Event] = []
        self._channel, self._every_ms = channel, every_ms
        self._reader, self._channels = FramedLines(), Channels((channel,), 30.0, 30.0)
        self._at_ms = self._number = 0
        self._channels.begin(0)

    def say(self, values: Iterable[float]) -> "Wired":
        for value in values:
            self._at_ms += self._every_ms
            line = framed(self._channel, self._number, f"{value:.2f}C")
            self._number += 1
            self._channels.take(self._reader.read(Chunk(line)), self._at_ms, self.events.append)
            self._channels.watch(self._at_ms, self.events.append)
        return self

    def losses(self) -> list[str]:
        return [event.reason for event in self.events if isinstance(event, ProbeLost)]

    def backs(self) -> int:
        return sum(isinstance(event, ProbeBack) for event in self.events)


def noisy(temp_c: float, count: int, seed: int = 1) -> list[float]:
    rng = random.Random(seed)
    return [temp_c + rng.gauss(0, 0.08) for _ in range(count)]


@pytest.mark.parametrize(
    "pattern", [[85, 85, 60], [85, 60], [85, 85, 20], [85, 85, -200], [85] * 6 + [60] * 6], ids=str
)
def test_a_bad_contact_is_reported_by_name_and_once(pattern: list[float]) -> None:
    wired = Wired().say(pattern * (240 // len(pattern)))
    assert wired.losses() == [BAD_CONTACT]
    after = wired.events[next(at for at, each in enumerate(wired.events) if isinstance(each, ProbeLost)) :]
    assert not any(isinstance(event, Reading) for event in after)
    assert wired.backs() == 0


def test_it_comes_back_when_the_contact_has_held_for_long_enough() -> None:
    wired = Wired().say([85, 85, 60] * 20)
    wired.say(noisy(85, RECENT - 2))
    assert wired.backs() == 0
    wired.say(noisy(85, QUIET_MS // 500))
    assert (wired.losses(), wired.backs()) == ([BAD_CONTACT], 1)


@pytest.mark.parametrize("spike_c", [60.0, 110.0, 399.0, -40.0, 900.0])
def test_a_few_discharges_are_no_bad_contact(spike_c: float) -> None:
    wired = Wired()
    for _ in range(6):
        wired.say([*noisy(85, RECENT // MOST_SPIKES), spike_c])
    assert wired.losses() == []


@pytest.mark.parametrize(("channel", "every_ms"), [("vat1", 5_000), ("cabinet", 1_000)])
def test_the_vat_and_the_cabinet_have_contacts_too(channel: str, every_ms: int) -> None:
    assert Wired(channel, every_ms).say([170, 170, 140] * 40).losses() == [BAD_CONTACT]


def test_a_frozen_value_is_reported_after_a_minute_and_is_over_when_it_moves() -> None:
    wired = Wired().say(noisy(30, 60)).say([30.12] * 110)
    assert wired.losses() == []
    wired.say([30.12] * 20)
    assert wired.losses() == [FROZEN]
    wired.say(noisy(30, 5))
    assert wired.backs() == 1


def test_an_honest_shift_has_no_fault() -> None:
    """Pieces, a cold wipe between them, a hot basket, at three paces and with needles of one second and more."""
    for every_ms in (100, 500, 1000):
        for lag_s in (1.0, 2.0, 4.0):
            needle = Needle(hz=1000 / every_ms, noise_c=0.1)
            wired, felt = Wired(every_ms=every_ms), _recorded(needle)
            for goal_c, its_lag_s, seconds in [(30, 9, 20), (84, lag_s, 14), (20, lag_s, 4), (81, lag_s, 12)] * 6 + [
                (160, lag_s, 10),
                (30, 9, 30),
                (0, lag_s, 30),
            ]:
                needle.go(goal_c, its_lag_s, seconds)
            wired.say(felt)
            assert wired.losses() == [], (every_ms, lag_s)


def _recorded(needle: Needle) -> list[float]:
    """Everything that the needle feels from now on."""
    felt: list[float] = []
    feed: Callable[[int, float], Rest | None] = needle.settling.feed

    def keep(at_ms: int, temp_c: float) -> Rest | None:
        felt.append(temp_c)
        return feed(at_ms, temp_c)

    needle.settling.feed = keep  # type: ignore[method-assign]
    return felt
