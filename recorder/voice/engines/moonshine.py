"""The default recogniser: the English model that the package moonshine-voice brings, run by onnxruntime.

The one door to `onnxruntime`. Of moonshine-voice only the model's files are read: its own library gives text and no
likelihoods. The model spells what it hears. Here it may spell the station's name and the sentences of the phrase file
alone: how little it is inclined to spell the name gives unrelated talk away.
"""

import contextlib
import ctypes
import importlib.util
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from recorder.driver import DriverUnavailable
from recorder.voice.engines import Guess
from recorder.voice.engines.tokens import START, Tokens
from recorder.voice.engines.tree import Found, Written, agreed, grow, learn_priors, search
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.written import forms, numbers, spelled_out

PACKAGE, FOLDER = "moonshine_voice", "assets/tiny-en"

TOKENS, NETWORKS = "tokenizer.bin", ("encoder_model.ort", "decoder_model_merged.ort")
"""The model's files."""

HEADS, WIDTH = 8, 36
"""Shape of the model's memory: heads, and numbers in each."""

SHORTEST = 8_000
"""Samples; a shorter sound is lengthened with silence."""

UNSURE = 3.0
"""With less lead than this over the second best a sound is heard once more, slower."""

SLOWER = 0.9
"""So much of its speed, and of its pitch, is left then."""


class Moonshine:
    """The model with the sentences of a phrase file."""

    engine = "moonshine"

    def __init__(self, phrases: Phrases, name: str, model: Path | None = None) -> None:
        """`model`: a folder with the model's files instead of the package's own. Raises `DriverUnavailable`."""
        if phrases.language != "en":
            raise DriverUnavailable(
                f"the moonshine engine knows English and the phrase file is in {phrases.language!r}; "
                'set voice.engine = "vosk" and give it a model of that language'
            )
        folder = model or _packaged()
        self._model = _Model(folder)
        self._phrases = phrases
        tokens = _tokens(folder)
        known, apart = numbers(phrases), spelled_out(phrases)
        try:
            self._name = tokens.encode(f"{name.capitalize()},") if name else ()
            self._tree = grow(
                (sentence.text, tokens.encode((form if name else form.capitalize()) + end))
                for sentence in phrases
                for form in forms(sentence.text, known, sentence.intent.count not in apart)
                for end in ("", ".")
            )
        except ValueError as error:
            raise DriverUnavailable(f"{error}; spell the phrase file and the station's name in English") from error
        quiet = self._model.quiet()
        learn_priors(self._tree, quiet.begin(self._name)[1], quiet)
        del tokens, quiet
        _give_back()

    def recognise(self, pcm: bytes) -> Guess | None:
        """As `Recogniser` promises."""
        if not pcm:
            return None
        named, found = self._search(pcm)
        best, other = self._first_two(found)
        if other and best.fit - other.fit < UNSURE:
            best, other = self._first_two(agreed(found, self._search(pcm, SLOWER)[1]))
        _give_back()
        return Guess(
            text=best.text,
            named=named if self._name else None,
            score=best.fit,
            other=other.text if other else "",
            lead=best.fit - other.fit if other else math.inf,
        )

    def _search(self, pcm: bytes, speed: float = 1.0) -> tuple[float, list[Found]]:
        """How well the name fits, and the sentences after it."""
        sound = self._model.hear(pcm, speed)
        named, start = sound.begin(self._name)
        return named, search(self._tree, start, sound)

    def _first_two(self, found: Sequence[Found]) -> tuple[Found, Found | None]:
        """The best, and the next that means something else."""
        meaning = self._phrases.parse(found[0].text)
        return found[0], next((each for each in found if self._phrases.parse(each.text) != meaning), None)


def _packaged() -> Path:
    spec = importlib.util.find_spec(PACKAGE)
    folders = [Path(place) / FOLDER for place in (spec.submodule_search_locations or ())] if spec else []
    for folder in folders:
        if folder.is_dir():
            return folder
    raise DriverUnavailable(
        "the moonshine engine needs the model that moonshine-voice brings up to version 0.1.0: "
        "pip install 'moonshine-voice<=0.1.0'; or set voice.model to a folder with its files"
    )


def _tokens(folder: Path) -> Tokens:
    try:
        return Tokens((folder / TOKENS).read_bytes())
    except (OSError, ValueError) as error:
        raise DriverUnavailable(f"the model in {folder} can't be read: {error}") from error


