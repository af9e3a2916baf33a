"""A batch: when its checks are complete, what becomes of its pieces, and how long they wait."""

from typing import Any

from recorder.core import meanings as m
from recorder.core.procedure import Procedure
from tests.model.ledger import Ledger, Row, Step, hold_to, shown
from tests.model.needle import Needle

FAILED = ("below target", "below critical limit")
NEXT = {
    None: ("loading",),
    "loading": ("cooking", "checking", "closed"),
    "cooking": ("checking", "closed"),
    "checking": ("holding", "returned", "closed"),
    "returned": ("cooking", "checking", "closed"),
    "holding": ("returned", "closed"),
    "closed": (),
}
WORDS = {
    ("loading", "cooking"): m.LID_LOCKED,
    ("returned", "cooking"): m.LID_LOCKED,
    ("loading", "checking"): m.LID_OPEN,
    ("returned", "checking"): m.LID_OPEN,
    ("cooking", "checking"): m.LID_OPEN,
    ("checking", "holding"): m.HOLD_START,
    ("checking", "returned"): m.COOK_MORE,
    ("holding", "returned"): m.COOK_MORE,
}


def see(ledger: Ledger, step: Step, needle: Needle) -> None:
    for id, old, new in step.of("checks"):
        _check(ledger, needle, id, old, new)
    for id in step.batches:
        row = ledger.rows["batches"][id]
        if not row["struck"]:
            _proof(ledger, row)
            _pieces(ledger, row)
    for id, old, new in step.of("batches"):
        if not new["struck"]:
            _stage(ledger, step, id, old, new)
    for id, _, new in step.of("alerts"):
        if new["kind"] == "pieces wait too long":
            _waited(ledger, id, new)
    in_vat = [row["vat"] for row in ledger.open.values() if row["stage"] != "holding"]
    hold_to("1 one in a vat", len(in_vat) == len(set(in_vat)), list(ledger.open.values()))
    for row in ledger.open.values():
        _waits(ledger, step, row)


def limits(procedure: Procedure, name: str | None) -> tuple[float, float]:
    """Target and critical limit of a part, in the procedure's unit; of a piece without a name the highest."""
    parts = [part for part in procedure.parts if name in (None, part.name)]
    return max(part.target.value for part in parts), max(part.critical.value for part in parts)


def _check(ledger: Ledger, needle: Needle, id: int, old: Row | None, row: Row) -> None:
    if row["struck"]:
        return
    if row["temp_c"] is None:
        hold_to("3 counts", not row.get("counts"), row)
        return
    procedure = ledger.procedures[row["batch_id"]]
    target, critical = limits(procedure, row["part"])
    read = shown(row["temp_c"], procedure.unit)
    held = row.get("stage") == "holding"
    if held:
        cold = procedure.hold_by == "temperature" and read < procedure.hold_minimum.value
        verdict = "below hold minimum" if cold else "passed"
    else:
        verdict = FAILED[1] if read < critical else FAILED[0] if read < target else "passed"
    hold_to("3 verdict", row["verdict"] == verdict, row, "should be", verdict)
    hold_to("3 as shown", abs(row["temperature"] - read) < 0.006 and row["unit"] == procedure.unit, row)
    good = needle.trusted[id] and not row.get("disputed") and not row.get("in_doubt")
    loaded = {load["part"] for load in ledger.kids[row["batch_id"]]["loads"].values()}
    good &= row["part"] in (None, *loaded)
    counts = int(good and verdict == "passed" and read >= target)
    hold_to("3 counts", row["counts"] == counts, row, "should count", counts)
    hold_to("9 doubt stays", not (old and old.get("in_doubt")) or row.get("in_doubt"), row)
    ledger.seen[f"{row['source']} {verdict}"] += 1


def _proof(ledger: Ledger, row: Row) -> None:
    """Whether the row says rightly that the checks of the batch are complete."""
    rows = ledger.kids[row["id"]]
    needed, proven = complete(ledger, row["id"], len(rows["corrections"]))
    hold_to("3 needed", row["checks_needed"] == needed, row, needed)
    hold_to("3 proven", row["proven"] == int(proven), row, rows["checks"], rows["loads"])
    hold_to("3 missing", bool(row.get("missing")) == (not proven), row)
    hold_to("3 rounds", row["rounds"] == len(rows["corrections"]) + 1, row)


def complete(ledger: Ledger, id: int, round: int) -> tuple[float, bool]:
    """How many checks a batch needs, and whether those of this round of it are complete."""
    rows, procedure = ledger.kids[id], ledger.procedures[id]
    loads: list[Any] = list(rows["loads"].values())
    sizes: dict[str, float] = {}
    for load in loads:
        size = load["pieces"] if load["pieces"] is not None else float("inf")
        sizes[load["part"]] = sizes.get(load["part"], 0) + size
    fresh = [check for check in rows["checks"].values() if check["round"] == round]
    counting = [check["part"] for check in fresh if check.get("counts")]
    own = {part.name: min(part.checks, sizes[part.name]) for part in procedure.parts if part.name in sizes}
    wanted = max(procedure.checks_per_batch, sum(own.values()))
    needed = min(wanted, sum(sizes.values())) if loads else procedure.checks_per_batch
    slowest_first = [part.name for part in procedure.parts if part.name in sizes]
    enough = sum(min(counting.count(part), sizes[part]) for part in sizes) + counting.count(None) >= needed
    each = all(part in counting for part in slowest_first[: int(needed)])
    each = each and all(counting.count(part) >= least for part, least in own.items())
    said = [check for check in fresh if check["source"] == "spoken" and check.get("disputed")]
    failed = any(check["verdict"] in FAILED for check in fresh if check not in said)
    return needed, bool(loads) and each and enough and not failed


