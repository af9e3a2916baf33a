"""What our pipeline costs beside the bare engine: `python -m tests.bench.overhead [--noise DIR]`.

The bare engine is pocketsphinx with the same grammar and the same options, given the same sound directly: the whole
stream, cut into pieces of 0.1 s, in utterances of ten seconds, with no noise suppression, no voice detection and no
judgement. The pipeline is the ear as the station runs it. Two streams: "busy" is one command after another with about a
second between them; "shift" is one command in every half minute of kitchen noise. CPU time of the whole process, best
of three runs. Watching the microphone's sound for trouble (audio_health.py) is shown alone too.
"""

import argparse
import time
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import numpy as np
from pocketsphinx import Config, Decoder  # type: ignore[import-untyped]

from recorder.voice.audio.audio_health import AudioHealth
from recorder.voice.audio.soundfile import RATE
from recorder.voice.ear import Ear, build
from recorder.voice.engines.grammar import jsgf
from recorder.voice.language import phrases
from recorder.voice.settings import VoiceSettings
from tests.bench import scene, sounds

BLOCK = 3_200
UTTERANCE = 320_000


def best(work: Callable[[], object]) -> float:
    """CPU seconds of the quickest of three runs."""
    costs = []
    for _ in range(3):
        begin = time.process_time()
        work()
        costs.append(time.process_time() - begin)
    return min(costs)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--noise", type=Path)
    args = options.parse_args()
    if absent := sounds.missing_programs():
        raise SystemExit(f"the bench needs {' and '.join(absent)}: apt install {' '.join(absent)}")
    known = phrases.load(files("recorder").joinpath("share/phrases-en.toml").read_text())
    settings = VoiceSettings()
    ear = Ear(build(known, settings), known, settings)
    decoder = Decoder(Config(lm=None, loglevel="FATAL", bestpath=False))
    decoder.add_jsgf_string("commands", jsgf(known, known.name))
    decoder.activate_search("commands")

    def bare(pcm: bytes) -> None:
        for start in range(0, len(pcm), UTTERANCE):
            decoder.start_utt()
            for at in range(start, min(start + UTTERANCE, len(pcm)), BLOCK):
                decoder.process_raw(pcm[at : at + BLOCK], False, False)
            decoder.end_utt()
            decoder.hyp()

    def ours(pcm: bytes) -> None:
        for _ in ear.hear(pcm[at : at + BLOCK] for at in range(0, len(pcm), BLOCK)):
            pass

    def watched(pcm: bytes) -> None:
        watch = AudioHealth()
        for at in range(0, len(pcm), BLOCK):
            watch.feed(pcm[at : at + BLOCK])

    texts = [sentence.text for sentence in known.sentences()][::16]
    beds = sounds.noises(args.noise, "reporting")
    voice = sounds.REPORTING_VOICES[0]
    clips = [(text, sounds.speak(voice, f"{known.name}, {text}")) for text in texts]
    busy = next(scene.streams(clips, beds[:1], 20, 1)).sound
    calm = np.resize(beds[0].sound, 30 * RATE) * (sounds.SPEECH_RMS / sounds.rms(beds[0].sound) / 10)
    spread = []
    for _, sound in clips[:8]:
        part = calm.copy()
        part[RATE : RATE + len(sound)] += sound
        spread.append(part)
    for name, whole in (("busy", busy), ("shift", np.concatenate(spread))):
        pcm = sounds.to_pcm(whole)
        seconds = len(pcm) / 32_000
        engine, pipeline = best(lambda pcm=pcm: bare(pcm)), best(lambda pcm=pcm: ours(pcm))  # type: ignore[misc]
        watching = best(lambda pcm=pcm: watched(pcm))  # type: ignore[misc]
        print(
            f"{name}: {seconds:.0f} s of sound; bare engine {engine:.2f} s ({engine / seconds:.4f} of real time), "
            f"pipeline {pipeline:.2f} s ({pipeline / seconds:.4f}), ratio {pipeline / engine:.2f}; "
            f"watching for trouble {watching:.2f} s ({watching / seconds:.4f}), ratio {watching / engine:.2f}"
        )


if __name__ == "__main__":
    main()
