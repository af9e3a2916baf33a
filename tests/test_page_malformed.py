"""Malformed and hostile messages at the phone page, in a real Chromium.

One malformed retained message stopped all drawing of an earlier page, and what stood there went on as "Live".
"""

import base64
import copy
import json
import os
import random
import time
from typing import Any

import pytest

from tests.phone_page import HOSTILE, Kitchen, Phone, alert, batch, check, chromium, kitchen, phone
from tests.system import needs
from tests.waiting import wait_for

__all__ = ["chromium", "kitchen", "phone"]

pytestmark = [needs("chromium", "chromium"), needs("chromedriver", "chromium-driver"), needs("mosquitto", "mosquitto")]

MUTANTS = int(os.environ.get("MUTANTS", "400"))
"""Of each topic."""

AT_MS = 1_772_100_000_000
GOOD: dict[str, Any] = {
    "state": {"online": True},
    "demo": {"fast": True},
    "alive": {"at_ms": AT_MS, "newest": {"open": AT_MS, "batches": AT_MS, "checks": AT_MS, "health": AT_MS}},
    "open": {
        "at_ms": AT_MS,
        "alerts": [
            alert("1-a", "critical", "past its limit", AT_MS),
            alert("2-b", "warning", "short", AT_MS, acknowledged_ms=AT_MS, acknowledged_by="MK"),
        ],
    },
    "batches": {
        "at_ms": AT_MS,
        "open": [
            batch(1, "holding", AT_MS, hold_started_ms=AT_MS - 60_000, hold_limit_ms=AT_MS + 600_000),
            batch(2, "cooking", AT_MS, cook_started_ms=AT_MS - 60_000, cook_due_ms=AT_MS + 600_000),
        ],
    },
    "checks": {"at_ms": AT_MS, "checks": [check("thigh", 186, AT_MS), check("breast", 171, AT_MS)]},
    "health": {
        "at_ms": AT_MS,
        "version": "0.1.0",
        "probes": {"needle": "ok", "cabinet": "silent"},
        "charges": {"needle": 12},
        "hearing": "well",
        "clock_known": True,
        "unsent": 0,
        "free_mb": 2400,
    },
    "reading/needle": {"at_ms": AT_MS, "temp_c": 71.4, "settled": True},
}
VALUES: list[Any] = [
    *(
        None,
        True,
        False,
        0,
        -1,
        0.5,
        1e15,
        10**16,
        -1e300,
        2**53,
        "",
        "x",
        "1",
        [],
        {},
        [[]],
        [None],
        [1],
        {"a": 1},
    ),
    *(
        HOSTILE,
        "</script><script>document.title='owned'</script>",
        "\u202egnp.exe",
        "\ud800",
        "\x00\x1b[2J",
        "Z\u0301" * 99,
    ),
    *("w" * 5_000, ["x"] * 500, [{}] * 300, {str(n): n for n in range(300)}, {"__proto__": {"at_ms": 1}}, "__proto__"),
]
RAW = [
    *(
        b"null",
        b"0",
        b'"x"',
        b"[]",
        b"{}",
        b"true",
        b"{",
        b"\xff\xfe",
        b"\xef\xbb\xbf{}",
        b" ",
        b"nul",
        b'{"at_ms": 1e999}',
    ),
    *(b"[" * 20_000, b'{"a":' * 20_000, b"\x00" * 100, b"{" + b" " * 300_000 + b"}", b'{"at_ms": 1, "at_ms": "x"}'),
]


