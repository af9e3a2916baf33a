"""The figures of a day: each counts what its name says, and what says nothing of a piece is in none of them."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from recorder.core.limits import in_unit, lasting, minutes_text, tenths
from recorder.core.meanings import PROBE_CHECKS
from recorder.core.procedure import BY_TIME, HOT_HOLDING, Procedure
from recorder.core.published import FOODS
from recorder.core.subjects.trends import LEAST_PIECES
from recorder.reports.day import Day, Sheet, doubtful, passed
from recorder.reports.days import Row
from recorder.reports.integrity import Integrity
from recorder.reports.later import Change
from recorder.thermal import sampling
from recorder.thermal.lethality import hold_needed_s


def numbers(day: Day, record: Integrity, changes: Mapping[int, Sequence[Change] | None]) -> list[tuple[str, str, bool]]:
    """The summary: what, how much, and whether somebody should look at it."""
    checks = [check for check in day.checks if check["temp_c"] is not None]
    missed = [check for check in checks if not passed(check)]
    doubted = [check for check in checks if doubtful(check)]
    late = [sheet for sheet in day.batches if any(hold["past_limit"] for hold in sheet.holds)]
    cold = [sheet for sheet in day.batches if any(hold["seconds_below"] for hold in sheet.holds)]
    short = [sheet for sheet in day.batches if _held_short(sheet)]
    open_alerts = [alert for alert in (*day.carried_alerts, *day.deviations) if alert["ended_ms"] is None]
    probe = _probe(day.probe_checks)
    found = [
        ("batches", str(len(day.batches)), False),
        ("pieces loaded", _loaded(day), False),
        ("checks passed", f"{len(checks) - len(missed)} of {len(checks)}", bool(missed)),
        ("sent back to cook more", str(sum(len(sheet.corrections) for sheet in day.batches)), False),
        ("batches held past the limit", str(len(late)), bool(late)),
        ("batches held without all checks", str(len(short)), bool(short)),
        ("pieces discarded", _discarded(day), False),
        ("probe", probe, probe != "passed" and bool(day.sheets)),
        ("alerts still open", str(len(open_alerts)), bool(open_alerts)),
        ("record", record.verdict, bool(record.found)),
    ]
    if cold:
        found.insert(6, ("batches held below the minimum", str(len(cold)), True))
    if doubted:
        found.insert(3, ("readings in doubt", str(len(doubted)), True))
    if day.signatures:
        after = changes[day.signatures[-1]["id"]]
        known = after is not None and not record.changed
        rows = f"{len(after)} row{'s' * (len(after) != 1)}" if known and after is not None else "not known"
        found.append(("changed after signature", rows, bool(after) or not known))
    return found


def verdict(day: Day) -> str:
    """One sentence about all that was read."""
    read = [check for check in day.checks if check["temp_c"] is not None and not check["stage"]]
    if not read:
        return "No piece was read."
    standing = [check for check in read if check["verdict"] != "passed" or not doubtful(check)]
    unsafe = sum(check["verdict"] == "below critical limit" for check in standing)
    short = sum(check["verdict"] == "below target" for check in standing)
    safe = "All" if not unsafe else f"{len(standing) - unsafe} of"
    pieces = sum(sheet.batch["pieces"] or 0 for sheet in day.batches)
    few = f" Of {pieces} pieces that were counted {len(read)} were read; the others were not." if pieces else ""
    left = len(read) - len(standing)
    doubt = f" {left} more passed and say{'s' * (left == 1)} nothing: {DOUBTFUL}." if left else ""
    said = f"{safe} {len(standing)} readings were at or above the food safety limit; {short} of them below the target."
    return f"{said if standing else 'No reading stands.'}{doubt}{few}"


DOUBTFUL = "disputed, in doubt, or by a probe that had failed its own check"


def _held_short(sheet: Sheet) -> bool:
    """Whether it was held without all checks: as the hold began, or since, where one of them no longer counts."""
    if any(not hold["proven"] for hold in sheet.holds):
        return True
    since = sheet.hold and all(back["at_ms"] < sheet.hold["started_ms"] for back in sheet.corrections)
    return bool(since and not sheet.batch["proven"])


def _loaded(day: Day) -> str:
    pieces = sum(sheet.batch["pieces"] or 0 for sheet in day.batches)
    uncounted = any(load["pieces"] is None for sheet in day.batches for load in sheet.loads)
    return f"{pieces}, more uncounted" if uncounted else str(pieces)


def _discarded(day: Day) -> str:
    """Pieces of whole batches, and those that were taken out of others."""
    batches = [sheet.batch for sheet in day.batches]
    gone = [batch for batch in batches if batch["outcome"] == "discarded"]
    pieces = sum(
        batch["discarded_pieces"] or (batch["pieces"] if batch["outcome"] == "discarded" else 0) or 0
        for batch in batches
    )
    uncounted = sum(not (batch["discarded_pieces"] or batch["pieces"]) for batch in gone)
    more = f"{uncounted} batch{'es' * (uncounted > 1)} uncounted" if uncounted else ""
    return ", ".join(filter(None, (str(pieces) if pieces else "", more))) or "none"


def bound(sheet: Sheet) -> str:
    """What its first checks say of the whole batch.

    The record has it as it was reckoned when they were done. Where one of them says nothing since, it is reckoned again
    from those that stand, or left out: the spread of the batches before is not on record.
    """
    batch, unit = sheet.batch, sheet.unit
    if batch["pooled_bound"] is None or not unit:
        return ""
    first = [
        check
        for check, _ in sheet.checks
        if check["source"] == "probe" and check["round"] == 0 and not check["stage"] and check["temp_c"] is not None
    ]
    standing = [check["temp_c"] for check in first if not doubtful(check)]
    left, alone = len(first) - len(standing), batch["bound"]
    since, is_now = (", before it was cooked more", "was") if sheet.corrections else ("", "is")
    now = in_unit(sampling.lower_bound(standing), unit) if len(standing) >= LEAST_PIECES else None
    if not left or (now is not None and alone is not None and abs(now - alone) < 0.01):
        own = f"; by these pieces alone, above {tenths(alone)} °{unit}" if alone is not None else ""
        return (
            f"By its first checks{since}, 95 % of the batch {is_now} above {tenths(batch['pooled_bound'])} °{unit} with"
            f" 95 % confidence, if it spreads like the batches before{own}. Few pieces say little."
        )
    why = f"{left} of its first checks {'is' if left == 1 else 'are'} {DOUBTFUL}"
    if now is None:
        return f"What its first checks say of the whole batch is left out: {why}."
    return (
        f"By the first checks that stand{since}, 95 % of the batch {is_now} above {tenths(now)} °{unit} with 95 %"
        f" confidence. Left out: {why}. Few pieces say little."
    )


def dwell(species: str, check: Row) -> str:
    """How long poultry of this kind must stay at what a check below its critical limit read; advice, no verdict.

    "" for any other check, and where no `species` is asked for. Source: see `thermal.lethality.hold_needed_s`.
    """
    if not species or check["verdict"] != "below critical limit" or check["temperature"] is None:
        return ""
    try:
        seconds = hold_needed_s(species, None, check["temperature"], check["unit"])
    except ValueError:
        return f"advice: FSIS has no time for {species} at this temperature"
    return f"advice: FSIS (Appendix A, 2021) asks {minutes_text(round(seconds * 1000))} at it for {species}"


def _probe(checks: Any) -> str:
    own = [row for row in checks if row["how"] in PROBE_CHECKS and not row["struck"]]
    own = [row for row in own if not (row["disputed"] and row["verdict"] == "passed")]
    read = [row["verdict"] for row in own if row["temp_c"] is not None]
    return read[-1] if read else "not checked"


def limits(menu: Sequence[Procedure]) -> Iterator[tuple[str, str, str, str]]:
    """Each limit in force: of what, what it is, the kitchen's limit, and the source that it is compared with."""
    for procedure in menu:
        for part in procedure.parts:
            kept = f" for {lasting(part.critical_for_ms)}" if part.critical_for_ms else ""
            source = f"FDA Food Code 2022, {FOODS[part.food].source}: {FOODS[part.food].asked(procedure.unit)}"
            yield procedure.product, f"{part.name}, critical limit", f"{part.critical.text()}{kept}", source
            yield procedure.product, f"{part.name}, target", part.target.text(), "the kitchen's own"
        if procedure.hold_by == BY_TIME:
            yield (
                procedure.product,
                "hold by time",
                lasting(procedure.hold_limit_ms),
                "FDA Food Code 2022, 3-501.19: 4 h",
            )
        else:
            minimum = f"FDA Food Code 2022, 3-501.16(A)(1): {HOT_HOLDING[procedure.unit]:g} °{procedure.unit}"
            yield procedure.product, "hold minimum", procedure.hold_minimum.text(), minimum
            yield procedure.product, "hold limit", lasting(procedure.hold_limit_ms), "the kitchen's own, of quality"
