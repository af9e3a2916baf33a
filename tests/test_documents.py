"""Each figure in README, DEVELOPERS and their pages that the program has as a constant is that constant.

Their links lead to files and headings that exist.
"""

import re
import tomllib
from dataclasses import fields
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import pytest

from recorder import app, space, supervisor
from recorder.card import layout, metrics
from recorder.config import load_phrases, load_procedure
from recorder.core import alerts, world
from recorder.core import meanings as m
from recorder.core.effects import Level
from recorder.core.limits import span_in_unit
from recorder.core.own_words import Task
from recorder.core.procedure import HOUR, TIME_ALONE_MS
from recorder.core.subjects import corrective, reheating, tasks
from recorder.core.subjects.loading import HIGHEST_BATCH
from recorder.core.subjects.probe_check import tolerance_c
from recorder.notices import alive, anchoring, answers, states, uplink
from recorder.notices.settings import MqttSettings
from recorder.probes.modbus.probe import ModbusSettings
from recorder.probes.serial.port import SerialSettings
from recorder.thermal import reach, sampling, settle
from recorder.voice import footswitch
from recorder.voice.audio.frontend import FrontEndSettings
from recorder.voice.engines import moonshine
from recorder.voice.language.phrases import FEWEST_COUNTED
from recorder.voice.settings import SHIPPED


def text_of(file: str) -> str:
    """The prose of a document, on one line."""
    return re.sub(r"\s+", " ", Path(file).read_text("utf-8"))


DOCS = Path("recorder/share/docs")
DEVELOPERS = text_of("DEVELOPERS.md")
SPEAKING, TEMPERATURES, STATIONS, ALERTS, FAILURES, THREATS, BENCHMARKS = (
    text_of(f"{DOCS}/{page}.md")
    for page in ("speaking", "temperatures", "stations", "alerts", "failures", "threats", "benchmarks")
)
MINUTES = {level: [ms / 60_000 for ms in waits] for level, waits in alerts.REMINDERS.items()}
PROCEDURE, HEARING = load_procedure(None), SHIPPED["moonshine"]
SURE = (sampling.COVERAGE, sampling.CONFIDENCE)
LIFE = (files("recorder") / "share/page/life.js").read_text("utf-8")

