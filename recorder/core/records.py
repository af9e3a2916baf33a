"""How worlds look as rows: from worlds to `Record`s. The tables are a shadow of the journal."""

from collections.abc import Iterator, Sequence

from recorder.core.effects import EARLIER_TABLES, Alert, Record
from recorder.core.subject import Columns, Row, Subject, given
from recorder.core.world import World


def changes(
    subjects: Sequence[Subject], before: World, after: World, struck: int | str | None = None
) -> tuple[Record, ...]:
    """Rows of `after` that are new or differ from `before`.

    A thing that left the world is finished and keeps its last row, unless the command number `struck` was taken back:
    then what was made by it or after it went with it, and its row stays with `struck` set.
    """
    old, new = dict(_rows(subjects, before, after)), dict(_rows(subjects, after, before))
    changed = [(key, row) for key, row in new.items() if old.get(key) != row]
    if isinstance(struck, int):
        later = {key: row for key, row in old.items() if row[-1][0] == "struck" and _entry(key[1]) >= struck}
        gone = [(key, row) for key, row in later.items() if key not in new]
        changed += [(key, (*row[:-1], ("struck", 1))) for key, row in gone]
    names = {} if after.rules >= 7 else EARLIER_TABLES
    return tuple(Record(names.get(table, table), id, row) for (table, id), row in changed)


def _rows(subjects: Sequence[Subject], world: World, other: World) -> Iterator[Row]:
    """All rows of `world` but those of values that `other` shares with it."""
    shared = {id(thing) for things in (other.batches, other.closed, other.alerts) for thing in things}
    batches = [batch for batch in (*world.closed, *world.batches) if id(batch) not in shared]
    of_a_batch = [subject.batch_rows for subject in subjects if subject.batch_rows]
    for subject in subjects:
        if subject.rows:
            yield from subject.rows(world, other)
        if of_a_batch and subject.batch_rows is of_a_batch[0]:  # all rows of one batch stand together
            for batch in batches:
                for rows in of_a_batch:
                    yield from rows(batch)
    for alert in world.alerts:
        if id(alert) not in shared:
            yield ("alerts", alert.id), _alert_row(alert)


def _entry(id: int | str) -> int:
    """The number of the entry that made a thing, with which its id begins."""
    return id if isinstance(id, int) else int(id.partition("-")[0])


def _alert_row(alert: Alert) -> Columns:
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
        *given(
            acknowledged_ms=alert.acknowledged_ms,
            acknowledged_by=alert.acknowledged_by,
            seen_ms=alert.seen_ms,
            seen_by=alert.seen_by,
        ),
    )
