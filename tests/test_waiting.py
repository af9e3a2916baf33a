"""What the ear does with speech that may go on, was taken back, or goes on after a command; with a scripted recogniser.

What the recogniser would say is scripted by the length of the sound, so no model is loaded."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from recorder.voice.audio.soundfile import read_wav
from recorder.voice.ear import NAME_LIVES_MS, Ear, Hearing
from recorder.voice.engines import Guess
from recorder.voice.settings import SHIPPED, Judgement, VoiceSettings
from tests.ears import CLIPS, KNOWN, LEAST, Scripted, hiss

SPEECH = read_wav(CLIPS / "talk.wav")[9_600:40_000]
TOLERANT = VoiceSettings(thresholds=replace(LEAST, plain=replace(LEAST.plain, goes_on=2.0)))

SURE = Guess("status", named=-1.0, score=-1.0)
ALONE = replace(SURE, text="")
NOBODY = Guess("", named=-9.0, score=-9.0)


class ByLength(Scripted):
    """One guess for what is as long as one clip, another for what is longer."""

    def __init__(self, first: Guess, second: Guess, together: Guess) -> None:
        super().__init__(None)
        self._first, self._second, self._together = first, second, together
        self._heard = 0

    def recognise(self, pcm: bytes) -> Guess | None:
        if len(pcm) > 1.6 * len(SPEECH):
            return self._together
        self._heard += 1
        return self._first if self._heard == 1 else self._second


def heard(recogniser: Scripted, pause_s: float, attentive: Callable[[], None] = lambda: None) -> list[Hearing]:
    """Two clips with a pause between."""
    pcm = hiss(0.5, 20) + SPEECH + hiss(pause_s, 20) + SPEECH + hiss(3, 20)
    blocks = (pcm[at : at + 3_200] for at in range(0, len(pcm), 3_200))
    return list(Ear(recogniser, KNOWN, TOLERANT, attentive).hear(blocks))


def test_the_name_alone_is_followed_by_a_command_after_a_pause_and_a_tone_says_so() -> None:
    tones: list[str] = []
    (hearing,) = heard(ByLength(ALONE, NOBODY, SURE), 1.2, lambda: tones.append("soft"))
    assert hearing.text == "status" and hearing.accepted and tones == ["soft"]


def test_after_too_long_the_name_is_forgotten_and_what_follows_is_talk() -> None:
    first, second = heard(ByLength(ALONE, NOBODY, SURE), NAME_LIVES_MS / 1000 + 0.6)
    assert (first.reason, first.near) == ("not a whole sentence of the phrase file", True)
    assert (second.reason, second.near) == ("the station's name was not heard", False)


def test_the_name_said_again_with_a_command_leaves_no_refusal_behind() -> None:
    (hearing,) = heard(ByLength(ALONE, SURE, NOBODY), 1.2)
    assert hearing.accepted


def test_a_sentence_that_can_go_on_waits_for_its_count() -> None:
    load, twelve = replace(SURE, text="load thighs"), replace(SURE, text="load thighs twelve")
    (hearing,) = heard(ByLength(load, NOBODY, twelve), 0.8)
    assert hearing.text == "load thighs twelve"


def test_a_sentence_whose_count_never_comes_is_taken_as_it_stands() -> None:
    load = replace(SURE, text="load thighs")
    first, second = heard(ByLength(load, NOBODY, NOBODY), 2.0)
    assert first.text == "load thighs" and first.accepted and not second.accepted


def test_a_beginning_is_heard_together_with_its_end() -> None:
    begun, whole = replace(SURE, text="hold end batch"), replace(SURE, text="hold end batch seven")
    (hearing,) = heard(ByLength(begun, NOBODY, whole), 0.8)
    assert hearing.text == "hold end batch seven"


@pytest.mark.parametrize(
    ("guess", "reason"),
    [
        (replace(SURE, goes_on=1.9), ""),
        (replace(SURE, goes_on=2.1), "more was said than a command"),
        (replace(SURE, text="", taken_back=True), "it was taken back"),
    ],
)
def test_what_follows_a_command_must_be_explained(guess: Guess, reason: str) -> None:
    (hearing,) = Ear(Scripted(guess), KNOWN, TOLERANT).hear([SPEECH + hiss(1, 20)])
    assert (hearing.reason, hearing.near) == (reason, reason != "")


@pytest.mark.parametrize("text", ["scratch that", "confirm", "discard batch two", "discard five pieces"])
def test_what_strikes_or_destroys_needs_more_certainty_than_a_question(text: str) -> None:
    shipped: Judgement = SHIPPED["moonshine"]
    barely = Guess(text, named=-19.0, score=shipped.plain.score + 1, lead=2.0, goes_on=2.0, strained=13.0)
    (struck,) = Ear(Scripted(barely), KNOWN, VoiceSettings()).hear([SPEECH + hiss(1, 20)])
    asked = replace(barely, text="time left vat two")
    (answered,) = Ear(Scripted(asked), KNOWN, VoiceSettings()).hear([SPEECH + hiss(1, 20)])
    assert answered.accepted and not struck.accepted
