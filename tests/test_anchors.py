"""Attacks on a record, each by somebody who knows this code: which check finds it, and which does not.

The attacker drops the triggers and computes hashes anew by `chain.linked`. Each attack is tried once a run.
"""

import json
import shutil
import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.clock import Stamp
from recorder.core import meanings as m
from recorder.core.station import State, step
from recorder.driver import DriverUnavailable
from recorder.journal import seal
from recorder.journal.anchors import Anchor, compare, picked
from recorder.journal.anchors import state as anchor_state
from recorder.journal.chain import GENESIS, Entry, linked
from recorder.journal.codec import decode
from recorder.journal.journal import Journal
from recorder.journal.reader import ENTRY, Reader, as_entry, as_row
from recorder.notices.anchoring import ANCHOR_MS, Anchoring
from recorder.notices.outbox import Messages
from recorder.verification.examine import examine
from tests.appended import append
from tests.contract import validator
from tests.kitchen import MINUTE, Kitchen, kept
from tests.tampering import tamper, unguarded

Change = Callable[[list[Entry]], list[Entry]]


def shift(value: float = 185, cook: int = 4) -> Kitchen:
    """A batch whose first thigh is at `value` °F, and a hold."""
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=cook)
    kitchen.cook()
    kitchen.check_all(value)
    kitchen.say(m.HOLD_START)
    kitchen.wait(65 * MINUTE)
    kitchen.say(m.HOLD_END)
    return kitchen


