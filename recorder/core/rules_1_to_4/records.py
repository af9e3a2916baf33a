"""How the things at the station look as rows: from worlds to `Record`s. The tables are a shadow of the journal."""

from collections.abc import Iterator

from recorder.core.effects import Alert, Record, Value
from recorder.core.limits import in_unit, span_in_unit
from recorder.core.procedure import Procedure
from recorder.core.rules_1_to_4.batch import Batch
from recorder.core.rules_1_to_4.world import OilRecord, ProbeCheck, Recovery, Shift, World

Key = tuple[str, int | str]


def changes(before: World, after: World, struck: bool = False) -> tuple[Record, ...]:
    """Rows of `after` that are new or differ from `before`.

    A thing that left the world is finished and keeps its last row, unless `struck`: then it was taken back, and its
    row stays with `struck` set.
    """
    old, new = dict(_rows(before, after)), dict(_rows(after, before))
    records = [Record(*key, row) for key, row in new.items() if old.get(key) != row]
    if struck:
        gone = [(key, row) for key, row in old.items() if key not in new and key[0] != "alerts"]
        records += [Record(*key, (*row[:-1], ("struck", 1))) for key, row in gone]
    return tuple(records)


def _rows(world: World, other: World) -> Iterator[tuple[Key, tuple[tuple[str, Value], ...]]]:
    """All rows of `world` but those of values that `other` shares with it."""
    if world.shift is not None and world.shift is not other.shift:
        yield ("shifts", world.shift.id), _shift_row(world.shift)
    shared = {id(thing) for things in (other.batches, other.oil, other.alerts) for thing in things}
    for batch in world.batches:
        if id(batch) not in shared:
            yield from _batch_rows(batch)
    for oil in world.oil:
        if id(oil) not in shared:
            yield ("oil", oil.id), _oil_row(oil, world.procedure)
    others = {id(other.probe_check), id(other.probe_read)}
    for check in (world.probe_check, world.probe_read):
        if check and id(check) not in others:
            yield ("probe_checks", check.id), _probe_check_row(check)
    for way in world.recoveries:
        if way.seconds is not None and way not in other.recoveries:
            yield ("recoveries", way.id), _recovery_row(way, way.seconds)
    for alert in world.alerts:
        if id(alert) not in shared:
            yield ("alerts", alert.id), _alert_row(alert)


def _shift_row(shift: Shift) -> tuple[tuple[str, Value], ...]:
    return (
        ("cook", shift.cook),
        ("started_ms", shift.started_ms),
        ("ended_ms", shift.ended_ms),
        ("left_open", shift.left_open),
        ("struck", 0),
    )


def _batch_rows(batch: Batch) -> Iterator[tuple[Key, tuple[tuple[str, Value], ...]]]:
    procedure = batch.procedure
    yield (
        ("batches", batch.id),
        (
            ("number", batch.number),
            ("vat", batch.vat),
            ("shift", batch.shift),
            ("product", procedure.product),
            ("stage", batch.stage),
            ("started_ms", batch.started_ms),
            ("pieces", batch.pieces),
            ("rounds", batch.round + 1),
            ("checks_passed", batch.passed),
            ("checks_needed", procedure.checks_per_batch),
            ("proven", int(batch.proven)),
            ("closed_ms", batch.closed_ms),
            ("outcome", batch.outcome),
            ("discarded_pieces", batch.discarded_pieces),
            *_given(
                bound=_shown(batch.bound_c, procedure.unit), pooled_bound=_shown(batch.pooled_bound_c, procedure.unit)
            ),
            ("struck", 0),
        ),
    )
    named = (("batch", batch.number), ("batch_id", batch.id))
    for load in batch.loads:
        yield (
            ("loads", load.id),
            (
                *named,
                ("part", load.part),
                ("pieces", load.pieces),
                ("at_ms", load.at_ms),
                ("oil_temperature", _shown(load.oil_c, procedure.unit)),
                ("unit", procedure.unit),
                ("out_of_order", int(load.out_of_order)),
                ("over_capacity", int(load.over_capacity)),
                ("struck", 0),
            ),
        )
    for cook in batch.cooks:
        yield (
            ("cooks", cook.id),
            (
                *named,
                ("lid_locked_ms", cook.locked_ms),
                ("lid_open_ms", cook.opened_ms),
                ("seconds", None if cook.opened_ms is None else (cook.opened_ms - cook.locked_ms) / 1000),
                ("short", int(cook.short)),
                ("overdue", int(cook.overdue)),
                ("time_proven", int(cook.time_proven)),
                ("struck", 0),
            ),
        )
    for check in batch.checks:
        part = procedure.part(check.part)
        yield (
            ("checks", check.id),
            (
                *named,
                ("part", check.part),
                ("round", check.round),
                ("opened_ms", check.opened_ms),
                ("closed_ms", check.closed_ms),
                ("temp_c", check.temp_c),
                ("temperature", _shown(check.temp_c, procedure.unit)),
                ("unit", procedure.unit),
                ("target", part.target.value if part else None),
                ("critical_limit", part.critical.value if part else None),
                ("source", check.source),
                ("verdict", check.verdict),
                *_given(
                    uncertainty_c=check.uncertainty_c,
                    settle_seconds=_seconds(check.settle_ms),
                    probe_check=check.probe_check,
                    probe_was=check.probe_was,
                ),
                ("struck", 0),
            ),
        )
    for correction in batch.corrections:
        yield (
            ("corrections", correction.id),
            (
                *named,
                ("at_ms", correction.at_ms),
                ("action", "cook more"),
                ("why", correction.why),
                ("struck", 0),
            ),
        )
    if hold := batch.hold:
        yield (
            ("holds", hold.id),
            (
                *named,
                ("started_ms", hold.started_ms),
                ("until_ms", hold.started_ms + procedure.hold_limit_ms),
                ("ended_ms", hold.ended_ms),
                ("proven", int(hold.proven)),
                ("past_limit", int(hold.past)),
                ("time_proven", int(hold.time_proven)),
                ("outcome", hold.outcome),
                ("struck", 0),
            ),
        )


