"""Notices at their edges: what is said again and how often, to the millisecond."""

from types import SimpleNamespace
from typing import Any

import pytest

from recorder.notices import alive, complaints
from recorder.notices.alive import Alive
from recorder.notices.complaints import Complaints


def test_a_complaint_comes_again_after_an_hour_with_how_many_were_kept_back(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    now = SimpleNamespace(s=5.0)
    monkeypatch.setattr(complaints, "time", SimpleNamespace(monotonic=lambda: now.s))
    said = Complaints()
    for at_s, kind in [
        (5.0, "a"),
        (6.0, "a"),
        (3604.9, "a"),
        (3604.9, "b"),
        (3605.0, "a"),
        (3606.0, "a"),
        (7205.0, "a"),
        (10_805.0, "a"),
    ]:
        now.s = at_s
        said.say(kind, f"{kind} at {at_s:g}")
    assert [each.getMessage() for each in caplog.records] == [
        "a at 5",
        "b at 3604.9",
        "a at 3605 (and 2 more like it before)",
        "a at 7205 (and 1 more like it before)",
        "a at 10805",
    ]
    assert {each.levelname for each in caplog.records} == {"WARNING"}


def test_a_sign_of_life_goes_out_each_ten_seconds_and_on_each_new_connection() -> None:
    sent: list[tuple[str, dict[str, Any]]] = []
    newest = {"open": 3}
    signs = Alive(lambda name, value: sent.append((name, value)), newest)
    beats = [(0, 5), (1, 7), (1, 8), (1, 10_006), (1, 10_007), (1, 10_008), (2, 10_009), (0, 30_000), (2, 30_001)]
    for connection, at_ms in beats:
        signs.beat(connection, at_ms)
    assert [value["at_ms"] for _, value in sent] == [7, 10_007, 10_009, 30_001]
    assert {name for name, _ in sent} == {"alive"} and sent[0][1] == {"at_ms": 7, "newest": {"open": 3}}
    newest["open"] = 9
    assert sent[0][1]["newest"] == {"open": 3}, "as it was then"
    assert alive.EVERY_MS == 10_000
