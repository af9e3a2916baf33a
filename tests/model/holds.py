"""Hot holding: when it counts from, what speaks for it, when it is over, the cabinet's heat, and what is sold of it."""

from collections.abc import Callable

from recorder.core import meanings as m
from recorder.core.events import ProbeBack, ProbeLost, Reading, Started
from recorder.core.limits import Limit
from tests.model.batches import gone
from tests.model.ledger import Ledger, Row, Step, hold_to, shown

UNREAD_MS = 2 * 3_600_000
"""So long at most food in holding goes unread."""
FRESH_MS, COLD_FOR_MS, WARM_FOR_MS, STRETCH_MS = 60_000, 60_000, 300_000, 600_000


class Holds:
    def __init__(self) -> None:
        self.first: dict[int, Row] = {}
        """By batch: a hold that was struck."""
        self.power: set[int] = set()
        """Batches that were held without power, and of which no piece was read warm since."""
        self.gaps_ms: list[int] = []
        """When the board was back after each known time without power."""
        self.cabinet: list[tuple[int, float]] = []
        """Its readings since the last start: ms and °C."""
        self.lost = False
        """Whether it gives none."""
        self.known = False
        """Whether it was read since the last start or loss."""
        self.read: dict[int, tuple[int, int]] = {}
        """By batch in holding: when it was last read, or its hold began, and the longest time before without."""
        self.never: set[int] = set()
        """Batches in holding that nothing was read of."""
        self.unclear: set[int] = set()
        """Batches of which words were struck: what was read of their hold is not followed."""

    def see(self, ledger: Ledger, step: Step) -> None:
        if isinstance(step.event, Started):
            self.cabinet, self.known = [], False
            self._restarted(ledger, step, step.event)
        if isinstance(step.event, Reading) and step.event.channel == "cabinet":
            self.cabinet = [*self.cabinet[-999:], (step.at_ms, step.event.temp_c)]
            self.lost, self.known = False, True
        if isinstance(step.event, ProbeBack) and step.event.channel == "cabinet":
            self.lost = False
        if isinstance(step.event, ProbeLost) and step.event.channel == "cabinet":
            self.lost, self.known = True, False
        for id, old, new in sorted(step.of("holds"), key=lambda each: int(each[0])):
            self._hold(ledger, step, id, old, new)
        for _, old, new in step.of("checks"):
            warm = new.get("stage") == "holding" and new["verdict"] == "passed" and new.get("probe_was") != "failed"
            warm = warm and not new.get("disputed") and _speaks(ledger, new)
            if warm and (old is None or old["temp_c"] != new["temp_c"]):
                self.power.discard(new["batch_id"])
            if warm and (old is None or any(old.get(name) != new.get(name) for name in ("temp_c", "uncertainty_c"))):
                self._was_read(step, new["batch_id"])
        for id, _, new in step.of("corrections"):
            if id == step.seq:
                self.power.discard(new["batch_id"])
        if step.struck:
            self._back(ledger, step)
            self.unclear |= {id for id, row in ledger.open.items() if id in step.batches or row["stage"] == "holding"}
        if isinstance(step.event, Reading) and step.event.channel == "cabinet":
            for id, row in ledger.open.items():
                if row["stage"] == "holding":
                    self._was_read(step, id)
        for id, row in ledger.open.items():
            if row["stage"] == "holding":
                self._held(ledger, step, row, ledger.kids[id]["holds"])
        for id, old, new in step.of("batches"):
            if (
                old
                and not step.struck
                and (new.get("sold_pieces") or 0, new["outcome"])
                != (
                    old.get("sold_pieces") or 0,
                    old["outcome"],
                )
            ):
                self._sold(ledger, step, id, old, new)
        self._cabinet(ledger, step)

    def _was_read(self, step: Step, id: int) -> None:
        since_ms, longest_ms = self.read.get(id, (step.at_ms, 0))
        self.read[id] = (step.at_ms, max(longest_ms, step.at_ms - since_ms))
        self.never.discard(id)

    def _unread(self, ledger: Ledger, step: Step, id: int) -> bool:
        """Whether nobody knows that what heat keeps safe was hot: the cabinet has a probe, and nothing was read."""
        if ledger.procedures[id].hold_by == "time" or not (self.known or self.lost):
            return False
        since_ms, longest_ms = self.read[id]
        longest_ms = max(longest_ms, step.at_ms - since_ms)
        return longest_ms > FRESH_MS and (id in self.never or longest_ms >= UNREAD_MS)

    def _back(self, ledger: Ledger, step: Step) -> None:
        """Where words that closed a batch were struck it was in holding all the time, through a power gap too."""
        since_ms = min((new["at_ms"] for _, old, new in step.of("commands") if new["struck"] and old), default=0)
        for id, old, new in step.of("batches"):
            back = old and old["stage"] == "closed" and new["stage"] == "holding"
            if back and ledger.procedures[id].hold_by == "temperature" and max(self.gaps_ms, default=0) >= since_ms:
                self.power.add(id)

    def _hold(self, ledger: Ledger, step: Step, id: int, old: Row | None, new: Row) -> None:
        batch = new["batch_id"]
        if new["struck"]:
            if old and not old["struck"]:
                self.first[batch] = old
                ledger.seen["holds struck"] += 1
            return
        hold_to("10 for good", not old or old["time_proven"] >= new["time_proven"], new)
        if old is None:
            self._began(ledger, step, id, new)

    def _began(self, ledger: Ledger, step: Step, id: int, new: Row) -> None:
        batch, procedure = new["batch_id"], ledger.procedures[new["batch_id"]]
        opened_ms = max(cook["lid_open_ms"] or 0 for cook in ledger.kids[batch]["fryings"].values())
        self.read[batch] = (step.at_ms, 0)
        self.never.add(batch)
        by_time, struck = procedure.hold_by == "time", self.first.pop(batch, None)
        earlier = [hold["counted_from_ms"] for id, hold in ledger.kids[batch]["holds"].items() if id < new["id"]]
        counted = [opened_ms, *(earlier if by_time else [])]
        before = ledger.kids[batch]["holds"].get(
            max((id for id in ledger.kids[batch]["holds"] if id < new["id"]), default=0)
        )
        if before:  # a further cook that was too short makes nothing fresh
            cooks = [
                each for each in ledger.kids[batch]["fryings"].values() if each["lid_locked_ms"] >= before["started_ms"]
            ]
            counted += [before["counted_from_ms"]] if all(cook["short"] for cook in cooks) else []
            ledger.seen["holds after a further cook"] += 1
        cooked = ledger.newest("corrections", batch)
        again = struck and not (cooked and cooked["at_ms"] >= struck["started_ms"])
        if struck and (again or by_time):
            counted.append(struck["counted_from_ms"])
        started_ms = struck["started_ms"] if struck and again else step.at_ms
        below = struck.get("seconds_below") if struck and again else None
        hold_to("4 first", new["started_ms"] == started_ms, new, struck)
        hold_to("4 counted", new["counted_from_ms"] == min(counted), new, counted)
        hold_to("4 until", new["until_ms"] == min(counted) + procedure.hold_limit_ms, new)
        hold_to("8 goes on", new.get("seconds_below") == below, new, struck)
        hold_to("4 confirm", new["proven"] or step.confirmed, new)
        hold_to("4 kind", new["limit_kind"] == ("time" if procedure.hold_by == "time" else "quality"), new)
        late = bool(ledger.waited[batch])
        hold_to("7 late waits", late or step.at_ms < opened_ms + procedure.open_wait_ms, new)
        hold_to("7 late", bool(new.get("late")) == late, new)
        hold_to("7 late alert", (f"{id}-hold-after-a-long-wait" in ledger.alerts) == late, new)
        ledger.seen["holds proven" if new["proven"] else "holds confirmed"] += 1
        ledger.seen["holds late"] += late

    def _held(self, ledger: Ledger, step: Step, row: Row, holds: dict[int, Row]) -> None:
        """Of a batch in holding, at each step."""
        id = max(holds)
        hold, procedure = holds[id], ledger.procedures[row["id"]]
        if not row["proven"] or not hold["proven"]:
            alert = ledger.alerts.get(f"{id}-hold-before-checks-complete")
            hold_to("4 unproven", alert and alert["batch"] == row["number"], row, hold)
            hold_to("4 unproven", hold["proven"] == 0, row, hold)
        began = ("holds", id) in step.changed and step.changed["holds", id][0] is None
        if step.at_ms >= hold["until_ms"] and not (began and not step.struck):  # one that is begun so late: at once
            alert = ledger.alerts.get(f"{id}-hold-past-limit")
            level = "critical" if procedure.hold_by == "time" else "warning"
            hold_to("4 past", hold["past_limit"] == 1 and alert and alert["level"] == level, hold, alert)
            ledger.seen["holds past their limit"] += ledger.since_ms < hold["until_ms"]
        elif not began:
            hold_to("4 past", hold["past_limit"] == 0, hold, step.at_ms)

    def _sold(self, ledger: Ledger, step: Step, id: int, old: Row, new: Row) -> None:
        if new["outcome"] == "discarded" or not step.meant or step.meant.meaning not in (m.SOLD, m.HOLD_END):
            hold_to("5 by word", (new.get("sold_pieces") or 0) == (old.get("sold_pieces") or 0), new)
            return
        holds, procedure = ledger.kids[id]["holds"], ledger.procedures[id]
        about = max(holds)
        hold = step.changed.get(("holds", about), (None, holds[about]))[0] or holds[about]
        by_time = procedure.hold_by == "time"
        checks = [check for each, check in ledger.kids[id]["checks"].items() if each > about]
        cold = any(check["verdict"] == "below hold minimum" for check in checks)
        cold |= bool(old.get("reheat_missed")) or id in self.power
        unread = self._unread(ledger, step, id)
        if id not in self.unclear and unread:
            cold = True
            ledger.seen["sold unread"] += 1
        safety = not hold["proven"] or not old["proven"] or cold
        safety |= bool(not by_time and hold.get("seconds_below")) or bool(by_time and not hold["time_proven"])
        safety |= by_time and step.at_ms >= hold["until_ms"]
        against = safety or not hold["time_proven"] or step.at_ms >= hold["until_ms"]
        of = [row for row in ledger.alerts.values() if row["kind"] == "sold despite a deviation"]
        of = [row for row in of if row["batch"] == new["number"]]
        told = [row for row in of if ("alerts", row["id"]) in step.changed]
        alert = of[0] if of else None
        waited = bool(told) and id in self.unclear and "whether it was hot is not known" in str(alert)
        waited |= "4 h is the most" in str(alert) or "how long its pieces waited before is not known" in str(alert)
        hold_to("5 sold", len(of) == 1 if against or waited else not told, hold, old, of)
        if id not in self.unclear:
            hold_to("5 unread", not unread or "whether it was hot is not known" in str(alert), hold, alert)
        hold_to("5 confirm", not (against or waited) or step.confirmed, hold, old)
        hold_to("5 level", not (safety and told) or told[0]["level"] == "critical", told)
        hold_to("5 sold", gone(new) > gone(old) or new["outcome"], new)
        ledger.seen["sold despite a deviation" if against else "sold"] += 1

    def _cabinet(self, ledger: Ledger, step: Step) -> None:
        held = [row for id, row in ledger.open.items() if row["stage"] == "holding"]
        held = [row for row in held if ledger.procedures[row["id"]].hold_by == "temperature"]
        open_ = [row for row in ledger.alerts.values() if row["kind"] == "hold below minimum"]
        left = [row for id, row in ledger.open.items() if row["stage"] == "checking" and self._left(ledger, id)]
        hold_to("8 one", len(open_) <= 1 and (held or left or not open_), open_)
        for _, _, new in step.of("alerts") if step.struck else ():
            if new["kind"] == "hold below minimum" and new["ended_by"] == "command struck" and left:
                hold_to("8 struck", open_, "food may still stand in the cold cabinet", new, left)
        ledger.seen["a cold cabinet that words left"] += bool(step.struck and left and open_ and not held)
        if isinstance(step.event, Reading) and step.event.channel == "cabinet":
            for row in held:
                self._seconds(ledger, step, max(ledger.kids[row["id"]]["holds"]), row["id"])
        minimums = [procedure.hold_minimum for procedure in ledger.procedures.values()]
        minimums += [ledger.procedure.hold_minimum] if ledger.procedure else []
        fresh = bool(self.cabinet) and step.at_ms - self.cabinet[-1][0] <= FRESH_MS
        if held and fresh and self.known and self._ran(lambda temp_c: all(_below(temp_c, each) for each in minimums)):
            known = step.changed.get(("alerts", open_[0]["id"]), (True, None))[0] if open_ else None
            hold_to("8 raised", open_, "the cabinet has been below its minimum", self.cabinet[-5:])
            ledger.seen["cabinet cold"] += known is None
        for notice in step.notices:
            if notice.alert.kind != "hold below minimum" or step.struck:
                continue
            if notice.change == "raised":
                ran = self._ran(lambda temp_c: any(_below(temp_c, m) for m in minimums), STRETCH_MS)
                long = any((ledger.newest("holds", row["id"]) or {}).get("seconds_below", 0) >= 600 for row in held)
                hold_to("8 one sample", ran or long, notice)
            elif notice.change == "ended" and notice.alert.ended_by == "warm again":
                warm = self._ran(lambda temp_c: any(not _below(temp_c, m) for m in minimums), STRETCH_MS, WARM_FOR_MS)
                hold_to("8 one sample", warm, notice)
                ledger.seen["cabinet warm again"] += 1
            elif notice.change == "ended":
                hold_to("8 ended", not held and not left, notice)

    def _left(self, ledger: Ledger, id: int) -> bool:
        """Whether the food of a struck hold may still stand in the cabinet."""
        struck, cooked = self.first.get(id), ledger.newest("corrections", id)
        by_heat = ledger.procedures[id].hold_by == "temperature"
        return bool(struck and by_heat and not (cooked and cooked["at_ms"] >= struck["started_ms"]))

    def _ran(self, so: Callable[[float], bool], apart_ms: int = FRESH_MS, for_ms: int = COLD_FOR_MS) -> bool:
        """Whether the newest readings, none farther apart than that, have been so for so long."""
        newest_ms, last_ms = self.cabinet[-1][0] if self.cabinet else 0, None
        for at_ms, temp_c in reversed(self.cabinet):
            if not so(temp_c) or (last_ms is not None and last_ms - at_ms > apart_ms):
                return False
            last_ms = at_ms
            if newest_ms - at_ms >= for_ms:
                return True
        return False

    def _seconds(self, ledger: Ledger, step: Step, id: int, batch: int) -> None:
        """Too cold counts from a reading below the batch's own minimum to the next one, while both are fresh."""
        new = ledger.rows["holds"][id]
        old = step.changed.get(("holds", id), (new, new))[0]
        more_ms = round(((new.get("seconds_below") or 0) - ((old or {}).get("seconds_below") or 0)) * 1000)
        due_ms = 0
        if len(self.cabinet) > 1:
            (since_ms, temp_c), (at_ms, _) = self.cabinet[-2:]
            if at_ms - since_ms <= FRESH_MS and _below(temp_c, ledger.procedures[batch].hold_minimum):
                due_ms = at_ms - max(since_ms, new["started_ms"])
        hold_to("8 seconds", more_ms == due_ms, new, more_ms, due_ms)
        ledger.seen["seconds below counted"] += due_ms > 0

    def _restarted(self, ledger: Ledger, step: Step, event: Started) -> None:
        """What ran through a gap of unknown length is not vouched for; a board without power is told of."""
        rebooted = ledger.boot_id not in (None, event.boot_id)
        known = event.gap_known and (not rebooted or (ledger.wall_known and event.wall_known))
        if known and rebooted:
            self.gaps_ms.append(step.at_ms)
        cooking = [row for row in ledger.open.values() if row["stage"] == "cooking"]
        holding = [row for row in ledger.open.values() if row["stage"] == "holding"]
        for row in [*cooking, *holding]:
            table = "fryings" if row in cooking else "holds"
            newest = ledger.newest(table, row["id"])
            assert newest
            if not known:
                hold_to("10 unknown", newest["time_proven"] == 0, newest)
                alert = f"{newest['id']}-time-not-proven"
                hold_to("10 unknown", alert in ledger.alerts, row)
                ledger.seen["unknown gaps, " + row["stage"]] += 1
            elif rebooted and row in cooking:
                hold_to("10 power", newest["time_proven"] == 0, newest)
            elif rebooted and ledger.procedures[row["id"]].hold_by == "temperature":
                self.power.add(row["id"])
        holding = [row for row in holding if ledger.procedures[row["id"]].hold_by == "temperature"]
        away = [id for id in ledger.alerts if id == f"{step.seq}-power-was-away"]
        hold_to("10 power", bool(away) == bool(known and rebooted and (cooking or holding)), away, event)
        ledger.seen["power was away"] += bool(away)


def _below(temp_c: float, minimum: Limit) -> bool:
    return shown(temp_c, minimum.unit) < minimum.value


def _speaks(ledger: Ledger, check: Row) -> bool:
    """Whether a reading says something of the batch: of a part that was loaded, and not by words alone."""
    id = check["batch_id"]
    loaded = {load["part"] for load in ledger.kids[id]["loads"].values()}
    by_probe = check["source"] == "probe" or check.get("probe_was") == "spare passed"
    return check["part"] in {None, *loaded} and (by_probe or ledger.procedures[id].spoken_readings_prove)
