"""The needle: what it gave stays, only its own check is read colder, and a failed check of it casts its doubt."""

import math
from dataclasses import dataclass

from recorder.core.events import Heard, ProbeBack, ProbeLost, Reading, Started
from tests.model.ledger import Ledger, Row, Step, hold_to, shown

COLDER_MS, SAME_SPOT_MS, GRACE_MS, NO_BATH_C = 60_000, 120_000, 15_000, 30.0
COLDEST_C, HOTTEST_PIECE_C, HOTTEST_C = -5.0, 97.0, 105.0
"""What rests outside of this rests in no piece and no bath."""
KEPT_MS = 120_000
"""So long a spot is remembered."""
BATH_MS = 300_000
"""So long a check of the needle waits."""
LOWER_C = 0.1
"""By so much a spot must stand lower; what is nearer to it than float error may go either way."""
TOLERANCE_C = {"F": 2 / 1.8, "C": 1.0}
"""Food Code 2022 4-203.11."""
SPARE = "spare ice point"
HOTTEST_RAW_C, RAW_LATE_MS = 40.0, 120_000
"""What is hotter is no raw food; so long after its words the needle may come to rest in raw food."""


@dataclass
class Owner:
    """Whose resting place the newest one is."""

    check: int | None
    """None for a check of the needle itself."""
    spot: int
    at_ms: int
    """When its reading was taken."""
    through: int = 0
    """The newest spot, no colder, that the needle went on to."""