class _Model:
    """The two networks."""

    def __init__(self, folder: Path) -> None:
        try:
            import numpy
            import onnxruntime
        except ImportError as error:
            raise DriverUnavailable("the moonshine engine needs onnxruntime; pip install onnxruntime") from error
        self.numpy: Any = numpy
        if lacking := [file for file in (TOKENS, *NETWORKS) if not (folder / file).is_file()]:
            raise DriverUnavailable(
                f"the model in {folder} lacks {', '.join(lacking)}; put it there or unset voice.model"
            )
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        options.enable_cpu_mem_arena = False  # an arena never gives back what one long utterance took
        try:
            self.encoder, self.decoder = (
                onnxruntime.InferenceSession(folder / network, options, providers=["CPUExecutionProvider"])
                for network in NETWORKS
            )
        except Exception as error:  # onnxruntime's errors share no class but this one
            raise DriverUnavailable(f"the model in {folder} can't be read: {error}") from error
        names = [each.name for each in self.decoder.get_inputs() if each.name.startswith("past_key_values")]
        self.about_text = [name for name in names if "decoder" in name]
        self.about_sound = [name for name in names if "encoder" in name]
        _give_back()

    def hear(self, pcm: bytes, speed: float = 1.0) -> "_Sound":
        """The model having heard 16 kHz mono 16-bit sound, played at `speed`."""
        sound = self.numpy.frombuffer(pcm, "<i2").astype("float32") / 32_768
        if speed != 1:
            places = self.numpy.arange(int(len(sound) / speed)) * speed
            sound = self.numpy.interp(places, self.numpy.arange(len(sound)), sound).astype("float32")
        return _Sound(self, self.numpy.pad(sound, (0, max(0, SHORTEST - len(sound)))))

    def quiet(self) -> "_Sound":
        """The model having heard a room in which nobody speaks."""
        return _Sound(self, self.numpy.random.default_rng(1).standard_normal(32_000).astype("float32") * 0.01)


class _Sound:
    """The model having heard one sound."""

    def __init__(self, model: _Model, sound: Any) -> None:
        self._model = model
        every = model.numpy.ones((1, len(sound)), "int64")
        (self._heard,) = model.encoder.run(None, {"input_values": sound[None], "attention_mask": every})
        self._about_sound: dict[str, Any] = {}

    def begin(self, tokens: Sequence[int]) -> tuple[float, Written]:
        """Write `tokens` from the start: the natural logarithm of their likelihood, and what may follow."""
        model = self._model
        nothing = model.numpy.zeros((1, HEADS, 0, WIDTH), "float32")
        names = model.about_text + model.about_sound
        rows, memory = self._run([[START, *tokens]], dict.fromkeys(names, nothing), names)
        self._about_sound = {name: memory[name] for name in model.about_sound}
        likely = sum(float(rows[0, at, token]) for at, token in enumerate(tokens))
        return likely, Written(rows[:, -1], {name: memory[name] for name in model.about_text})

    def follow(self, before: Written, rows: Sequence[int], tokens: Sequence[int]) -> Written:
        """See `tree.Reader`."""
        wide = {name: self._model.numpy.repeat(value, len(rows), 0) for name, value in self._about_sound.items()}
        narrow = {name: value[list(rows)] for name, value in before.memory.items()}
        likelihoods, memory = self._run([[token] for token in tokens], narrow | wide, self._model.about_text)
        return Written(likelihoods[:, -1], memory)

    def _run(self, tokens: list[list[int]], memory: dict[str, Any], wanted: list[str]) -> tuple[Any, dict[str, Any]]:
        """Natural logarithms of likelihood after each of `tokens`, and the memory in `wanted` as it is then."""
        model, numpy = self._model, self._model.numpy
        heard = numpy.repeat(self._heard, len(tokens), 0)
        scores, *after = model.decoder.run(
            ["logits", *(name.replace("past_key_values", "present") for name in wanted)],
            {
                "input_ids": numpy.array(tokens, "int64"),
                "encoder_hidden_states": heard,
                "encoder_attention_mask": numpy.ones((len(tokens), 1), "int64"),  # one for the whole sound
                "use_cache_branch": numpy.array([len(wanted) == len(model.about_text)]),
                **memory,
            },
        )
        scores -= scores.max(-1, keepdims=True)
        return scores - numpy.log(numpy.exp(scores).sum(-1, keepdims=True)), dict(zip(wanted, after, strict=True))


def _give_back() -> None:
    """Return freed memory to the system: glibc keeps what the large arrays of one utterance took."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