@pytest.fixture(scope="module")
def honest(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The records of a shift in which the food was not done."""
    path = tmp_path_factory.mktemp("anchors") / "records.db"
    kept(shift(150), path).close()
    return path


def entries(path: Path) -> list[Entry]:
    connection = sqlite3.connect(path)
    rows = connection.execute(f"{ENTRY} ORDER BY seq").fetchall()
    connection.close()
    return [as_entry(row) for row in rows]


def subscriber(path: Path, file: Path, every: int = 5, key: seal.Seal | None = None, upto: int = 10**6) -> Path:
    """What `mosquitto_sub -v` printed at another machine: the alerts, an anchor now and then, and other states."""
    journal = Reader.open(path)
    first = journal.first()
    assert first
    lines = [f"kitchen/line-1/alerts {body}" for (body,) in journal.rows("SELECT body FROM outbox ORDER BY id")]
    lines = [line for line in lines if json.loads(line.split(" ", 1)[1])["data"]["entry"] <= upto]
    for entry in entries(path):
        if (entry.seq % every == 0 or entry.seq == len(entries(path))) and entry.seq <= upto:
            lines.append(
                f"kitchen/line-1/anchor {json.dumps(anchor_state('line-1', first, entry, key.sign if key else None))}"
            )
    lines += ['kitchen/line-1/state {"online": true}', "north/kitchen/line-1/link 1", "kitchen/line-1/anchor (null)"]
    journal.close()
    file.write_text("\n".join(lines) + "\n")
    return file


def rebuilt(source: Path, target: Path, change: Change) -> Path:
    """The attacker's whole work: change entries, number and hash all anew, and write every table as they explain it."""
    journal, messages, state = Journal.open(target), Messages("kitchen", "line-1", "alerts"), State()
    for entry in change(entries(source)):
        event = decode(entry.kind, entry.body)
        state, effects = step(state, event)
        append(journal, entry.stamp, event, effects, messages)
    journal.close()
    return target


def rehashed(source: Path, target: Path, change: Change) -> Path:
    """The lesser work: only the journal's rows, hashed anew."""
    shutil.copy(source, target)
    previous = GENESIS
    rows: list[Any] = []
    for seq, entry in enumerate(change(entries(source)), 1):
        again = linked(seq, entry.stamp, entry.kind, entry.body, previous)
        previous, rows = again.hash, [*rows, as_row(again)]
    with unguarded(target) as connection:
        connection.execute("DELETE FROM journal")
        connection.executemany(f"INSERT INTO journal VALUES ({', '.join('?' * 10)})", rows)
    return target


def hotter(found: list[Entry]) -> list[Entry]:
    """150 °F becomes 185 °F."""
    return [replace(e, body=e.body.replace("65.55555555555556", "85")) for e in found]


def check(path: Path, *arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["verify", str(path), *arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def test_an_honest_record_agrees_with_what_was_kept(honest: Path, tmp_path: Path) -> None:
    last = len(entries(honest))
    code, output = check(honest, "--anchors", str(subscriber(honest, tmp_path / "kept")))
    assert code == 0 and f"is of entry {last}, and 0 entries after it" in output, output
    code, output = check(honest, "--anchors", str(subscriber(honest, tmp_path / "kept", upto=12)))
    assert code == 0 and f"and {last - 10} entries after it rest on the chain alone" in output, output


def test_an_alert_alone_is_an_anchor(honest: Path, tmp_path: Path) -> None:
    """Its body is made in the commit of its entry, so it has that entry's own hash."""
    lines = [line for line in subscriber(honest, tmp_path / "kept").read_text().splitlines() if "/alerts " in line]
    found = list(picked(lines))
    assert len(found) == len(lines) > 3
    hashes = {entry.seq: entry.hash for entry in entries(honest)}
    assert all(anchor.entry_hash == hashes[anchor.entry] for anchor in found)


def test_the_deleted_tail_is_found_by_anchors_alone(honest: Path, tmp_path: Path) -> None:
    path = rebuilt(honest, tmp_path / "cut.db", lambda found: found[:-20])
    assert examine(path).faults == (), "the chain, the replay and the tables do not see it"
    code, output = check(path, "--anchors", str(subscriber(honest, tmp_path / "kept")))
    left = len(entries(path))
    assert (
        code == 1 and f"the end is missing: entry {left + 20} was there, and the file ends with entry {left}" in output
    )


def test_a_deleted_row_in_the_middle_is_found_by_the_chain_and_by_its_anchor(honest: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(honest, tmp_path / "gap.db"))
    tamper(path, "DELETE FROM journal WHERE seq = 10")
    assert [(fault.table, fault.row) for fault in examine(path).faults] == [("journal", 10)]
    code, output = check(path, "--anchors", str(subscriber(honest, tmp_path / "kept")))
    assert code == 1 and "entry 10 was there and is missing" in output


def test_a_row_left_out_and_the_rest_hashed_anew_is_found_by_anchors_alone(honest: Path, tmp_path: Path) -> None:
    path = rebuilt(honest, tmp_path / "closed.db", lambda found: [*found[:29], *found[30:]])
    assert examine(path).faults == (), "no gap is left"
    code, output = check(path, "--anchors", str(subscriber(honest, tmp_path / "kept", upto=40)))
    assert code == 1 and "entry 30 or one before it was rewritten" in output


def test_a_history_hashed_anew_is_found_by_the_replay(honest: Path, tmp_path: Path) -> None:
    """By one who forgets the tables: the chain is whole, the rows that it explains are others."""
    faults = examine(rehashed(honest, tmp_path / "hot.db", hotter)).faults
    assert faults and "checks" in {fault.table for fault in faults}
    assert "journal" not in {fault.table for fault in faults}, "the chain itself does not see it"


def test_a_whole_history_written_anew_is_found_by_anchors_alone(honest: Path, tmp_path: Path) -> None:
    path = rebuilt(honest, tmp_path / "hot.db", hotter)
    connection = sqlite3.connect(path)
    assert connection.execute("SELECT DISTINCT verdict FROM checks").fetchall() == [("passed",)]
    connection.close()
    assert examine(path).faults == (), "chain, replay and tables do not see it"
    code, output = check(path, "--anchors", str(subscriber(honest, tmp_path / "kept")))
    assert code == 1 and "was rewritten: its hash is not the one that was sent" in output


def test_what_was_changed_after_the_last_anchor_is_found_by_nothing(honest: Path, tmp_path: Path) -> None:
    """It is told how far the anchors reach; that is all that can be said."""
    kept_file = subscriber(honest, tmp_path / "kept", upto=12)
    path = rebuilt(honest, tmp_path / "hot.db", hotter)
    assert [e.hash for e in entries(path)[:12]] == [e.hash for e in entries(honest)[:12]]
    code, output = check(path, "--anchors", str(kept_file))
    assert code == 0 and "the newest anchor that agrees is of entry 10" in output


def test_who_owns_the_subscribers_copy_too_is_found_by_nothing(honest: Path, tmp_path: Path) -> None:
    """He writes the record and the copy anew. With the device's key, which he who owns the device has, as well."""
    path, key = rebuilt(honest, tmp_path / "hot.db", hotter), seal.make(tmp_path / "key")
    code, _ = check(path, "--anchors", str(subscriber(path, tmp_path / "kept", key=key)), "--key", key.public)
    assert code == 0


def test_another_database_of_the_same_station_is_found_by_anchors_alone(honest: Path, tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    kept(shift(185, cook=5), path).close()
    kept_file = subscriber(honest, tmp_path / "kept")
    # Both begin with the same entry here, since nothing in it is of the moment; a real one has its own boot and time.
    path = rebuilt(
        path,
        tmp_path / "swapped.db",
        lambda found: [replace(entry, stamp=replace(entry.stamp, boot_id="another")) for entry in found],
    )
    assert examine(path).faults == (), "it is whole in itself"
    code, output = check(path, "--anchors", str(kept_file))
    assert code == 1 and "none of them is of this database" in output
    first = entries(honest)[0].hash[:12]
    assert f"There are anchors of /stations/line-1/journals/{first} too, up to entry {len(entries(honest))}" in output


def test_another_database_for_an_evening_is_found_by_anchors_alone(honest: Path, tmp_path: Path) -> None:
    """It stood in, its anchors went out, and the first was put back."""
    lines = subscriber(honest, tmp_path / "kept").read_text().splitlines()
    strange = json.dumps({"source": "/stations/line-1/journals/ffffffffffff", "entry": 9, "entry_hash": "f" * 64})
    strange = strange[:-1] + ', "at_ms": 5}'
    (tmp_path / "kept").write_text("\n".join([*lines[:5], strange, *lines[5:]]))
    code, output = check(honest, "--anchors", str(tmp_path / "kept"))
    assert code == 1 and "line 7: records were kept in another database meanwhile" in output
    (tmp_path / "kept").write_text("\n".join([strange, *lines]))
    code, output = check(honest, "--anchors", str(tmp_path / "kept"))
    assert code == 0 and "journals/ffffffffffff too, up to entry 9: ask for that file" in output, "the one before it"


def back(ms: int, begin: int, end: int | None = None) -> Change:
    """The stamps of some entries go back."""

    def change(found: list[Entry]) -> list[Entry]:
        times = [replace(e.stamp, at_ms=e.stamp.at_ms - ms, boot_ms=e.stamp.boot_ms - ms) for e in found]
        place = range(begin, len(found) if end is None else end)
        return [replace(e, stamp=times[at]) if at in place else e for at, e in enumerate(found)]

    return change


def test_a_clock_rolled_back_is_found_by_verify_where_time_runs_backwards(honest: Path, tmp_path: Path) -> None:
    with Reader.open(honest) as journal:
        times = [entry.stamp.at_ms for entry, _ in journal.entries()]
    soon = next(at for at in range(30, len(times)) if times[at] - times[at - 1] < MINUTE)
    path = rebuilt(honest, tmp_path / "back.db", back(10 * MINUTE, soon))
    (fault, *_) = examine(path).faults
    assert (fault.row, fault.what[:19]) == (soon + 1, "time ran backwards:")
    path = rebuilt(
        honest,
        tmp_path / "boot.db",
        lambda found: [
            replace(e, stamp=replace(e.stamp, boot_ms=e.stamp.boot_ms - 60_000 * (e.seq > soon))) for e in found
        ],
    )
    assert examine(path).faults[0].what.startswith("time ran backwards: its boot clock")
    path = rebuilt(
        honest,
        tmp_path / "boots.db",
        lambda found: [
            replace(e, stamp=replace(e.stamp, boot_id="abab"[e.seq * 4 // (len(found) + 1)])) for e in found
        ],
    )
    assert examine(path).faults[0].what.startswith("it is of a boot that had ended")


def test_a_clock_rolled_back_for_all_of_a_record_is_found_by_anchors_alone(honest: Path, tmp_path: Path) -> None:
    path = rebuilt(honest, tmp_path / "back.db", back(24 * 60 * MINUTE, 0))
    assert examine(path).faults == (), "each entry is after the one before it"
    code, output = check(path, "--anchors", str(subscriber(honest, tmp_path / "kept")))
    assert code == 1 and "none of them is of this database" in output, "its first entry is another"


def test_an_older_copy_put_back_and_gone_on_with_is_found_by_anchors_alone(honest: Path, tmp_path: Path) -> None:
    path = rebuilt(honest, tmp_path / "fork.db", lambda found: hotter(found[:-8]))
    kept_file = subscriber(honest, tmp_path / "kept")
    fork = subscriber(path, tmp_path / "fork")
    kept_file.write_text(kept_file.read_text() + fork.read_text())
    assert examine(path).faults == ()
    code, output = check(path, "--anchors", str(kept_file))
    assert code == 1 and "was rewritten" in output and "the end is missing" in output


def test_anchors_whose_times_run_backwards(honest: Path) -> None:
    found = entries(honest)
    name = f"/stations/line-1/journals/{found[0].hash[:12]}"
    own = [Anchor(n, name, e.seq, e.hash, e.stamp.at_ms) for n, e in enumerate(found[9:60:10], 1)]
    assert compare(honest, own).faults == ()
    faults = compare(honest, [*own[:2], replace(own[2], at_ms=own[2].at_ms - 60 * MINUTE), *own[3:]]).faults
    assert [fault.row for fault in faults] == [3, 3]
    assert "time ran backwards: entry 30" in faults[0].what and "the anchor itself was changed" in faults[1].what


def test_a_signature_tells_a_forged_anchor(honest: Path, tmp_path: Path) -> None:
    key, other = seal.make(tmp_path / "key"), seal.make(tmp_path / "other")
    kept_file = subscriber(honest, tmp_path / "kept", key=key)
    arguments = ("--anchors", str(kept_file), "--key")
    code, output = check(honest, *arguments, key.public)
    assert code == 0 and f"newest signed anchor that agrees is of entry {len(entries(honest))}" in output
    (tmp_path / "pub").write_text(key.public + "\n")
    assert check(honest, *arguments, str(tmp_path / "pub"))[0] == 0
    code, output = check(honest, *arguments, other.public)
    assert code == 1 and "its signature is not that of this key" in output and "no signed anchor agrees" in output
    path = rebuilt(honest, tmp_path / "hot.db", hotter)
    code, output = check(path, "--anchors", str(subscriber(path, tmp_path / "forged", key=other)), "--key", key.public)
    assert code == 1 and "its signature is not that of this key" in output, "a copy written anew, without the key"
    code, output = check(path, "--anchors", str(subscriber(path, tmp_path / "bare")), "--key", key.public)
    assert code == 1 and "none of them is signed" in output, "signatures left out"
    assert check(path, "--anchors", str(subscriber(path, tmp_path / "bare")))[0] == 0, "without the key: nothing"


def test_a_signed_and_an_unsigned_anchor_are_as_the_schema_says(honest: Path, tmp_path: Path) -> None:
    found, check_anchor = entries(honest), validator("anchor")
    assert isinstance(check_anchor, Draft202012Validator)
    key = seal.make(tmp_path / "key")
    for sign in (None, key.sign):
        assert list(check_anchor.iter_errors(anchor_state("line-1", found[0], found[9], sign))) == []
    assert not check_anchor.is_valid({**anchor_state("line-1", found[0], found[9], None), "signature": "none"})


def test_a_signature_is_ed25519() -> None:
    """RFC 8032, section 7.1, TEST 1 (from memory; one wrong digit would fail)."""
    public = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    signature = (
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe"
        "24655141438e7a100b"
    )
    assert seal.genuine(public, b"", signature)
    assert not seal.genuine(public, b"x", signature) and not seal.genuine(public, b"", "no hexadecimal")


def test_a_key_file_is_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "key.pem"
    result = CliRunner().invoke(app, ["device-key", str(path)])
    assert result.exit_code == 0 and path.stat().st_mode & 0o777 == 0o600
    public = result.output.strip()
    assert len(public) == 64 and CliRunner().invoke(app, ["device-key", str(path)]).output.strip() == public
    assert seal.genuine(public, b"head", seal.load(path).sign(b"head"))
    for mode in (0o640, 0o604, 0o620, 0o660):
        path.chmod(mode)
        with pytest.raises(DriverUnavailable, match=f"mode {mode:o}.*chmod 600"):
            seal.load(path)
    path.chmod(0o600)
    with pytest.raises(DriverUnavailable, match="can't be made"):
        seal.make(path)
    path.write_text("no key")
    with pytest.raises(DriverUnavailable, match="can't be read"):
        seal.load(path)
    with pytest.raises(DriverUnavailable, match=r"device-key .* makes it"):
        seal.load(tmp_path / "none")
    assert CliRunner().invoke(app, ["device-key", str(tmp_path / "none" / "key")]).exit_code == 2


def test_what_can_not_be_compared_is_said(honest: Path, tmp_path: Path) -> None:
    (tmp_path / "empty").write_text("kitchen/line-1/state {}\n\x00{\n" + "{" + "[" * 100_000)
    kept_file = str(subscriber(honest, tmp_path / "kept"))
    for arguments, complaint in (
        (("--anchors", str(tmp_path / "none")), "can't be read"),
        (("--anchors", str(tmp_path / "empty")), "holds no anchor"),
        (("--key", "00"), "--key needs --anchors"),
        (("--anchors", kept_file, "--key", "00"), "is no public key"),
    ):
        code, output = check(honest, *arguments)
        assert code == 2 and complaint in output, output


json_values = (
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(FIELDS), inner, max_size=6),
        max_leaves=12,
    )
    if (FIELDS := ["specversion", "data", "source", "entry", "entry_hash", "at_ms", "signature"])
    else st.none()
)


@given(st.lists(st.text(max_size=30) | json_values.map(lambda value: f"topic {json.dumps(value)}"), max_size=5))
def test_any_file_of_messages_can_be_read_and_compared(honest: Path, lines: list[str]) -> None:
    compare(honest, list(picked(lines)), lambda text, signature: False)


def test_a_new_head_is_told_once_a_minute_and_at_the_stop(tmp_path: Path) -> None:
    given_: list[tuple[str, dict[str, object]]] = []
    journal = Journal.open(tmp_path / "r.db")
    anchoring = Anchoring(lambda name, value: given_.append((name, value)), journal, "line-1")
    anchoring.beat(0)
    assert given_ == [], "nothing is on record yet"
    kitchen, state = shift(), State()
    for event in kitchen.events:
        state, effects = step(state, event)
        entry = append(journal, kept_stamp(event.at_ms), event, effects)
        anchoring.beat(event.at_ms)
    minutes = (kitchen.at_ms - kitchen.events[0].at_ms) // ANCHOR_MS
    assert 2 < len(given_) <= minutes + 1, "four times in this shift of few entries"
    anchoring.send(kitchen.at_ms)
    told_ = len(given_)
    assert given_[-1] == ("anchor", anchor_state("line-1", journal.first() or entry, entry, None))
    anchoring.send(kitchen.at_ms)
    anchoring.beat(kitchen.at_ms + 10 * ANCHOR_MS)
    assert len(given_) == told_, "a head that is known is not told again"
    journal.close()


def kept_stamp(at_ms: int) -> Stamp:
    return Stamp(at_ms, "boot", at_ms, at_ms, True)
