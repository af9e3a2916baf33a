"""The kitchen's own words around the station: the procedure file, what is listened for, `check`, the report."""

import re
from dataclasses import replace
from datetime import UTC
from importlib.resources import files
from pathlib import Path

import pytest

from recorder.commands.prompt_remarks import HANDS, remarks
from recorder.config import ConfigError, load, load_procedure
from recorder.core import meanings as m
from recorder.core.own_words import NO_WORDS, OwnWords, Prompt
from recorder.voice.engines.pronunciation import pronouncer
from recorder.voice.language import phrases
from recorder.voice.language.card import Kitchen as Wall
from recorder.voice.language.card import card
from recorder.voice.language.confusable import close_words, pairs
from recorder.voice.language.own_words import with_own_words
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import PhraseError
from tests.kitchen import MINUTE, Kitchen
from tests.own_words import OWN, own_kitchen
from tests.reported import recorded, report_of

SHARE = files("recorder") / "share"
SHIPPED = {name: SHARE.joinpath(f"phrases-{name}.toml").read_text("utf-8") for name in ("en", "es")}


def uncommented(name: str) -> str:
    """A shipped procedure with its examples of the kitchen's own words."""
    head, _, examples = SHARE.joinpath(name).read_text("utf-8").partition("# The kitchen's own words.")
    lines = examples.splitlines()
    begin = lines.index("# [[prompt]]")
    written = [line.removeprefix("# ") for line in lines[begin:] if re.match(r"# (\[\[|[a-z_]+ = )", line)]
    return head + "\n" + "\n".join(written) + "\n"


def station(folder: Path, procedure: str, phrase_file: str = "") -> Path:
    (folder / "p.toml").write_text(procedure, "utf-8")
    text = 'station = "line-1"\nprocedure = "p.toml"\n'
    if phrase_file:
        (folder / "own.toml").write_text(phrase_file, "utf-8")
        text += 'phrases = "own.toml"\n'
    (folder / "station.toml").write_text(text, "utf-8")
    return folder / "station.toml"


def said(known: Phrases) -> set[str]:
    return {sentence.intent.meaning for sentence in known}


@pytest.mark.parametrize("name", ["procedure.toml", "procedure-celsius.toml"])
def test_the_shipped_examples_are_right_once_they_are_uncommented(name: str, tmp_path: Path) -> None:
    settings = load(station(tmp_path, uncommented(name)))
    own = settings.procedure.own
    assert [len(each) for each in (own.prompts, own.tasks, own.causes, own.actions)] == [2, 2, 1, 2]
    assert own.prompts[0].done and own.prompts[1].before_end_ms == 15_000
    assert [task.by_ms for task in own.tasks] == [30 * MINUTE, 30 * MINUTE]
    assert said(settings.phrases) == set(m.ALL) - {m.MOVED}
    assert settings.phrases.parse("Task gasket done") == m.Intent(m.TASK_DONE, task="gasket")
    assert settings.phrases.parse("action cooked longer") == m.Intent(m.ACTION, action="cooked longer")
    assert settings.phrases.parse("prompt done batch two") == m.Intent(m.PROMPT_DONE, batch=2)
    assert list(remarks(own)) == []


def test_without_lists_nothing_more_is_listened_for(tmp_path: Path) -> None:
    settings = load(station(tmp_path, SHARE.joinpath("procedure.toml").read_text("utf-8")))
    assert settings.procedure == load_procedure(None) and settings.procedure.own == NO_WORDS
    assert said(settings.phrases) == set(m.ALL) - set(m.CONFIGURED)


def test_only_what_a_kitchen_has_words_for_is_listened_for() -> None:
    known = phrases.load(SHIPPED["en"])
    assert said(with_own_words(known, replace(OWN, causes=()))) == set(m.ALL) - {m.MOVED, m.CAUSE}
    silent = replace(OWN, prompts=(Prompt("Go", "lid open"),))
    assert said(with_own_words(known, silent)) == set(m.ALL) - {m.MOVED, m.PROMPT_DONE}
    loads = with_own_words(known, OWN).for_loads_of(8)
    assert m.PROMPT_DONE in said(loads), "fewer words for counts take none of these away"


@pytest.mark.parametrize("language", ["en", "es"])
def test_both_languages_say_them_and_the_card_has_them(language: str) -> None:
    known = with_own_words(phrases.load(SHIPPED[language]), OWN)
    assert said(known) == set(m.ALL) - {m.MOVED}
    wall = Wall(vats=(1, 2), parts=("thigh", "breast", "leg", "wing"), pieces=40, temperature=178, ice=32)
    shown = card(known, known.name, wall)
    names = {task.name for task in OWN.tasks}
    assert any(names <= set(values.split(", ")) for _, values in shown.slots)
    assert len([line for _, lines in shown.groups for line in lines]) == len(known.templates)


def test_no_example_sounds_like_another_command(tmp_path: Path) -> None:
    settings = load(station(tmp_path, uncommented("procedure.toml")))
    own = set(m.OWN)
    close = close_words(pairs(settings.phrases, pronouncer(settings.phrases)))
    meant = [(settings.phrases.parse(pair.first), settings.phrases.parse(pair.second)) for pair in close]
    assert not [pair for pair in meant if own & {each.meaning for each in pair if each}]


