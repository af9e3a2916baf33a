"""Lids, windows and reminders: what time alone brings about, to the millisecond."""

from recorder.core.effects import Level
from tests.model.ledger import Ledger, Row, Step, hold_to

MINUTE = 60_000
AGAIN = {
    Level.WARNING: [15 * MINUTE, 45 * MINUTE, 105 * MINUTE, 225 * MINUTE],
    Level.CRITICAL: [minutes * MINUTE for minutes in (5, 15, 35, 75, *range(135, 1440, 60))],
}
"""How long after its beginning an alert that nobody has in hand is told again, by its level."""
BATH_MS, REHEAT_MS = 5 * MINUTE, 120 * MINUTE


def see(ledger: Ledger, step: Step) -> None:
    waits = 0
    for row in ledger.open.values():
        kids, procedure = ledger.kids[row["id"]], ledger.procedures[row["id"]]
        for check in kids["checks"].values():
            if check["verdict"] == "open":
                waits += 1
                hold_to("1 window", step.at_ms < check["opened_ms"] + procedure.settle_window_ms, check)
        if row["stage"] == "cooking":
            _cooks(ledger, step, row, kids["cooks"])
        _reheats(ledger, step, row)
    for bath in ledger.rows["probe_checks"].values():
        if bath["verdict"] == "open" and not bath["struck"]:
            waits += 1
            hold_to("1 window", step.at_ms < bath["opened_ms"] + BATH_MS, bath)
    hold_to("1 one waits", waits <= 1, "checks that wait:", waits)
    for id, old, new in step.of("cooks"):
        if old and old["lid_open_ms"] is None and new["lid_open_ms"] is not None:
            _opened(ledger, id, new)
    for notice in step.notices:
        alert = notice.alert
        if notice.change == "repeated" and alert.kind != "hold past limit":
            due = [alert.began_ms + ms for ms in AGAIN[alert.level]]
            reopened = ledger.raised[alert.id] > alert.began_ms
            now = any(ledger.since_ms <= ms <= step.at_ms for ms in due)
            hold_to("11 again", now or reopened or step.struck, notice)
            hold_to("11 in hand", alert.acknowledged_ms is None, notice)


def _cooks(ledger: Ledger, step: Step, row: Row, cooks: dict[int, Row]) -> None:
    """One that cooks for longer than the longest cook is an alert; a further cook may run over by as much."""
    id, procedure = max(cooks), ledger.procedures[row["id"]]
    longest_ms = procedure.longest_cook_ms
    if row["rounds"] > 1:
        longest_ms += procedure.more_cook_ms - procedure.planned_cook_ms
    over = step.at_ms >= cooks[id]["lid_locked_ms"] + longest_ms
    hold_to("7 overdue", (f"{id}-cook-overdue" in ledger.alerts) == over == bool(cooks[id]["overdue"]), cooks[id])
    ledger.seen["cooks overdue"] += over and ledger.since_ms < cooks[id]["lid_locked_ms"] + longest_ms


def _opened(ledger: Ledger, id: int, cook: Row) -> None:
    """A first cook whose whole time is known is short below the shortest one."""
    row, procedure = ledger.rows["batches"][cook["batch_id"]], ledger.procedures[cook["batch_id"]]
    known = cook["time_proven"] and not cook.get("said_late") and row["rounds"] == 1
    short = bool(known and cook["lid_open_ms"] - cook["lid_locked_ms"] < procedure.shortest_cook_ms)
    hold_to("7 short", bool(cook["short"]) == short == (f"{id}-cook-short" in ledger.alerts), cook)
    ledger.seen["cooks short"] += short


def _reheats(ledger: Ledger, step: Step, row: Row) -> None:
    """Food that was held too cold is to be hot again within two hours of going back."""
    kids = ledger.kids[row["id"]]
    if not kids["corrections"]:
        return
    id = max(kids["corrections"])
    newest, holds = kids["corrections"][id], [hold for hold in kids["holds"].values() if hold["id"] < id]
    before = [hold for hold in holds if hold["ended_ms"] == newest["at_ms"]]
    cold = any(hold.get("seconds_below") for hold in before) or any(
        check["verdict"] == "below hold minimum"
        and check["id"] > hold["id"]
        and check["round"] == len(kids["corrections"]) - 1
        for hold in before
        for check in kids["checks"].values()
    )
    hold_to("4 reheat", newest.get("reheat_by_ms") == (newest["at_ms"] + REHEAT_MS if cold else None), newest, before)
    if cold and step.at_ms >= newest["at_ms"] + REHEAT_MS and not row["proven"]:
        hold_to("4 reheat late", f"{id}-reheating-took-too-long" in ledger.alerts and newest.get("reheat_missed"), row)
        ledger.seen["reheats late"] += ledger.since_ms < newest["at_ms"] + REHEAT_MS
    ledger.seen["goes back cold"] += cold and newest["id"] == step.seq
