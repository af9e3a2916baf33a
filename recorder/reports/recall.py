"""A recall, answered from the records: what became of the food of one lot. Opens nothing, judges nothing."""

from collections.abc import Iterator
from typing import Any

from recorder.journal.reader import Reader
from recorder.reports.lookup import Lookup, Row

LOADED, RAW = "load", "raw food"

COLUMNS = (
    "what",
    "id",
    "day",
    "at",
    "lot",
    "part",
    "pieces",
    "cook",
    "batch_id",
    "batch",
    "vat",
    "product",
    "stage",
    "batch_pieces",
    "sold",
    "discarded",
    "dropped",
    "still_there",
    "back",
)
"""Of each row. `what` is `LOADED` or `RAW`. Of a load: its pieces of this part, and of its batch all pieces and where
they went; of which part these were is not on record. Of raw food: what was taken out, and what is left of it. Where
`lot` names several, the food may be of any of them."""


def recalled(journal: Reader, lookup: Lookup, lot: str) -> list[Row]:
    """All loads that may be of this lot, and what was taken out of the cooler of it, in the order of the record.

    What the cook took back is left out. Raises `JournalError`.
    """
    cooks = {row["id"]: row["cook"] for row in journal.each("shifts")}
    batches = {row["id"]: row for row in journal.each("batches") if not row["struck"]}
    found = []
    for row in _of(journal, "loads", lot):
        if batch := batches.get(row["batch_id"]):
            found.append(_row(LOADED, lookup, "loads", row, cooks.get(batch["shift"]), row["at_ms"]) | _went(batch))
    for row in _of(journal, "raw_times", lot):
        made = _row(RAW, lookup, "raw_times", row, cooks.get(row["shift"]), row["out_ms"])
        left = 0 if row["back_ms"] is not None else row["pieces_left"]
        found.append(
            made | {"stage": row["outcome"] or "out", "still_there": left, "back": lookup.local(row["back_ms"])}
        )
    return sorted(found, key=lambda row: int(row["id"]))


def lots(journal: Reader) -> list[str]:
    """All lots on record, each once, in the order of their digits; raises `JournalError`."""
    rows = [row for table in ("loads", "raw_times") for row in journal.each(table) if not row["struck"]]
    return sorted({lot for row in rows for lot in (row["lot"] or "").split()})


def _of(journal: Reader, table: str, lot: str) -> Iterator[Row]:
    return (row for row in journal.each(table) if not row["struck"] and lot in (row["lot"] or "").split())


def _row(what: str, lookup: Lookup, table: str, row: Row, cook: Any, at_ms: int) -> Row:
    day = lookup.day(table, row)
    own = {"what": what, "id": row["id"], "day": day.isoformat() if day else None, "at": lookup.local(at_ms)}
    return dict.fromkeys(COLUMNS) | own | {"cook": cook} | {name: row[name] for name in ("lot", "part", "pieces")}


def _went(batch: Row) -> Row:
    """Where the pieces of a batch went, as far as they were counted."""
    gone = [batch[name] or 0 for name in ("sold_pieces", "discarded_pieces", "dropped_pieces")]
    left = batch["pieces"] - sum(gone) if batch["pieces"] else None
    return {
        "batch_id": batch["id"],
        "batch": batch["number"],
        "vat": batch["vat"],
        "product": batch["product"],
        "stage": batch["outcome"] or batch["stage"],
        "batch_pieces": batch["pieces"] or None,
        **dict(zip(("sold", "discarded", "dropped"), gone, strict=True)),
        "still_there": 0 if batch["closed_ms"] is not None else left,
    }
