"""Every column of every table: the one description, from which the others are made or compared.

It is what the tables are after all steps of `migrations`, in stored order. The dictionary of an export is made of it,
and share/schemas/record.json by `python -m tests.record_schema`. tests/test_columns.py compares it with a database,
with the rows that the core makes, and with that schema.

Units are UCUM codes (The Unified Code for Units of Measure, Regenstrief Institute): "1" is a number without a unit, ""
a text. `BY_UNIT` is the unit that the row's own `unit` names, and `BY_CHECKS` the one that its checks name.
"""

from dataclasses import dataclass

from recorder.core.effects import EARLIER_TABLES, Record

BY_UNIT, BY_CHECKS = "by unit", "by unit of its checks"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table."""

    name: str
    """That of a moment ends in `_ms`."""
    kind: str
    """SQLite's type: INTEGER, REAL or TEXT."""
    unit: str
    means: str
    """For people. That of a flag begins with the value that it explains: "1: ...", where the other one is 0."""
    null: bool = True
    """Whether it may be empty."""

    @property
    def flag(self) -> bool:
        """Whether it is 0 or 1."""
        return self.means.startswith(("0: ", "1: "))

    @property
    def about(self) -> str:
        """What it means, and of a moment from when it counts."""
        return f"{self.means}; ms since 1970 UTC on the station's time line" if self.unit == "ms" else self.means


# Columns of several tables.
ID = Column("id", "INTEGER", "1", "number of the journal entry that made it", null=False)
PLACED_ID = Column(
    "id", "TEXT", "", "number of the journal entry that made it, and its place in the procedure", null=False
)
STRUCK = Column("struck", "INTEGER", "1", "1: taken back by the cook's next word", null=False)
BATCH = Column("batch", "INTEGER", "1", "the batch's spoken number; used again after 29")
BATCH_ID = Column("batch_id", "INTEGER", "1", "id of the batch, in the table batches")
VAT = Column("vat", "INTEGER", "1", "the vat's number")
SHIFT = Column("shift", "INTEGER", "1", "id of the shift, in the table shifts")
AT_MS = Column("at_ms", "INTEGER", "ms", "when it happened", null=False)
STARTED_MS = Column("started_ms", "INTEGER", "ms", "when it began")
OPENED_MS = Column("opened_ms", "INTEGER", "ms", "when it was asked for")
CLOSED_MS = Column("closed_ms", "INTEGER", "ms", "when it was over")
ENDED_MS = Column("ended_ms", "INTEGER", "ms", "when it ended")
PIECES = Column("pieces", "INTEGER", "1", "pieces, where they were counted")
OUTCOME = Column("outcome", "TEXT", "", "what became of it")
TEMP_C = Column("temp_c", "REAL", "Cel", "what was read")
TEMPERATURE = Column("temperature", "REAL", BY_UNIT, "what was read, in the unit of the procedure")
OIL_TEMPERATURE = Column("oil_temperature", "REAL", BY_UNIT, "the oil's temperature then")
UNIT = Column("unit", "TEXT", "", "unit of the temperatures of this row: F is [degF], C is Cel", null=False)
UNCERTAINTY_C = Column(
    "uncertainty_c", "REAL", "K", "half of the 95 % interval of what was read, as far as the samples show"
)
LOT = Column(
    "lot", "TEXT", "", "digits of its lot or date code as they were said; several, with a space, where it may be of any"
)
TIME_PROVEN = Column("time_proven", "INTEGER", "1", "0: the recorder cannot vouch for the length of time")
DISPUTED = Column("disputed", "TEXT", "", "who took it back, or why it proves nothing; what was read stays on record")
PROVEN = Column(
    "proven", "INTEGER", "1", "1: its checks are complete and none failed; it says nothing of the other pieces"
)

