"""What is said: a cue for each sentence, never an order to a person at a vat, and a refusal changes nothing."""

import re

from recorder.core import meanings as m
from recorder.core.effects import Tone
from recorder.core.events import Heard, Intent, Signed
from tests.model.ledger import Ledger, Step, hold_to

ORDER = re.compile(
    r"(?:^|[.;:!?,]\s+|\b(?:and|or|then|please|now|to|must|should|shall|could|can|may|always|first)\s+)"
    r"(open|release|unlock|load|lift|force|reach)\b(?!\s+(?:batch|batches|circuit)\b)(?!s|ed|ing)",
    re.IGNORECASE,
)
"""A verb said to a person, at the beginning of a thought or after a word that calls for one."""

WORDS = re.compile(r"Words that fit now: [^.]*\.")
"""The sentence that lists commands: they are words for the recorder, and name what was done."""

STANDS = {
    "loading": "loading",
    "cooking": "cooking",
    "checking": "checked",
    "returned": "going back",
    "holding": "holding",
}
STRIKE_MS = 8 * 3_600_000
"""So long words can be struck."""
FITS = {
    m.LID_LOCKED: ("loading", "returned"),
    m.LID_OPEN: ("cooking", "loading", "returned"),
    m.PROBE: ("checking", "holding"),
    m.COOK_MORE: ("checking", "holding"),
    m.HOLD_START: ("checking",),
    m.HOLD_END: ("holding",),
    m.SOLD: ("holding",),
}
"""Where a batch may be for these words."""


def ordered(text: str) -> bool:
    """Whether the text orders a person to do what a recorder never may; what was struck, or can be said, is quoted."""
    return not text.startswith("Struck: ") and bool(ORDER.search(WORDS.sub("", text)))


def see(ledger: Ledger, step: Step) -> None:
    for cue in step.cues:
        hold_to("12 order", not ordered(cue.say), cue.say)
    for notice in step.notices:
        hold_to("12 order", not ordered(notice.alert.text), notice.alert.text)
    event = step.event
    if not isinstance(event, Heard):
        hold_to("13 commands", all(new["meaning"] is None for _, _, new in step.of("commands")), event)
        if isinstance(event, Signed):
            _signed(ledger, step, event)
        return
    hold_to("13 cue", step.cues and step.cues[-1].say, event)
    if step.meant is None:
        asked = {event.intent.meaning, event.other.meaning if event.other else ""}
        hold_to("13 row", asked & set(m.QUESTIONS), event)
        if ledger.ticking:
            hold_to("13 question", not step.changed, event, step.changed)
        ledger.seen["questions"] += 1
        if m.TIME_LEFT in asked and event.intent.meaning == m.TIME_LEFT and event.intent.vat is None:
            _time_left(ledger, step)
        return
    ledger.seen[f"commands {step.outcome}"] += 1
    second = event.other is not None and step.meant is event.other
    ledger.seen["second best"] += second
    if second and step.meant and step.meant.meaning in (m.HOLD_END, m.SOLD, m.DROPPED, m.DISCARD):
        hold_to("13 second best", step.outcome == "asked", event)
        ledger.seen["second best that only asked"] += 1
    if step.outcome in ("refused", "asked"):
        own = ("commands", step.seq)
        if ledger.ticking:
            hold_to("13 changes", step.changed.keys() == {own} and not step.notices, step.outcome, event, step.changed)
        if step.outcome == "refused":
            _refused(ledger, step, event.intent)
        else:
            hold_to("13 asks", step.cues[-1].tone is Tone.ASKS, step.cues)
    if step.struck:
        _struck(ledger, step)
    else:
        hold_to("13 struck", all(not new["struck"] for _, new in step.changed.values() if "struck" in new), event)


def _struck(ledger: Ledger, step: Step) -> None:
    struck = [id for id, old, new in step.of("commands") if new["struck"] and old]
    changed = [*step.of("checks"), *step.of("probe_checks")]
    changed += [each for each in step.of("raw_checks") if each[1] and each[1]["temp_c"] is not None]
    readings = [new for _, old, new in changed if old and new.get("disputed") and not old.get("disputed")]
    for id in struck:
        row = ledger.rows["commands"][id]
        hold_to("13 too old", step.at_ms - row["at_ms"] <= STRIKE_MS, row)
    hold_to("13 one struck", len(struck) + len(readings) == 1, struck, readings)
    ledger.seen["struck" if struck else "disputed"] += 1


def _refused(ledger: Ledger, step: Step, intent: Intent) -> None:
    say = step.cues[-1].say
    hold_to("12 refusal", say.startswith("Refused: ") and len(say.split()) >= 4, say)
    assert step.meant
    fits, open_ = FITS.get(step.meant.meaning), list(ledger.open.values())
    plain = step.meant.vat is None and step.meant.batch is None and not step.confirmed
    if fits and plain and len(open_) == 1 and open_[0]["stage"] not in fits:
        hold_to("12 state", STANDS[open_[0]["stage"]] in say and f"batch {open_[0]['number']} " in say, say)
        ledger.seen["refusals that name the state"] += 1


def _time_left(ledger: Ledger, step: Step) -> None:
    say = step.cues[-1].say
    for id, row in ledger.open.items():
        table = {"cooking": "fryings", "holding": "holds"}.get(row["stage"])
        newest = ledger.newest(table, id) if table else None
        if newest is None:
            continue
        what = "cook" if table == "fryings" else "hold"
        unknown = f"Batch {row['number']}: its {what} time is not known"
        hold_to("10 time left", (unknown in say) == (newest["time_proven"] == 0), say, newest)
        if table == "holds" and newest["time_proven"]:
            seconds = abs(newest["until_ms"] - step.at_ms) // 1000
            over = "over its hold" if newest["until_ms"] <= step.at_ms else "of its hold left"
            minutes = f"{seconds // 60} min {seconds % 60:02d} s" if seconds >= 60 else f"{seconds} s"
            hold_to("11 time left", f"Batch {row['number']}: {minutes} {over}." in say, say, newest)


def _signed(ledger: Ledger, step: Step, event: Signed) -> None:
    open_ = [row for row in ledger.alerts.values() if row["level"] != "info"]
    signed = any(True for _ in step.of("signatures"))
    hold_to("13 signed", signed == (not open_ or bool(event.note.strip())), event, len(open_))
    ledger.seen["signed" if signed else "not signed"] += 1