FIGURES: dict[str, tuple[str, str, tuple[float, ...]]] = {
    "reminders of a critical alert": (
        ALERTS,
        r"a critical one after (\d+), (\d+), (\d+) and (\d+) minutes and then every hour for a day",
        tuple(MINUTES[Level.CRITICAL][:4]),
    ),
    "reminders of a warning": (
        ALERTS,
        r"a warning after (\d+) and (\d+) minutes, (\d+) h (\d+) min and (\d+) h (\d+) min, and then no more",
        (*MINUTES[Level.WARNING][:2], *(part for each in MINUTES[Level.WARNING][2:] for part in divmod(each, 60))),
    ),
    "a day of tasks": (
        SPEAKING,
        r"first shift after (\d+) h without one, or after (\d+) h\..*? without it, it is (\d+) min",
        (tasks.BREAK_MS / HOUR, tasks.DAY_MS / HOUR, Task("gasket", "opening").by_ms / 60_000),
    ),
    "what is asked of a critical alert": (
        SPEAKING,
        r"once: (\d+) min after the alert began, or when it is over. (\d+) h after its beginning",
        (corrective.REMIND_MS / 60_000, corrective.KEPT_MS / HOUR),
    ),
    "signs of life": (ALERTS, r"`kitchen/STATION/alive` \| a sign of life every (\d+) s", (alive.EVERY_MS / 1000,)),
    "signs of life on the page": (STATIONS, r"the station sends one every (\d+) s", (alive.EVERY_MS / 1000,)),
    "silence on the page": (
        STATIONS,
        r"After (\d+) s without one the page says that the recorder is silent",
        (int(re.findall(r"SILENT_MS = (\d+)", LIFE)[0]) / 1000,),
    ),
    "checks told": (ALERTS, r"the last (\d+) checks", (states.CHECKS,)),
    "reserve": (STATIONS, r"(\d+) MB are held back beside the database", (space.RESERVE / 2**20,)),
    "foot switch": (SPEAKING, r"while a foot switch is held, for at most (\d+) s", (footswitch.LONGEST_S,)),
    "tolerance of a probe": (
        TEMPERATURES,
        r"Within (\d+) °F, or (\d+) °C where the procedure is in °C, it has passed",
        (round(span_in_unit(tolerance_c("F"), "F"), 9), tolerance_c("C")),
    ),
    "hold minimum": (TEMPERATURES, r"A hold by temperature, at (\d+) °F or above", (PROCEDURE.hold_minimum.value,)),
    "reheating": (
        TEMPERATURES,
        r"is to be reheated to (\d+) °F within (\d+) hours",
        (float(re.findall(r"to (\d+) °F", reheating.REHEAT["F"])[0]), reheating.REHEAT_MS / 3_600_000),
    ),
    "tolerance factor": (
        TEMPERATURES,
        r"It is ([\d.]+) standard deviations below the mean of four",
        (round(sampling.tolerance_factor(4, *SURE), 2),),
    ),
    "how surely a needle settles": (
        TEMPERATURES,
        r"at most ([\d.]+) °C, or ([\d.]+) °C in ice",
        (reach.SURE_C[0], settle.BATH_SURE_C),
    ),
    "how near it is then": (DEVELOPERS, r"stand still, with at most ([\d.]+) °C left", (settle.NEAR_C,)),
    "batch numbers": (DEVELOPERS, r"Batch numbers begin again after (\d+)", (HIGHEST_BATCH,)),
    "a stale reading": (DEVELOPERS, r"a reading older than (a) minute", (world.FRESH_MS / 60_000,)),
    "a hang": (FAILURES, r"One that has not for (\d+) s hangs", (supervisor.HANGS_S,)),
    "before a restart": (FAILURES, r"has run for (\d+) minutes\. A device", (supervisor.RESTART_S / 60,)),
    "a stop": (
        FAILURES,
        r"A stop waits ([\d.]+) s for drivers, twice ([\d.]+) s for the broker",
        (app.DRIVERS_S, uplink.GOODBYE_S),
    ),
    "the kept state": (BENCHMARKS, r"beside the database every ([\d,]+) entries", (app.SNAPSHOT_EVERY,)),
    "a message from a phone": (THREATS, r"([\d,]+) bytes at most, exactly by the schema", (answers.LONGEST,)),
    "signatures": (
        THREATS,
        r"(\d+) signatures an (hour)",
        (answers.MOST[answers.SIGN][0], answers.MOST[answers.SIGN][1] / 3_600_000),
    ),
    "the card": (
        SPEAKING,
        r"read from (\d+) m\. Their capitals are ([\d.]+) mm high, (\d+) minutes",
        (
            layout.DISTANCE_M,
            round(metrics.size_for(layout.DISTANCE_M) * metrics.CAP_HEIGHT[True] * metrics.POINT_MM, 1),
            metrics.LEAST_ARCMIN,
        ),
    ),
    "counts": (
        SPEAKING,
        r"your load \(`pieces_per_load`\), or (\d+) if that is more\. Counts over (\d+)",
        (FEWEST_COUNTED, max(int(value) for _, value in load_phrases(None).slots["count"].forms)),
    ),
    "a name": (DEVELOPERS, r"The threshold is (-\d+)\.", (HEARING.plain.named,)),
    "the least lead": (
        DEVELOPERS,
        r"led by less than ([\d.]+) over the right one; that is the least lead. Under (\d+) the second best goes along",
        (HEARING.plain.lead, HEARING.rival_lead),
    ),
    "an unsure sound": (DEVELOPERS, r"Where the lead is under (\d+), one clip in ten", (moonshine.UNSURE,)),
    "other voices": (DEVELOPERS, r"A voice (\d+) dB below the loudest", (FrontEndSettings().near_db,)),
}
WORDS = {"a": 1.0, "hour": 1.0}


@pytest.mark.parametrize("what", FIGURES)
def test_a_figure_in_a_document_is_the_programs(what: str) -> None:
    text, pattern, values = FIGURES[what]
    found = re.findall(pattern, text)
    assert len(found) == 1, f"{what}: the sentence {pattern!r} stands there {len(found)} times"
    said = found[0] if isinstance(found[0], tuple) else (found[0],)
    assert tuple(WORDS.get(each) or float(each.replace(",", "")) for each in said) == tuple(map(float, values))


