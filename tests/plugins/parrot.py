"""A package that is not ours: a kind of probe and a recogniser, as `parrot-1.0.dist-info` declares them."""

import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from recorder.clock import Clock
from recorder.probes.kinds import Detection, Offer, Search
from recorder.probes.source import READ_S, Chunk, Found, Reader, Sample
from recorder.voice.engines import Guess
from recorder.voice.language.phrases import Phrases


@dataclass(frozen=True, slots=True)
class ParrotSettings:
    """A probe that says one temperature again and again."""

    driver: str
    cage: str
    temp_c: float = 20.0
    silence_s: float = 10.0
    period_s: float = 1.0

    @classmethod
    def detect(cls, search: Search) -> Detection:
        return Detection("Cages", lambda: [Offer(cls("parrot", "7"), ("a grey one",), {"cage": "or another"})])

    def title(self) -> str:
        return f"parrot {self.cage}"

    def url(self) -> str:
        return f"parrot:{self.cage}?temp_c={self.temp_c}"

    def names(self) -> tuple[str, ...]:
        return ("cabinet",)

    def reader(self) -> "ParrotReader":
        return ParrotReader()

    def faster(self) -> str:
        return "Feed it."

    def source(self, clock: Clock) -> "Parrot":
        return Parrot(self.temp_c)


class Parrot:
    """The device."""

    def __init__(self, temp_c: float) -> None:
        self._temp_c = temp_c

    def chunks(self, stop: threading.Event) -> Iterator[Chunk | None]:
        while not stop.wait(READ_S):
            yield Chunk(f"{self._temp_c}".encode())


class ParrotReader(Reader):
    """Its words as numbers."""

    def read(self, chunk: Chunk) -> list[Found]:
        return self.counted(Sample("cabinet", float(chunk.data)))

    def reopened(self) -> None:
        pass


class ParrotEar:
    """A recogniser that hears the same in everything."""

    engine = "parrot"

    def __init__(self, phrases: Phrases, name: str, model: Path | None) -> None:
        self._named = 1.0 if name else None

    def recognise(self, pcm: bytes) -> Guess | None:
        return Guess("status", self._named, 1.0)
