"""Alerts to a manager: their kinds in one table, and how one begins, is repeated, is acknowledged and ends in a world.

The words of each stand with the subject that raises it.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from enum import Enum, auto

from recorder.core.batch import Batch, Stage
from recorder.core.effects import Alert, Level, Notice, Value
from recorder.core.limits import listed
from recorder.core.world import World

CHECK_BELOW_TARGET = "check below target"
CHECK_BELOW_CRITICAL = "check below critical limit"
COOK_SHORT = "cook short"
COOK_OVERDUE = "cook overdue"
HOLD_NEAR_LIMIT = "hold near limit"
HOLD_PAST_LIMIT = "hold past limit"
HOLD_COLD = "hold below minimum"
HOLD_UNPROVEN = "hold before checks complete"
HOLD_LATE = "hold after a long wait"
FOOD_COLD = "food below hold minimum"
REHEAT_LATE = "reheating took too long"
SOLD_DESPITE = "sold despite a deviation"
PIECES_WAIT = "pieces wait too long"
RAW_OUT = "raw food out too long"
RAW_PAST = "raw food out for four hours"
RAW_UNKNOWN = "raw food out for an unknown time"
RAW_WARM = "raw food above the cold limit"
BREADING_OVERDUE = "breading change overdue"
POWER_AWAY = "power was away"
OIL_OUTSIDE_BAND = "oil outside band at load"
OIL_SLOW = "oil recovers slowly"
OIL_POLAR = "oil over its polar limit"
DRIFT = "batches run colder"
PROBE_LOST = "probe lost"
PROBE_CHECK_FAILED = "probe check failed"
PROBE_CHECK_OVERDUE = "probe check overdue"
PROBE_UNTRUSTED = "check by a failed probe"
IN_DOUBT = "checks in doubt"
NOT_HEARING = "not hearing"
NOT_RECORDING = "not recording"
HEARS_BADLY = "hears badly"
TIME_NOT_PROVEN = "time not proven"
RECORDER_STARTED = "recorder started"
CLOCK_NOT_SET = "clock not set"
RECORDS_DAMAGED = "records damaged"
DISK_NEARLY_FULL = "disk nearly full"
TASK_NOT_DONE = "task not done"

EARLIER = ("hold started on unproven food",)
"""Kinds that earlier versions raised; this one goes on with such an alert and begins none."""


class Ends(Enum):
    """How an alert can end, besides that what it is about is over, and that its batch is sold or discarded."""

    PROOF = auto()
    """The checks of its batch are complete after all."""
    PASSED_PROBE = auto()
    """The probe passes its check."""
    MORE_COOKING = auto()
    """Its batch goes back into the oil."""
    COLD_AGAIN = auto()
    """Raw food of its part is read cold enough."""
    ACKNOWLEDGING = auto()
    """Somebody has it in hand. It is about what is past: mostly nothing else ends it."""


@dataclass(frozen=True, slots=True)
class Kind:
    """What is so for each alert of a kind."""

    level: Level
    ends: tuple[Ends, ...] = ()
    unsafe: Level | None = None
    """Its level where food may be unsafe, if that is another one."""
    reminded: bool = True
    """Whether it is repeated by its level's times; else its subject repeats it."""