def test_a_critical_alert_comes_every_hour_for_a_day_and_no_longer() -> None:
    hourly = MINUTES[Level.CRITICAL][3:]
    assert {later - before for before, later in pairwise(hourly)} == {60}
    assert 23 * 60 <= hourly[-1] < 24 * 60 < hourly[-1] + 60


def test_anchors_are_told_once_a_minute_at_most() -> None:
    assert "sent at most once a minute" in ALERTS and anchoring.ANCHOR_MS == 60_000


def test_what_asks_first_as_shipped_is_the_discard_alone() -> None:
    assert "`ask_first` in the procedure file, at first only the discard" in SPEAKING
    assert PROCEDURE.ask_first == (m.DISCARD,)


def test_exit_codes_are_those_of_readme() -> None:
    """Each stands beside what it means."""
    row = next(line for line in Path("README.md").read_text("utf-8").splitlines() if line.startswith("| `run "))
    assert re.findall(r"(?:exit )?(\d): ", row) == ["2", "3", "4"]


DOCUMENTS = [Path("README.md"), Path("DEVELOPERS.md"), *sorted(DOCS.glob("*.md"))]


@pytest.mark.parametrize("document", DOCUMENTS, ids=str)
def test_links_of_a_document_lead_somewhere(document: Path) -> None:
    """Relative ones, to a file and to a heading as GitHub names it: small letters, "-" for a space."""
    text = document.read_text("utf-8")
    links = re.findall(r"\]\(([^)\s]+)\)|src=\"([^\"]+)\"", text)
    for link in (a or b for a, b in links if not (a or b).startswith("https://")):
        file, _, heading = link.partition("#")
        target = document.parent / file if file else document
        assert target.is_file(), f"{document}: {link}"
        titles = re.findall(r"^#+ (.*)$", target.read_text("utf-8"), re.M) if heading else []
        assert heading == "" or heading in {re.sub(r"[^\w -]", "", each).lower().replace(" ", "-") for each in titles}


def test_each_page_and_picture_is_linked_and_pictures_are_small() -> None:
    linked = " ".join(path.read_text("utf-8") for path in DOCUMENTS[:2])
    shown = " ".join(path.read_text("utf-8") for path in DOCUMENTS)
    assert [path.name for path in DOCS.glob("*.md") if f"share/docs/{path.name}" not in linked] == []
    assert [path.name for path in DOCS.glob("*.webp") if path.name not in shown] == []
    assert {path.suffix for path in DOCS.iterdir()} == {".md", ".webp"}
    assert [path.name for path in DOCS.glob("*.webp") if path.stat().st_size > 120_000] == []


def test_shipped_settings_show_the_defaults() -> None:
    """What stands behind a "#" in the example is what counts without it."""
    text = (files("recorder") / "share/station.toml").read_text("utf-8")
    serial, *others = text.split("# [[probe]] ")
    (modbus,) = (part for part in others if 'driver = "modbus"' in part)
    for part, settings, keys in (
        (serial, SerialSettings, ("baud", "silence_s", "period_s")),
        (modbus, ModbusSettings, ("baud", "poll_s", "timeout_s")),
    ):
        defaults = {field.name: field.default for field in fields(settings)}
        shown = {key: value for line in re.findall(r"^# (\w+ = .*)$", part, re.M) for key, value in read(line)}
        assert {key: shown[key] for key in keys} == {key: defaults[key] for key in keys}
    assert dict(read(re.findall(r"^# (least_free_mb.*)$", text, re.M)[0])) == {"least_free_mb": space.LEAST_MB}
    ports = re.findall(r"^# port = (\d+) +# (\d+) with TLS$", text, re.M)
    assert ports == [(str(MqttSettings("x").port), str(MqttSettings("x", "far").port))]


def read(line: str) -> list[tuple[str, object]]:
    return list(tomllib.loads(line).items())


def test_the_shipped_procedure_has_the_published_limits() -> None:
    """FDA Food Code 2022, 3-401.11(A)(3), 3-501.16(A)(1) and 3-501.19(B)(3)."""
    text = (files("recorder") / "share/procedure.toml").read_text("utf-8")
    assert re.findall(r"poultry to (\d+) °F", text) == ["165"]
    assert {part.critical.value for part in PROCEDURE.parts} == {165.0}
    assert re.findall(r'"time": time alone .*?, (\d) h at most', text) == [str(TIME_ALONE_MS // 3_600_000)]
