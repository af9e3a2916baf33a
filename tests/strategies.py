"""Any event that could reach the station, sensible or not, for Hypothesis."""

from dataclasses import replace
from functools import partial
from typing import Any

from hypothesis import strategies as st

from recorder.core import alerts
from recorder.core import events as e
from recorder.core import meanings as m
from recorder.core.limits import Limit
from recorder.core.procedure import Part, Procedure
from tests.kitchen import PROCEDURE

KINDS = [value for name, value in vars(alerts).items() if name.isupper() and isinstance(value, str)]
"""Of alerts."""

times = st.integers(0, 2**45)
texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=20)
temperatures = st.floats(-200, 500, allow_nan=False)
channels = st.sampled_from(["needle", "cabinet", "vat1", "vat2", "elsewhere"])
small = st.none() | st.integers(0, 5)
intents = st.builds(
    e.Intent,
    st.sampled_from((*m.ALL, "nonsense")),
    vat=small,
    batch=small,
    part=st.sampled_from([None, "thigh", "breast", "wing", "neck"]),
    count=st.none() | st.integers(0, 60),
    cook=small,
    number=st.none() | st.floats(0, 300),
    percent=st.none() | st.floats(-1, 101),
)
alert_ids = st.builds(alerts.alert_id, st.integers(1, 45), st.sampled_from(KINDS)) | texts
limits = st.builds(Limit, st.floats(0, 400), st.sampled_from("FC"))
lengths = st.integers(-5, 10_000_000)
asked_first = st.lists(st.sampled_from(m.COMMANDS), max_size=6).map(tuple)
rules = st.integers(1, e.RULES)
site = {
    "probe_check_every_ms": st.none() | st.integers(-1, 10_000_000),
    "altitude_m": st.none() | st.floats(-600, 6000),
    "polar_limit": st.none() | st.floats(-1, 101),
}
procedures = st.builds(partial(replace, PROCEDURE), ask_first=asked_first, **site) | st.builds(
    Procedure,
    texts,
    st.sampled_from("FC"),
    st.lists(st.builds(Part, texts, limits, limits), max_size=3).map(tuple),
    *(lengths,) * 9,
    *(limits,) * 3,
    st.booleans(),
    asked_first | st.just(("confirm",)),
    **site,
)


def events(at: st.SearchStrategy[int] = times) -> st.SearchStrategy[e.Event]:
    """One event of any kind, at a time drawn from `at`."""
    score = st.none() | st.floats(-100, 100)
    listening = st.sampled_from(["name", "open", "switch"])
    return st.one_of(
        st.builds(e.Started, at, st.sampled_from(["a", "b"]), st.booleans(), texts, texts, st.just((1, 2)), rules),
        st.builds(e.ProcedureLoaded, at, procedures),
        st.builds(e.Reading, at, channels, temperatures, st.booleans(), st.integers(0, 5)),
        st.builds(e.Reading, at, st.just("vat1"), st.floats(130, 180)),
        st.builds(
            e.Reading,
            at,
            st.just("needle"),
            temperatures,
            st.just(True),
            st.integers(0, 100),
            st.none() | st.floats(0, 5),
            st.none() | st.integers(0, 90_000),
            st.booleans(),
        ),
        st.builds(e.ProbeLost, at, channels, texts),
        st.builds(e.ProbeBack, at, channels),
        st.builds(e.ProbeCharge, at, channels, st.integers(0, 100)),
        st.builds(e.Heard, at, texts, intents, texts, listening, score, st.none() | intents, texts),
        st.builds(e.Unheard, at, texts, texts, texts, listening, score),
        ear_events(at),
        st.builds(e.Acknowledged, at, alert_ids, texts),
        st.builds(e.Seen, at, alert_ids, texts),
        st.builds(e.Signed, at, texts, texts, texts),
        st.builds(e.LinkDown, at, texts),
        st.builds(e.LinkUp, at),
        st.builds(e.RecordsSetAside, at, texts, texts),
        st.builds(e.SpaceLow, at, st.integers(0, 10**6), st.integers(0, 10**6)),
        st.builds(e.SpaceBack, at, st.integers(0, 10**6)),
        st.builds(e.Tick, at),
        st.builds(e.ClockStepped, at, st.integers(-(2**40), 2**40), st.booleans()),
        st.builds(e.Stopped, at),
    )


