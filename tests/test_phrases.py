"""The phrase file: what it can say, that no sentence has two meanings, and that grammar, parser and corpus agree."""

import re
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from recorder import config
from recorder.core import meanings
from recorder.core.events import Intent
from recorder.voice.engines.grammar import jsgf
from recorder.voice.language import phrases
from recorder.voice.language.wording import PhraseError

TEXT = files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8")
SHIPPED = phrases.load(TEXT)
CORPUS = SHIPPED.sentences()


def with_command(meaning: str, say: str) -> str:
    """The shipped file with one more sentence for `meaning`."""
    return TEXT.replace(f'"{meaning}" = [', f'"{meaning}" = ["{say}", ', 1)


def expand(grammar: str) -> set[str]:
    """Every sentence of a JSGF grammar, by an expander written for this test alone from the format's note."""
    rules = dict(re.findall(r"^(?:public )?<(\w+)> = (.*);$", grammar, re.M))

    def alternatives(tokens: list[str]) -> set[tuple[str, ...]]:
        found: set[tuple[str, ...]] = set()
        row: set[tuple[str, ...]] = {()}
        while tokens:
            token = tokens.pop(0)
            if token in "])":
                break
            if token == "|":
                found |= row
                row = {()}
                continue
            if token == "(":
                nexts = alternatives(tokens)
            elif token == "[":
                nexts = alternatives(tokens) | {()}
            elif token.startswith("<"):
                nexts = rule(token[1:-1])
            else:
                nexts = {(token,)}
            row = {a + b for a in row for b in nexts}
        return found | row

    known: dict[str, set[tuple[str, ...]]] = {}

    def rule(name: str) -> set[tuple[str, ...]]:
        if name not in known:
            known[name] = alternatives(re.findall(r"<\w+>|[\w']+|[\[\]()|]", rules[name]))
        return known[name]

    return {" ".join(words) for words in rule("sentence")}


def test_every_meaning_can_be_said() -> None:
    assert {sentence.intent.meaning for sentence in SHIPPED} == set(meanings.ALL) - set(meanings.CONFIGURED)


@pytest.mark.parametrize(
    ("text", "intent"),
    [
        ("batch start", Intent(meanings.BATCH_START)),
        ("batch start vat two", Intent(meanings.BATCH_START, vat=2)),
        ("probe thigh", Intent(meanings.PROBE, part="thigh")),
        ("  Probe   THIGHS batch twenty one ", Intent(meanings.PROBE, part="thigh", batch=21)),
        ("load thighs twelve", Intent(meanings.LOAD, part="thigh", count=12)),
        ("load wings twenty four vat four", Intent(meanings.LOAD, part="wing", count=24, vat=4)),
        ("load thighs thirty", Intent(meanings.LOAD, part="thigh", count=30)),
        ("load thighs three zero", Intent(meanings.LOAD, part="thigh", count=30)),
        ("load thighs four eight vat two", Intent(meanings.LOAD, part="thigh", count=48, vat=2)),
        ("sold three dozen pieces", Intent(meanings.SOLD, count=36)),
        ("dropped one three pieces batch two", Intent(meanings.DROPPED, count=13, batch=2)),
        ("discard ninety nine pieces", Intent(meanings.DISCARD, count=99)),
        ("shift start cook four", Intent(meanings.SHIFT_START, cook=4)),
        ("hold end batch seven", Intent(meanings.HOLD_END, batch=7)),
        ("discard twelve pieces batch seven", Intent(meanings.DISCARD, batch=7, count=12)),
        ("discard batch twenty nine", Intent(meanings.DISCARD, batch=29)),
        ("discard twenty two pieces", Intent(meanings.DISCARD, count=22)),
        ("reading one eight five", Intent(meanings.READING, number=185.0)),
        ("reading seven four", Intent(meanings.READING, number=74.0)),
        ("scratch that", Intent(meanings.SCRATCH)),
    ],
)
def test_a_sentence_means_what_it_says(text: str, intent: Intent) -> None:
    assert SHIPPED.parse(text) == intent


