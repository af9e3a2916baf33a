"""Any event that could reach the station, sensible or not, for Hypothesis."""

from dataclasses import replace
from functools import partial

from hypothesis import strategies as st

from recorder.core import alerts
from recorder.core import events as e
from recorder.core import meanings as m
from recorder.core.procedure import Part, Procedure
from recorder.core.rules import Limit
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


USUAL = [
    e.Intent(m.SHIFT_START, cook=4),
    e.Intent(m.BATCH_START, vat=1),
    e.Intent(m.LOAD, part="thigh", count=12),
    e.Intent(m.LID_LOCKED),
    e.Intent(m.LID_OPEN),
    e.Intent(m.PROBE, part="thigh"),
    e.Intent(m.HOLD_START),
    e.Intent(m.ICE_POINT),
    e.Intent(m.OIL_FILTERED, vat=1),
    e.Intent(m.CONFIRM),
    e.Intent(m.HOLD_END),
    e.Intent(m.SCRATCH),
]
"""A cook's words."""

# Made once: to make a strategy costs more than to draw from it.
_places = st.lists(st.integers(0, 2 * len(USUAL)), max_size=40)
_pauses_ms = st.sampled_from([1, 1000, 60_000, 800_000])
_others = st.none() | st.sampled_from(USUAL) | intents
_anything = events(st.just(0))


@st.composite
def stories(draw: st.DrawFn) -> list[e.Event]:
    """A working shift with anything in between: a cook's usual words at growing times, mixed with any event."""
    story: list[e.Event] = [e.Started(0, "a", True, "t", "s", (1, 2), draw(rules)), e.ProcedureLoaded(0, PROCEDURE)]
    at_ms = 0
    for place in draw(_places):
        at_ms += draw(_pauses_ms)
        if place < len(USUAL):
            story.append(e.Heard(at_ms, "words", USUAL[place], "test", "open", None, draw(_others), "other words"))
        else:
            story.append(replace(draw(_anything), at_ms=at_ms))
    return story
