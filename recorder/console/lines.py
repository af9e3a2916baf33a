"""What happened at a station, as lines for a person who watches: one event and its effects to lines, pure.

Knows no terminal, no log and no clock.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from recorder.core.effects import Cue, Effect, Level, Notice, Record, Tone, Value
from recorder.core.events import (
    NEEDLE,
    Acknowledged,
    ClockStepped,
    EarBack,
    EarClear,
    EarLost,
    EarTrouble,
    Event,
    Heard,
    LinkDown,
    LinkUp,
    ProbeBack,
    ProbeCharge,
    ProbeLost,
    ProcedureLoaded,
    Reading,
    RecordsSetAside,
    Seen,
    Signed,
    SpaceBack,
    SpaceLow,
    Started,
    Stopped,
    Unheard,
)
from recorder.core.limits import span_in_unit, temp_text
from recorder.core.subjects.hearing import TROUBLES

SAID = {Tone.REFUSED: Level.WARNING, Tone.ALERT: Level.WARNING}
"""Tones whose words are no good news."""

REMEDIES = {
    "unplugged": "plug it in again",
    "port refused": "add this user to the group dialout, and log in again",
    "silent": "look at its power, its cable and its battery",
    "open circuit": "the thermocouple's plug or wire is open; plug it in, or replace it",
    "short circuit": "its wires touch; dry the plug, or replace the probe",
}
"""Reasons of a lost probe -> what usually helps (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One thing that happened."""

    what: str
    """One word for filters: "heard", "said", "reading", "check", "alert", "probe", "broker", ..."""
    who: str
    """Whose doing it is, for the eye: "cook", "station", "needle", "phone", ..."""
    text: str
    """For a person, without the two above."""
    level: Level = Level.INFO
    fields: tuple[tuple[str, Value], ...] = ()
    """For machines: what `text` says in numbers and names."""


def lines(event: Event, effects: Iterable[Effect], unit: str, linked: bool | None) -> Iterator[Line]:
    """The lines of one event, in the order in which a person would tell it.

    `unit` is "F" or "C"; `linked` says whether the broker is reached, None where the station has none.
    """
    yield from _happened(event, unit)
    for effect in effects:
        match effect:
            case Cue(tone=tone, say=say) if say:
                yield Line("said", "station", say, SAID.get(tone, Level.INFO), (("tone", tone.value),))
            case Record(table="checks", row=row):
                yield from _check(dict(row))
            case Notice():
                yield _alert(effect, linked)


def _happened(event: Event, unit: str) -> Iterator[Line]:
    match event:
        case Heard(text=text, engine=engine, listening=listening, score=score):
            fields: tuple[tuple[str, Value], ...] = (("engine", engine), ("listening", listening), ("score", score))
            yield Line(
                "heard",
                "cook",
                f"\N{LEFT DOUBLE QUOTATION MARK}{text}\N{RIGHT DOUBLE QUOTATION MARK}",
                Level.INFO,
                fields,
            )
        case Unheard(text=text, reason=reason):
            near = f'; the nearest sentence is "{text}"' if text else ""
            yield Line("unheard", "cook", f"not taken: {reason}{near}", Level.WARNING, (("reason", reason),))
        case Reading(channel=channel, temp_c=temp_c, settled=True, spot=spot) if channel == NEEDLE:
            sure = f" ± {span_in_unit(event.uncertainty_c, unit):.1f}" if event.uncertainty_c is not None else ""
            took = f", after {event.settle_ms / 1000:.0f} s" if event.settle_ms is not None else ""
            odd = f", in {event.medium}" if event.medium else ""
            fields = (
                ("channel", channel),
                ("temp_c", round(temp_c, 2)),
                ("spot", spot),
                ("medium", event.medium or None),
            )
            yield Line("reading", NEEDLE, f"at rest: {temp_text(temp_c, unit)}{sure}{took}{odd}", Level.INFO, fields)
        case ProbeLost(channel=channel, reason=reason):
            remedy = REMEDIES.get(reason)
            text = f"lost: {reason}" + (f"; {remedy}" if remedy else "")
            yield Line("probe", channel, text, Level.WARNING, (("channel", channel), ("reason", reason)))
        case ProbeBack(channel=channel):
            yield Line("probe", channel, "gives temperatures again", Level.INFO, (("channel", channel),))
        case ProbeCharge(channel=channel, percent=percent):
            fields = (("channel", channel), ("percent", percent))
            yield Line("probe", channel, f"battery {percent} %", Level.INFO, fields)
        case EarLost(reason=reason):
            yield Line("microphone", "microphone", f"lost: {reason}", Level.WARNING, (("reason", reason),))
        case EarBack():
            yield Line("microphone", "microphone", "listening")
        case EarTrouble(what=what):
            wrong, remedy = TROUBLES[what]
            yield Line("microphone", "microphone", f"{wrong}. {remedy}", Level.WARNING, (("trouble", what),))
        case EarClear():
            yield Line("microphone", "microphone", "hears well again")
        case LinkUp():
            yield Line("broker", "broker", "reached")
        case LinkDown(reason=reason):
            text = f"not reached: {reason}. Messages wait on disk"
            yield Line("broker", "broker", text, Level.WARNING, (("reason", reason),))
        case Seen(alert=alert, by=by):
            yield Line("seen", "phone", f"{by} shows the alert {alert}", Level.INFO, (("alert", alert), ("by", by)))
        case Acknowledged(alert=alert, by=by):
            yield Line(
                "acknowledged",
                "phone",
                f"{by} has the alert {alert} in hand",
                Level.INFO,
                (("alert", alert), ("by", by)),
            )
        case Signed(day=day, by=by):
            yield Line("signed", "manager", f"{by} signs {day}", Level.INFO, (("day", day), ("by", by)))
        case SpaceLow(free_mb=free_mb, least_mb=least_mb):
            text = f"{free_mb} MB free, should be {least_mb}; make room on the disk"
            yield Line("disk", "disk", text, Level.WARNING, (("free_mb", free_mb),))
        case SpaceBack(free_mb=free_mb):
            yield Line("disk", "disk", f"{free_mb} MB free again", Level.INFO, (("free_mb", free_mb),))
        case RecordsSetAside(file=file, reason=reason):
            yield Line(
                "records", "records", f"damaged, and kept as {file}: {reason}", Level.CRITICAL, (("file", file),)
            )
        case ClockStepped(delta_ms=delta_ms):
            yield Line("clock", "clock", f"set by {delta_ms / 1000:+.0f} s", Level.INFO, (("delta_ms", delta_ms),))
        case ProcedureLoaded(procedure=procedure):
            yield Line("procedure", "station", f"the procedure for {procedure.product} is in force")
        case Started(station=station, version=version):
            yield Line(
                "started", "station", f"{station} records", Level.INFO, (("station", station), ("version", version))
            )
        case Stopped():
            yield Line("stopped", "station", "stopped")


def _check(row: dict[str, Value]) -> Iterator[Line]:
    """A check once it has a verdict."""
    names = ("batch", "part", "verdict", "temperature", "unit", "target", "critical_limit", "source")
    if row.get("verdict") not in (None, "open"):
        fields = tuple((name, row[name]) for name in names if row.get(name) is not None)
        level = Level.INFO if row["verdict"] == "passed" else Level.WARNING
        yield Line("check", "check", f"batch {row.get('batch')}, {row.get('part')}: {row['verdict']}", level, fields)


def _alert(notice: Notice, linked: bool | None) -> Line:
    alert, change = notice.alert, notice.change
    fields = (
        ("id", alert.id),
        ("kind", alert.kind),
        ("change", change),
        ("batch", alert.batch),
    )
    where = {None: "", True: " (goes to the broker)", False: " (waits for the broker)"}[linked]
    if change in ("raised", "repeated"):
        again = "still open: " if change == "repeated" else ""
        return Line("alert", "alert", f"{again}{alert.text}{where}", alert.level, fields)
    how = f"ended: {alert.ended_by}" if change == "ended" else f"in hand, says {alert.acknowledged_by}"
    return Line("alert", "alert", f"{alert.kind}: {how}{where}", Level.INFO, fields)