@pytest.mark.parametrize(
    "text",
    [
        "",
        "batch",
        "start batch",
        "batch start now",
        "kitchen recorder batch start",
        "load twelve",
        "reading",
        "reading three zero zero",
        "load thighs three zero zero",
        "load thighs nine dozen",
        "load thighs zero three",
        "hold end batch thirty",
        "discard batch seven twelve pieces",
        "batch start vat five",
        "please batch start",
    ],
)
def test_anything_but_a_whole_sentence_means_nothing(text: str) -> None:
    assert SHIPPED.parse(text) is None


def test_the_grammar_holds_the_sentences_of_the_parser_and_no_other() -> None:
    """Exact: both languages are written out whole, by two programs."""
    assert expand(jsgf(SHIPPED, "")) == {sentence.text for sentence in SHIPPED}


def test_the_grammar_puts_the_name_before_every_sentence() -> None:
    named = expand(jsgf(SHIPPED, "kitchen recorder"))
    assert named == {f"kitchen recorder {sentence.text}" for sentence in SHIPPED}


def test_no_sentence_begins_with_the_name() -> None:
    assert not any(sentence.text.startswith(SHIPPED.name.split()[0]) for sentence in SHIPPED)


def test_the_corpus_says_every_template_and_every_value_of_every_slot() -> None:
    """Values of the long row of digits stand for it by having every digit in every place."""
    assert 150 <= len(CORPUS) <= 350
    assert {sentence.intent.meaning for sentence in CORPUS} == set(meanings.ALL) - set(meanings.CONFIGURED)
    for field, values in {
        "vat": range(1, 5),
        "batch": range(1, 30),
        "cook": range(1, 10),
    }.items():
        assert {getattr(sentence.intent, field) for sentence in CORPUS} >= set(values), field
    for meaning in (meanings.LOAD, meanings.PROBE):
        said = {word for sentence in CORPUS if sentence.intent.meaning == meaning for word in sentence.text.split()}
        assert said >= {"thigh", "thighs", "breast", "breasts", "leg", "legs", "wing", "wings"}
    counts = [str(sentence.intent.count) for sentence in CORPUS if sentence.intent.count is not None]
    assert {text[-1] for text in counts} == {text[-2] for text in counts if len(text) == 2} | {"0"} == set("0123456789")
    numbers = [f"{sentence.intent.number:.0f}" for sentence in CORPUS if sentence.intent.number is not None]
    assert {text[-1] for text in numbers} == {text[-2] for text in numbers if len(text) == 3} == set("0123456789")


def test_the_corpus_is_its_own_proof() -> None:
    for sentence in CORPUS:
        assert SHIPPED.parse(sentence.text) == sentence.intent
    assert len({sentence.text for sentence in CORPUS}) == len(CORPUS)
    assert [sentence.text for sentence in SHIPPED.sentences()] == [sentence.text for sentence in CORPUS]


@pytest.mark.parametrize(
    ("meaning", "say", "shared"),
    [
        ("status", "confirm", "confirm"),
        ("status", "lid locked vat two", "lid locked vat two"),
        ("reading", "reading {count}", "reading"),
        ("discard batch", "discard batch [{batch}] [{count} pieces]", "discard batch one one pieces"),
    ],
)
def test_two_meanings_of_one_sentence_are_refused_and_named(meaning: str, say: str, shared: str) -> None:
    if meaning == "reading":
        text = TEXT.replace("from = 30\nto = 299", "from = 1\nto = 9").replace(
            '"reading" = [', '"probe" = ["reading {count}"]\n"reading" = ['
        )
        text = text.replace('"probe" = ["probe {part} [batch {batch}]"]\n', "")
    else:
        text = with_command(meaning, say)
    with pytest.raises(PhraseError, match=shared) as refusal:
        phrases.load(text)
    assert "two meanings" in str(refusal.value)


WORDS = st.lists(
    st.sampled_from(["oil", "hot", "now", "{vat}", "{count}", "[please]", "[{batch}]"]), min_size=1, max_size=4
)


