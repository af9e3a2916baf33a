"""Whether what is sent is what the schemas say, and whether the AsyncAPI document is one."""

import copy
import json
import re
import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import yaml
from jsonschema import Draft7Validator, Draft202012Validator

from recorder.clock import Stamp
from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.events import Acknowledged, ProbeCharge, ProbeLost, ProcedureLoaded, Seen, Signed
from recorder.core.station import State, step
from recorder.journal.codec import KINDS
from recorder.journal.columns import TABLES, columns
from recorder.journal.journal import Journal
from recorder.notices import answers, mqtt
from recorder.notices.outbox import Messages
from recorder.notices.state_publisher import StatePublisher
from tests.appended import append
from tests.conftest import Performance
from tests.contract import SHARE, schema, validator
from tests.kitchen import PROCEDURE, Kitchen, kept
from tests.own_words import OWN

NAMES = sorted(file.stem for file in (SHARE / "schemas").glob("*.json"))
DOCUMENT = yaml.safe_load((SHARE / "asyncapi.yaml").read_text("utf-8"))
SENT = {"alerts": "alert", "records": "record", "journal": "entry"}

UCUM = {"ms", "s", "h", "Cel", "K", "[degF]", "%", "1", "MBy"}
"""The Unified Code for Units of Measure, case sensitive ("c/s") codes: a list from memory. The package ucumvert 0.3.2
read each of them on 2026-11-25."""


def wrong(topic: str, body: str) -> list[str]:
    """What the schema of this topic has against the message."""
    return [error.message for error in validator(SENT[topic.rpartition("/")[2]]).iter_errors(json.loads(body))]


def parts(value: Any) -> Any:
    """All objects inside `value`, itself too."""
    if isinstance(value, dict):
        yield value
    for each in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from parts(each)


@pytest.mark.parametrize("name", NAMES)
def test_a_schema_is_one_and_takes_its_examples(name: str) -> None:
    Draft202012Validator.check_schema(schema(name))
    assert schema(name)["examples"]
    for example in schema(name)["examples"]:
        assert [error.message for error in validator(name).iter_errors(example)] == []


@pytest.mark.parametrize("name", NAMES)
def test_a_schema_refuses_a_missing_and_an_unknown_field(name: str) -> None:
    for example in schema(name)["examples"]:
        assert not validator(name).is_valid({**example, "stranger": 1})
        for key in example:
            assert not validator(name).is_valid({k: v for k, v in example.items() if k != key}), key


@pytest.mark.parametrize(
    ("name", "way", "value"),
    [
        ("alert", ("specversion",), "0.3"),
        ("alert", ("source",), "fry-line-1"),
        ("alert", ("time",), "2026-02-26 10:00"),
        ("alert", ("type",), "alert.forgotten"),
        ("alert", ("data", "level"), "urgent"),
        ("alert", ("data", "numbers"), [["temperature", 150.0, "F"]]),
        ("record", ("data", "table"), "secrets"),
        ("record", ("data", "cook"), "four"),
        ("entry", ("data", "previous"), "abc"),
        ("entry", ("data", "body"), {}),
        ("state", ("online",), "yes"),
        ("reading", ("temp_c",), None),
        ("batches", ("open",), [{"number": 1}]),
        ("open", ("alerts",), [{"id": "1-cook-overdue"}]),
        ("checks", ("checks", 0, "unit"), "K"),
        ("checks", ("checks", 0, "verdict"), "no reading"),
        ("checks", ("checks",), [schema("checks")["examples"][0]["checks"][0]] * 25),
        ("health", ("probes",), {"needle": None}),
        ("health", ("unsent",), -1),
        ("acknowledge", ("by",), "ninechars"),
        ("acknowledge", ("by",), ""),
        ("acknowledge", ("alert",), 41),
        ("seen", ("by",), "a/b"),
        ("seen", ("by",), "x" * 33),
    ],
)
def test_a_schema_refuses_a_wrong_value(name: str, way: tuple[Any, ...], value: Any) -> None:
    broken = copy.deepcopy(schema(name)["examples"][0])
    place = broken
    for key in way[:-1]:
        place = place[key]
    place[way[-1]] = value
    assert not validator(name).is_valid(broken)


