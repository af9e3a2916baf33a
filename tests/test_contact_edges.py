"""A contact at the edges of what its module says, to the sample, the millisecond and the tenth of a degree."""

import pytest

from recorder.thermal import contact
from recorder.thermal.contact import BAD_CONTACT, FROZEN, Contact, spike


class Wire:
    """Speaks twice a second, each value a little other than the last, unless it is told what to say."""

    def __init__(self, step_ms: int = contact.NEEDLE_STEP_MS) -> None:
        self.contact, self.at_ms, self.count = Contact(step_ms), 0, 0

    def say(self, *values: float, ms: int = 500) -> list[str]:
        faults = []
        for value in values:
            self.at_ms += ms
            faults.append(self.contact.feed(self.at_ms, value))
        return faults

    def calm(self, count: int, level: float = 80.0) -> list[str]:
        """Values that differ by a hundredth, so that nothing is stuck, spiked or noisy."""
        faults = []
        for _ in range(count):
            self.count += 1
            faults += self.say(level + 0.01 * (self.count % 2))
        return faults


@pytest.mark.parametrize(
    ("before", "value", "after", "is_one"),
    [
        (10.0, 12.25, 10.0, True),
        (10.0, 7.75, 10.0, True),
        (10.0, 12.0, 10.0, False),
        (10.0, 13.0, 11.0, False),
        (11.0, 13.0, 10.0, False),
        (11.0, 13.25, 10.0, True),
        (10.0, 13.0, 20.0, False),
        (20.0, 13.0, 10.0, False),
        (10.0, 10.0, 10.0, False),
        (10.0, 7.0, 9.0, False),
        (10.0, 6.5, 9.0, True),
    ],
)
def test_a_spike_is_more_than_two_degrees_beyond_both(before: float, value: float, after: float, is_one: bool) -> None:
    assert spike(before, value, after) is is_one


def test_five_spikes_of_forty_samples_are_a_bad_contact_and_four_are_not() -> None:
    wire = Wire()
    wire.calm(5)
    for _ in range(4):
        assert wire.say(90) == [""] and set(wire.calm(7)) == {""}
    assert wire.say(90) == [""], "one sample later it is known to be a spike"
    assert wire.calm(1) == [BAD_CONTACT]
    after = wire.calm(41)
    assert after.index("") == 39 and set(after[:39]) == {BAD_CONTACT}, "until the last spike is out of the forty"
    assert not wire.contact.returned and not wire.contact.unquiet


def test_spikes_far_apart_are_forgotten() -> None:
    wire = Wire()
    wire.calm(5)
    for _ in range(9):
        assert {*wire.say(90), *wire.calm(9)} == {""}, "four in any forty"
    wire.say(90)
    wire.calm(8)
    assert [*wire.say(90), *wire.calm(1)] == ["", BAD_CONTACT]


def test_what_can_be_no_temperature_counts_as_a_spike() -> None:
    wire = Wire()
    wire.calm(5)
    for number in range(5):
        wire.contact.doubted(wire.at_ms)
        assert wire.calm(1) == [BAD_CONTACT if number == 4 else ""]
    assert wire.calm(38)[-1] == BAD_CONTACT


def test_after_a_bad_contact_it_is_quiet_for_twenty_seconds_too() -> None:
    """Forty samples may be over sooner, where they come fast."""
    wire = Wire()
    wire.calm(3)
    for _ in range(5):
        wire.say(90, 80, ms=100)
    bad_ms = wire.at_ms
    faults = [wire.say(80 + 0.01 * (number % 2), ms=100) for number in range(201)]
    assert wire.at_ms == bad_ms + 20_100 and faults.index([""]) == 199


@pytest.mark.parametrize(
    ("there", "samples", "back", "counts"),
    [
        (83.0, 2, 80.0, True),
        (82.9, 2, 80.0, False),
        (77.0, 2, 80.0, True),
        (83.0, 2, 80.5, False),
        (90.0, 2, 81.0, True),
        (90.0, 2, 79.0, True),
        (90.0, 2, 81.1, False),
        (84.0, 2, 80.5, True),
        (84.0, 2, 80.6, False),
        (90.0, 1, 80.0, False),
        (90.0, 39, 80.0, True),
        (90.0, 40, 80.0, True),
        (90.0, 41, 80.0, False),
    ],
)
def test_an_excursion_is_a_step_and_a_step_back(there: float, samples: int, back: float, counts: bool) -> None:
    """Of 3 °C or more, to within half a degree or a tenth of the way, after two samples or more, within 20 s."""
    wire = Wire()
    wire.say(80.0, 80.0)
    for _ in range(samples):
        wire.say(there)
        assert not wire.contact.returned and not wire.contact.unquiet
    wire.say(back)
    assert (wire.contact.returned, wire.contact.unquiet) == (counts, counts)
    wire.say(back)
    assert not wire.contact.returned, "the sample that ends it, and no other"


@pytest.mark.parametrize(("ms", "counts"), [(1_200, True), (1_201, False)])
def test_samples_too_far_apart_show_no_excursion(ms: int, counts: bool) -> None:
    wire = Wire()
    wire.say(80.0, 80.0, 90.0, 90.0, 80.0, ms=ms)
    assert wire.contact.returned is counts
    slow = Wire(contact.SLOW_STEP_MS)
    slow.say(80.0, 80.0, 90.0, 90.0, 80.0, ms=ms)
    assert slow.contact.returned


