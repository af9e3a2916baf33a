"""What comes back from phones: an alert is in hand, an alert was seen. Checked to the letter before it counts.

Each answer that counts is an entry of the journal, so one that would change nothing does not count. Opens nothing.
"""

import json
import re
import unicodedata
from collections.abc import Callable
from datetime import date

from recorder.core.events import Acknowledged, Seen, Signed
from recorder.core.world import World
from recorder.initials import LETTERS, are_initials
from recorder.notices.log_limit import LogLimit

ACKNOWLEDGE, SEEN, SIGN = "acknowledge", "seen", "sign"
"""Last parts of the topics."""

LONGEST = 1_024
"""Bytes of a message; longer ones are refused unread."""

ID = re.compile(r"[0-9]{1,15}-[a-z-]{1,60}")

DEVICE = re.compile(r"[A-Za-z0-9_-]+( [A-Za-z0-9_-]+)*")
"""A phone's name for itself, up to `LONGEST_NAME` letters."""

LONGEST_NAME = 32

LONGEST_NOTE = 400

FIRST_DAY, NO_DAY = "1970-01-01", "2200-01-01"
"""Days before and from these on stand in no record: no board's clock begins earlier, and no record lasts so long."""

UNSEEN = ("C", "Zl", "Zp", "Zs")
"""Unicode's categories of what is no letter of a line: controls, lone surrogates, marks of direction, ends of lines,
blanks other than the space."""

BLANK = re.compile("[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2800\u3164\ufe00-\ufe0f\uffa0\U000e0100-\U000e01ef]")
"""Letters and marks that are drawn as nothing (Unicode's Default_Ignorable_Code_Point), and the empty Braille cell."""

MARKS = 3
"""So many marks may stand on one letter; more of them climb over the lines around."""

Signable = Callable[[Signed], str | None]
"""Why a day, such as "2026-02-26", can't be signed; None where it can. Called from the connection's thread."""

MOST = {ACKNOWLEDGE: (30, 60_000), SEEN: (30, 60_000), SIGN: (10, 3_600_000)}
"""So many of each kind count in so many ms. Signatures are fewer: each is a row, where an alert is seen only once."""


def parse(what: str, payload: bytes, at_ms: int) -> Acknowledged | Seen | Signed:
    """The event in a message on the topic that ends with `what`; raises `ValueError` that says what is wrong."""
    if what not in (ACKNOWLEDGE, SEEN, SIGN):
        raise ValueError(f"nothing is expected on {what!r}")
    if len(payload) > LONGEST:
        raise ValueError(f"it is longer than {LONGEST} bytes")
    try:
        value = json.loads(payload.decode("utf-8"), object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        raise ValueError("it is not JSON in UTF-8, with each name once") from error
    if what == SIGN:
        return signed(value, at_ms)
    if not isinstance(value, dict) or value.keys() != {"alert", "by"}:
        raise ValueError('it must be {"alert": ID, "by": NAME} and nothing else')
    alert, by = value["alert"], value["by"]
    if not isinstance(alert, str) or not ID.fullmatch(alert):
        raise ValueError("its alert is no id of an alert")
    if what == ACKNOWLEDGE:
        return Acknowledged(at_ms, alert, _initials(by))
    if not isinstance(by, str) or len(by) > LONGEST_NAME or not DEVICE.fullmatch(by):
        raise ValueError(f"its by is no name of a phone; write up to {LONGEST_NAME} letters (A to Z), digits, - and _")
    return Seen(at_ms, alert, by)


def _once(pairs: list[tuple[str, object]]) -> dict[str, object]:
    """An object; one that has a name twice means two things."""
    if len(found := dict(pairs)) < len(pairs):
        raise ValueError("a name stands there twice")
    return found


def _initials(by: object) -> str:
    if not isinstance(by, str) or not are_initials(by):
        raise ValueError(f"its by is no name; write initials, {LETTERS}")
    return by


def signed(value: object, at_ms: int) -> Signed:
    """The event in the plain value of a message on `SIGN`; raises `ValueError`."""
    if not isinstance(value, dict) or value.keys() != {"day", "by", "note"}:
        raise ValueError('it must be {"day": DATE, "by": INITIALS, "note": TEXT} and nothing else')
    day, by, note = value["day"], value["by"], value["note"]
    try:
        known = isinstance(day, str) and date.fromisoformat(day).isoformat() == day and FIRST_DAY <= day < NO_DAY
    except ValueError:
        known = False
    if not known:
        raise ValueError("its day is no date; write it like 2026-02-26")
    return Signed(at_ms, day, _initials(by), _note(note))


def _note(note: object) -> str:
    """One plain line that a reader sees as it is, or nothing at all."""
    if not isinstance(note, str) or len(note) > LONGEST_NOTE:
        raise ValueError(f"its note is no text of up to {LONGEST_NOTE} letters")
    if BLANK.search(note) or any(unicodedata.category(c).startswith(UNSEEN) for c in note if c != " "):
        raise ValueError("its note has a letter that can't be seen; write one plain line")
    marks = "".join("m" if unicodedata.category(c).startswith("M") else " " for c in note)
    if "m" * (MARKS + 1) in marks:
        raise ValueError(f"its note has more than {MARKS} marks on one letter; write one plain line")
    if note and not any(c.isalnum() for c in note):
        raise ValueError("its note says nothing; write what you have to say, or leave it empty")
    return note


class Reception:
    """Lets answers in that are to the letter, change something and are not too many. For paho's thread.

    What is refused stands in the log, once for each kind in an hour, in words of ours alone.
    """

    def __init__(self, world: Callable[[], World], signable: Signable = lambda event: None) -> None:
        """`world` gives how things stand, `signable` why a signature can't be taken, or None."""
        self._world = world
        self._signable = signable
        self._gates = {what: Gate(*most) for what, most in MOST.items()}
        self._log = LogLimit()

    def event(self, what: str, payload: bytes, now_ms: int) -> Acknowledged | Seen | Signed | None:
        """The event in a message on the topic that ends with `what`, or None where it is refused."""
        try:
            event = parse(what, payload, now_ms)
            if idle(event, self._world()):
                raise ValueError("no alert waits for it")
            if not self._gates[what].open(now_ms):
                raise ValueError("too many of them")
        except ValueError as error:
            self._log.warn(f"{what}: {error}", f"a message on {what} is refused: {error}")
            return None
        if isinstance(event, Signed) and (why := self._signable(event)):
            self._log.warn(f"{what}: day", f"a message on {what} is refused: {why}")
            return None
        return event


def idle(event: Acknowledged | Seen | Signed, world: World) -> bool:
    """Whether it would change nothing: no such alert is open, or somebody was faster."""
    match event:
        case Acknowledged(alert=id):
            return not any(a.id == id and a.ended_ms is None and a.acknowledged_ms is None for a in world.alerts)
        case Seen(alert=id):
            return not any(a.id == id and a.ended_ms is None and a.seen_ms is None for a in world.alerts)
        case Signed():
            return False


class Gate:
    """Lets so many answers through in a stretch of time, so that a flood can't fill the disk."""

    def __init__(self, most: int = 30, within_ms: int = 60_000) -> None:
        self._most, self._within_ms = most, within_ms
        self._passed_ms: list[int] = []

    def open(self, now_ms: int) -> bool:
        """Whether one more may pass now."""
        self._passed_ms = [then_ms for then_ms in self._passed_ms if now_ms - then_ms < self._within_ms]
        if len(self._passed_ms) >= self._most:
            return False
        self._passed_ms.append(now_ms)
        return True