def test_every_message_of_the_demo_is_valid(performance: Performance) -> None:
    with sqlite3.connect(performance.database) as db:
        rows = db.execute("SELECT topic, body FROM outbox").fetchall()
    db.close()
    assert len(rows) > 10
    assert {(topic, error) for topic, body in rows for error in wrong(topic, body)} == set()


def test_every_message_of_a_story_is_valid(tmp_path: Path) -> None:
    """With `publish = "all"`, and rows of every table."""
    kitchen = Kitchen()
    kitchen.open_shift()
    kitchen.before_the_oil()
    kitchen.say(m.SCRATCH)
    kitchen.wait(20 * 60_000)
    kitchen.feed(ProcedureLoaded(kitchen.at_ms, replace(PROCEDURE, own=OWN)))
    kitchen.say(m.SHIFT_END)
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.ACTION, action="thrown away")
    for answer in (Seen, Acknowledged):
        kitchen.feed(answer(kitchen.at_ms, kitchen.state.world.alerts[0].id, "JD"))
    kitchen.feed(Signed(kitchen.at_ms, "2026-02-26", "JD", "reviewed"))
    journal, messages, state = Journal.open(tmp_path / "r.db"), Messages("kitchen", "line-1", "all"), State()
    for event in kitchen.events:
        state, effects = step(state, event)
        append(journal, Stamp(event.at_ms, "boot", event.at_ms, event.at_ms, True), event, effects, messages)
    sent = [row.message for row in journal.outbox.unsent(0, 10_000)]
    journal.close()
    assert {error for message in sent for error in wrong(message.topic, message.body)} == set()
    bodies = [json.loads(message.body) for message in sent]
    assert {body["data"]["table"] for body in bodies if body["type"] == "record"} == set(TABLES)
    assert {message.topic.rpartition("/")[2] for message in sent} == set(SENT)


def test_the_newest_states_are_valid(tmp_path: Path) -> None:
    """What the publisher is given while a shift goes on, and what the broker's will says."""
    kitchen = Kitchen()
    kitchen.open_shift()
    kitchen.feed(ProbeLost(kitchen.at_ms, "cabinet", "silent"))
    kitchen.feed(ProbeCharge(kitchen.at_ms, "needle", 85))
    kitchen.check_all()
    kitchen.say(m.HOLD_START)
    given: list[tuple[str, dict[str, Any]]] = []
    journal = kept(kitchen, tmp_path / "r.db")
    teller = StatePublisher(
        lambda name, value: given.append((name, value)), journal, tmp_path / "r.db", ["needle", "vat1"]
    )
    state = State()
    for event in kitchen.events:
        state, _ = step(state, event)
        teller.update(event, state.world, state.at_ms)
    told = len(given)
    for later_ms in (0, 30_000, 61_000):
        teller.beat(state.world, state.at_ms + later_ms)
    assert [name for name, _ in given[told:]] == ["health", "health"], "every minute, changed or not"
    journal.close()
    names = {name.split("/")[0] for name, _ in given}
    assert names == {"reading", "open", "batches", "checks", "health"}
    assert given[-1][1]["charges"] == {"needle": 85}
    for name, value in given:
        assert [error.message for error in validator(name.split("/")[0]).iter_errors(value)] == [], name
    assert all(validator("state").is_valid(json.loads(mqtt._state(online))) for online in (True, False))


def test_a_row_keeps_its_own_time(tmp_path: Path) -> None:
    """Field bug of 2026-11-25: the entry's time stood in its place."""
    kitchen = Kitchen()
    kitchen.say(m.SHIFT_START, cook=4)
    kitchen.say(m.BATCH_START)
    kitchen.say(m.LOAD, part="thigh", count=12)
    loaded_ms = kitchen.at_ms
    kitchen.wait(60_000)
    kitchen.say(m.SCRATCH)
    journal = kept(kitchen, tmp_path / "r.db", "records")
    sent = [json.loads(row.message.body)["data"] for row in journal.outbox.unsent(0, 1_000)]
    journal.close()
    loads = [row for row in sent if row.get("table") == "loads"]
    assert [(load["at_ms"], load["struck"]) for load in loads] == [(loaded_ms, 0), (loaded_ms, 1)]