@given(WORDS, WORDS)
def test_a_file_is_refused_exactly_when_two_commands_share_a_sentence(first: list[str], second: list[str]) -> None:
    """Against a second expander: each template alone, then the intersection."""
    one, two = " ".join(first), " ".join(second)
    for template in (one, two):
        if len(re.findall(r"\{\w+\}", template)) != len(set(re.findall(r"\{\w+\}", template))):
            return
        if not re.sub(r"\[[^\]]*\]", "", template).strip():
            return

    def alone(template: str) -> dict[str, set[tuple[object, ...]]]:
        made: dict[str, set[tuple[object, ...]]] = {}
        ranges = {"vat": 4, "count": 24, "batch": 29}
        rows: list[tuple[list[str], dict[str, int]]] = [([], {})]
        for piece in template.split():
            bare = piece.strip("[]")
            filled = (
                [(spell(n).split(), {bare[1:-1]: n}) for n in range(1, ranges[bare[1:-1]] + 1)]
                if bare[0] == "{"
                else [([bare], {})]
            )
            rows = [(a + b, x | y) for a, x in rows for b, y in filled] + (rows if piece[0] == "[" else [])
        for words, values in rows:
            made.setdefault(" ".join(words), set()).add(tuple(sorted(values.items())))
        return made

    left, right = alone(one), alone(two)
    clash = bool(left.keys() & right.keys()) or any(len(v) > 1 for made in (left, right) for v in made.values())
    text = TEXT.replace('"status" = ["status"]', f'"status" = ["so {one}"]')
    text = text.replace('"last reading" = ["last reading"]', f'"last reading" = ["so {two}"]')
    if clash:
        with pytest.raises(PhraseError, match="two meanings"):
            phrases.load(text)
    else:
        phrases.load(text)


UNITS = (
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen seventeen"
)
TENS = "twenty thirty forty fifty sixty seventy eighty ninety"


def spell(number: int) -> str:
    """English numbers to 99, written for this test."""
    units = [*UNITS.split(), "eighteen", "nineteen"]
    if number < 20:
        return units[number]
    return f"{TENS.split()[number // 10 - 2]} {units[number % 10] if number % 10 else ''}".strip()


WIDE = phrases.load(TEXT.replace("to = 29", "to = 99"))


@given(st.integers(1, 99))
def test_numbers_are_spoken_in_plain_english(number: int) -> None:
    assert WIDE.parse(f"hold end batch {spell(number)}") == Intent(meanings.HOLD_END, batch=number)


@given(st.integers(30, 299))
def test_temperatures_are_spoken_digit_by_digit(number: int) -> None:
    text = "reading " + " ".join(spell(int(digit)) for digit in str(number))
    assert SHIPPED.parse(text) == Intent(meanings.READING, number=float(number))


@given(st.text(alphabet=st.characters(codec="utf-8"), max_size=60))
def test_parsing_never_raises(text: str) -> None:
    assert SHIPPED.parse(text) is None or isinstance(SHIPPED.parse(text), Intent)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("[", "not valid TOML"),
        (TEXT.replace('"status" = ["status"]', ""), "nothing says status"),
        (with_command("status", "where {oven}"), "no slot is called 'oven'; there are action, batch"),
        (with_command("status", "how [are"), "close every bracket"),
        (with_command("status", "a [b [c]]"), "must not nest"),
        (with_command("status", "[maybe]"), "outside brackets"),
        (with_command("status", "status 7"), "'7' is not a spoken word"),
        (with_command("status", "vat {vat} and {vat}"), "may stand once"),
        (TEXT.replace('"status" = ["status"]', '"status" = ["status"]\n"sing" = ["sing"]'), "no command means sing"),
        (TEXT.replace('name = "kitchen recorder"', 'name = ""'), "name is empty"),
        (TEXT.replace("to = 29", "to = 2900"), "from and to between"),
        (TEXT.replace('20 = ["twenty"]', ""), "no words for 20"),
        (TEXT.replace('wing = ["wing", "wings"]', 'wing = ["leg"]'), "'leg' stands for both 'leg' and 'wing'"),
        (TEXT.replace("[slots.vat]", "[slots.oven]"), "slot 'oven' is unknown"),
        (TEXT.replace('spoken = "digits"', 'spoken = "backwards"'), "'backwards'"),
        (TEXT.replace('spoken = "digits"', "spoken = []"), "spoken is []"),
        (TEXT.replace('24 = ["two dozen"]', '240 = ["two dozen"]'), "'240' is no number from 1 to 99"),
        (TEXT.replace('24 = ["two dozen"]', '24 = ["two four"]\n25 = ["two four"]'), "'two four' stands for both"),
        (re.sub(r"\[slots.count.also\]\n(\d+ = .*\n)+", "also = 3\n", TEXT), "also is 3"),
        (TEXT.replace('language = "en"', 'language = "en"\ncolour = "red"'), "does not know colour"),
    ],
)
def test_a_bad_file_is_refused_with_the_place_and_the_remedy(text: str, complaint: str) -> None:
    with pytest.raises(PhraseError, match=re.escape(complaint)):
        phrases.load(text)