def ear_events(at: st.SearchStrategy[int] = times) -> st.SearchStrategy[e.Event]:
    """How the ear fares: deaf, back, in trouble, out of it."""
    return st.one_of(
        st.builds(e.EarLost, at, texts),
        st.builds(e.EarBack, at),
        st.builds(e.EarTrouble, at, st.sampled_from([e.SILENT, e.OFFSET, e.CLIPPING, e.TOO_LOUD]) | texts),
        st.builds(e.EarClear, at),
    )


def _say(meaning: str, **slots: Any) -> e.Heard:
    return e.Heard(0, meaning, e.Intent(meaning, **slots), "test", "open")


def _needle(value: float) -> e.Reading:
    """The needle in its next spot, in °F; which one that is, the story says."""
    return e.Reading(0, e.NEEDLE, (value - 32) * 5 / 9, True, 0, 0.2, 9_000)


def _batch(end: str) -> list[tuple[int, e.Event]]:
    """A batch of two parts from its start to `end`: how long after what came before, in ms, and what happens."""
    checks = [(part, value) for part in ("thigh", "wing") for value in (186, 184)]
    return [
        (20_000, e.Reading(0, "vat1", 171.0)),
        (20_000, _say(m.BATCH_START, vat=1)),
        (10_000, _say(m.LOAD, part="thigh", count=12)),
        (10_000, _say(m.LOAD, part="wing", count=6)),
        (10_000, _say(m.LID_LOCKED, vat=1)),
        (60_000, e.Reading(0, "vat1", 158.0)),
        (720_000, _say(m.LID_OPEN, vat=1)),
        *(each for part, value in checks for each in ((30_000, _say(m.PROBE, part=part)), (9_000, _needle(value)))),
        (20_000, _say(m.HOLD_START)),
        (30_000, e.Reading(0, e.CABINET, 63.0)),
        (600_000, _say(end)),
        (2_000, _say(m.CONFIRM)),
    ]


OPENING: list[tuple[int, e.Event]] = [
    (0, _say(m.SHIFT_START, cook=4)),
    (10_000, _say(m.ICE_POINT)),
    (20_000, _needle(32)),
    (10_000, _say(m.OIL_LEVEL_OK, vat=1)),
]
CLOSING: list[tuple[int, e.Event]] = [(60_000, _say(m.OIL_FILTERED, vat=1)), (10_000, _say(m.SHIFT_END))]
WORDS = [*m.COMMANDS, m.CONFIRM, m.SCRATCH, m.SCRATCH]

# Made once: to make a strategy costs more than to draw from it.
_pauses_ms = st.sampled_from([1, 1000, 8_000, 60_000, 800_000])
_ends = st.lists(st.sampled_from([m.HOLD_END, m.DISCARD]), min_size=1, max_size=3)
_anything = events(st.just(0)) | st.sampled_from(WORDS).map(partial(_say, part="thigh", count=5, cook=4, vat=1))
_colder = st.floats(100, 200).map(lambda value: replace(_needle(value), colder=True))
_struck = st.just(_say(m.SCRATCH))
_disturbances = st.lists(
    st.tuples(st.integers(0, 80), st.booleans(), _pauses_ms, st.one_of(_anything, _colder, _struck)), max_size=8
)
_cut = st.integers(0, 20)
_others = st.none() | intents


@st.composite
def stories(draw: st.DrawFn, rules: st.SearchStrategy[int] = rules) -> list[e.Event]:
    """A working shift in the order of a day, with anything in between or in the place of what was to come."""
    day: list[tuple[int, e.Event]] = [*OPENING, *(each for end in draw(_ends) for each in _batch(end)), *CLOSING]
    for place, instead, pause_ms, between in sorted(draw(_disturbances), key=lambda each: -each[0]):
        place %= len(day)
        day[place : place + instead] = [(pause_ms, between)]
    day = day[: len(day) - draw(_cut)]
    story: list[e.Event] = [e.Started(0, "a", True, "t", "s", (1, 2), draw(rules)), e.ProcedureLoaded(0, PROCEDURE)]
    at_ms = spot = 0
    for pause_ms, each in day:
        at_ms += pause_ms
        event: e.Event = each
        if isinstance(event, e.Reading) and event.channel == e.NEEDLE and event.settled and event.spot == 0:
            spot += 1
            event = replace(event, spot=spot)
        elif isinstance(event, e.Heard) and event.other is None:
            event = replace(event, other=draw(_others) if pause_ms == 1 else None, other_text="other words")
        story.append(replace(event, at_ms=at_ms))
    return story
