"""What the steps of `migrations` make and add: tables, and their columns by SQLite's types. None changes once released.

`columns` says what the tables are after all of them.
"""

Tables = dict[str, dict[str, str]]
"""Table -> column -> type."""

FIRST: Tables = {
    "shifts": {"cook": "INTEGER", "started_ms": "INTEGER", "ended_ms": "INTEGER", "left_open": "TEXT"},
    "batches": {
        "number": "INTEGER",
        "vat": "INTEGER",
        "shift": "INTEGER",
        "product": "TEXT",
        "stage": "TEXT",
        "started_ms": "INTEGER",
        "pieces": "INTEGER",
        "rounds": "INTEGER",
        "checks_passed": "INTEGER",
        "checks_needed": "INTEGER",
        "proven": "INTEGER",
        "closed_ms": "INTEGER",
        "outcome": "TEXT",
        "discarded_pieces": "INTEGER",
    },
    "loads": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "part": "TEXT",
        "pieces": "INTEGER",
        "at_ms": "INTEGER",
        "oil_temperature": "REAL",
        "unit": "TEXT",
        "out_of_order": "INTEGER",
        "over_capacity": "INTEGER",
    },
    "cooks": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "lid_locked_ms": "INTEGER",
        "lid_open_ms": "INTEGER",
        "seconds": "REAL",
        "short": "INTEGER",
        "overdue": "INTEGER",
        "time_proven": "INTEGER",
    },
    "checks": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "part": "TEXT",
        "round": "INTEGER",
        "opened_ms": "INTEGER",
        "closed_ms": "INTEGER",
        "temp_c": "REAL",
        "temperature": "REAL",
        "unit": "TEXT",
        "target": "REAL",
        "critical_limit": "REAL",
        "source": "TEXT",
        "verdict": "TEXT",
    },
    "corrections": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "at_ms": "INTEGER",
        "action": "TEXT",
        "why": "TEXT",
    },
    "holds": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "started_ms": "INTEGER",
        "until_ms": "INTEGER",
        "ended_ms": "INTEGER",
        "proven": "INTEGER",
        "past_limit": "INTEGER",
        "time_proven": "INTEGER",
        "outcome": "TEXT",
    },
    "oil": {
        "vat": "INTEGER",
        "what": "TEXT",
        "at_ms": "INTEGER",
        "shift": "INTEGER",
        "oil_temperature": "REAL",
        "unit": "TEXT",
    },
    "alerts": {
        "kind": "TEXT",
        "level": "TEXT",
        "batch": "INTEGER",
        "text": "TEXT",
        "numbers": "TEXT",
        "began_ms": "INTEGER",
        "ended_ms": "INTEGER",
        "ended_by": "TEXT",
        "repeats": "INTEGER",
    },
    "commands": {
        "at_ms": "INTEGER",
        "text": "TEXT",
        "meaning": "TEXT",
        "outcome": "TEXT",
        "reply": "TEXT",
        "engine": "TEXT",
        "listening": "TEXT",
        "score": "REAL",
    },
}
"""The trade's tables as step 2 makes them: name -> column -> type. `id` stands before these; `struck` after them, but
for alerts."""

LATER: Tables = {
    "probe_checks": {
        "how": "TEXT",
        "opened_ms": "INTEGER",
        "closed_ms": "INTEGER",
        "temp_c": "REAL",
        "temperature": "REAL",
        "due": "REAL",
        "off": "REAL",
        "tolerance": "REAL",
        "unit": "TEXT",
        "uncertainty_c": "REAL",
        "verdict": "TEXT",
    },
    "recoveries": {
        "vat": "INTEGER",
        "batch": "INTEGER",
        "loaded_ms": "INTEGER",
        "seconds": "REAL",
        "lowest": "REAL",
        "back_at": "REAL",
        "unit": "TEXT",
    },
}
"""Those that step 5 makes."""

SIGNED: Tables = {
    "signatures": {
        "day": "TEXT",
        "at_ms": "INTEGER",
        "initials": "TEXT",
        "note": "TEXT",
        "open_alerts": "INTEGER",
    },
}
"""The one that step 7 makes."""

DUTIES: Tables = {
    "prompts": {
        "batch": "INTEGER",
        "batch_id": "INTEGER",
        "shift": "INTEGER",
        "moment": "TEXT",
        "text": "TEXT",
        "at_ms": "INTEGER",
        "asks_done": "INTEGER",
        "done_ms": "INTEGER",
    },
    "tasks": {
        "shift": "INTEGER",
        "task": "TEXT",
        "part_of_day": "TEXT",
        "begun_ms": "INTEGER",
        "due_ms": "INTEGER",
        "done_ms": "INTEGER",
        "cook": "INTEGER",
        "missed": "INTEGER",
    },
    "corrective_actions": {
        "alert": "TEXT",
        "what": "TEXT",
        "text": "TEXT",
        "at_ms": "INTEGER",
        "cook": "INTEGER",
    },
}
"""Those that step 12 makes too."""

