"""A manager's initials to a day: which day may be signed, and what a signed day says of all that changed later."""

import random
import re
import sqlite3
from collections.abc import Callable
from datetime import UTC, date, datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from recorder import initials
from recorder.__main__ import app
from recorder.commands.report import made
from recorder.core import meanings as m
from recorder.core.effects import Record
from recorder.core.events import Acknowledged, Reading, Signed
from recorder.core.limits import to_c
from recorder.core.station import State, step
from recorder.journal.reader import Reader
from recorder.reports.day import gather
from recorder.reports.later import Later
from recorder.reports.signing import why_not
from recorder.verification.examine import examine
from tests.kitchen import MINUTE, Kitchen
from tests.reported import recorded, report_of

STATION = 'station = "line-1"\ndatabase = "records.db"\n'
EVENING_MS = round(datetime(2026, 2, 26, 23, 0, tzinfo=UTC).timestamp() * 1000)
DAY = date(2026, 2, 26)


def evening() -> Kitchen:
    """A kitchen with one batch in hot holding and one being checked, half an hour before midnight."""
    kitchen = Kitchen(at_ms=EVENING_MS)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.cook()
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    kitchen.cook()
    kitchen.check("thigh", 185)
    return kitchen


def signed(kitchen: Kitchen, note: str = "as it is") -> None:
    kitchen.wait(1_000)
    kitchen.feed(Signed(kitchen.at_ms, DAY.isoformat(), "JD", note))


def end_first(kitchen: Kitchen) -> None:
    kitchen.say(m.HOLD_END, batch=1)


def discard_second(kitchen: Kitchen) -> None:
    kitchen.say(m.DISCARD, batch=2)
    kitchen.say(m.CONFIRM)


def run_over(kitchen: Kitchen) -> None:
    kitchen.wait(70 * MINUTE)


def check_more(kitchen: Kitchen) -> None:
    kitchen.check("leg", 150)


def ice(kitchen: Kitchen) -> None:
    kitchen.say(m.ICE_POINT)
    kitchen.dip(32, uncertainty_c=0.1)


def strike(kitchen: Kitchen) -> None:
    kitchen.say(m.SCRATCH)


def in_hand(kitchen: Kitchen) -> None:
    alert = next(alert for alert in kitchen.state.world.alerts if alert.ended_ms is None)
    kitchen.feed(Acknowledged(kitchen.at_ms, alert.id, "MK"))


def nothing(kitchen: Kitchen) -> None:
    kitchen.feed(Reading(kitchen.at_ms + 1, "vat1", to_c(340, "F")))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (end_first, "hold of batch 1 ended: nothing → 00:10:01 on 27 February; outcome: nothing → sold (“hold end”)"),
        (discard_second, "batch 2 closed: nothing → 00:10:02 on 27 February; outcome: nothing → discarded"),
        (run_over, "past its limit: no → yes"),
        (check_more, "check of leg 150.0 °F, batch 2 added: below critical limit"),
        (
            strike,
            "batch 2 counts as a passed check: yes → no; disputed: nothing → by the cook (“scratch that",
        ),
    ],
)
def test_what_changes_a_signed_day_after_midnight_stands_under_its_signature(
    tmp_path: Path, change: Callable[[Kitchen], None], said: str
) -> None:
    """A strike, a discard, a check, and time alone: they are of the next day, the rows are of this one."""
    kitchen = evening()
    signed(kitchen)
    kitchen.wait(round(datetime(2026, 2, 27, 0, 10, tzinfo=UTC).timestamp() * 1000) - kitchen.at_ms)
    change(kitchen)
    text = report_of(recorded(kitchen, tmp_path / "records.db"), DAY, kitchen.at_ms)
    assert said in text, text[text.index("Record and signature") :][:1500]
    assert "changed afterwards: see" in text


