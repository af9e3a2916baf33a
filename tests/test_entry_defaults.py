"""An entry leaves out what is at its default, so a default can never change: older entries would say something else."""

import json
from typing import Any

import pytest

from recorder.core.events import Heard, Intent, Reading, Started, Unheard
from recorder.journal.codec import decode, plain
from tests.uneven import Uneven

NOTHING = dict.fromkeys(
    [
        "vat",
        "batch",
        "part",
        "count",
        "cook",
        "number",
        "ice",
        "percent",
        "product",
        "cabinet",
        "lot",
        "task",
        "cause",
        "action",
    ]
)

SHORT: dict[str, tuple[dict[str, Any], dict[str, Any]]] = {
    "started": (
        {"at_ms": 1, "boot_id": "b", "wall_known": True, "version": "1", "station": "line-1", "vats": [1]},
        {"rules": 1, "gap_known": True, "root": "", "cabinets": []},
    ),
    "reading": (
        {"at_ms": 1, "channel": "vat1", "temp_c": 170.5},
        {"settled": False, "spot": 0, "uncertainty_c": None, "settle_ms": None, "colder": False, "medium": ""},
    ),
    "heard": (
        {"at_ms": 1, "text": "confirm", "intent": {"meaning": "confirm"}, "engine": "test", "listening": "open"},
        {"score": None, "other": None, "other_text": "", "intent": {"meaning": "confirm", **NOTHING}},
    ),
    "not understood": (
        {"at_ms": 1, "text": "lid", "reason": "not sure enough", "engine": "test", "listening": "open"},
        {"score": None},
    ),
    "signed": ({"at_ms": 1, "day": "2026-02-26", "by": "JD"}, {"note": ""}),
    "records set aside": ({"at_ms": 1, "file": "records.db.damaged-1"}, {"reason": ""}),
}
"""By kind: the shortest entry, and what it means beyond its words."""


@pytest.mark.parametrize("kind", SHORT)
def test_an_entry_that_says_little_means_what_it_ever_did(kind: str) -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 190, vat=1)
    said, meant = SHORT[kind]
    event = decode(kind, json.dumps(said))
    assert plain(event) == {**said, **meant}
    k.feed(event)


def test_a_procedure_that_says_little_means_what_it_ever_did() -> None:
    k = Uneven()
    k.begin(1)
    said = plain(k.of[1], brief=True)
    for name in set(said) & set(NEWER):
        del said[name]
    event = decode("procedure loaded", json.dumps({"at_ms": 1, "procedure": said}))
    procedure = event.procedure  # type: ignore[union-attr]
    assert {name: getattr(procedure, name) for name in NEWER} == NEWER


NEWER = {
    "ask_first": ("discard batch",),
    "probe_check_every_ms": None,
    "altitude_m": None,
    "polar_limit": None,
    "more_cook_ms": 3 * 60_000,
    "raw_wait_ms": 10 * 60_000,
    "open_wait_ms": 15 * 60_000,
    "returned_wait_ms": 5 * 60_000,
    "hold_by": "temperature",
    "less_safe_because": "",
    "critical_by": "reading",
    "dwell_advice": "",
}
"""What a procedure from before these could be said goes by."""


def test_the_events_here_are_all_that_have_defaults() -> None:
    assert {Started, Reading, Heard, Unheard} <= {
        type(decode(kind, json.dumps(said))) for kind, (said, _) in SHORT.items()
    }
    assert Intent("confirm") == Intent("confirm", **NOTHING)