def _counted(ledger: Ledger, id: int) -> int | None:
    """Pieces that were loaded, where all loads were counted."""
    loads = [load["pieces"] for load in ledger.kids[id]["loads"].values()]
    return sum(loads) if loads and None not in loads else None


def gone(row: Row) -> int:
    return sum(row.get(name) or 0 for name in ("sold_pieces", "discarded_pieces", "dropped_pieces"))


def _pieces(ledger: Ledger, row: Row) -> None:
    loaded = _counted(ledger, row["id"])
    for name in ("sold_pieces", "discarded_pieces", "dropped_pieces"):
        hold_to("6 negative", (row.get(name) or 0) >= 0, row)
    if loaded is None:
        return
    hold_to("6 pieces", row["pieces"] == loaded >= gone(row), row)
    hold_to("6 all gone", row["closed_ms"] is None or gone(row) == loaded, row, "loaded", loaded)
    ledger.seen["pieces balanced at the close"] += row["closed_ms"] is not None


def _stage(ledger: Ledger, step: Step, id: int, old: Row | None, new: Row) -> None:
    """Stages follow each other by the words for it, and pieces go by the words for it."""
    was, stage = old["stage"] if old else None, new["stage"]
    if was != stage and not step.struck:
        hold_to("1 stages", stage in NEXT[was], was, stage)
        word = WORDS.get((was, stage)) if was else m.BATCH_START
        meaning = step.meant.meaning if step.meant and step.outcome == "done" else None
        if stage != "closed":
            hold_to("1 stages", meaning == word, was, stage, "by", meaning)
        ledger.seen[f"batches {stage}"] += 1
    if step.struck or step.outcome != "done" or not step.meant or old is None:
        hold_to("6 by words", step.struck or old is None or gone(old) == gone(new), new)
        hold_to("6 by words", step.struck or stage != "closed" or was == "closed", new)
        return
    column = {m.SOLD: "sold_pieces", m.HOLD_END: "sold_pieces", m.DISCARD: "discarded_pieces"}.get(
        step.meant.meaning, "dropped_pieces"
    )
    count, more = step.meant.count, gone(new) - gone(old)
    loaded = _counted(ledger, id)
    if more:
        hold_to("6 column", (new.get(column) or 0) - (old.get(column) or 0) == more, old, new)
        hold_to("6 count", more == (count if count is not None else (loaded or 0) - gone(old)), step.meant, old, new)
        ledger.seen["partial " + step.meant.meaning] += stage != "closed"
    if stage == "closed" and was != "closed":
        by_name = step.meant.meaning in (m.SOLD, m.HOLD_END, m.DISCARD) and count is None
        hold_to("6 close", by_name or (loaded is not None and gone(new) == loaded), step.meant, new)
        ledger.seen[f"closed, {new['outcome']}"] += 1


def _waited(ledger: Ledger, id: str, alert: Row) -> None:
    """It is remembered, but for one that was struck with its load."""
    about = int(id.split("-")[0])
    row = next(
        ledger.rows[table][about] for table in ("loads", "fryings", "corrections") if about in ledger.rows[table]
    )
    if alert["ended_by"] == "command struck":
        ledger.waited[row["batch_id"]].discard(id)
    else:
        ledger.waited[row["batch_id"]].add(id)


def _waits(ledger: Ledger, step: Step, row: Row) -> None:
    """An alert exactly when pieces have waited too long, and only while they wait on."""
    id, procedure = row["id"], ledger.procedures[row["id"]]
    since_ms, about, longest_ms = None, 0, 0
    match row["stage"]:
        case "loading" if ledger.kids[id]["loads"]:
            about = min(ledger.kids[id]["loads"])
            since_ms, longest_ms = ledger.first_load_ms[id], procedure.raw_wait_ms
        case "checking":
            about = max(ledger.kids[id]["fryings"])
            since_ms, longest_ms = ledger.kids[id]["fryings"][about]["lid_open_ms"], procedure.open_wait_ms
        case "returned":
            about = max(ledger.kids[id]["corrections"])
            since_ms, longest_ms = ledger.kids[id]["corrections"][about]["at_ms"], procedure.returned_wait_ms
    alerts = [a for a in ledger.alerts.values() if a["kind"] == "pieces wait too long" and a["batch"] == row["number"]]
    if since_ms is None or step.at_ms < since_ms + longest_ms:
        hold_to("7 too early", not alerts, row, alerts)
        return
    if not alerts and ledger.rows["loads"].get(about, {}).get("at_ms") == step.at_ms:
        return  # said after others were struck: at the next moment
    hold_to("7 wait", len(alerts) == 1, row, "has waited since", since_ms)
    hold_to("7 wait", alerts[0]["id"] == f"{about}-pieces-wait-too-long", alerts, about)
    hold_to("7 exactly", alerts[0]["began_ms"] == since_ms + longest_ms, alerts, since_ms, longest_ms)
    ledger.seen[f"waits too long, {row['stage']}"] += alerts[0]["began_ms"] > ledger.since_ms
