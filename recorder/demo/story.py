"""An invented shift at an invented school canteen: what the cook says and does, and what happens to probe and broker.

The story is data. `director.py` plays it through the real parts; nothing here knows them.
"""

from collections.abc import Iterator
from dataclasses import dataclass

STATION = "canteen-line-2"
VATS = (1,)
START_MS = 1_772_100_000_000
"""26 February 2026, 10:00 UTC."""


@dataclass(frozen=True, slots=True)
class Say:
    """The cook says something: a sound file of share/voices."""

    clip: str


@dataclass(frozen=True, slots=True)
class Wait:
    """Time passes."""

    seconds: int


@dataclass(frozen=True, slots=True)
class Probe:
    """Something happens to a probe or to what it measures; a method of the simulated firmware's story."""

    what: str
    value_c: float | None = None


@dataclass(frozen=True, slots=True)
class Broker:
    """The broker goes away or comes back."""

    back: bool


@dataclass(frozen=True, slots=True)
class InHand:
    """The manager answers an alert on the phone."""

    kind: str
    by: str


@dataclass(frozen=True, slots=True)
class Hands:
    """What the cook does without a word."""

    text: str


@dataclass(frozen=True, slots=True)
class Tell:
    """A line for the one who watches."""

    text: str


Scene = Say | Wait | Probe | Broker | InHand | Hands | Tell

RELEASE_S = 60
"""How long the cook waits until the fryer's own gauge shows no pressure: an invented time, the maker's counts."""

DRAIN_S = 45
"""How long the basket drains over the vat before a piece is touched."""

YESTERDAY = (
    (188.6, 181.0, 186.0, 188.0),
    (187.2, 184.0, 189.0, 188.6),
    (189.1, 179.5, 185.0, 187.9),
    (188.0, 183.0, 188.0, 188.4),
    (187.5, 180.5, 184.5, 189.1),
    (188.9, 184.5, 188.5, 188.1),
    (188.2, 181.5, 186.0, 187.4),
    (187.8, 183.5, 187.5, 188.8),
    (188.4, 180.0, 185.5, 187.9),
)
"""What yesterday's batches were read at: thigh, breast, leg, thigh, in °F."""


def celsius(value: float) -> float:
    """`value` in °F."""
    return (value - 32) * 5 / 9


def scenes() -> Iterator[Scene]:
    """The shift, about 90 minutes of it."""
    yield from _opening()
    yield from _clean_batch()
    yield from _batch_with_a_cold_piece()
    yield from _hold_that_runs_long()
    yield from _batch_in_cool_oil()
    yield from _closing()


def seconds() -> int:
    """How long the shift takes in the kitchen's own time."""
    return sum(scene.seconds for scene in scenes() if isinstance(scene, Wait))


def _opening() -> Iterator[Scene]:
    yield Tell("The shift opens. The oil is hot.")
    yield Wait(20)
    yield Say("shift-start-cook-four")
    yield Wait(15)
    yield Tell("The probe itself is checked, in a cup of ice water.")
    yield Say("ice-point")
    yield Wait(5)
    yield Probe("insert", 0.2)
    yield Wait(30)
    yield Probe("withdraw")
    yield Wait(40)
    yield Say("oil-level-ok")
    yield Wait(20)


def _clean_batch() -> Iterator[Scene]:
    yield Tell("Batch 1: loaded in order, cooked its time, four pieces checked.")
    yield from _load()
    yield Wait(300)
    yield Tell("Somebody talks near the recorder. It is not meant.")
    yield Say("talk")
    yield Wait(430)
    yield from _checks(("thigh", 186), ("breast", 182), ("leg", 188), ("thigh", 184))
    yield Wait(20)
    yield Say("hold-start")
    yield Wait(40)
    yield InHand("batches run colder", "MK")
    yield Wait(20)


def _batch_with_a_cold_piece() -> Iterator[Scene]:
    yield Tell("Batch 2: a wrong word is struck; one thigh falls short, is cooked on and checked again.")
    yield Say("batch-start")
    yield Wait(10)
    yield Say("load-wings-twelve")
    yield Wait(5)
    yield Say("scratch-that")
    yield Wait(5)
    yield from _load(start=False)
    yield Wait(200)
    yield Say("near-miss")
    yield Wait(8)
    yield Say("time-left")
    yield Wait(520)
    yield from _checks(("thigh", 168), ("breast", 181))
    yield Wait(8)
    yield Say("cook-more")
    yield Wait(12)
    yield Probe("load_vat")
    yield Say("lid-locked")
    yield Wait(180)
    yield from _checks(("thigh", 183), ("breast", 187), ("leg", 185), ("thigh", 181))
    yield Wait(15)
    yield Say("hold-start")
    yield Wait(30)


def _hold_that_runs_long() -> Iterator[Scene]:
    yield Tell("The broker goes away while batch 1 runs past its hold. Messages wait on disk.")
    yield Broker(back=False)
    yield Wait(480)
    yield Tell("The broker is back.")
    yield Broker(back=True)
    yield Wait(20)
    yield Say("status")
    yield Wait(10)
    yield Say("discard-twelve-pieces-batch-one")
    yield Wait(6)
    yield Say("confirm")
    yield Wait(10)
    yield Say("discard-batch-one")
    yield Wait(6)
    yield Say("confirm")
    yield Wait(60)
    yield Tell("The needle's plug is pulled and put back.")
    yield Probe("pull_connector")
    yield Wait(40)
    yield Probe("put_back")
    yield Wait(30)


def _batch_in_cool_oil() -> Iterator[Scene]:
    yield Tell("Batch 3 goes into oil that is too cool. Batch 2 is sold.")
    yield Probe("set_oil", celsius(312))
    yield Wait(120)
    yield from _load()
    yield Probe("set_oil", celsius(338))
    yield Wait(300)
    yield Say("hold-end-batch-two")
    yield Wait(430)
    yield from _checks(("thigh", 182), ("breast", 179), ("leg", 184), ("thigh", 186))
    yield Wait(12)
    yield Say("last-reading")
    yield Wait(6)
    yield Say("hold-start")


def _closing() -> Iterator[Scene]:
    yield Wait(900)
    yield Say("hold-end")
    yield Wait(60)
    yield Say("oil-filtered")
    yield Wait(20)
    yield Say("shift-end-cook-four")
    yield Wait(10)


def _load(start: bool = True) -> Iterator[Scene]:
    if start:
        yield Say("batch-start")
        yield Wait(10)
    for part in ("thighs", "breasts", "legs"):
        yield Say(f"load-{part}-twelve")
        yield Wait(12)
    yield Probe("load_vat")
    yield Say("lid-locked")


def _checks(*pieces: tuple[str, float]) -> Iterator[Scene]:
    """The pressure goes and the lid is opened, the basket drains, and these pieces are checked: part and °F."""
    yield Hands("the pressure is let go by the maker's instructions, until the gauge shows zero")
    yield Wait(RELEASE_S)
    yield Say("lid-open")
    yield Hands("the basket drains over the vat")
    yield Wait(DRAIN_S)
    for part, value in pieces:
        yield Say(f"probe-{part}")
        yield Wait(3)
        yield Probe("insert", celsius(value))
        yield Wait(32)
        yield Probe("withdraw")
        yield Wait(6)