TEXT_IDS = ("alerts", "prompts", "tasks")
"""Tables of which several rows can be made by one entry: an id is that entry's number and more."""

PROOF: Tables = {
    "loads": {"said_late": "INTEGER"},
    "cooks": {"said_late": "INTEGER"},
    "checks": {"stage": "TEXT", "counts": "INTEGER", "disputed": "TEXT", "in_doubt": "INTEGER"},
    "batches": {
        "missing": "TEXT",
        "sold_pieces": "INTEGER",
        "dropped_pieces": "INTEGER",
        "waits": "TEXT",
        "reheat_by_ms": "INTEGER",
        "reheat_missed": "INTEGER",
    },
    "holds": {"counted_from_ms": "INTEGER", "limit_kind": "TEXT", "late": "INTEGER", "seconds_below": "REAL"},
    "probe_checks": {"checks_in_doubt": "TEXT", "disputed": "TEXT"},
}
"""Columns that step 9 adds."""

THERMAL: Tables = {
    "checks": {"uncertainty_c": "REAL", "settle_seconds": "REAL", "probe_check": "INTEGER", "probe_was": "TEXT"},
    "batches": {"bound": "REAL", "pooled_bound": "REAL"},
    "oil": {"percent": "REAL", "hours_since": "REAL", "batches_since": "INTEGER"},
}
"""Columns that step 5 adds."""

DAY: Tables = {
    "shifts": {"handed_to": "INTEGER"},
    "commands": {"cook": "INTEGER"},
    "loads": {"lot": "TEXT"},
    "oil": {"despite": "TEXT"},
    "checks": {"critical_seconds": "REAL", "stood_seconds": "REAL"},
    "holds": {"cabinets": "TEXT", "lowest": "REAL", "unit": "TEXT"},
}
"""Columns that step 12 adds."""

SECOND_BEST: Tables = {"commands": {"first_text": "TEXT"}}
"""Columns that step 4 adds."""

IN_HAND: Tables = {
    "alerts": {"acknowledged_ms": "INTEGER", "acknowledged_by": "TEXT", "seen_ms": "INTEGER", "seen_by": "TEXT"},
}
"""Columns that step 6 adds."""

LEFT_OUT: Tables = {
    "raw_times": {"lot": "TEXT"},
    "raw_checks": {"disputed": "TEXT", "in_doubt": "INTEGER"},
    "breading": {"hours_in_use": "REAL"},
}
"""Columns of the tables of step 12 that are left out of a row where they are empty."""


def _together(*steps: Tables) -> Tables:
    """By table: the columns of all steps, in their order."""
    found: Tables = {}
    for step in steps:
        for table, columns in step.items():
            found[table] = found.get(table, {}) | columns
    return found


ADDED = _together(SECOND_BEST, THERMAL, IN_HAND, PROOF, DAY, LEFT_OUT)
"""Columns that later steps added, behind the others. A database that no recorder has opened since then lacks them."""

BEFORE_THE_OIL: Tables = {
    "raw_times": {
        "part": "TEXT",
        "pieces": "INTEGER",
        "pieces_left": "INTEGER",
        "out_ms": "INTEGER",
        "back_ms": "INTEGER",
        "seconds": "REAL",
        "shift": "INTEGER",
        "too_long": "INTEGER",
        "past_limit": "INTEGER",
        "time_proven": "INTEGER",
        "outcome": "TEXT",
        "lot": "TEXT",
    },
    "raw_checks": {
        "part": "TEXT",
        "opened_ms": "INTEGER",
        "closed_ms": "INTEGER",
        "temp_c": "REAL",
        "temperature": "REAL",
        "unit": "TEXT",
        "cold_limit": "REAL",
        "uncertainty_c": "REAL",
        "verdict": "TEXT",
        "probe_check": "INTEGER",
        "probe_was": "TEXT",
        "raw_time": "INTEGER",
        "shift": "INTEGER",
        "disputed": "TEXT",
        "in_doubt": "INTEGER",
    },
    "breading": {
        "what": "TEXT",
        "at_ms": "INTEGER",
        "shift": "INTEGER",
        "hours_in_use": "REAL",
    },
}
"""The tables that step 12 makes."""
