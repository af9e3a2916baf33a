"""The default recogniser: the English model of the package moonshine-voice, run by onnxruntime.

The one door to `onnxruntime`; of moonshine-voice only the model files are read, since its own library gives text and
no likelihoods. The model spells what it hears. Here it spells the sentences of the phrase file alone, and beside them
whatever it would write unbidden: how far the best sentence stays behind that is what gives unrelated talk away.
"""

import importlib.util
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from recorder.driver import DriverUnavailable
from recorder.voice.engines import Guess
from recorder.voice.phrases import Phrases
from recorder.voice.tokens import END, START, Tokens
from recorder.voice.tree import Found, Likelihoods, grow, learn_priors, search
from recorder.voice.written import forms, numbers

PACKAGE, FOLDER = "moonshine_voice", "assets/tiny-en"

LONGEST = 24
"""Tokens after which the unbidden writing is cut off; twice the longest sentence."""

HEADS, WIDTH = 8, 36
"""Shape of the model's memory: heads, and numbers in each."""

SHORTEST = 8_000
"""Samples; a shorter sound is lengthened with silence, which the model needs to say anything."""


class Moonshine:
    """The model with the sentences of a phrase file."""

    engine = "moonshine"

    def __init__(self, phrases: Phrases, name: str, model: Path | None = None) -> None:
        """`model`: a folder with the model's files instead of the package's own. Raises `DriverUnavailable`."""
        if phrases.language != "en":
            raise DriverUnavailable(
                f"the moonshine engine knows English only and the phrase file is {phrases.language!r}; "
                'set voice.engine = "vosk" and install its model'
            )
        self._model = _Model(model or _packaged())
        self._phrases = phrases
        known = numbers(phrases)
        write = self._model.tokens.encode
        sentences = [
            (sentence.text, write(written + end))
            for sentence in phrases
            for form in forms(sentence.text, known)
            for written in ((form,) if name else (form.capitalize(),))
            for end in ("", ".")
        ]
        self._tree = grow(sentences)
        lower = name.capitalize()
        self._names = [write(f"{lower},"), write(f"{name.title()},"), write(f"{lower}.")] if name else []
        quiet = _Reader(self._model, self._model.quiet())
        learn_priors(self._tree, quiet.begin(self._names[0] if name else ())[-1:], quiet)

    def recognise(self, pcm: bytes) -> Guess | None:
        if not pcm:
            return None
        sound = self._model.hear(pcm)
        free, unbidden, spoken = self._write_freely(sound)
        reader = _Reader(self._model, sound)
        named = None
        if self._names:
            tries = [(self._name(sound, name)) for name in self._names]
            named, reader, first = max(tries, key=lambda each: each[0])
        else:
            first = reader.begin(())[-1:]
        found = search(self._tree, first, reader)
        if not found:
            return None
        best = found[0]
        meaning = self._phrases.parse(best.text)
        other = next((each for each in found[1:] if self._phrases.parse(each.text) != meaning), None)
        total = best.likelihood + (named or 0.0)
        evidence = {
            "named": named or 0.0,
            "gap": total - free,
            "fit": best.fit,
            "lead": best.fit - other.fit if other else 99.0,
            "tokens": float(best.tokens),
            "free": free,
            "spoken": float(spoken),
            "seconds": len(pcm) / 32_000,
        }
        return Guess(best.text, named, total - free, 0.0, 0, evidence)

    def _name(self, sound: Any, name: Sequence[int]) -> tuple[float, "_Reader", Likelihoods]:
        reader = _Reader(self._model, sound)
        rows = reader.begin(name)
        return sum(float(rows[at, token]) for at, token in enumerate(name)), reader, rows[-1:]

    def _write_freely(self, sound: Any) -> tuple[float, str, int]:
        reader = _Reader(self._model, sound)
        row = reader.begin(())[-1]
        total, tokens = 0.0, []
        while len(tokens) < LONGEST:
            token = int(row.argmax())
            total += float(row[token])
            if token == END:
                break
            tokens.append(token)
            row = reader.follow([token], [0])[0]
        return total, self._model.tokens.decode(tokens), len(tokens)


