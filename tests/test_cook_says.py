"""What cooks say beside clean commands, in synthetic speech through the default recogniser; a few clips of the bench
`tests.bench.cook`. Before the net of tokens, eight of these ten were taken wrong or not at all."""

import pytest

np = pytest.importorskip("numpy", reason="numpy is not installed: pip install numpy")

from recorder.voice import ear  # noqa: E402
from recorder.voice.audio.soundfile import RATE, read_wav  # noqa: E402
from recorder.voice.engines import Recogniser  # noqa: E402
from recorder.voice.settings import VoiceSettings  # noqa: E402
from tests.bench import sounds  # noqa: E402
from tests.ears import CLIPS  # noqa: E402
from tests.ears import KNOWN as ALL  # noqa: E402
from tests.system import needs  # noqa: E402

KNOWN = ALL.for_loads_of(24)
VOICE = sounds.Voice("flite", "slt")


@pytest.fixture(scope="module")
def recogniser() -> Recogniser:
    return ear.build(KNOWN, VoiceSettings())


def taken(recogniser: Recogniser, *pieces: str | float) -> list[str]:
    """The commands in speech with pauses between."""
    still = np.random.default_rng(1).standard_normal(8 * RATE).astype(np.float32) * np.float32(0.0005)
    row = [still[:RATE]]
    row += [still[: int(each * RATE)] if isinstance(each, float) else sounds.speak(VOICE, each) for each in pieces]
    pcm = sounds.to_pcm(np.concatenate([*row, still[: 3 * RATE]]))
    blocks = (pcm[at : at + 3_200] for at in range(0, len(pcm), 3_200))
    heard = list(ear.Ear(recogniser, KNOWN, VoiceSettings()).hear(blocks))
    print(heard)  # shown where a test fails
    return [hearing.text for hearing in heard if hearing.accepted]


@needs("flite", "flite")
@pytest.mark.parametrize(
    ("pieces", "meant"),
    [
        (("kitchen recorder", 1.0, "lid locked"), ["lid locked"]),
        (("kitchen recorder, kitchen recorder, lid locked",), ["lid locked"]),
        (("kitchen recorder, load thighs", 0.8, "twelve"), ["load thighs twelve"]),
        (("kitchen recorder, load thighs twelve, no, fourteen",), ["load thighs fourteen"]),
        (("kitchen recorder, hold start, no, hold end",), ["hold end"]),
        (("kitchen recorder, discard batch, no, wait",), []),
        (("kitchen recorder, load twelve thighs",), ["load twelve thighs"]),
        (("kitchen recorder, please end the hold",), ["end the hold"]),
        (("kitchen recorder, scratch my back",), []),
        (("kitchen recorder, sold five pieces did you see the game",), []),
    ],
)
def test_what_is_said_otherwise_is_understood_or_asked_back(
    pieces: tuple[str | float, ...], meant: list[str], recogniser: Recogniser
) -> None:
    assert taken(recogniser, *pieces) == meant


def test_a_command_is_heard_out_of_the_talk_of_somebody_farther_off(recogniser: Recogniser) -> None:
    """Who talks is 12 dB softer, begins 3 s before the cook and goes on for 4 s after."""
    talk = np.tile(np.frombuffer(read_wav(CLIPS / "talk.wav"), "<i2")[4_800:-11_200], 4).astype(np.float64)
    command = np.frombuffer(read_wav(CLIPS / "lid-locked.wav"), "<i2")[4_800:-11_200].astype(np.float64)
    talk *= np.sqrt(np.mean(command**2) / np.mean(talk**2)) * 10 ** (-12 / 20)
    talk[3 * RATE : 3 * RATE + len(command)] += command
    pcm = talk[: 7 * RATE + len(command)].astype("<i2").tobytes()
    blocks = (pcm[at : at + 3_200] for at in range(0, len(pcm), 3_200))
    heard = [each for each in ear.Ear(recogniser, KNOWN, VoiceSettings()).hear(blocks) if each.accepted]
    assert [each.text for each in heard] == ["lid locked"]
