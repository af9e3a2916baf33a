"""Anchors at their edges: an empty database, others' anchors, a key, and several faults at once."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from recorder.clock import Stamp
from recorder.core.events import Tick
from recorder.journal.anchors import Anchor, compare, picked, signed_bytes, source
from recorder.journal.anchors import state as anchor_state
from recorder.journal.chain import Entry
from recorder.journal.journal import Journal
from recorder.journal.reader import Reader
from recorder.journal.verify import RecordFault
from tests.appended import append

OTHER = Anchor(1, "/stations/line-1/journals/ffffffffffff", 9, "f" * 64, 5)


def genuine(text: bytes, signature: str) -> bool:
    return signature == "good"


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A journal of twenty entries, one a second."""
    path = tmp_path_factory.mktemp("anchors") / "records.db"
    journal = Journal.open(path)
    for number in range(20):
        append(journal, Stamp(number * 1000, "boot", number * 1000, number * 1000, True), Tick(number * 1000))
    journal.close()
    return path


@pytest.fixture(scope="module")
def own(path: Path) -> list[Anchor]:
    """An anchor of each entry; the one of entry n stands in line n."""
    journal = Reader.open(path)
    found = [entry for entry, _ in journal.entries()]
    journal.close()
    name = source("line-1", found[0].hash)
    return [Anchor(entry.seq, name, entry.seq, entry.hash, entry.stamp.at_ms) for entry in found]


def test_an_empty_database_is_none_that_was_ever_anchored(tmp_path: Path, own: list[Anchor]) -> None:
    Journal.open(tmp_path / "empty.db").close()
    found = compare(tmp_path / "empty.db", own)
    assert (found.own, found.newest, found.uncovered) == (0, 0, 0)
    assert found.others == {own[0].source: 20}
    assert [(fault.table, fault.row) for fault in found.faults] == [("anchors", None)]
    nameless = compare(tmp_path / "empty.db", [replace(own[0], source="/stations/line-1/journals/")])
    assert nameless.newest == 0 and nameless.faults, "a source without a name is no name"


def test_what_the_anchors_cover_is_the_last_that_agrees(path: Path, own: list[Anchor]) -> None:
    found = compare(path, own[:12])
    assert (found.own, found.newest, found.uncovered, found.others, found.faults) == (12, 12, 8, {}, ())
    wrong = replace(own[14], entry_hash="e" * 64)
    found = compare(path, [*own[:12], wrong])
    assert (found.own, found.newest, found.uncovered) == (13, 12, 8), "one that disagrees covers nothing"
    assert [(fault.table, fault.row) for fault in found.faults] == [("anchors", 15)]
    assert compare(path, list(reversed(own[:12]))).newest == 12, "in whatever order they were kept"


@pytest.mark.parametrize("entry", [0, -1, -20])
def test_there_is_no_entry_before_the_first(path: Path, own: list[Anchor], entry: int) -> None:
    found = compare(path, [own[3], replace(own[4], entry=entry)])
    assert found.newest == 4
    assert RecordFault("anchors", 5, f"it is of entry {entry}, and there can be none") in found.faults


def test_an_entry_past_the_end_is_the_one_after_the_last(path: Path, own: list[Anchor]) -> None:
    assert compare(path, [own[19]]).faults == ()
    (fault,) = compare(path, [replace(own[19], entry=21)]).faults
    assert fault.what == "the end is missing: entry 21 was there, and the file ends with entry 20"


def test_others_are_named_with_their_last_entry(path: Path, own: list[Anchor]) -> None:
    third = replace(OTHER, source="/stations/line-1/journals/eeeeeeeeeeee", entry=0)
    found = compare(path, [replace(OTHER, entry=7), OTHER, replace(OTHER, entry=8), third, own[0]])
    assert found.others == {OTHER.source: 9, third.source: 0}
    assert found.faults == (), "before the first of this database there may have been others"
    assert compare(path, [replace(third, entry=-5), own[0]]).others == {third.source: 0}


def test_records_that_were_kept_elsewhere_between_two_anchors(path: Path, own: list[Anchor]) -> None:
    """The first fault says where they were away, the next that time ran backwards."""
    late = replace(own[3], at_ms=90_000)
    found = compare(path, [late, replace(OTHER, line=2), own[5]]).faults
    assert {fault.table for fault in found} == {"anchors"}
    assert [(fault.row, fault.what[:22]) for fault in found] == [
        (6, "records were kept in a"),
        (6, "time ran backwards: en"),
        (4, "the anchor itself was "),
    ]
    assert compare(path, [own[2], own[3], replace(OTHER, line=9)]).faults == (), "they may still be away"
    (fault,) = compare(path, [own[2], OTHER, replace(OTHER, entry=10), replace(OTHER, entry=11), own[3]]).faults
    assert (fault.row, fault.what[:17]) == (4, "records were kept")