class Needle:
    def __init__(self) -> None:
        self.owner: Owner | None = None
        self.used = 0
        self.spots: dict[int, tuple[int, float]] = {}
        """Since when, and the newest temperature; infinite for what is no piece."""
        self.ruled_out: dict[int, set[str]] = {}
        """By spot: what its readings said that it is, where that is no piece."""
        self.reads: list[Reading] = []
        self.lost = False
        self.order: dict[Reading, int] = {}
        """The numbers of their entries: of two in one millisecond one is before the other."""
        self.given: dict[int, tuple[int, int]] = {}
        """Checks that the needle gave: when, and by which entry."""
        self.passed: dict[int, tuple[tuple[int, int], bool]] = {}
        """Checks of the needle that were read: when, and whether it passed."""
        self.raw_owner: int | None = None
        """The check of raw food that was read in the newest resting place, if that was one."""
        self.trusted: dict[int, bool] = {}
        """Checks that were read: whether their thermometer was to be believed then."""

    def see(self, ledger: Ledger, step: Step) -> None:
        event = step.event
        if isinstance(event, Started):
            self.owner, self.used, self.spots, self.ruled_out, self.raw_owner = None, 0, {}, {}, None
        if isinstance(event, ProbeLost) and event.channel == "needle":
            self.lost = True
        elif isinstance(event, ProbeBack | Reading) and event.channel == "needle":
            self.lost = False
        settled = isinstance(event, Reading) and event.channel == "needle" and event.settled
        if isinstance(event, Reading) and settled:
            self._rests(ledger, step, event)
        if isinstance(event, Reading):
            settled &= COLDEST_C <= event.temp_c <= HOTTEST_C
        (taken, baths), raws = self._kept(step), self._kept_raw(step)
        if isinstance(event, Reading) and settled:
            self.reads = [*self.reads[-199:], event]
            self.order[event] = step.seq
        if isinstance(event, Reading) and settled and not self._may_count(ledger, step, event):
            hold_to("2 no piece", not taken and not baths and not raws and not self._fallen(step), event)
            ledger.seen["needle in no piece"] += 1
            return
        if isinstance(event, Reading) and settled:
            if not self._read_raw(ledger, step, event, taken, baths, raws):
                self._read(ledger, step, event, taken, baths)
        elif isinstance(event, Heard) and step.struck:
            self._again(ledger, step, taken, [*baths, *raws])
        else:
            nothing = not taken and not baths and not raws
            hold_to("2 only readings", nothing and not self._fallen(step), step.event)
        for id, _, new in step.of("checks"):
            self._disputed(new)
            if new["source"] == "spoken" and id not in self.trusted:
                self.trusted[id] = self._spoken(ledger, step, new)

    def piece(self, event: Reading) -> bool:
        """Whether the needle may rest in a piece, by all that was read of its spot."""
        return not event.medium and event.temp_c <= HOTTEST_PIECE_C and not self.ruled_out.get(event.spot)

    def near_bath(self, row: Row, event: Reading, margin_c: float) -> bool:
        """Whether a reading is near enough to what the bath should show; at sea level, hence the margin."""
        near = abs(event.temp_c - (0.0 if row["how"] == "ice point" else 100.0)) <= NO_BATH_C + margin_c
        return near and not {event.medium, *self.ruled_out.get(event.spot, ())} & {"air", "oil"}

    def _rests(self, ledger: Ledger, step: Step, event: Reading) -> None:
        """What a spot once was it stays; a check that was read in it before then proves nothing any more."""
        what = event.medium.replace("unsure", "") or ("too hot" if event.temp_c > HOTTEST_PIECE_C else "")
        if what:
            self.ruled_out.setdefault(event.spot, set()).add(what)
        since_ms, _ = self.spots.get(event.spot, (step.at_ms, 0.0))
        self.spots[event.spot] = (since_ms, event.temp_c if self.piece(event) else float("inf"))
        owner = self.owner
        if what and owner and self.raw_owner and event.spot == owner.spot and step.at_ms <= owner.at_ms + SAME_SPOT_MS:
            row = ledger.rows["raw_checks"][self.raw_owner]
            hold_to("2 found out", row.get("disputed"), row, event)
            ledger.seen["raw food that is none after all"] += 1
        if not what or owner is None or owner.check is None or event.spot != owner.spot:
            return
        if step.at_ms <= owner.at_ms + SAME_SPOT_MS:
            row = ledger.rows["checks"][owner.check]
            hold_to("2 found out", row.get("disputed") and row["counts"] == 0, row, event)
            ledger.seen["a check's spot is no piece after all"] += 1

    def failed(self) -> bool:
        """Whether the needle's last check of itself stands against it; a pass that was taken back proves nothing."""
        return not list(self.passed.values())[-1][1] if self.passed else False

    def unverified(self, but: int) -> set[int]:
        """The checks that it gave since it was last judged, before its check number `but`; earlier ones were then."""
        since = max((when for id, (when, _) in self.passed.items() if id != but), default=(-1, 0))
        return {check for check, when in self.given.items() if when >= since}

    def _kept(self, step: Step) -> tuple[list[tuple[int, Row]], list[tuple[int, Row]]]:
        """What was read in this step; and nothing that was read before is gone."""
        taken, baths = [], []
        for _, old, new in step.of("checks"):
            if old and old["source"] == "spoken":
                hold_to("2 spoken kept", new["source"] == "spoken" and not new["struck"], new)
                hold_to("2 spoken kept", new["temp_c"] == old["temp_c"], old, new)
        for id, old, new in step.of("checks"):
            if old and old["source"] == "probe":
                hold_to("2 kept", new["source"] == "probe" and not new["struck"] and new["temp_c"] is not None, new)
                hold_to("2 falls", new["temp_c"] <= old["temp_c"], old, new)
                hold_to("2 dispute stays", not old.get("disputed") or new.get("disputed"), new)
            elif new["source"] == "probe":
                taken.append((id, new))
        for id, old, new in step.of("probe_checks"):
            if new["how"] == SPARE:
                hold_to("2 spare kept", not new["struck"], new)
                continue
            if old and old["temp_c"] is not None:
                hold_to("2 bath kept", not new["struck"] and new["temp_c"] == old["temp_c"], new)
            elif new["temp_c"] is not None:
                baths.append((id, new))
        return taken, baths

    def _kept_raw(self, step: Step) -> list[tuple[int, Row]]:
        """What was read of raw food in this step; and nothing that was read of it before is gone."""
        raws = []
        for id, old, new in step.of("raw_checks"):
            if old and old["temp_c"] is not None:
                hold_to("2 raw kept", not new["struck"] and new["temp_c"] == old["temp_c"], new)
                hold_to("2 dispute stays", not old.get("disputed") or new.get("disputed"), new)
            elif new["temp_c"] is not None:
                raws.append((id, new))
        return raws

    def _may_be_raw(self, event: Reading) -> bool:
        return self.piece(event) and event.temp_c <= HOTTEST_RAW_C

    def _read_raw(
        self,
        ledger: Ledger,
        step: Step,
        event: Reading,
        taken: list[tuple[int, Row]],
        baths: list[tuple[int, Row]],
        raws: list[tuple[int, Row]],
    ) -> bool:
        """Whether this was for a check of raw food, which takes the warmest of its spots and is of no batch."""
        window_ms = ledger.procedure.settle_window_ms if ledger.procedure else 0
        waits = [
            row
            for id, each in ledger.rows["raw_checks"].items()
            if (row := step.before("raw_checks", id, each)) and row["verdict"] == "open" and not row["struck"]
            if step.at_ms < row["opened_ms"] + window_ms
        ]
        since_ms, _ = self.spots[event.spot]
        mine = [
            row
            for row in waits
            if self._may_be_raw(event) and event.spot > self.used and since_ms >= row["opened_ms"] - GRACE_MS
        ]
        hold_to("2 raw taken", [id for id, _ in raws] == [row["id"] for row in mine], raws, mine, event)
        if not raws:
            return False
        ((id, row),) = raws
        fresh = [
            temp_c
            for spot, (since_ms, temp_c) in self.spots.items()
            if spot > self.used and since_ms >= row["opened_ms"] - GRACE_MS and temp_c <= HOTTEST_RAW_C
        ]
        hold_to("2 warmest", row["temp_c"] == max(fresh), row, fresh)
        hold_to("2 of no batch", not taken and not baths and not self._fallen(step), taken, baths)
        before = self._colder_than(ledger, step, event)
        if before is not None and shown(event.temp_c, row["unit"]) > row["cold_limit"]:
            hold_to("2 either piece", ledger.rows["checks"][before].get("disputed"), "may be of the piece before", row)
            ledger.seen["disputed by raw food that is warm"] += 1
        self.owner, self.used, self.raw_owner = Owner(None, event.spot, step.at_ms), event.spot, id
        self.given[id] = (step.at_ms, step.seq)
        ledger.seen[f"raw food {row['verdict']}"] += 1
        return True

    def _said_raw(self, ledger: Ledger, step: Step, spot: int) -> bool:
        """Whether by the words the needle rests in raw food there: it is of no piece then, however late."""
        rows = [step.before("raw_checks", id, row) for id, row in ledger.rows["raw_checks"].items()]
        newest = max((row for row in rows if row and not row["struck"]), key=lambda row: int(row["id"]), default=None)
        since_ms, temp_c = self.spots[spot]
        if newest is None or spot <= self.used or temp_c > HOTTEST_RAW_C:
            return False
        asked = [
            row["opened_ms"]
            for table in ("checks", "probe_checks")
            for id, each in ledger.rows[table].items()
            if id > newest["id"] and (row := step.before(table, id, each)) and not row["struck"]
            if row.get("how") != SPARE and not (row.get("source") == "spoken" and row["opened_ms"] == row["closed_ms"])
        ]
        late = since_ms <= newest["opened_ms"] + RAW_LATE_MS
        said = bool(newest["opened_ms"] - GRACE_MS <= since_ms < min(asked, default=math.inf) and late)
        ledger.seen["raw food, said but read too late"] += said
        return said

    def _fallen(self, step: Step) -> list[tuple[int, Row]]:
        return [
            (id, new)
            for id, old, new in step.of("checks")
            if old and old["source"] == "probe" and old["temp_c"] != new["temp_c"]
        ]

    def _read(
        self,
        ledger: Ledger,
        step: Step,
        event: Reading,
        taken: list[tuple[int, Row]],
        baths: list[tuple[int, Row]],
    ) -> None:
        fallen = self._fallen(step)
        bath_waits = self._bath_waits(ledger, step)
        waits = list(ledger.waiting.values())
        cut_short = [row for bath in bath_waits for row in self._cut_short(ledger, step, bath)]
        if taken or baths:
            self.raw_owner = None
            for id, row in taken:
                hold_to("2 raw is no piece", not self._said_raw(ledger, step, event.spot), row, event)
                was = step.before("checks", id, row)
                late = id in [each["id"] for each in cut_short]
                hold_to("2 waited for", self.piece(event) and was and (late or was["verdict"] == "open"), row)
                ledger.seen["checks read after other words"] += late
            hold_to("2 one takes it", len(taken) + len(baths) == 1 and not fallen, taken, baths, fallen)
            if taken and (before := self._colder_than(ledger, step, event)) is not None:
                row = ledger.rows["checks"][before]
                hold_to("2 either piece", row.get("disputed"), "may be of the piece before", row)
                ledger.seen["disputed by a colder spot"] += 1
            if taken:
                self._left_before(ledger, step, taken[0][1], event)
            for id, row in taken:
                self._took(ledger, step, id, row, event)
            for id, row in baths:
                self._bathed(ledger, step, id, row, event)
            return
        fresh = event.spot > self.used
        for row in (*bath_waits, *(cut_short if bath_waits else waits)) if fresh else ():
            piece = self.piece(event) and not self._said_raw(ledger, step, event.spot)
            wanted = self.near_bath(row, event, -1) if row in bath_waits else piece
            stale = self.spots[event.spot][0] < row["opened_ms"] - GRACE_MS
            hold_to("2 taken", stale or not wanted, "a fresh spot was not taken for", row)
        colder = self._colder_than(ledger, step, event)
        if colder is not None and self._said_raw(ledger, step, event.spot):
            colder = None
        if colder is None:
            hold_to("2 no other check", not fallen, fallen)
            self._goes_through(ledger, step, event)
            return
        row = ledger.rows["checks"][colder]
        hold_to("2 colder spot", row["temp_c"] == event.temp_c, "a colder spot was not taken for", row, event)
        hold_to("2 colder spot", [id for id, _ in fallen] == [colder], fallen)
        ledger.seen["read colder"] += 1
        ledger.seen[f"read colder, batch {ledger.rows['batches'][row['batch_id']]['stage']}"] += 1
        self.trusted[colder] = not self.failed()
        assert self.owner
        if event.spot == self.owner.spot:
            ledger.seen["read lower in its spot"] += 1
        else:
            self.owner, self.used = Owner(colder, event.spot, step.at_ms), event.spot

    def _colder_than(self, ledger: Ledger, step: Step, event: Reading) -> int | None:
        """The check that owns the spot which stands lower now, or from which the needle went straight to this colder
        one, in time."""
        owner = self.owner
        if owner is None or owner.check is None:
            return None
        same = event.spot == owner.spot and step.at_ms <= owner.at_ms + SAME_SPOT_MS
        further = event.colder and self._next(owner, event.spot) and step.at_ms <= owner.at_ms + COLDER_MS
        if not (same or further):
            return None
        old, new = step.changed.get(("checks", owner.check), (ledger.rows["checks"][owner.check], None))
        assert old
        lower_c = old["temp_c"] - event.temp_c
        if same and abs(lower_c - LOWER_C) < 1e-9:
            return owner.check if new and new["temp_c"] == event.temp_c else None
        return owner.check if lower_c > (LOWER_C if same else 0) else None

    def _next(self, owner: Owner, spot: int) -> bool:
        return owner.spot < spot <= max(owner.spot, owner.through) + 1

    def _goes_through(self, ledger: Ledger, step: Step, event: Reading) -> None:
        """A spot that is no colder lies on the way to the next one."""
        owner = self.owner
        if owner is None or owner.check is None or not self._next(owner, event.spot):
            return
        in_time = step.at_ms <= owner.at_ms + COLDER_MS and self.piece(event)
        if in_time and event.temp_c >= ledger.rows["checks"][owner.check]["temp_c"] - LOWER_C:
            owner.through = event.spot

    def _left_before(self, ledger: Ledger, step: Step, taken: Row, event: Reading) -> None:
        """A spot that the needle had left by the next words, and that the check before would not have passed by."""
        owner = self.owner
        if owner is None or owner.check is None:
            return
        row = step.before("checks", owner.check, ledger.rows["checks"][owner.check])
        low, until_ms = taken["opened_ms"] - GRACE_MS, min(taken["opened_ms"], owner.at_ms + COLDER_MS + 1)
        left = [
            temp_c
            for spot, (since_ms, temp_c) in self.spots.items()
            if self.used < spot != event.spot and low <= since_ms < until_ms and since_ms >= step.at_ms - KEPT_MS
            if not self._said_raw(ledger, step, spot)
        ]
        if not left or row is None or row["verdict"] != "passed" or row.get("stage") or row["target"] is None:
            return
        read = shown(min(left), row["unit"])
        if read < row["target"] or read < row["critical_limit"]:
            row = ledger.rows["checks"][owner.check]
            hold_to("2 either piece", row.get("disputed"), "may be of the piece before", row, left)
            ledger.seen["disputed by a spot that was left"] += 1

    def _may_count(self, ledger: Ledger, step: Step, event: Reading) -> bool:
        """Whether a settled reading may be of a piece, or of the bath that is waited for."""
        return self.piece(event) or any(self.near_bath(row, event, 0.1) for row in self._bath_waits(ledger, step))

    def _bath_waits(self, ledger: Ledger, step: Step) -> list[Row]:
        """The check of the needle that waited before this step, if one did."""
        before = [step.before("probe_checks", id, row) for id, row in ledger.rows["probe_checks"].items()]
        return [
            row
            for row in before
            if row and row["verdict"] == "open" and not row["struck"] and step.at_ms < row["opened_ms"] + BATH_MS
        ]

    def _cut_short(self, ledger: Ledger, step: Step, bath: Row) -> list[Row]:
        """The check that the words of `bath` cut short, while it would still be waited for."""
        newest = [max(ledger.kids[id]["checks"].items(), default=None) for id in ledger.open]
        before = [step.before("checks", *each) for each in newest if each]
        return [
            row
            for row in before
            if row
            and row["verdict"] == "no reading"
            and row["closed_ms"] == bath["opened_ms"]
            and step.at_ms < row["opened_ms"] + ledger.procedures[row["batch_id"]].settle_window_ms
        ]

    def _took(self, ledger: Ledger, step: Step, id: int, row: Row, event: Reading) -> None:
        fresh = [
            temp_c
            for spot, (since_ms, temp_c) in self.spots.items()
            if spot > self.used and since_ms >= row["opened_ms"] - GRACE_MS
            if not self._said_raw(ledger, step, spot)
        ]
        hold_to("2 coldest", fresh and row["temp_c"] == min(fresh), row, fresh)
        self.owner, self.used = Owner(id, event.spot, step.at_ms), event.spot
        self.given[id] = (step.at_ms, step.seq)
        self.trusted[id] = not self.failed()
        ledger.seen["checks read"] += 1
        shift = ledger.rows["shifts"][max(ledger.rows["shifts"])] if ledger.rows["shifts"] else None
        if row.get("probe_was") in ("overdue", "unchecked") and shift and not shift["struck"] and not shift["ended_ms"]:
            kinds = [alert["kind"] for alert in ledger.alerts.values()]
            hold_to("9 overdue", "probe check overdue" in kinds, "a piece was judged by a needle that was due", row)
            ledger.seen["judged by a needle that was due"] += 1

    def _bathed(self, ledger: Ledger, step: Step, id: int, row: Row, event: Reading) -> None:
        due_c = 0.0 if row["how"] == "ice point" else 100.0  # at sea level, to 0.1 °C
        off_c, tolerance_c = abs(event.temp_c - due_c), TOLERANCE_C[row["unit"]]
        ok = row["verdict"] == "passed"
        hold_to("9 bath", row["temp_c"] == event.temp_c and off_c <= NO_BATH_C + 0.1, row, event)
        hold_to("9 bath", off_c <= tolerance_c + 0.1 if ok else off_c >= tolerance_c - 0.1, row)
        self.owner, self.used = Owner(None, event.spot, step.at_ms), event.spot
        self.passed[id] = ((step.at_ms, step.seq), ok)
        ledger.seen[f"probe check {row['verdict']}"] += 1
        if ok:
            return
        doubts = self.unverified(id)
        listed = {int(each) for each in (row.get("checks_in_doubt") or "").split()}
        hold_to("9 listed", listed == doubts, row, doubts)
        for check in doubts & ledger.rows["raw_checks"].keys():
            hold_to("9 in doubt", ledger.rows["raw_checks"][check].get("in_doubt") == 1, check)
            ledger.seen["raw food in doubt"] += 1
        for check in doubts - ledger.rows["raw_checks"].keys():
            of = ledger.rows["checks"][check]
            if of["batch_id"] in ledger.open:
                hold_to("9 in doubt", of.get("in_doubt") == 1 and of["counts"] == 0, of)
                ledger.seen["checks doubted"] += 1

    def _again(self, ledger: Ledger, step: Step, taken: list[tuple[int, Row]], baths: list[tuple[int, Row]]) -> None:
        """Words were struck: what waited before them waits again, and gets what the needle has read since."""
        for id, row in [*taken, *baths]:
            reads = [read for read in self.reads if read.at_ms == row["closed_ms"]]
            temps = [read.temp_c for read in self.reads if read.at_ms >= row["opened_ms"] - GRACE_MS - 120_000]
            hold_to("2 struck, read", reads and row["temp_c"] in temps, row)
            reads = [read for read in reads if read.temp_c == row["temp_c"]] or reads  # of two at one moment
            check = None if "how" in row or "cold_limit" in row else id
            self.raw_owner = id if "cold_limit" in row else None
            spot = reads[-1].spot
            first = min(read.at_ms for read in self.reads if read.spot == spot and read.at_ms >= row["opened_ms"])
            self.owner, self.used = Owner(check, spot, first), spot
            if "how" in row:
                self.passed[id] = ((reads[-1].at_ms, self.order[reads[-1]]), row["verdict"] == "passed")
            else:
                self.given[id] = (reads[-1].at_ms, self.order[reads[-1]])
            if check is not None:
                self.trusted[id] = not self.failed()
        for id, row in self._fallen(step):
            reads = [read for read in self.reads if read.temp_c == row["temp_c"]]
            hold_to("2 struck, colder", reads and self.owner and self.owner.check == id, row)
            if self.owner and reads[-1].spot != self.owner.spot:
                hold_to("2 struck, colder", reads[-1].colder, row)
                self.owner, self.used = Owner(id, reads[-1].spot, reads[-1].at_ms), reads[-1].spot
        for id, old, new in step.of("probe_checks"):
            if new["how"] != SPARE and old and new.get("disputed") and id in self.passed:
                ledger.seen["probe check disputed"] += 1
                if self.passed[id][1]:
                    del self.passed[id]

    def _disputed(self, row: Row) -> None:
        if row.get("disputed"):
            hold_to("2 disputed", row["counts"] == 0, row)

    def _spoken(self, ledger: Ledger, step: Step, row: Row) -> bool:
        """Whether a temperature that was said may count."""
        if ledger.procedures[row["batch_id"]].spoken_readings_prove:
            return True
        spares = [each for each in ledger.rows["probe_checks"].values() if each["how"] == SPARE and not each["struck"]]
        if not spares or not (self.lost or self.failed()):
            return False
        newest = max(spares, key=lambda each: int(each["id"]))
        every_ms = (ledger.procedure and ledger.procedure.probe_check_every_ms) or 24 * 3_600_000
        ledger.seen["spoken beside a spare"] += 1
        good = newest["verdict"] == "passed" and not newest.get("disputed")
        return bool(good and step.at_ms <= newest["opened_ms"] + every_ms)