def places(value: Any, way: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to every value inside, itself too."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [way, *(place for key, each in inner for place in places(each, (*way, key)))]


def mutant(good: Any, chance: random.Random) -> bytes:
    """A message that somebody has changed in one to three places, or whose bytes somebody has."""
    value = copy.deepcopy(good)
    for _ in range(chance.randint(1, 3)):
        way = chance.choice(places(value)[1:] or [()])
        if not way:
            return chance.choice(RAW)
        where = value
        for key in way[:-1]:
            where = where[key]
        act = chance.randrange(6)
        if act == 0 and isinstance(where, dict):
            del where[way[-1]]
        elif act == 1 and isinstance(where, dict):
            where[chance.choice(["stranger", "__proto__", "constructor", "toString", HOSTILE])] = copy.deepcopy(
                chance.choice(VALUES)
            )
        elif act == 2 and isinstance(where, list):
            where += copy.deepcopy(where) * chance.randint(1, 3)
        else:
            where[way[-1]] = copy.deepcopy(chance.choice(VALUES))
    payload = json.dumps(value).encode()
    if chance.random() < 0.15:
        at = chance.randrange(len(payload))
        payload = payload[:at] + bytes([chance.randrange(256)]) + payload[at + chance.randint(0, 4) :]
    return payload


LOOK = """
const [part, payloads, retain] = arguments;
const found = [];
const senseless = /.*(undefined|NaN|Infinity|\\[object).*/;
const markup = (node) => node.querySelectorAll('img, script, iframe, b, a[href^=javascript]').length;
for (const payload of payloads) {
  const bytes = Uint8Array.from(atob(payload), (letter) => letter.charCodeAt(0));
  let thrown = '';
  try { arrived(`${root}/${station}/${part}`, bytes, { retain }); } catch (error) { thrown = String(error); }
  show();
  const word = document.querySelector('#link-word').textContent;
  const said = document.body.innerText;
  const faults = [...document.querySelectorAll('.fault')].map((node) => node.textContent).join('');
  const wrong = thrown ? thrown
    : /FAILED/.test(word) ? word
    : markup(document.querySelector('main')) || markup(document.querySelector('header')) ? 'markup'
    : /owned/.test(document.title) ? 'title'
    : senseless.test(said) && !senseless.test(atob(payload)) ? 'senseless: ' + said.match(senseless)[0]
    : undrawn.size ? 'not drawn: ' + [...undrawn].join()
    : /Live/.test(word) && (refused.size || faults) ? 'Live, and ' + faults
    : refused.size && !/can't be (shown|read)|can't show/.test(said) ? 'refused without a word: ' + [...refused].join()
    : faults && !refused.size ? 'a fault that is over: ' + faults
    : document.documentElement.scrollWidth > innerWidth + 1 ? 'too wide' : '';
  if (wrong) found.push([wrong, atob(payload).slice(0, 300)]);
  else tally[refused.has(part) ? 'refused' : 'taken'] += 1;
}
return found.slice(0, 5);
"""


@pytest.mark.parametrize("part", GOOD)
def test_no_message_stops_the_page_or_passes_for_live(kitchen: Kitchen, phone: Phone, part: str) -> None:
    """Straight into what the page does with a message; each is followed by a look at all that is shown."""
    chance = random.Random(part)
    name = f"fuzz-{part.split('/')[0]}"
    phone.open(name)
    phone.shows("#link", "Linked")
    for topic, value in GOOD.items():
        kitchen.tell(name, topic, value)
    kitchen.sign(name, AT_MS)
    phone.shows("#link", "Live")
    phone.shows("#health", "Version")
    phone.js("window.tally = { refused: 0, taken: 0 }")
    payloads = [
        base64.b64encode(each).decode() for each in [*RAW, *(mutant(GOOD[part], chance) for _ in range(MUTANTS))]
    ]
    for start in range(0, len(payloads), 40):
        some = payloads[start : start + 40]
        assert phone.js(LOOK, part, some, chance.random() < 0.5) == []
    tally = phone.js("return tally")
    assert tally["refused"] > MUTANTS / 8 and tally["refused"] + tally["taken"] == len(payloads), tally
    for topic, value in GOOD.items():
        kitchen.tell(name, topic, value)

    # On a loaded machine a page that was busy for so long has taken itself for asleep, and connects again.
    def live() -> bool:
        kitchen.sign(name, AT_MS)
        return "Live" in phone.text("#link")

    wait_for(live)
    before = phone.text("#cooking .clock")
    wait_for(lambda: phone.text("#cooking .clock") != before)


@pytest.mark.parametrize("part", [part for part in GOOD if part not in ("state", "demo")])
def test_a_malformed_retained_message_is_named_and_all_else_goes_on(kitchen: Kitchen, phone: Phone, part: str) -> None:
    """By the broker, there before the page is: the way it happens."""
    name = f"kept-{part.split('/')[0]}"
    for topic, value in GOOD.items():
        if topic not in ("alive", part):
            kitchen.tell(name, topic, value)
    kitchen._device.publish(f"kitchen/{name}/{part}", b'{"at_ms": {}, "alerts": 7}', 1, True).wait_for_publish(5)
    phone.open(name)
    phone.shows("#link", "Linked")
    kitchen.sign(name, AT_MS)
    section = {"open": "alerts", "batches": "holding", "reading/needle": "health"}.get(part, part)
    if part != "alive":
        phone.shows("#link-word", "NOT ALL CAN BE SHOWN")
        phone.shows(f"#fault-{section}", "This can't be shown: the newest message on")
        others = [other for other in ("alerts", "checks", "health", "holding") if other != section]
        assert [other for other in others if phone.text(f"#fault-{other}") or not phone.text(f"#{other}")] == []
    before = phone.text("#link-age")
    wait_for(lambda: phone.text("#link-age") != before, seconds=4)  # its age goes on
    if part != "batches":
        clock = phone.text("#cooking .clock")
        wait_for(lambda: phone.text("#cooking .clock") != clock, seconds=4)


def test_a_section_that_cannot_be_drawn_says_so_and_the_others_go_on(kitchen: Kitchen, phone: Phone) -> None:
    """Whatever a check lets through by mistake: the failure is put in from outside, in the browser's own sort()."""
    for topic, value in GOOD.items():
        if topic != "alive":
            kitchen.tell("draw", topic, value)
    phone.open("draw")
    phone.shows("#link", "Linked")
    kitchen.sign("draw", AT_MS)
    phone.shows("#link", "Live")
    phone.js("document.querySelector('#checks').insertBefore = () => { throw new TypeError('out of order <b>'); }")
    kitchen.tell("draw", "checks", {"at_ms": AT_MS, "checks": [check("wing", 186, AT_MS)]})
    phone.shows("#fault-checks", "This can't be shown: this page failed on it (TypeError: out of order <b>)")
    assert phone.text("#link-word") == "✕ NOT ALL CAN BE SHOWN"
    clock = phone.text("#cooking .clock")
    wait_for(lambda: phone.text("#cooking .clock") != clock)
    phone.js("delete document.querySelector('#checks').insertBefore")
    phone.shows("#link", "Live")
    assert phone.text("#fault-checks") == "" and "wing" in phone.text("#checks")


def test_a_flood_of_strange_topics_fills_nothing(kitchen: Kitchen, phone: Phone) -> None:
    phone.open("flood")
    phone.shows("#link", "Linked")
    for number in range(400):
        kitchen._device.publish(
            f"kitchen/flood/reading/{number}{HOSTILE[:9]}", b"{}" if number % 2 else b'{"at_ms":1,"temp_c":1}'
        )
    kitchen.sign("flood")
    phone.shows("#link", "NOT ALL CAN BE SHOWN")
    time.sleep(0.5)
    assert phone.js("return known.size + refused.size") <= 110