def _oil_row(oil: OilRecord, procedure: Procedure | None) -> tuple[tuple[str, Value], ...]:
    unit = procedure.unit if procedure else "C"
    return (
        ("vat", oil.vat),
        ("what", oil.what),
        ("at_ms", oil.at_ms),
        ("shift", oil.shift),
        ("oil_temperature", _shown(oil.oil_c, unit)),
        ("unit", unit),
        *_given(percent=oil.percent, hours_since=oil.hours, batches_since=oil.batches),
        ("struck", 0),
    )


def _probe_check_row(check: ProbeCheck) -> tuple[tuple[str, Value], ...]:
    return (
        ("how", check.how),
        ("opened_ms", check.opened_ms),
        ("closed_ms", check.closed_ms),
        ("temp_c", check.temp_c),
        ("temperature", _shown(check.temp_c, check.unit)),
        ("due", _shown(check.due_c, check.unit)),
        ("off", None if check.offset_c is None else round(span_in_unit(check.offset_c, check.unit), 2)),
        ("tolerance", round(span_in_unit(check.tolerance_c, check.unit), 2)),
        ("unit", check.unit),
        ("uncertainty_c", check.uncertainty_c),
        ("verdict", check.verdict),
        ("struck", 0),
    )


def _recovery_row(way: Recovery, seconds: float) -> tuple[tuple[str, Value], ...]:
    return (
        ("vat", way.vat),
        ("batch", way.batch),
        ("loaded_ms", way.course[0][0]),
        ("seconds", round(seconds, 1)),
        ("lowest", _shown(min(temp_c for _, temp_c in way.course), way.unit)),
        ("back_at", _shown(way.back_c, way.unit)),
        ("unit", way.unit),
        ("struck", 0),
    )


def _alert_row(alert: Alert) -> tuple[tuple[str, Value], ...]:
    return (
        ("kind", alert.kind),
        ("level", alert.level),
        ("batch", alert.batch),
        ("text", alert.text),
        (
            "numbers",
            ", ".join(
                f"{name} {value:g}" if isinstance(value, float) else f"{name} {value}" for name, value in alert.numbers
            ),
        ),
        ("began_ms", alert.began_ms),
        ("ended_ms", alert.ended_ms),
        ("ended_by", alert.ended_by),
        ("repeats", alert.repeats),
        *_given(
            acknowledged_ms=alert.acknowledged_ms,
            acknowledged_by=alert.acknowledged_by,
            seen_ms=alert.seen_ms,
            seen_by=alert.seen_by,
        ),
    )


def _given(**columns: Value) -> tuple[tuple[str, Value], ...]:
    """The columns that have a value: a row without one is as it was before there was such a column."""
    return tuple((name, value) for name, value in columns.items() if value is not None)


def _seconds(ms: int | None) -> float | None:
    return None if ms is None else ms / 1000


def _shown(temp_c: float | None, unit: str) -> float | None:
    return None if temp_c is None else round(in_unit(temp_c, unit), 2)