def test_a_file_that_makes_too_many_sentences_is_refused_before_they_are_made() -> None:
    text = (
        TEXT.replace("to = 99", "to = 999")
        .replace("[numerals]", "[numerals]\n" + hundreds())
        .replace("to = 29\n", "to = 999\n")
    )
    with pytest.raises(PhraseError, match="sentences, more than"):
        phrases.load(text)


def hundreds() -> str:
    return "\n".join(f'{n}00 = ["{spell(n)} hundred"]' for n in range(1, 10))


def test_a_kitchen_can_add_its_own_part() -> None:
    own = phrases.load(TEXT.replace("[slots.part.words]", '[slots.part.words]\ngizzard = ["gizzard", "gizzards"]'))
    assert own.parse("load gizzards twelve") == Intent(meanings.LOAD, part="gizzard", count=12)
    assert "gizzard" in own.parts


@pytest.mark.parametrize("pieces", [1, 8, 24, 36, 48, 60, 99])
def test_every_count_of_a_load_can_be_said_in_words_and_the_rest_in_digits(pieces: int) -> None:
    """So that a kitchen that never loads thirty does not have "thirty" to be taken for "thirteen"."""
    here = SHIPPED.for_loads_of(pieces)
    for count in range(1, 100):
        digits = " ".join(spell(int(digit)) for digit in str(count))
        for template, meaning in (("load thighs {}", meanings.LOAD), ("sold {} pieces batch seven", meanings.SOLD)):
            found = here.parse(template.format(digits))
            assert found and (found.meaning, found.count) == (meaning, count)
            assert (here.parse(template.format(spell(count))) == found) == (count <= max(pieces, 24))
    assert here.parse("load thighs eight dozen") == Intent(meanings.LOAD, part="thigh", count=96)
    assert {sentence.text for sentence in here} <= {sentence.text for sentence in SHIPPED}
    assert {sentence.text for sentence in here.sentences()} <= {sentence.text for sentence in here}
    assert here.for_loads_of(99) is here, "what was left out does not come back"


def test_words_that_nothing_else_says_stay() -> None:
    words = phrases.load(TEXT.replace('spoken = ["number", "digits"]', 'spoken = "number"'))
    assert words.for_loads_of(8) is words and words.parse("load thighs ninety")


def test_a_station_hears_the_words_that_its_procedure_needs(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text('station = "x"\nprocedure = "p.toml"\n')
    example = files("recorder").joinpath("share/procedure.toml").read_text("utf-8")
    for pieces, heard in ((16, False), (60, True)):
        (tmp_path / "p.toml").write_text(example.replace("pieces_per_load = 40", f"pieces_per_load = {pieces}"))
        loaded = config.load(tmp_path / "station.toml")
        assert (loaded.phrases.parse("load thighs fifty") is not None) == heard
        assert loaded.phrases.parse("load thighs five zero")