@pytest.mark.parametrize("what", ["acknowledge", "seen", "sign"])
def test_the_device_takes_what_its_schema_allows_and_nothing_else(what: str) -> None:
    for example in schema(what)["examples"]:
        answers.parse(what, json.dumps(example).encode(), 0)
        for broken in ({**example, "stranger": 1}, {**example, "by": ""}, {**example, "by": "a\nb"}, {"by": "AB"}):
            assert not validator(what).is_valid(broken)
            with pytest.raises(ValueError, match=r"it must be|its "):
                answers.parse(what, json.dumps(broken).encode(), 0)


def test_the_schemas_know_all_kinds_and_columns() -> None:
    kinds = set(alerts.EARLIER) | {
        value for name, value in vars(alerts).items() if name.isupper() and isinstance(value, str)
    }
    assert set(schema("alert")["properties"]["data"]["properties"]["kind"]["enum"]) == kinds
    assert set(schema("open")["properties"]["alerts"]["items"]["properties"]["kind"]["enum"]) == kinds
    assert schema("entry")["properties"]["data"]["properties"]["kind"]["enum"] == list(KINDS)
    around = {"station", "table", "entry", "entry_hash", "at_ms", "wall_known"}
    for table in TABLES:
        assert schema("record")["$defs"][table]["properties"].keys() == set(columns(table)) | around


@pytest.mark.parametrize("name", NAMES)
def test_numbers_with_a_unit_give_its_code(name: str) -> None:
    for part in parts(schema(name)):
        for key, value in part.get("properties", {}).items():
            if key.endswith(("_ms", "_c", "seconds")) or key in ("temperature", "target", "percent", "free_mb"):
                assert "x-ucum" in value, key
        if "x-ucum" in part:
            codes = part["x-ucum"]
            assert set(codes.values() if isinstance(codes, dict) else [codes]) <= UCUM and part["description"]


def test_the_document_is_asyncapi_3() -> None:
    """By the official JSON schema of AsyncAPI 3.0.0, from the npm package @asyncapi/specs 6.11.1 (Apache-2.0)."""
    official = json.loads((Path(__file__).parent / "asyncapi" / "3.0.0.json").read_text("utf-8"))
    check = Draft7Validator(official)
    assert [error.message for error in check.iter_errors(DOCUMENT)] == []
    assert not check.is_valid({**DOCUMENT, "asyncapi": "2.6.0"}) and not check.is_valid({**DOCUMENT, "chanels": {}})


def test_every_topic_that_the_phone_page_reads_is_in_the_document() -> None:
    """The page's own table of messages; "reading/needle" and such stand there by channel."""
    table = (SHARE / "page/messages.js").read_text("utf-8").partition("const MESSAGES = {")[2].partition("\n};")[0]
    read = set(re.findall(r"^  (\w+): ", table, re.MULTILINE))
    topics = {channel["address"].split("/")[2] for channel in DOCUMENT["channels"].values()}
    assert {"state", "demo", "alive", "open"} <= read <= topics, read - topics


def test_every_reference_of_the_document_leads_somewhere() -> None:
    used = set()
    for part in parts(DOCUMENT):
        if (target := part.get("$ref")) is None:
            continue
        if target.startswith("#/"):
            place = DOCUMENT
            for key in target[2:].split("/"):
                place = place[key]
        else:
            assert (SHARE / target).is_file()
            used.add(Path(target).stem)
    assert used == set(NAMES)
    spoken = {operation["channel"]["$ref"].rpartition("/")[2] for operation in DOCUMENT["operations"].values()}
    assert spoken == DOCUMENT["channels"].keys()
