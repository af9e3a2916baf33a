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
    waits, baths = len(ledger.waiting), 0
    for check in ledger.waiting.values():
        window_ms = ledger.procedures[check["batch_id"]].settle_window_ms
        hold_to("1 window", step.at_ms < check["opened_ms"] + window_ms, check)
    for row in ledger.open.values():
        if row["stage"] == "cooking":
            _cooks(ledger, step, row, ledger.kids[row["id"]]["fryings"])
        _reheats(ledger, step, row)
    for bath in ledger.rows["probe_checks"].values():
        if bath["verdict"] == "open" and not bath["struck"]:
            baths += 1
            hold_to("1 window", step.at_ms < bath["opened_ms"] + BATH_MS, bath)
    hold_to("1 one waits", waits <= 1 and baths <= 1, "checks that wait:", waits, baths)
    for id, old, new in step.of("fryings"):
        if old and old["lid_open_ms"] is None and new["lid_open_ms"] is not None:
            _opened(ledger, id, new)
    for notice in step.notices:
        alert = notice.alert
        if notice.change == "repeated" and alert.kind != "hold past limit":
            due = [alert.began_ms + ms for ms in AGAIN[alert.level]]
            reopened = ledger.raised[alert.id] > alert.began_ms
            now = any(ledger.since_ms <= ms <= step.at_ms for ms in due)
            was = step.before("alerts", alert.id, ledger.rows["alerts"][alert.id])
            worse = was is not None and was["level"] == "warning" and alert.level is Level.CRITICAL
            ledger.seen["alerts that became critical"] += worse
            more = (
                alert.kind == "hold below minimum"
                and was is not None
                and was["numbers"] != ledger.rows["alerts"][alert.id]["numbers"]
            )
            ledger.seen["a further batch in a cold cabinet"] += more
            hold_to("11 again", now or reopened or step.struck or worse or more, notice)
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
    shortest_ms = procedure.shortest_cook_ms if row["rounds"] == 1 else procedure.more_cook_ms
    since_ms = cook["lid_locked_ms"]
    if cook.get("said_late"):
        back = ledger.newest("corrections", row["id"])
        loaded_ms = ledger.first_load_ms.get(row["id"], row["started_ms"])
        since_ms = back["at_ms"] if back else loaded_ms
    known = cook["time_proven"] or cook.get("said_late")
    short = bool(known and cook["lid_open_ms"] - since_ms < shortest_ms)
    hold_to("7 short", bool(cook["short"]) == short == (f"{id}-cook-short" in ledger.alerts), cook)
    ledger.seen["cooks short"] += short


def _reheats(ledger: Ledger, step: Step, row: Row) -> None:
    """Food that was held too cold is checked hot again within two hours, or it is too late for good."""
    by_ms = row.get("reheat_by_ms")
    old, new = step.changed.get(("batches", row["id"]), (row, row))
    was_ms = old.get("reheat_by_ms") if old else None
    if by_ms is not None and by_ms == was_ms and step.at_ms >= by_ms:  # a moment that is past when it is set comes next
        late = f"{row['id']}-reheating-took-too-long"
        hold_to("4 reheat late", row.get("reheat_missed") and late in ledger.alerts, row)
        ledger.seen["reheats late"] += ledger.since_ms < by_ms
    if old is None or step.struck:
        return
    cold = [check for _, _, check in step.of("checks") if check["batch_id"] == row["id"]]
    cold = [check for check in cold if check["verdict"] == "below hold minimum" and check["closed_ms"] == step.at_ms]
    back = old["stage"] == "holding" and new["stage"] == "returned"
    held = ledger.newest("holds", row["id"]) if back else None
    if cold:
        hold_to("4 reheat", by_ms == (was_ms if was_ms is not None else step.at_ms + REHEAT_MS), old, new)
        ledger.seen["reheats begun"] += was_ms is None
    elif held and held.get("seconds_below"):  # the two hours began when the cabinet went cold, or before
        begun = by_ms is not None and by_ms - REHEAT_MS <= step.at_ms - held["seconds_below"] * 1000
        hold_to("4 reheat", by_ms == was_ms if was_ms is not None else begun, old, new)
        ledger.seen["reheats begun"] += was_ms is None
    elif by_ms is not None and (was_ms is None or by_ms < was_ms):  # a power gap, a struck hold, time that is not known
        hold_to("4 reheat", by_ms <= step.at_ms + REHEAT_MS, old, new)
    elif was_ms != by_ms:
        hot = by_ms is None and new["proven"] and new["stage"] == "checking"
        hold_to("4 reheat", hot and not old.get("reheat_missed"), old, new)
        ledger.seen["reheats in time"] += 1