def test_a_signed_day_that_stayed_so_says_that(tmp_path: Path) -> None:
    kitchen = evening()
    signed(kitchen)
    nothing(kitchen)
    text = report_of(recorded(kitchen, tmp_path / "records.db"), DAY, kitchen.at_ms)
    assert "Nothing of this day was changed since." in text and "changed afterwards" not in text


def test_each_signature_has_its_own_changes(tmp_path: Path) -> None:
    kitchen = evening()
    signed(kitchen, "first")
    check_more(kitchen)
    signed(kitchen, "second")
    path = recorded(kitchen, tmp_path / "records.db")
    text = report_of(path, DAY, kitchen.at_ms)
    first, second = text.index("“first”"), text.index("“second”")
    assert first < text.index("check of leg 150.0 °F, batch 2 added") < second
    assert "Nothing of this day was changed since." in text[second:]


@pytest.mark.parametrize("seed", range(12))
def test_all_rows_that_differ_from_what_was_signed_are_found(tmp_path: Path, seed: int) -> None:
    """Against the tables as a replay up to the signature makes them, and as they are."""
    chance = random.Random(seed)
    happenings = (end_first, discard_second, run_over, check_more, ice, strike, nothing)
    kitchen = evening()
    for change in chance.sample(happenings, 2):
        change(kitchen)
    signed(kitchen)
    at = len(kitchen.events)
    for change in chance.choices(happenings, k=4):
        change(kitchen)
    path = recorded(kitchen, tmp_path / "records.db")
    journal = Reader.open(path)
    day = gather(journal, DAY, UTC)
    later = Later(day)
    examine(path, watch=later.see)
    mine = {(table, row["id"]) for table, row in day.rows() if table != "signatures"}
    journal.close()
    before, now = _rows(kitchen, at), _rows(kitchen, len(kitchen.events))
    found = later.after(at)
    assert found is not None
    assert {(each.table, each.row["id"]) for each in found} == {key for key in mine if before.get(key) != now[key]}
    assert all(each.before == before.get((each.table, each.row["id"])) for each in found)


def _rows(kitchen: Kitchen, events: int) -> dict[tuple[str, int | str], dict[str, Any]]:
    state, rows = State(), dict[tuple[str, int | str], dict[str, Any]]()
    for event in kitchen.events[:events]:
        state, effects = step(state, event)
        for effect in effects:
            if isinstance(effect, Record):
                rows[effect.table, effect.id] = {"id": effect.id, **dict(effect.row)}
    return rows


def test_what_changed_in_a_record_that_was_touched_is_not_made_up(tmp_path: Path) -> None:
    """No entry after a changed one can be followed."""
    kitchen = evening()
    signed(kitchen)
    path = recorded(kitchen, tmp_path / "records.db")
    journal = Reader.open(path)
    text_before = made(path, DAY, UTC, kitchen.at_ms)[2]
    journal.close()
    assert "is not known" not in text_before
    db = sqlite3.connect(path)
    db.execute("DROP TRIGGER journal_keeps")
    db.execute("UPDATE journal SET body = replace(body, 'thigh', 'wing') WHERE seq = 5")
    db.commit()
    db.close()
    text = report_of(path, DAY, kitchen.at_ms)
    assert "Whether anything of this day changed after this signature is not known: the record was changed." in text


# ---- which day may be signed ----


def sign(folder: Path, *arguments: str, station: str = STATION) -> tuple[int, str]:
    (folder / "station.toml").write_text(station)
    done = CliRunner().invoke(app, ["sign", "--config", str(folder / "station.toml"), *arguments])
    return done.exit_code, done.output


