"""Before the oil: how long raw food is out, what lot a load carries, how cold is enough, breading and ready oil."""

from recorder.core import meanings as m
from recorder.core.events import Heard, ProbeLost, ProcedureLoaded, Reading, Started
from tests.model.ledger import Ledger, Row, Step, hold_to, shown

LONGEST_MS = 4 * 3_600_000
"""FDA Food Code 2022, 3-501.19(B)."""
COLD = {"F": 41.0, "C": 5.0}
"""FDA Food Code 2022, 3-501.16(A)(2)."""
FRESH_MS = 60_000


class BeforeTheOil:
    def __init__(self) -> None:
        self.oil: dict[int, tuple[float, int]] = {}
        """By vat: the newest temperature, and when."""
        self.said: dict[str, set[str]] = {}
        """By part: all that was ever said of its lots."""

    def see(self, ledger: Ledger, step: Step) -> None:
        event = step.event
        if isinstance(event, Started):
            self.oil = {}
        elif isinstance(event, Reading) and event.channel.startswith("vat"):
            self.oil[int(event.channel[3:])] = (event.temp_c, step.at_ms)
        elif isinstance(event, ProbeLost) and event.channel.startswith("vat"):
            self.oil.pop(int(event.channel[3:]), None)
        for id, old, new in step.of("raw_times"):
            self._stretch(ledger, step, id, old, new)
        for _, old, new in step.of("loads"):
            if old is None and not step.struck:
                self._lot(ledger, step, new)
        self._out(ledger, step)
        for id, old, new in step.of("raw_checks"):
            if new["temp_c"] is not None and (old is None or old["temp_c"] is None):
                self._cold(ledger, id, new)
        for _, old, new in step.of("breading"):
            if old is None:
                self._breading(ledger, step, new)
        for _, old, new in step.of("oil"):
            if old is None and new["what"] == m.OIL_READY:
                self._ready(ledger, step, new)
        for _, old, new in step.of("shifts"):
            if old and old["ended_ms"] is None and new["ended_ms"] is not None:
                for part in {row["part"] for row in out(ledger)}:
                    hold_to("14 shift", f"raw {part} out" in new["left_open"], new)
        for notice in step.notices:
            if notice.alert.kind == "breading change overdue" and notice.change == "raised":
                self._overdue(ledger, step)

    def _stretch(self, ledger: Ledger, step: Step, id: int, old: Row | None, new: Row) -> None:
        pieces, left = new["pieces"], new["pieces_left"]
        hold_to("14 pieces", (pieces is None) == (left is None) and (left is None or 0 <= left <= pieces), new)
        if new["struck"]:
            return
        if new.get("lot"):
            self.said.setdefault(new["part"], set()).add(new["lot"])
        if old is None or step.struck:
            return
        for flag in ("too_long", "past_limit"):
            hold_to("14 flags stay", new[flag] >= old[flag], old, new)
        hold_to("14 times stay", new["out_ms"] == old["out_ms"] and new["time_proven"] <= old["time_proven"], old, new)
        ended = old["back_ms"] is None and new["back_ms"] is not None
        by = step.meant.meaning if step.meant and step.outcome == "done" else ""
        if ended:
            hold_to("14 ended", (by, new["outcome"]) in ((m.RAW_BACK, "back"), (m.LOAD, "loaded")), by, new)
            hold_to("14 ended", new["back_ms"] == step.at_ms, new)
            hold_to("14 ended", new["seconds"] == (step.at_ms - new["out_ms"]) / 1000, new)
            ledger.seen[f"raw food {new['outcome']}"] += 1
        elif new["pieces_left"] != old["pieces_left"]:
            hold_to("14 fewer", by in (m.RAW_BACK, m.LOAD) and new["pieces_left"] < old["pieces_left"], by, old, new)
            ledger.seen["raw food fewer"] += 1

    def _lot(self, ledger: Ledger, step: Step, load: Row) -> None:
        """A load carries the lots of all of its part that was out, or one that was said of this part before."""
        before = [step.before("raw_times", id, row) for id, row in ledger.rows["raw_times"].items()]
        was_out = [row for row in before if row and row["back_ms"] is None and not row["struck"]]
        lots = [row["lot"] for row in was_out if row["part"] == load["part"] and row.get("lot")]
        carried = (load.get("lot") or "").split()
        if lots:
            hold_to("14 lots", carried == list(dict.fromkeys(lots)), load, lots)
            ledger.seen["loads of a lot"] += 1
        else:
            hold_to("14 lot", set(carried) <= self.said.get(load["part"], set()) and len(carried) <= 1, load)
            ledger.seen["loads of a lot said before"] += bool(carried)

    def _out(self, ledger: Ledger, step: Step) -> None:
        if not ledger.ticking or step.struck or isinstance(step.event, ProcedureLoaded):
            return
        for row in out(ledger):
            age_ms = step.at_ms - row["out_ms"]
            if age_ms >= LONGEST_MS:
                hold_to("14 four hours", row["past_limit"] and row["too_long"], row)
                alert = ledger.rows["alerts"].get(f"{row['id']}-raw-food-out-for-four-hours")
                hold_to("14 four hours", alert and alert["level"] == "critical", row)
                ledger.seen["raw food out for hours"] += 1
            else:
                hold_to("14 four hours", not row["past_limit"], row)
            with_it = [each for each in ledger.menu if each.part(row["part"])] or ledger.menu
            longest_ms = min((each.raw_out_ms for each in with_it if each.raw_out_ms is not None), default=None)
            if longest_ms is not None and longest_ms <= age_ms < LONGEST_MS:
                hold_to("14 too long", row["too_long"], row)
                hold_to("14 too long", f"{row['id']}-raw-food-out-too-long" in ledger.alerts, row)
                ledger.seen["raw food out too long"] += 1
        open_ids = {f"{row['id']}-raw-food-out-too-long" for row in out(ledger)}
        warned = {id for id, row in ledger.alerts.items() if row["kind"] == "raw food out too long"}
        hold_to("14 over", warned <= open_ids, warned - open_ids)

    def _cold(self, ledger: Ledger, id: int, row: Row) -> None:
        warm = shown(row["temp_c"], row["unit"]) > COLD[row["unit"]]
        hold_to("14 cold", row["verdict"] == ("above cold limit" if warm else "passed"), row)
        hold_to("14 cold", row["cold_limit"] == COLD[row["unit"]], row)
        if warm:
            alert = ledger.rows["alerts"].get(f"{id}-raw-food-above-the-cold-limit")
            hold_to("14 warm", alert and alert["batch"] is None and "or discard it" in alert["text"], row)

    def _breading(self, ledger: Ledger, step: Step, row: Row) -> None:
        changes = changed(ledger, but=step.seq)
        if row.get("hours_in_use") is not None:
            hours = (step.at_ms - max(each["at_ms"] for each in changes)) / 3_600_000
            hold_to("14 in use", abs(row["hours_in_use"] - hours) <= 0.0051, row, hours)
            ledger.seen["breading with its time in use"] += 1
        if row["what"] == m.BREADING_CHANGED and not row["struck"]:
            kinds = [alert["kind"] for alert in ledger.alerts.values()]
            hold_to("14 changed", "breading change overdue" not in kinds, row)

    def _overdue(self, ledger: Ledger, step: Step) -> None:
        shifts = [row for row in ledger.rows["shifts"].values() if not row["struck"]]
        hold_to("14 a shift", step.struck or (shifts and shifts[-1]["ended_ms"] is None), shifts)
        every_ms = min((each.breading_every_ms for each in ledger.menu if each.breading_every_ms), default=None)
        if every_ms is None or step.struck or isinstance(step.event, Heard):
            return
        since_ms = max((row["at_ms"] for row in changed(ledger)), default=0)
        hold_to("14 overdue", step.at_ms - since_ms >= every_ms, since_ms)
        ledger.seen["breading overdue"] += 1

    def _ready(self, ledger: Ledger, step: Step, row: Row) -> None:
        if step.struck or ledger.procedure is None:
            return
        by, found = ledger.procedure, self.oil.get(row["vat"])
        if found is None or step.at_ms - found[1] > FRESH_MS:
            hold_to("14 ready", row["oil_temperature"] is None and "band" not in row.get("despite", ""), row)
            return
        value = shown(found[0], by.unit)
        outside = not by.oil_low.value <= value <= by.oil_high.value
        hold_to("14 ready", ("band" in row.get("despite", "")) == outside, row, value)
        hold_to("14 ready", not row.get("despite") or step.confirmed, row)
        ledger.seen["oil ready" + (" all the same" if row.get("despite") else "")] += 1


def out(ledger: Ledger) -> list[Row]:
    return [row for row in ledger.rows["raw_times"].values() if row["back_ms"] is None and not row["struck"]]


def changed(ledger: Ledger, but: int = 0) -> list[Row]:
    rows = ledger.rows["breading"].items()
    return [row for id, row in rows if id != but and row["what"] == m.BREADING_CHANGED and not row["struck"]]