def _packaged() -> Path:
    spec = importlib.util.find_spec(PACKAGE)
    folders = [Path(place) / FOLDER for place in (spec.submodule_search_locations or ())] if spec else []
    if not (found := [folder for folder in folders if folder.is_dir()]):
        raise DriverUnavailable(
            "the moonshine engine needs the model that moonshine-voice brings up to version 0.1.0; "
            "pip install 'moonshine-voice<=0.1.0', or set voice.model to a folder with its files"
        )
    return found[0]


class _Model:
    """The two networks and the token list."""

    def __init__(self, folder: Path) -> None:
        try:
            import numpy
            import onnxruntime
        except ImportError as error:
            raise DriverUnavailable("the moonshine engine needs onnxruntime; pip install onnxruntime") from error
        self.numpy: Any = numpy
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = options.inter_op_num_threads = 1
        options.log_severity_level = 3
        try:
            self.tokens = Tokens((folder / "tokenizer.bin").read_bytes())
            self.encoder, self.decoder = (
                onnxruntime.InferenceSession(folder / f"{part}.ort", options, providers=["CPUExecutionProvider"])
                for part in ("encoder_model", "decoder_model_merged")
            )
        except Exception as error:  # onnxruntime's errors have no common class but this
            raise DriverUnavailable(f"the model in {folder} cannot be read: {error}") from error
        self.memory = [each.name for each in self.decoder.get_inputs() if each.name.startswith("past_key_values")]
        self.present = [name.replace("past_key_values", "present") for name in self.memory]

    def hear(self, pcm: bytes) -> Any:
        """What the model makes of 16 kHz mono 16-bit sound."""
        sound = self.numpy.frombuffer(pcm, "<i2").astype("float32") / 32768
        if len(sound) < SHORTEST:
            sound = self.numpy.pad(sound, (0, SHORTEST - len(sound)))
        return self._encode(sound)

    def quiet(self) -> Any:
        """What it makes of a room in which nobody speaks."""
        return self._encode(self.numpy.random.default_rng(1).standard_normal(32_000).astype("float32") * 0.01)

    def _encode(self, sound: Any) -> Any:
        every = self.numpy.ones((1, len(sound)), "int64")
        return self.encoder.run(None, {"input_values": sound[None], "attention_mask": every})[0]


class _Reader:
    """The model writing about one sound."""

    def __init__(self, model: _Model, sound: Any) -> None:
        self._model, self._sound = model, sound
        self._memory: dict[str, Any] = {}

    def begin(self, tokens: Sequence[int]) -> Likelihoods:
        """Write `tokens` from the start; the likelihoods of the first one, of each next, and of what may follow."""
        nothing = self._model.numpy.zeros((1, HEADS, 0, WIDTH), "float32")
        return self._run([[START, *tokens]], self._sound, dict.fromkeys(self._model.memory, nothing), False)[0]

    def follow(self, tokens: Sequence[int], rows: Sequence[int]) -> Likelihoods:
        numpy, count = self._model.numpy, len(tokens)
        memory = {
            name: value[rows] if "decoder" in name else numpy.repeat(value[:1], count, 0)
            for name, value in self._memory.items()
        }
        sound = numpy.repeat(self._sound, count, 0)
        return self._run([[token] for token in tokens], sound, memory, True)[:, -1]

    def _run(self, tokens: list[list[int]], sound: Any, memory: dict[str, Any], again: bool) -> Likelihoods:
        model, numpy = self._model, self._model.numpy
        heard = numpy.ones(sound.shape[:2], "int64")
        scores, *after = model.decoder.run(
            ["logits", *model.present],
            {
                "input_ids": numpy.array(tokens, "int64"),
                "encoder_hidden_states": sound,
                "encoder_attention_mask": heard,
                "use_cache_branch": numpy.array([again]),
                **memory,
            },
        )
        for name, value in zip(model.memory, after, strict=True):
            if not again or "decoder" in name:
                self._memory[name] = value
        scores = scores - scores.max(-1, keepdims=True)
        return scores - numpy.log(numpy.exp(scores).sum(-1, keepdims=True))  # type: ignore[no-any-return]