def left(path: Path) -> tuple[int, list[str]]:
    """The newest entry, and the files beside."""
    journal = Reader.open(path)
    newest = journal.newest()
    journal.close()
    return newest.seq if newest else 0, sorted(each.name for each in path.parent.iterdir() if "-" not in each.name)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--by", "JD", "--day", "2026-02-20"), "nothing is on record for 2026-02-20; the last day on record is"),
        (("--by", "JD", "--day", "2031-01-01"), "nothing is on record for 2031-01-01; the last day on record is"),
        (("--by", "\uff2a\uff24"), "write initials, up to 8 letters"),
        (("--by", "\u0408D"), "write initials, up to 8 letters"),
        (("--by", "Åse"), "write initials, up to 8 letters"),
        (("--by", "J\u200bD"), "write initials, up to 8 letters"),
        (("--by", "JD"), "Say in a note why."),
        (("--by", "JD", "--note", "   "), "--note says nothing"),
    ],
    ids=["before", "to come", "full-width", "Cyrillic", "accented", "unseen", "open alerts", "empty note"],
)
def test_a_refused_signature_says_why_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], said: str
) -> None:
    monkeypatch.setenv("TZ", "UTC")
    kitchen = evening()
    kitchen.check("leg", 150)
    path = recorded(kitchen, tmp_path / "records.db")
    (tmp_path / "station.toml").write_text(STATION)
    before = left(path)
    code, output = sign(tmp_path, *arguments)
    assert code in (1, 2) and said in output, output
    assert left(path) == before


def test_another_stations_records_are_not_signed(tmp_path: Path) -> None:
    path = recorded(evening(), tmp_path / "records.db")
    code, output = sign(tmp_path, "--by", "JD", station=STATION.replace("line-1", "line-7"))
    assert code == 1 and "holds the records of station 'line-1', the configuration is of 'line-7'" in output
    assert left(path)[0] == len(evening().events)


def test_after_a_refusal_the_last_day_of_trade_is_signed_and_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not the day of the refusal, which has no trade."""
    monkeypatch.setenv("TZ", "UTC")
    kitchen = evening()
    kitchen.check("leg", 150)
    path = recorded(kitchen, tmp_path / "records.db")
    assert sign(tmp_path, "--by", "JD")[0] == 1
    code, output = sign(tmp_path, "--by", "JD", "--note", "the leg was cooked on")
    assert (code, output) == (0, "Signed for 2026-02-26 by JD.\n")
    code, output = sign(tmp_path, "--by", "MK", "--note", "seen as well")
    assert (code, output) == (0, "Signed for 2026-02-26 by MK.\n"), "a signature makes no day of trade"
    journal = Reader.open(path)
    assert [row["day"] for row in journal.table("signatures")] == ["2026-02-26"] * 2
    journal.close()
    assert examine(path).faults == ()


def test_the_rules_are_one_function_for_a_keyboard_and_a_phone(tmp_path: Path) -> None:
    kitchen = evening()
    kitchen.check("leg", 150)
    path = recorded(kitchen, tmp_path / "records.db")
    asked = [
        (Signed(0, "2026-02-26", "JD", "cooked on"), None),
        (Signed(0, "2026-02-26", "JD"), "1 alert is open"),
        (Signed(0, "2026-02-27", "JD", "x"), "nothing is on record for 2026-02-27"),
        (Signed(0, "2026-02-26", "\uff2a\uff24", "x"), "is no name"),
    ]
    for event, said in asked:
        why = why_not(path, "line-1", event, UTC)
        assert (why is None) if said is None else (said in (why or "")), why


def test_initials_are_the_same_in_program_page_and_schemas() -> None:
    share = files("recorder") / "share"
    said = [
        pattern.strip("^$")
        for name in ("page/page.js", "page/index.html", "schemas/sign.json", "schemas/acknowledge.json")
        for pattern in re.findall(r"\^?\[A-Za-z0-9\]\{[0-9,]+\}\$?", (share / name).read_text("utf-8"))
    ]
    assert len(said) == 4 and set(said) == {initials.PATTERN.pattern}
    assert initials.LETTERS in (share / "docs/alerts.md").read_text("utf-8")
    patterns = [
        file.name for file in Path("recorder").rglob("*.py") if initials.PATTERN.pattern in file.read_text("utf-8")
    ]
    assert patterns == ["initials.py"]