TABLES: dict[str, tuple[Column, ...]] = {
    "shifts": (
        ID,
        Column("cook", "INTEGER", "1", "the cook's number"),
        STARTED_MS,
        ENDED_MS,
        Column("left_open", "TEXT", "", "what was still open at the end of the shift"),
        STRUCK,
        Column("handed_to", "INTEGER", "1", "number of the cook who went on with what was open then"),
    ),
    "batches": (
        ID,
        Column("number", "INTEGER", "1", "the batch's spoken number; used again after 29"),
        VAT,
        SHIFT,
        Column("product", "TEXT", "", "the procedure's product"),
        Column("stage", "TEXT", "", "where the batch is"),
        STARTED_MS,
        PIECES,
        Column("rounds", "INTEGER", "1", "how often it was cooked"),
        Column("checks_passed", "INTEGER", "1", "passed checks of its last round"),
        Column("checks_needed", "INTEGER", "1", "passed checks that the batch needs"),
        PROVEN,
        CLOSED_MS,
        OUTCOME,
        Column("discarded_pieces", "INTEGER", "1", "pieces that were thrown away, where they were counted"),
        STRUCK,
        Column(
            "bound",
            "REAL",
            BY_CHECKS,
            "95 % of the batch is above this with 95 % confidence, by its own first checks, also those in doubt since",
        ),
        Column("pooled_bound", "REAL", BY_CHECKS, "as bound, with the spread within the batches before"),
        Column("missing", "TEXT", "", "what its checks lack; empty where they are complete"),
        Column(
            "sold_pieces", "INTEGER", "1", "pieces that were sold, one by one or at the end, where they were counted"
        ),
        Column("dropped_pieces", "INTEGER", "1", "pieces that fell or were spoilt"),
        Column("waits", "TEXT", "", "the waits that were longer than the kitchen's longest"),
        Column("reheat_by_ms", "INTEGER", "ms", "when food that was held too cold must be hot again, or be discarded"),
        Column("reheat_missed", "INTEGER", "1", "1: it was not hot again by then"),
    ),
    "loads": (
        ID,
        BATCH,
        BATCH_ID,
        Column("part", "TEXT", "", "the part; empty for an unnamed piece"),
        PIECES,
        AT_MS,
        OIL_TEMPERATURE,
        UNIT,
        Column("out_of_order", "INTEGER", "1", "1: a part that cooks longer went in after a shorter one"),
        Column("over_capacity", "INTEGER", "1", "1: more pieces than the vat's capacity"),
        STRUCK,
        Column("said_late", "INTEGER", "1", "1: said only after the lid was locked: times may differ"),
        LOT,
    ),
    "fryings": (
        ID,
        BATCH,
        BATCH_ID,
        Column("lid_locked_ms", "INTEGER", "ms", "when the lid was locked"),
        Column("lid_open_ms", "INTEGER", "ms", "when the lid was opened"),
        Column("seconds", "REAL", "s", "how long it took"),
        Column("short", "INTEGER", "1", "1: shorter than the shortest cook"),
        Column("overdue", "INTEGER", "1", "1: longer than the longest cook"),
        TIME_PROVEN,
        STRUCK,
        Column("said_late", "INTEGER", "1", "1: the lid was locked before it was said: times may differ"),
    ),
    "checks": (
        ID,
        BATCH,
        BATCH_ID,
        Column("part", "TEXT", "", "the part; empty for an unnamed piece"),
        Column("round", "INTEGER", "1", "0 after the first cook, 1 after the first correction"),
        OPENED_MS,
        CLOSED_MS,
        TEMP_C,
        TEMPERATURE,
        UNIT,
        Column("target", "REAL", BY_UNIT, "the kitchen's own end temperature of the part"),
        Column("critical_limit", "REAL", BY_UNIT, "the food safety limit of the part"),
        Column("source", "TEXT", "", "probe, or spoken by a person"),
        Column(
            "verdict",
            "TEXT",
            "",
            "passed, below target, below critical limit, below hold minimum, not long enough, no reading or open",
        ),
        STRUCK,
        UNCERTAINTY_C,
        Column("settle_seconds", "REAL", "s", "how long the needle took to settle"),
        Column("probe_check", "INTEGER", "1", "id of the probe's last check, in the table probe_checks"),
        Column("probe_was", "TEXT", "", "how the probe stood: passed, failed, overdue, unchecked or spare passed"),
        Column("stage", "TEXT", "", "holding, for a piece in hot holding"),
        Column("counts", "INTEGER", "1", "1: it is one of the passed checks that the batch needs"),
        DISPUTED,
        Column("in_doubt", "INTEGER", "1", "1: the probe failed the check of itself that came after this"),
        Column("critical_seconds", "REAL", "s", "how long the critical limit must be kept, where it asks for a time"),
        Column("stood_seconds", "REAL", "s", "how long the needle was seen at that limit or above"),
    ),
    "corrections": (
        ID,
        BATCH,
        BATCH_ID,
        AT_MS,
        Column("action", "TEXT", "", "what was done about it"),
        Column("why", "TEXT", "", "the reason"),
        STRUCK,
    ),
    "holds": (
        ID,
        BATCH,
        BATCH_ID,
        STARTED_MS,
        Column("until_ms", "INTEGER", "ms", "when the hold's limit is reached"),
        ENDED_MS,
        PROVEN,
        Column("past_limit", "INTEGER", "1", "1: held past its limit"),
        TIME_PROVEN,
        OUTCOME,
        STRUCK,
        Column("counted_from_ms", "INTEGER", "ms", "from when its limit counts: the open lid before it"),
        Column("limit_kind", "TEXT", "", "quality, or time where time alone keeps the food safe"),
        Column("late", "INTEGER", "1", "1: it began after the longest wait"),
        Column("seconds_below", "REAL", "s", "how long hot holding was below its minimum meanwhile"),
        Column("cabinets", "TEXT", "", "the numbers of the hot-holding cabinets it stood in, where they have numbers"),
        Column("lowest", "REAL", BY_UNIT, "the lowest temperature that the cabinet was read at meanwhile"),
        Column("unit", "TEXT", "", "F or C, of the lowest"),
    ),
    "oil": (
        ID,
        VAT,
        Column("what", "TEXT", "", "what was done to the oil, or seen of it"),
        AT_MS,
        SHIFT,
        OIL_TEMPERATURE,
        UNIT,
        STRUCK,
        Column("percent", "REAL", "%", "total polar compounds in the oil"),
        Column("hours_since", "REAL", "h", "hours since the same was last done to that vat"),
        Column("batches_since", "INTEGER", "1", "batches in that vat since the same was last done"),
        Column("despite", "TEXT", "", "what stood against it, where the oil was said to be ready all the same"),
    ),
    "prompts": (
        PLACED_ID,
        BATCH,
        BATCH_ID,
        SHIFT,
        Column("moment", "TEXT", "", "when the kitchen has it said"),
        Column("text", "TEXT", "", "the kitchen's sentence"),
        Column("at_ms", "INTEGER", "ms", "when it was due to be said", null=False),
        Column("asks_done", "INTEGER", "1", "1: prompt done is waited for until the next step of its batch"),
        Column("done_ms", "INTEGER", "ms", "when a cook said that it was done; empty where nobody did"),
        STRUCK,
    ),
    "tasks": (
        PLACED_ID,
        Column("shift", "INTEGER", "1", "id of the day's first shift, in the table shifts"),
        Column("task", "TEXT", "", "the task's name"),
        Column("part_of_day", "TEXT", "", "opening or closing"),
        Column("begun_ms", "INTEGER", "ms", "when the day's first shift began", null=False),
        Column("due_ms", "INTEGER", "ms", "by when it had to be done; empty where the day's last shift was not over"),
        Column("done_ms", "INTEGER", "ms", "when a cook said that it was done; empty where nobody did"),
        Column("cook", "INTEGER", "1", "number of the cook whose shift it was done in"),
        Column("missed", "INTEGER", "1", "1: it was not done by then"),
        STRUCK,
    ),
    "corrective_actions": (
        ID,
        Column("alert", "TEXT", "", "id of the critical alert that it is about, in the table alerts"),
        Column("what", "TEXT", "", "cause or action"),
        Column("text", "TEXT", "", "the words of the kitchen's own list"),
        AT_MS,
        Column("cook", "INTEGER", "1", "number of the cook whose shift it was said in"),
        STRUCK,
    ),
    "alerts": (
        Column("id", "TEXT", "", "number of the journal entry that raised it, and its kind", null=False),
        Column("kind", "TEXT", "", "what it is about", null=False),
        Column("level", "TEXT", "", "info, warning or critical", null=False),
        BATCH,
        Column("text", "TEXT", "", "its words"),
        Column("numbers", "TEXT", "", "what was read and the limit it is about"),
        Column("began_ms", "INTEGER", "ms", "when it began"),
        ENDED_MS,
        Column("ended_by", "TEXT", "", "why it ended"),
        Column("repeats", "INTEGER", "1", "how often it was repeated"),
        Column("acknowledged_ms", "INTEGER", "ms", "when somebody said that it is in hand"),
        Column("acknowledged_by", "TEXT", "", "initials of the person who has it in hand"),
        Column("seen_ms", "INTEGER", "ms", "when a phone first showed it"),
        Column("seen_by", "TEXT", "", "the phone that first showed it"),
    ),
    "commands": (
        ID,
        AT_MS,
        Column("text", "TEXT", "", "its words"),
        Column("meaning", "TEXT", "", "what the sentence means"),
        OUTCOME,
        Column("reply", "TEXT", "", "what the station answered"),
        Column("engine", "TEXT", "", "the recogniser that heard it; none for what was not spoken"),
        Column("listening", "TEXT", "", "how the ear was open: name, open, switch; command line for what was typed"),
        Column("score", "REAL", "1", "the recogniser's own score"),
        STRUCK,
        Column("first_text", "TEXT", "", "the likelier sentence that made no sense then"),
        Column("cook", "INTEGER", "1", "number of the cook whose turn it was; what the command made has its id"),
    ),
    "probe_checks": (
        ID,
        Column("how", "TEXT", "", "ice point or boiling point"),
        OPENED_MS,
        CLOSED_MS,
        TEMP_C,
        TEMPERATURE,
        Column("due", "REAL", BY_UNIT, "what an accurate probe would show"),
        Column("off", "REAL", BY_UNIT, "how much too high the probe showed"),
        Column("tolerance", "REAL", BY_UNIT, "how far off an accurate probe may be (Food Code 2022, 4-203.11)"),
        UNIT,
        UNCERTAINTY_C,
        Column("verdict", "TEXT", "", "passed, failed, no reading or open"),
        STRUCK,
        Column(
            "checks_in_doubt",
            "TEXT",
            "",
            "ids of the checks that a failed probe gave since it last passed, in the tables checks and raw_checks",
        ),
        DISPUTED,
    ),
    "raw_times": (
        ID,
        Column("part", "TEXT", "", "the part of the raw food"),
        PIECES,
        Column(
            "pieces_left", "INTEGER", "1", "pieces of it that are neither back nor in a vat, where they were counted"
        ),
        Column("out_ms", "INTEGER", "ms", "when it was taken out of the cooler", null=False),
        Column("back_ms", "INTEGER", "ms", "when the last of it was back in the cooler, or in a vat"),
        Column("seconds", "REAL", "s", "how long it was out"),
        SHIFT,
        Column("too_long", "INTEGER", "1", "1: out for longer than the kitchen's longest"),
        Column(
            "past_limit", "INTEGER", "1", "1: out for longer than food may be held by time (Food Code 2022, 3-501.19)"
        ),
        TIME_PROVEN,
        Column("outcome", "TEXT", "", "back, or loaded, by what became of the last of it"),
        LOT,
        STRUCK,
    ),
    "raw_checks": (
        ID,
        Column("part", "TEXT", "", "the part of the raw food"),
        OPENED_MS,
        CLOSED_MS,
        TEMP_C,
        TEMPERATURE,
        UNIT,
        Column("cold_limit", "REAL", BY_UNIT, "the most that cold food may be (Food Code 2022, 3-501.16)"),
        UNCERTAINTY_C,
        Column("verdict", "TEXT", "", "passed, above cold limit, no reading or open"),
        Column("probe_check", "INTEGER", "1", "id of the probe's last check, in the table probe_checks"),
        Column("probe_was", "TEXT", "", "how the probe stood: passed, failed, overdue or unchecked"),
        Column("raw_time", "INTEGER", "1", "id of the food of this part that was out longest, in the table raw_times"),
        SHIFT,
        DISPUTED,
        Column("in_doubt", "INTEGER", "1", "1: the probe failed the check of itself that came after this"),
        STRUCK,
    ),
    "breading": (
        ID,
        Column("what", "TEXT", "", "breading sifted, or breading changed"),
        AT_MS,
        SHIFT,
        Column("hours_in_use", "REAL", "h", "hours since the breading was last changed, where that is known"),
        STRUCK,
    ),
    "recoveries": (
        ID,
        VAT,
        BATCH,
        Column("loaded_ms", "INTEGER", "ms", "when the load went in"),
        Column("seconds", "REAL", "s", "how long it took"),
        Column("lowest", "REAL", BY_UNIT, "the oil's lowest temperature after the load"),
        Column("back_at", "REAL", BY_UNIT, "temperature at which the oil is back"),
        UNIT,
        STRUCK,
    ),
    "signatures": (
        ID,
        Column("day", "TEXT", "", "the day that was signed, as YYYY-MM-DD"),
        AT_MS,
        Column("initials", "TEXT", "", "who signed"),
        Column("note", "TEXT", "", "what the signer said"),
        Column("open_alerts", "INTEGER", "1", "warnings or worse that were open when it was signed"),
        STRUCK,
    ),
}
"""Table -> its columns, in stored order."""


def stored_in(record: Record) -> str:
    """The name of the table that a record is a row of."""
    return next((name for name, earlier in EARLIER_TABLES.items() if earlier == record.table), record.table)


def columns(table: str) -> list[str]:
    """The names of a table's columns, in stored order."""
    return [column.name for column in TABLES[table]]
