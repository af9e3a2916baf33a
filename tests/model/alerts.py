"""Alerts: the rows are what the station thinks is open, none ends another's, and what misses a limit has one."""

import math
from typing import Any

from recorder.core import meanings as m
from recorder.core.events import Acknowledged, Heard, Reading
from recorder.core.station import State
from tests.model.batches import FAILED, complete, limits
from tests.model.ledger import Ledger, Row, Step, hold_to, shown

BY_A_PERSON = (
    "records damaged",
    "sold despite a deviation",
    "power was away",
    "checks in doubt",
    "raw food out for four hours",
    "raw food out for an unknown time",
)
"""Kinds about what is past: only a person ends them."""


def see(ledger: Ledger, step: Step, state: State) -> None:
    thought = {alert.id for alert in state.world.alerts if alert.ended_ms is None}
    hold_to("11 open", thought == ledger.alerts.keys(), thought ^ ledger.alerts.keys())
    for notice in step.notices:
        row = ledger.rows["alerts"].get(notice.alert.id)
        hold_to("11 row", row and row["text"] == notice.alert.text, notice)
        hold_to("11 row", row and (row["ended_ms"] is None) == (notice.alert.ended_ms is None), notice)
        ledger.seen["alerts " + notice.change] += 1
    for id, old, new in step.of("alerts"):
        was_open = old is not None and old["ended_ms"] is None
        told = [notice.change for notice in step.notices if notice.alert.id == id]
        if was_open and new["ended_ms"] is not None:
            hold_to("11 ended", "ended" in told, new)
            _ended(ledger, step, new)
        elif was_open and old and old["level"] != new["level"] and not step.struck:
            hold_to(
                "11 worse", new["level"] == "critical" and "repeated" in told and not new.get("acknowledged_ms"), new
            )
        elif not was_open and new["ended_ms"] is None:
            hold_to("11 raised", told == ["raised"], new, told)
            hold_to("11 when", new["began_ms"] <= step.at_ms, new)
    for id, _, new in step.of("checks"):
        if new["batch_id"] in ledger.open and not new["struck"]:
            _missed(ledger, id, new)
    for id in step.batches & ledger.open.keys():
        _earlier(ledger, id)
    if isinstance(step.event, Heard) and step.meant is None and step.event.intent.meaning == m.STATUS:
        _status(ledger, step)


def _ended(ledger: Ledger, step: Step, row: Row) -> None:
    """What ended it was about it."""
    by_hand = isinstance(step.event, Acknowledged) and step.event.alert == row["id"]
    if by_hand or step.struck:
        return
    hold_to("11 by a person", row["kind"] not in BY_A_PERSON, row)
    if row["batch"] is None:
        return
    numbers = {ledger.rows["batches"][id]["number"] for id in step.batches}
    oil = row["kind"] == "oil outside band at load" and isinstance(step.event, Reading)
    proof = row["kind"] == "check by a failed probe" and any(True for _ in step.of("probe_checks"))
    hold_to("11 another's", row["batch"] in numbers or oil or proof, row, "ended by batches", numbers)


def _missed(ledger: Ledger, id: int, row: Row) -> None:
    """A check that misses its limit, of a batch that was not cooked again, is an open alert with its numbers."""
    if row["round"] != len(ledger.kids[row["batch_id"]]["corrections"]) or row["temp_c"] is None:
        return
    procedure = ledger.procedures[row["batch_id"]]
    target, critical = limits(procedure, row["part"])
    kind, limit = {
        FAILED[0]: ("check below target", target),
        FAILED[1]: ("check below critical limit", critical),
        "below hold minimum": ("food below hold minimum", procedure.hold_minimum.value),
    }.get(row["verdict"], ("", 0.0))
    taken_back = row["source"] == "spoken" and row.get("disputed")  # no failure any more: complete checks end its alert
    if not kind or taken_back:
        return
    alert = ledger.alerts.get(f"{id}-{kind.replace(' ', '-')}")
    read = math.floor(round(shown(row["temp_c"], procedure.unit) * 10, 4)) / 10
    unit = procedure.unit
    hold_to("11 missed", alert and alert["batch"] == row["batch"], row)
    assert alert
    hold_to("11 numbers", f"read {read:.1f} °{unit}, needs {limit:g} °{unit}" in alert["text"], row, alert)
    hold_to("11 level", alert["level"] == ("warning" if kind == "check below target" else "critical"), alert)


def _earlier(ledger: Ledger, id: int) -> None:
    """A check that missed its limit in an earlier round is open but where complete checks of a later one speak."""
    last = len(ledger.kids[id]["corrections"])
    for about, row in ledger.kids[id]["checks"].items():
        if row["verdict"] not in FAILED or row["round"] == last or (row["source"] == "spoken" and row.get("disputed")):
            continue
        kind = "check below target" if row["verdict"] == FAILED[0] else "check below critical limit"
        settled = any(complete(ledger, id, round)[1] for round in range(row["round"] + 1, last + 1))
        is_open = f"{about}-{kind.replace(' ', '-')}" in ledger.alerts
        hold_to("11 settled", is_open != settled, row, "of an earlier round, settled:", settled)
        ledger.seen["missed in an earlier round, " + ("settled" if settled else "open")] += 1


def _status(ledger: Ledger, step: Step) -> None:
    say = step.cues[-1].say
    _, _, named = say.partition(f"Alerts open: {len(ledger.alerts)}")
    hold_to("11 status", named[:1] == (", " if ledger.alerts else ".")[:1], say, len(ledger.alerts))
    for alert in ledger.alerts.values():
        hold_to("11 status", alert["kind"] in named, say, alert["kind"])
    for row in ledger.open.values():
        told = f"Batch {row['number']} {row['stage']}, {min(row['checks_passed'], row['checks_needed'])} of"
        told += f" {row['checks_needed']} checks"
        hold_to("11 status", told in say, say, told)
    numbers: list[Any] = [row["number"] for row in ledger.open.values()]
    hold_to("11 numbers apart", len(numbers) == len(set(numbers)), numbers)
    ledger.seen["status"] += 1
