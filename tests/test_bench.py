"""The benches' own arithmetic: what they mix, count and work out must be what their tables say it is."""

import math
import random
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder.voice.language import phrases

np = pytest.importorskip("numpy", reason="numpy is not installed: pip install numpy")

from importlib.resources import files  # noqa: E402

from recorder.core.events import Intent  # noqa: E402
from recorder.voice.ear import Hearing  # noqa: E402
from recorder.voice.engines import Guess  # noqa: E402
from recorder.voice.settings import Judgement, Thresholds, VoiceSettings  # noqa: E402
from tests.bench import (  # noqa: E402
    scene,
    sounds,
    spoken_counts,
    tally,
)
from tests.bench.scene import Placed  # noqa: E402
from tests.bench.tally import Outcome  # noqa: E402
from tests.system import needs  # noqa: E402

RATE = 16_000
KNOWN = phrases.load(files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8"))
ONE = "shift start cook one"
TWO = "shift start cook two"
OTHER = "shift end"


def tone(hertz: float, seconds: float) -> sounds.Sound:
    """Something that swells and dies away, as a word does."""
    time = np.arange(int(seconds * RATE)) / RATE
    word: sounds.Sound = 0.2 * np.sin(2 * math.pi * hertz * time) * np.sin(math.pi * time / seconds) ** 2
    return word.astype(np.float32)


CLIPS = [(f"clip {number}", tone(300 + 100 * number, 0.8 + 0.1 * number)) for number in range(5)]


@pytest.mark.parametrize("snr_db", [20, 5, -3])
@pytest.mark.parametrize("pacing", [scene.CONTINUOUS, scene.Pacing(0.3, (0.2, 0.4), alone=True)])
@pytest.mark.parametrize("in_room", [False, True])
def test_every_clip_has_the_signal_to_noise_ratio_asked_for(snr_db: float, pacing: scene.Pacing, in_room: bool) -> None:
    """The same mix with and without noise, by sums of squares: none of the bench's own arithmetic."""
    room = scene.rooms("tuning", 1)[0] if in_room else None
    beds = sounds.made_noises(5)
    noisy = list(scene.streams(CLIPS, beds, snr_db, 4, room, pacing))
    by_label = {clip.label: (stream, clip) for stream in noisy for clip in stream.clips}
    assert by_label.keys() == {label for label, _ in CLIPS}
    alone = scene.Pacing(0, (1, 1), alone=True)
    clean = {stream.clips[0].label: stream.sound for stream in scene.streams(CLIPS, [], None, 4, room, alone)}
    for label, (stream, clip) in by_label.items():
        start, end = clip.start_ms * RATE // 1000, clip.end_ms * RATE // 1000
        signal = np.asarray(clean[label][: end - start], dtype=np.float64)
        noise = stream.sound[start:end] - signal
        assert 10 * math.log10(sum(signal**2) / sum(noise**2)) == pytest.approx(snr_db, abs=0.1)
        assert 20 * math.log10(math.sqrt(sum(signal**2) / len(signal))) == pytest.approx(-26.0, abs=0.1)


def test_a_clip_is_where_it_is_said_to_be() -> None:
    steady = [
        (f"{hertz} Hz", np.sin(np.arange(11_111) * hertz / RATE * math.tau).astype(np.float32)) for hertz in (300, 700)
    ]
    (stream,) = scene.streams(steady, [], None, 1)
    loud = np.flatnonzero(np.abs(stream.sound) > 1e-3)
    middle = (stream.clips[0].end_ms + stream.clips[1].start_ms) * 8
    for clip, mine in zip(stream.clips, (loud[loud < middle], loud[loud > middle]), strict=True):
        assert mine[0] / 16 == pytest.approx(clip.start_ms, abs=1)
        assert mine[-1] / 16 == pytest.approx(clip.end_ms, abs=1.5)


@pytest.mark.parametrize(("rt60_s", "direct_db"), [(0.3, 12), (0.4, 9), (0.5, 6)])
def test_a_room_dies_away_and_is_as_strong_as_asked(rt60_s: float, direct_db: float) -> None:
    """Reverberation time by backward integration and a line from -5 to -25 dB, times three: T20 of ISO 3382 (from
    memory). The early reflections and the direct sound, which are no decay, are left out."""
    room = scene.response(np.random.default_rng(3), rt60_s, direct_db).astype(np.float64)
    assert 10 * math.log10(room[0] ** 2 / np.sum(room[1:] ** 2)) == pytest.approx(direct_db, abs=0.01)
    left = np.cumsum(room[RATE // 40 :][::-1] ** 2)[::-1]
    level = 10 * np.log10(left / left[0])
    part = (level <= -5) & (level >= -25)
    slope = np.polyfit(np.flatnonzero(part) / RATE, level[part], 1)[0]
    assert -60 / slope == pytest.approx(rt60_s, rel=0.1)


def test_the_halves_have_other_rooms() -> None:
    tuning, reporting = (scene.rooms(half, 6) for half in ("tuning", "reporting"))
    assert {room.tobytes() for room in tuning}.isdisjoint(room.tobytes() for room in reporting)
    assert [room.tobytes() for room in tuning] == [room.tobytes() for room in scene.rooms("tuning", 6)]


def test_looped_noise_is_as_loud_as_the_noise_and_never_pauses() -> None:
    hiss = np.random.default_rng(1).standard_normal(3 * RATE).astype(np.float32)
    long = scene.loop(hiss, 20 * RATE, random.Random(2))
    assert len(long) == 20 * RATE
    tenths = np.sqrt(np.mean(long.reshape(-1, RATE // 10) ** 2, axis=1))
    assert tenths.min() > 0.85 and tenths.max() < 1.15


def test_noise_alone_lasts_as_long_as_asked_at_three_levels() -> None:
    trial = list(scene.noise_alone(sounds.made_noises(5), 1.5, 1))
    assert sum(len(stream.sound) for stream in trial) / RATE == pytest.approx(90, abs=0.01)
    assert {round(20 * math.log10(np.std(stream.sound))) for stream in trial} == {-36, -26, -20}


@needs("espeak-ng", "espeak-ng")
@needs("flite", "flite")
@pytest.mark.parametrize("half", ["tuning", "reporting"])
def test_voices_and_babble_are_made(half: str) -> None:
    voices = sounds.TUNING_VOICES if half == "tuning" else sounds.REPORTING_VOICES
    said = sounds.speak(voices[-1], OTHER)
    assert 0.3 < len(said) / RATE < 2
    assert 20 * math.log10(np.sqrt(np.mean(said**2))) == pytest.approx(-26.0, abs=0.1)
    bed = scene.babble(voices[:2], half)
    assert len(bed.sound) > 20 * RATE
    assert np.all(np.isfinite(bed.sound))


class Slow:
    """A recogniser that hears one sentence in everything, and takes its time over it."""

    engine = "sphinx"
    cost_s = 0.05

    def recognise(self, pcm: bytes) -> Guess:
        until_s = time.process_time() + self.cost_s
        while time.process_time() < until_s:
            pass
        return Guess(ONE, None, 0.0)


@needs("flite", "flite")
def test_a_decision_is_late_by_the_pause_the_block_and_the_work() -> None:
    """The block that ends the pause is 20 ms long, and the recogniser takes 50 ms at least."""
    clips = [(text, sounds.speak(sounds.TUNING_VOICES[-1], text)) for text in (ONE, OTHER)]
    (stream,) = scene.streams(clips, [], None, 1)
    least = Thresholds(named=0.0, score=0.0, word_ms=9_000)
    chosen = VoiceSettings(listening="open", thresholds=Judgement(least, least))
    listener = tally.Listener(Slow(), KNOWN, chosen)
    outcomes = listener.hear(stream, "clean")
    assert [outcome.clip for outcome in outcomes] == list(stream.clips)
    for each in outcomes:
        assert each.clip is not None and each.late_ms is not None
        waited_ms = each.late_ms - (each.hearing.end_ms - each.clip.end_ms)
        assert 50 <= waited_ms < 20 + 50 + 50
        assert each.late_ms > chosen.front_end.pause_ms
    assert listener.audio_s == pytest.approx(len(stream.sound) / RATE)
    assert listener.cpu_s >= 2 * Slow.cost_s


def outcome(said: Placed | None, text: str = "", *, near: bool = False, score: float = 0.0, late: float = 0) -> Outcome:
    intent: Intent | None = KNOWN.parse(text) if text else None
    hearing = Hearing(0, 100, text, intent, "" if intent else "not sure enough", near, score)
    return Outcome("20", "hood", said, hearing, {"score": score, "text": text} if text else {}, late)


def clip(label: str) -> Placed:
    return Placed(300, 1_300, label)


def test_clips_are_counted_once_by_the_worst_that_came_of_them() -> None:
    twice, mended = clip(ONE), clip(ONE)
    counted = tally.count(
        KNOWN,
        [
            outcome(clip(ONE), ONE),
            outcome(clip(OTHER), OTHER),
            outcome(clip(ONE), TWO),
            outcome(clip(OTHER), ONE),
            outcome(clip(ONE), near=True),
            outcome(clip(ONE)),
            outcome(twice, ONE),
            outcome(twice, OTHER),
            outcome(mended, near=True),
            outcome(mended, ONE),
            outcome(None, ONE),
            outcome(None),
        ],
    )
    per_clip = {"clips": 8, "right": 3, "wrong": 3, "slot": 1, "near": 1, "silent": 1, "beside": 1}
    assert counted == per_clip | {"plain": 2, "plain right": 1, "plain wrong": 1}


def test_under_a_foot_switch_each_refusal_is_told() -> None:
    counted = tally.count(KNOWN, [outcome(clip(ONE)), outcome(clip(ONE), near=True)], held=True)
    assert (counted["near"], counted["silent"]) == (2, 0)


def test_the_last_decision_on_a_clip_is_the_late_one() -> None:
    first, second = clip(ONE), clip(TWO)
    heard = [outcome(first, late=-400), outcome(first, late=600), outcome(second, late=550), outcome(None)]
    assert tally.lateness(heard) == [550, 600]


def test_percentile_is_the_nearest_rank() -> None:
    """The worked example of the nearest-rank method in common textbooks (from memory): 15, 20, 35, 40, 50."""
    ordered = [15.0, 20.0, 35.0, 40.0, 50.0]
    assert [tally.percentile(ordered, share) for share in (5, 30, 40, 50, 100)] == [15, 20, 20, 35, 50]
    many = sorted(random.Random(1).random() for _ in range(137))
    for share in (1, 50, 95, 99):
        assert tally.percentile(many, share) == np.percentile(many, share, method="inverted_cdf")


@pytest.mark.parametrize(("events", "most"), [(0, 2.996), (1, 4.744), (2, 6.296), (5, 10.513), (10, 16.962)])
def test_rate_left_possible(events: int, most: float) -> None:
    """Upper 95 % one-sided limits of a Poisson count, as tables have them: half the 0.95 quantile of chi-square with
    2(n + 1) degrees of freedom (from memory); 2.996 is the "rule of three"."""
    assert tally.at_most(events, 1) == pytest.approx(most, abs=0.002)
    assert tally.at_most(events, 0.5) == pytest.approx(2 * most, abs=0.004)


def test_a_curve_moves_with_the_threshold_alone() -> None:
    """Twenty clips with scores 0 to 19, of which the lowest is taken for another; four false ones in half an hour."""
    heard = [outcome(clip(ONE), ONE if score else TWO, score=score) for score in range(20)]
    false = [
        Outcome("human speech", "", None, each.hearing, each.guess, None)
        for each in (outcome(None, OTHER, score=score) for score in (1, 5, 10, 10.5))
    ]
    drawn = tally.curve(KNOWN, [*heard, *false], "score", False, ["20"], {"human speech": 0.5})
    points = {point["least"]: point for point in drawn["points"]}
    assert min(points) == 1 and max(points) == 19
    for least, point in points.items():
        assert point["right"]["20"] == pytest.approx((20 - least) / 20)
        assert point["wrong"]["20"] == 0
        assert point["per_hour"]["human speech"] == 2 * sum(score >= least for score in (1, 5, 10, 10.5))


def test_a_curve_after_the_name_leaves_out_what_had_no_name() -> None:
    judge = tally.from_threshold(KNOWN, "score", -1.0, after_name=True)
    named, unnamed = (outcome(clip(ONE), ONE) for _ in range(2))
    assert judge(named) == KNOWN.parse(ONE)
    lacking = Outcome("20", "", named.clip, named.hearing, {**unnamed.guess, "named": None}, None)
    assert judge(lacking) is None
    assert judge(outcome(clip(ONE))) is None


def test_the_foot_switch_is_held_around_each_clip_and_not_between() -> None:
    (stream,) = scene.streams(CLIPS[:2], [], None, 1)
    first, second = stream.clips
    assert scene.held(stream, first.start_ms - 100) and scene.held(stream, second.end_ms + 200)
    assert not scene.held(stream, (first.end_ms + second.start_ms) / 2)


@given(st.integers(1, 400), st.floats(0, 1))
def test_an_interval_of_a_share_is_wilsons(whole: int, share: float) -> None:
    """Against SciPy's."""
    binomtest = pytest.importorskip("scipy.stats", reason="scipy is not installed: pip install scipy").binomtest
    part = round(share * whole)
    theirs = binomtest(part, whole).proportion_ci(0.95, "wilson")
    assert spoken_counts.wilson(part, whole) == pytest.approx((theirs.low, theirs.high), abs=1e-4)


def test_what_the_bench_of_counts_says_means_the_count_that_it_says() -> None:
    plain = {
        int(value): " ".join(form) for form, value in spoken_counts.with_counts("words to 99").slots["count"].forms
    }
    known = spoken_counts.with_counts("dozens too")
    for way, counts in (("plain", range(1, 100)), ("digits", range(10, 100)), ("dozens", spoken_counts.DOZENS)):
        for label, text in spoken_counts.said(tuple(counts), way, plain):
            intent = known.parse(text)
            assert intent and str(intent.count) == label.split()[1]