@pytest.mark.parametrize(("ms", "counts"), [(500, True), (501, False)])
def test_an_excursion_lasts_twenty_seconds_at_most(ms: int, counts: bool) -> None:
    wire = Wire()
    wire.say(80.0, 80.0)
    wire.say(*[90.0] * 40)
    wire.say(80.0, ms=ms)
    assert wire.contact.returned is counts


def test_a_step_in_several_samples_of_the_same_way_is_one() -> None:
    """As of a needle that heats up: it comes back to where the first of them began, and not to what lay between."""
    wire = Wire()
    wire.say(20.0, 20.0, 40.0, 60.0, 80.0, 80.0)
    wire.say(40.0)
    assert not wire.contact.returned
    wire.say(40.0, 20.0)
    assert wire.contact.returned
    three = Wire()
    three.say(20.0, 20.0, 40.0, 60.0, 80.0, 80.0, 60.0)
    assert not three.contact.returned
    two = Wire()
    two.say(20.0, 20.0, 40.0, 40.0, 80.0, 80.0, 40.0)
    assert two.contact.returned, "a rest between the steps makes two of them"
    two.say(40.0, 20.0)
    assert two.contact.returned


def test_three_excursions_in_two_minutes_are_a_bad_contact() -> None:
    for pause, bad in ((117, True), (118, False)):
        wire = Wire()
        wire.calm(4)
        for number in range(3):
            wire.say(90.0, 90.0)
            (fault,) = wire.calm(1)
            assert fault == (BAD_CONTACT if number == 2 and bad else ""), pause
            wire.calm(pause)


@pytest.mark.parametrize(("ms", "bad"), [(500, True), (501, False)])
def test_two_minutes_are_two_minutes(ms: int, bad: bool) -> None:
    wire = Wire()
    wire.calm(4)
    for number in range(3):
        wire.say(90.0, 90.0)
        wire.say(80.0, ms=ms if number == 2 else 500)
        assert wire.contact.returned
        wire.calm(117 if number < 2 else 0)
    assert wire.contact.fault == (BAD_CONTACT if bad else "")


def test_it_is_unquiet_for_twenty_seconds_after_an_excursion() -> None:
    wire = Wire()
    wire.say(80.0, 80.0, 90.0, 90.0, 80.0)
    assert [(wire.say(80.0 + 0.01 * n), wire.contact.unquiet)[1] for n in range(41)] == [True] * 39 + [False] * 2


NOISE = [80.0, 80.2, 80.1, 80.3, 80.0, 80.4, 80.2, 80.5, 80.1, 80.3]


def noisy(wire: Wire, values: list[float] | None = None) -> None:
    wire.say(*(values or NOISE) * 3)


def test_a_noisy_channel_that_repeats_itself_is_stuck_after_twelve_samples_and_five_seconds() -> None:
    wire = Wire()
    noisy(wire)
    assert [(wire.say(80.15), wire.contact.stuck)[1] for _ in range(13)] == [False] * 11 + [True] * 2
    fast = Wire()
    noisy(fast)
    assert [(fast.say(80.15, ms=250), fast.contact.stuck)[1] for _ in range(22)] == [False] * 20 + [True] * 2
    fast.say(80.16)
    assert not fast.contact.stuck


def test_a_channel_is_frozen_after_a_minute_and_well_with_the_next_other_value() -> None:
    wire = Wire()
    noisy(wire)
    faults = wire.say(*[80.15] * 123)
    assert faults.index(FROZEN) == 120 and set(faults[120:]) == {FROZEN}
    assert wire.say(80.16) == [""]
    assert wire.say(*[80.15] * 123)[-1] == FROZEN
    wire.contact.interrupted()
    assert not wire.contact.stuck and wire.contact.fault == "" and set(wire.say(*[80.15] * 200)) == {""}


@pytest.mark.parametrize(
    ("values", "noise"),
    [
        (NOISE, True),
        ([80.0, 80.1, 80.2, 80.3, 80.4, 80.0, 80.1, 80.2, 80.3, 80.4], False),
        ([80.0, 81.0, 80.1, 80.3, 80.0, 80.4, 80.2, 80.5, 80.1, 80.3], True),
        ([80.0, 80.2, 80.1, 80.3, 80.0, 80.4, 80.2, 80.5, 80.1, 81.1], False),
        ([80.0 + 0.1 * n for n in (0, 1, 2, 3, 4, 5, 4, 3, 2, 1)], False),
    ],
    ids=["noise", "five values", "a degree", "more than a degree", "three turns"],
)
def test_noise_is_six_values_and_five_turns_within_a_degree(values: list[float], noise: bool) -> None:
    wire = Wire()
    noisy(wire, values)
    wire.say(*[80.1] * 40)
    assert wire.contact.stuck is noise


def test_noise_is_remembered() -> None:
    wire = Wire()
    noisy(wire)
    wire.say(20.0, *[30.0 + n for n in range(60)])
    wire.say(*[95.0] * 12)
    assert wire.contact.stuck, "a channel that had noise has it wherever it is"