def test_two_entries_of_one_moment_are_in_order(path: Path, own: list[Anchor]) -> None:
    same = replace(own[4], at_ms=own[3].at_ms)
    assert [fault.what[:17] for fault in compare(path, [own[3], same]).faults] == ["the anchor itself"]


def test_with_a_key_only_signed_anchors_speak(path: Path, own: list[Anchor]) -> None:
    signed = [replace(each, signature="good") for each in own[:5]]
    found = compare(path, [*signed, *own[5:9]], genuine)
    assert (found.newest, found.uncovered, found.faults) == (5, 15, ())
    forged = replace(own[7], signature="bad")
    found = compare(path, [*signed, forged], genuine)
    assert found.newest == 5
    assert found.faults == (
        RecordFault("anchors", 8, "its signature is not that of this key: another device made it, or it was changed"),
    )
    (fault,) = compare(path, own, genuine).faults
    assert fault == RecordFault("anchors", None, "none of them is signed, so the key shows nothing")
    assert compare(path, [*signed, forged]).newest == 8, "without a key a signature says nothing"


def test_with_a_key_and_no_anchor_of_this_database_nothing_is_said_of_signatures(path: Path) -> None:
    (fault,) = compare(path, [OTHER], genuine).faults
    assert fault.what.startswith("none of them is of this database: ")
    assert compare(path, [], genuine).faults == ()


def test_the_file_is_let_go(path: Path, own: list[Anchor]) -> None:
    compare(path, own)
    assert not [each for each in Path("/proc/self/fd").iterdir() if each.exists() and each.samefile(path)]


def test_what_is_signed_is_all_but_the_signature(own: list[Anchor]) -> None:
    """RFC 8785 by hand."""
    anchor = replace(own[1], signature="good")
    assert signed_bytes(anchor).decode() == (
        f'{{"at_ms":1000,"entry":2,"entry_hash":"{anchor.entry_hash}","source":"{anchor.source}"}}'
    )
    assert signed_bytes(replace(anchor, entry=2**60)) == b"", "no canonical JSON holds that"


def test_an_anchor_goes_out_signed_over_what_a_receiver_works_out(own: list[Anchor]) -> None:
    texts: list[bytes] = []

    def sign(text: bytes) -> str:
        texts.append(text)
        return "good"

    stamp = Stamp(1000, "boot", 1000, 1000, True)
    first = Entry(1, stamp, "tick", "{}", "0" * 64, "ab" * 32)
    newest = Entry(7, replace(stamp, at_ms=7000), "tick", "{}", "0" * 64, "cd" * 32)
    value = anchor_state("line-1", first, newest, sign)
    assert value == {
        "source": "/stations/line-1/journals/abababababab",
        "entry": 7,
        "entry_hash": "cd" * 32,
        "at_ms": 7000,
        "signature": "good",
    }
    (anchor,) = picked([f"kitchen/line-1/anchor {json.dumps(value)}"])
    assert texts == [signed_bytes(anchor)] and anchor.journal == "abababababab"
    assert "signature" not in anchor_state("line-1", first, newest, None)


@pytest.mark.parametrize(
    ("line", "number"),
    [
        ('{"source": "s", "entry": 1, "entry_hash": "h", "at_ms": 2}', 1),
        ('t {"source": "s", "entry": 1, "entry_hash": "h", "at_ms": 2, "signature": null}', 1),
        ('t {"specversion": "1.0", "source": "s", "data": {"entry": 1, "entry_hash": "h", "at_ms": 2}}', 1),
        ('{"source": 5, "entry": 1, "entry_hash": "h", "at_ms": 2}', 0),
        ('{"source": "s", "entry": "1", "entry_hash": "h", "at_ms": 2}', 0),
        ('{"source": "s", "entry": true, "entry_hash": "h", "at_ms": 2}', 0),
        ('{"source": "s", "entry": 1, "entry_hash": 7, "at_ms": 2}', 0),
        ('{"source": "s", "entry": 1, "entry_hash": "h", "at_ms": 2.5}', 0),
        ('{"source": "s", "entry": 1, "entry_hash": "h", "at_ms": 2, "signature": 7}', 0),
        ('{"source": "s", "entry": 1, "entry_hash": "h"}', 0),
        ('{"specversion": "1.0", "source": "s", "entry": 1, "entry_hash": "h", "at_ms": 2}', 0),
        ('{"specversion": "1.0", "source": "s", "data": [1]}', 0),
        ("online", 0),
        ("", 0),
    ],
)
def test_a_line_is_an_anchor_only_where_each_part_is_of_its_kind(line: str, number: int) -> None:
    found = list(picked(["first", line]))
    assert found == [Anchor(2, "s", 1, "h", 2)] * number