KINDS = {
    CHECK_BELOW_TARGET: Kind(Level.WARNING, (Ends.PROOF,)),
    CHECK_BELOW_CRITICAL: Kind(Level.CRITICAL, (Ends.PROOF,)),
    COOK_SHORT: Kind(Level.WARNING, (Ends.PROOF, Ends.MORE_COOKING)),
    COOK_OVERDUE: Kind(Level.WARNING),
    HOLD_NEAR_LIMIT: Kind(Level.WARNING, (Ends.MORE_COOKING,)),
    HOLD_PAST_LIMIT: Kind(Level.WARNING, (Ends.MORE_COOKING,), unsafe=Level.CRITICAL, reminded=False),
    HOLD_COLD: Kind(Level.CRITICAL),
    HOLD_UNPROVEN: Kind(Level.CRITICAL, (Ends.MORE_COOKING,)),
    HOLD_LATE: Kind(Level.WARNING, (Ends.MORE_COOKING,), unsafe=Level.CRITICAL),
    FOOD_COLD: Kind(Level.CRITICAL, (Ends.MORE_COOKING,)),
    REHEAT_LATE: Kind(Level.CRITICAL),
    SOLD_DESPITE: Kind(Level.WARNING, (Ends.ACKNOWLEDGING,), unsafe=Level.CRITICAL),
    PIECES_WAIT: Kind(Level.WARNING),
    RAW_OUT: Kind(Level.WARNING),
    RAW_PAST: Kind(Level.CRITICAL, (Ends.ACKNOWLEDGING,)),
    RAW_UNKNOWN: Kind(Level.CRITICAL, (Ends.ACKNOWLEDGING,)),
    RAW_WARM: Kind(Level.WARNING, (Ends.COLD_AGAIN, Ends.ACKNOWLEDGING)),
    BREADING_OVERDUE: Kind(Level.WARNING),
    POWER_AWAY: Kind(Level.CRITICAL, (Ends.ACKNOWLEDGING,)),
    OIL_OUTSIDE_BAND: Kind(Level.WARNING),
    OIL_SLOW: Kind(Level.WARNING),
    OIL_POLAR: Kind(Level.WARNING),
    DRIFT: Kind(Level.WARNING),
    PROBE_LOST: Kind(Level.WARNING),
    PROBE_CHECK_FAILED: Kind(Level.CRITICAL, (Ends.PASSED_PROBE,)),
    PROBE_CHECK_OVERDUE: Kind(Level.WARNING, (Ends.PASSED_PROBE,)),
    PROBE_UNTRUSTED: Kind(Level.WARNING, (Ends.PROOF, Ends.PASSED_PROBE, Ends.MORE_COOKING)),
    IN_DOUBT: Kind(Level.CRITICAL, (Ends.ACKNOWLEDGING,)),
    NOT_HEARING: Kind(Level.WARNING),
    NOT_RECORDING: Kind(Level.CRITICAL),
    HEARS_BADLY: Kind(Level.WARNING),
    TIME_NOT_PROVEN: Kind(Level.CRITICAL, (Ends.MORE_COOKING,)),
    RECORDER_STARTED: Kind(Level.INFO),
    CLOCK_NOT_SET: Kind(Level.WARNING),
    RECORDS_DAMAGED: Kind(Level.CRITICAL, (Ends.ACKNOWLEDGING,)),
    DISK_NEARLY_FULL: Kind(Level.WARNING),
    TASK_NOT_DONE: Kind(Level.WARNING, (Ends.ACKNOWLEDGING,)),
    **{kind: Kind(Level.CRITICAL) for kind in EARLIER},
}

MINUTE = 60_000
REMINDERS = {
    Level.WARNING: tuple(MINUTE * each for each in (15, 45, 105, 225)),
    Level.CRITICAL: tuple(MINUTE * each for each in (5, 15, 35, 75, *range(135, 1440, 60))),
}
"""By level: how long after its beginning an alert that nobody has in hand is repeated, ever more seldom."""


def names(world: World) -> str:
    """How many alerts are open, and from rules 7 on which: "2, cook overdue of batch 1 and probe lost"."""
    still = [alert for alert in world.alerts if alert.ended_ms is None]
    if world.rules < 7 or not still:
        return str(len(still))
    about = [alert.kind + (f" of batch {alert.batch}" if alert.batch else "") for alert in still]
    return f"{len(still)}, {listed(list(dict.fromkeys(about)))}"


def ended_by(what: Ends) -> tuple[str, ...]:
    """The kinds that end so."""
    return tuple(name for name, kind in KINDS.items() if what in kind.ends)