def test_a_phrase_file_from_before_says_what_it_lacks_once_it_is_needed(tmp_path: Path) -> None:
    before = "\n".join(
        line for line in SHIPPED["en"].splitlines() if not re.match(r'"(prompt done|task done|cause|action)"', line)
    )
    plain = SHARE.joinpath("procedure.toml").read_text("utf-8")
    assert said(load(station(tmp_path, plain, before)).phrases) == set(m.ALL) - set(m.CONFIGURED)
    with pytest.raises(ConfigError) as caught:
        load(station(tmp_path, uncommented("procedure.toml"), before))
    text = str(caught.value)
    assert "station.toml, line 3: phrases: nothing says prompt done, task done, cause, action; write" in text
    for sentence in ('"task done" = ["task {task} done"]', '"action" = ["action {action}"] under [groups.commands]'):
        assert sentence in text
        assert phrases.load(SHIPPED["en"])
    with pytest.raises(PhraseError, match="nothing says task done"):
        with_own_words(phrases.load(before), replace(NO_WORDS, tasks=OWN.tasks))


@pytest.mark.parametrize(
    ("table", "complaint"),
    [
        ('[[prompt]]\nat = "lunch"\nsay = "Go"', "prompt.at is 'lunch'; write \"shift start\""),
        ('[[prompt]]\nsay = "Go"', "prompt.at or before_end says when; write one of them"),
        ('[[prompt]]\nat = "lid open"', "prompt.say is missing; write say = and its value"),
        ('[[prompt]]\nat = "lid open"\nsay = "Go at 5"', "prompt.say is 'Go at 5'; write one sentence"),
        ('[[prompt]]\nbefore_end = "a bit"\nsay = "Go"', "prompt.before_end is 'a bit'; write it like"),
        ('[[task]]\nname = "gasket"\nwhen = "noon"', 'task.when is \'noon\'; write "opening" or "closing"'),
        ('[[task]]\nname = 7\nwhen = "opening"', "task.name is 7; write text in quotes"),
        ('[[action]]\nname = "moved"\nalerts = ["cold"]', "action.alerts has an entry that is 'cold'"),
        ('[[action]]\nname = "Moved"\n[[action]]\nname = " moved"', "action.name is 'moved', which stands twice"),
        ('[task]\nname = "gasket"\nwhen = "opening"', "task needs double brackets around its name"),
    ],
)
def test_a_wrong_entry_is_named_with_its_line_and_the_remedy(table: str, complaint: str, tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(SHARE.joinpath("procedure.toml").read_text("utf-8") + "\n" + table + "\n", "utf-8")
    with pytest.raises(ConfigError) as caught:
        load_procedure(path)
    (problem,) = caught.value.problems
    assert complaint in problem and re.search(r"p\.toml, line \d+: ", problem)


@pytest.mark.parametrize("verb", HANDS)
def test_check_names_a_prompt_that_tells_hands_what_to_do(verb: str) -> None:
    (remark,) = remarks(OwnWords((Prompt("Stand clear", "lid open"), Prompt(f"Wait, then {verb} it", "last load"))))
    assert remark.startswith(f'the prompt "Wait, then {verb} it" says {verb}: compare it with the equipment maker')
    assert list(remarks(OwnWords((Prompt(f"The {verb}xyz", "last load"),)))) == []


def worked(k: Kitchen) -> None:
    k.say(m.SHIFT_START, cook=4)
    k.say(m.TASK_DONE, task="gasket")
    k.cook()
    k.check("thigh", 150)
    k.say(m.CAUSE, cause="cold oil")
    k.say(m.ACTION, action="cooked longer")
    k.check("breast", 151)
    k.wait(100 * MINUTE)


def test_the_report_has_tasks_prompts_and_what_was_put_right(tmp_path: Path) -> None:
    k = own_kitchen()
    worked(k)
    k.say(m.TASK_DONE, task="walk in")
    text = report_of(recorded(k, tmp_path / "r.db"))
    assert re.search(r"read 150\.0 °F.*?Cause: cold oil, 00:1\d\. Corrective action: cooked longer, 00:1\d\.", text)
    assert "The food: checking." in text
    assert re.search(r"read 151\.0 °F.*?No corrective action on record\.", text)
    assert re.search(r"Tasks of the day .*?gasket opening 00:30:01 00:00:02 cook 4 walk in opening 01:30:01", text)
    assert re.search(r"walk in opening 01:30:01 [\d:]+\s?, late cook 4\s+hood filters closing not done", text)
    assert re.search(r"whether it was done .*? last load 1 Has the basket been shaken\? not done", text)


def test_a_kitchen_without_lists_is_not_blamed(tmp_path: Path) -> None:
    k = Kitchen()
    worked(k)
    text = report_of(recorded(k, tmp_path / "r.db"), zone=UTC)
    assert "No corrective action" not in text and "Tasks of the day" not in text and "whether it was done" not in text
