"""The kitchen's own words: a prompt at each moment, tasks by their time, causes and actions on the right alert."""

from dataclasses import dataclass, field

from recorder.core import meanings as m
from recorder.core.own_words import OwnWords
from tests.model.ledger import Ledger, Row, Step, hold_to

KEPT_MS = 12 * 3_600_000
"""So long something can be said of an alert that is over."""


@dataclass
class Duties:
    """What the rows of a ledger do not say of these."""

    critical: dict[str, int] = field(default_factory=dict)
    """By alert: the entry that made it critical."""
    since_ms: dict[str, int] = field(default_factory=dict)
    reminders: int = 0

    def see(self, ledger: Ledger, step: Step) -> None:
        for cue in step.cues:
            self.reminders += " on record for " in cue.say
        for id, old, new in step.of("alerts"):
            if new["level"] == "critical" and (old is None or old["level"] != "critical"):
                self.critical[id], self.since_ms[id] = step.seq, step.at_ms
        hold_to("14 reminders", self.reminders <= len(self.critical), self.reminders, len(self.critical))
        self._prompts(ledger, step)
        _tasks(ledger, step)
        self._corrective(ledger, step)

    def _prompts(self, ledger: Ledger, step: Step) -> None:
        for _, old, new in step.of("prompts"):
            batch = ledger.rows["batches"].get(new["batch_id"])
            if old is None:
                words = " ".join(cue.say for cue in step.cues)
                hold_to("14 said", step.struck or new["text"] in words, new, words)
                ledger.seen["prompts"] += 1
            if new["done_ms"] is not None and (old is None or old["done_ms"] is None):
                said = step.meant is not None and step.meant.meaning == m.PROMPT_DONE and step.outcome == "done"
                hold_to("14 done", said and new["asks_done"] and new["done_ms"] == step.at_ms, new)
                if batch:
                    hold_to("14 next step", _where(new["moment"]) == batch["stage"], new, batch)
                    sent_back = [each["at_ms"] for each in ledger.kids[batch["id"]]["corrections"].values()]
                    hold_to("14 round", all(at_ms <= new["at_ms"] for at_ms in sent_back), new, batch)
                ledger.seen["prompts done"] += 1
        if step.struck:
            return
        for table, moment in (("batches", "batch start"), ("fryings", "lid locked"), ("holds", "hold start")):
            for _, old, new in step.of(table):
                if old is None and not (table == "fryings" and new["lid_open_ms"] is not None):
                    _prompted(ledger, step, new["id"] if table == "batches" else new["batch_id"], moment)
        for _, old, new in step.of("fryings"):
            if new["lid_open_ms"] == step.at_ms and (old is None or old["lid_open_ms"] is None):
                _prompted(ledger, step, new["batch_id"], "lid open")

    def _corrective(self, ledger: Ledger, step: Step) -> None:
        rows = [row for row in ledger.rows["corrective_actions"].values() if not row["struck"]]
        given = {(row["alert"], row["what"]) for row in rows}
        hold_to("15 once", len(given) == len(rows), rows)
        for _, old, new in step.of("corrective_actions"):
            if old is not None or new["struck"]:
                continue
            alert = ledger.rows["alerts"][new["alert"]]
            hold_to("15 critical", alert["level"] == "critical" and new["alert"] in self.critical, new, alert)
            own = _own(ledger)
            choices = own.causes if new["what"] == "cause" else own.actions
            choice = next(each for each in choices if each.name == new["text"])
            hold_to("15 fits", choice.fits(alert["kind"]), new, alert)
            for id, seq in self.critical.items():
                other = ledger.rows["alerts"][id]
                waits = other["ended_ms"] is None or step.at_ms - self.since_ms[id] <= KEPT_MS
                waits = waits and other["ended_by"] != "command struck" and (id, new["what"]) not in given
                newer = seq > self.critical[new["alert"]]
                hold_to("15 newest", not (waits and newer and choice.fits(other["kind"])), new, other)
            ledger.seen["corrective actions"] += 1


def _where(moment: str) -> str:
    """The stage that a moment is in."""
    loading = {"batch start": "loading", "last load": "loading"}
    return (loading | {"lid open": "checking", "hold start": "holding"}).get(moment, "cooking")


def _own(ledger: Ledger) -> OwnWords:
    assert ledger.procedure
    return ledger.procedure.own


def _prompted(ledger: Ledger, step: Step, batch: int, moment: str) -> None:
    """What its procedure has said at this moment is on record."""
    own = ledger.procedures[batch].own if batch in ledger.procedures else OwnWords()
    for place, prompt in enumerate(own.prompts, 1):
        if prompt.at == moment:
            row = ledger.rows["prompts"].get(f"{step.seq}-{place}")
            hold_to("14 prompt", row and row["moment"] == moment and row["text"] == prompt.say, moment, batch, row)


def _tasks(ledger: Ledger, step: Step) -> None:
    for id, old, new in step.of("tasks"):
        if new["done_ms"] is not None and (old is None or old["done_ms"] is None):
            said = step.meant is not None and step.meant.meaning == m.TASK_DONE and step.outcome == "done"
            hold_to("14 task", said and new["done_ms"] == step.at_ms, new)
            ledger.seen["tasks done" + (", late" if new["missed"] else "")] += 1
        if new["missed"] and not (old and old["missed"]) and not new["struck"]:
            ledger.seen["tasks missed"] += 1
            hold_to("14 alert", f"{id}-task-not-done" in ledger.rows["alerts"], new)
    for row in ledger.rows["tasks"].values():
        if row["struck"] or row["done_ms"] is not None or not _todays(ledger, row):
            continue
        late = row["due_ms"] is not None and row["due_ms"] <= step.at_ms
        hold_to("14 missed", late == bool(row["missed"]) or not ledger.ticking, row, step.at_ms)


def _todays(ledger: Ledger, row: Row) -> bool:
    """Whether it is one of the newest day's."""
    shifts = [each["shift"] for each in ledger.rows["tasks"].values() if not each["struck"]]
    return bool(row["shift"] == max(shifts))