def alert_id(about: int | str, kind: str) -> str:
    """Of the alert of that kind about entry number `about`, or about what has that id."""
    return f"{about}-{kind.replace(' ', '-')}"


def made(
    kind: str,
    about: int | str,
    text: str,
    at_ms: int,
    batch: Batch | None = None,
    unsafe: bool = False,
    **numbers: Value,
) -> Alert:
    """An alert that begins now, about entry number `about`; `numbers` are in the order in which they are shown."""
    number = batch.number if batch else None
    level = KINDS[kind].unsafe if unsafe else None
    return Alert(alert_id(about, kind), kind, level or KINDS[kind].level, text, number, tuple(numbers.items()), at_ms)


def raised(world: World, alert: Alert) -> World:
    """`world` with `alert` open in it; the same alert is not raised twice."""
    if any(known.id == alert.id for known in world.alerts):
        return world
    return replace(world, alerts=(*world.alerts, alert))


def amended(world: World, alert: Alert, again: bool = False) -> World:
    """`world` with `alert` open in it; where it is so already, its words and numbers become these.

    One that becomes critical by that, or is said `again`, is repeated at once and in nobody's hand: what somebody had
    answered was less.
    """
    known = next((each for each in world.alerts if each.id == alert.id and each.ended_ms is None), None)
    if known is None:
        return raised(world, alert)
    level = alert.level if alert.level is Level.CRITICAL else known.level
    newer = replace(known, level=level, text=alert.text, numbers=alert.numbers)
    if world.rules >= 6 and (again or level is not known.level):
        newer = _repeated(replace(newer, acknowledged_ms=None, acknowledged_by=None), alert.began_ms)
    return replace(world, alerts=tuple(newer if each is known else each for each in world.alerts))


def reopened(world: World, alert: Alert, at_ms: int) -> World:
    """`world` with an alert open again that had ended: in nobody's hand, and without the reminders that it missed."""
    again = replace(
        alert, ended_ms=None, ended_by=None, acknowledged_ms=None, acknowledged_by=None, seen_ms=None, seen_by=None
    )
    others = tuple(each for each in world.alerts if each.id != alert.id)
    return replace(world, alerts=(*others, _caught_up(again, at_ms)))


def gathered(world: World, alert: Alert) -> World:
    """`world` with `alert` open in it, or its words in the open alert of the same kind about the same batch."""
    known = next(
        (
            each
            for each in world.alerts
            if (each.kind, each.batch) == (alert.kind, alert.batch) and each.ended_ms is None
        ),
        None,
    )
    return raised(world, alert) if known is None else amended(world, replace(alert, id=known.id))


def raised_once(world: World, alert: Alert, about: tuple[str, Value]) -> World:
    """`world` with `alert`, unless one of its kind with the same number in its `numbers` is open."""
    known = any(each.kind == alert.kind and each.ended_ms is None and about in each.numbers for each in world.alerts)
    return world if known else raised(world, alert)


def ended_about(world: World, kind: str, about: tuple[str, Value], by: str, at_ms: int) -> World:
    """`world` with its alert of this kind with that number ended."""
    for alert in world.alerts:
        if alert.kind == kind and about in alert.numbers:
            world = ended(world, at_ms, by, (kind,), id=alert.id)
    return world


def ended(world: World, at_ms: int, by: str, kinds: Iterable[str], batch: int | None = None, id: str = "") -> World:
    """`world` with its open alerts of these kinds ended: of this batch number, or with this id, where given."""
    kinds = tuple(kinds)

    def close(alert: Alert) -> Alert:
        meant = (batch is None or alert.batch == batch) and (not id or alert.id == id)
        if alert.ended_ms is not None or alert.kind not in kinds or not meant:
            return alert
        return replace(alert, ended_ms=at_ms, ended_by=by)

    alerts = tuple(map(close, world.alerts))
    return world if alerts == world.alerts else replace(world, alerts=alerts)


def acknowledged(world: World, id: str, by: str, at_ms: int) -> World:
    """`world` with that alert in hand; as it was if it is not open, or in hand already."""
    return _with(world, id, lambda alert: replace(alert, acknowledged_ms=at_ms, acknowledged_by=by), "acknowledged_ms")


def seen(world: World, id: str, by: str, at_ms: int) -> World:
    """`world` with that alert shown on a phone; as it was if it is not open, or was shown before."""
    return _with(world, id, lambda alert: replace(alert, seen_ms=at_ms, seen_by=by), "seen_ms")


def _with(world: World, id: str, change: Callable[[Alert], Alert], once: str) -> World:
    """`world` with the open alert `id` changed, where its field `once` is still None."""
    found = any(each.id == id and each.ended_ms is None and getattr(each, once) is None for each in world.alerts)
    if not found:
        return world
    return replace(world, alerts=tuple(change(each) if each.id == id else each for each in world.alerts))


def reminder_ms(alert: Alert) -> int | None:
    """When an alert is repeated; None for never: it is over or in hand, or its subject repeats it."""
    if alert.ended_ms is not None or alert.acknowledged_ms is not None or not KINDS[alert.kind].reminded:
        return None
    waits = REMINDERS.get(alert.level, ())
    return alert.began_ms + waits[alert.repeats] if alert.repeats < len(waits) else None


def reminded(world: World, id: str, at_ms: int) -> World:
    """`world` with the alert `id` repeated; reminders that were missed meanwhile are not made up for."""

    again = (_repeated(each, at_ms) if each.id == id else each for each in world.alerts)
    return replace(world, alerts=tuple(again))


def _repeated(alert: Alert, at_ms: int) -> Alert:
    """`alert` once it is repeated at `at_ms`: what was due before is not made up for."""
    return _caught_up(replace(alert, repeats=alert.repeats + 1), at_ms)


def _caught_up(alert: Alert, at_ms: int) -> Alert:
    """`alert` without the reminders that were due by `at_ms`."""
    while (due_ms := reminder_ms(alert)) is not None and due_ms <= at_ms:
        alert = replace(alert, repeats=alert.repeats + 1)
    return alert


def repeated(world: World, id: str) -> World:
    """`world` with the alert `id` repeated once, by its subject."""
    again = (replace(alert, repeats=alert.repeats + 1) if alert.id == id else alert for alert in world.alerts)
    return replace(world, alerts=tuple(again))


def settled_by_hand(world: World, id: str, at_ms: int) -> World:
    """`world` with the alert `id` ended where somebody has it in hand and nothing else could end it.

    That is so for some kinds, and for each alert about a batch that is closed.
    """
    open_batches = {batch.number for batch in world.batches if batch.stage is not Stage.CLOSED}
    for alert in world.alerts:
        its_batch_is_closed = alert.batch is not None and alert.batch not in open_batches
        past = Ends.ACKNOWLEDGING in KINDS[alert.kind].ends or its_batch_is_closed
        if alert.id == id and alert.acknowledged_ms is not None and past:
            return ended(world, at_ms, "acknowledged", (alert.kind,), id=id)
    return world


def is_open(world: World, kind: str) -> bool:
    """Whether an alert of this kind is open."""
    return any(alert.kind == kind and alert.ended_ms is None for alert in world.alerts)


def notices(before: World, after: World) -> tuple[Notice, ...]:
    """What a manager hears of the way from one world to the next."""
    old = {alert.id: alert for alert in before.alerts}
    found = []
    for alert in after.alerts:
        was = old.get(alert.id)
        if was is None:
            found.append(Notice(alert, "raised"))
        elif alert.ended_ms is not None and was.ended_ms is None:
            found.append(Notice(alert, "ended"))
        elif alert.acknowledged_ms is not None and was.acknowledged_ms is None:
            found.append(Notice(alert, "acknowledged"))
        elif alert.repeats != was.repeats and alert.acknowledged_ms is None:
            found.append(Notice(alert, "repeated"))
    return tuple(found)
