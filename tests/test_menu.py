"""Several products at one station: each batch by its own procedure, named where it need not be guessed, and heard."""

from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import pytest

from recorder.config import ConfigError, load, load_phrases, load_procedure
from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Cue, Notice
from recorder.core.events import ProcedureLoaded, Started
from recorder.core.limits import Limit, listed
from recorder.core.procedure import Part, Procedure, menu_problems
from recorder.core.published import FOODS
from recorder.thermal.lethality import hold_needed_s
from recorder.voice.language.menu import for_menu
from recorder.voice.language.wording import PhraseError
from tests.kitchen import MINUTE, PROCEDURE, Kitchen, fahrenheit

WINGS = replace(
    PROCEDURE,
    product="breaded wings",
    spoken=("wings",),
    parts=(Part("wing", fahrenheit(175), fahrenheit(165)),),
    planned_cook_ms=9 * MINUTE,
    shortest_cook_ms=8 * MINUTE,
    longest_cook_ms=11 * MINUTE,
    checks_per_batch=2,
    hold_limit_ms=20 * MINUTE,
    hold_warning_ms=16 * MINUTE,
)
FISH = replace(
    WINGS,
    product="battered fish",
    spoken=("fish",),
    parts=(Part("fish", fahrenheit(150), fahrenheit(145), food="fish", critical_for_ms=15_000, spoken=("fish",)),),
    checks_per_batch=1,
)
SHIPPED = sorted(str(path.name) for path in files("recorder").joinpath("share/products").iterdir())


def kitchen(*others: Procedure, vats: tuple[int, ...] = (1, 2), first: Procedure = PROCEDURE) -> Kitchen:
    made = Kitchen(vats, first)
    made.feed(ProcedureLoaded(made.at_ms, first, others))
    made.say(m.SHIFT_START, cook=4)
    return made


def checking(product: str, part: str, *others: Procedure) -> Kitchen:
    """A batch of this product, out of the oil of the first vat."""
    made = kitchen(*others)
    made.say(m.BATCH_START, product=product, vat=1)
    made.say(m.LOAD, part=part, count=10)
    made.say(m.LID_LOCKED)
    made.wait(9 * MINUTE)
    made.say(m.LID_OPEN)
    return made


def stay(made: Kitchen, value: float, seconds: int, spot: int | None = None) -> list[str]:
    """The needle at rest in a spot, read every 2 s as the thinning does it; what is said meanwhile."""
    made.spot += spot is None
    before = len(made.effects)
    for _ in range(seconds // 2 + 1):
        made.read("needle", value, settled=True, spot=spot or made.spot)
        made.wait(2000)
    return [effect.say for effect in made.effects[before:] if isinstance(effect, Cue)]


def test_two_vats_cook_different_products_at_once_each_by_its_own_times() -> None:
    k = kitchen(WINGS)
    assert k.say(m.BATCH_START, vat=1) == "Batch 1, vat 1, breaded bone-in chicken."
    assert k.say(m.BATCH_START, product="breaded wings", vat=2) == "Batch 2, vat 2, wings."
    assert (
        k.say(m.BATCH_START, product="soup")
        == "Refused: there is no product 'soup'. Words that fit now: load and lid locked."
    )
    for vat, part in ((1, "thigh"), (2, "wing")):
        k.say(m.LOAD, part=part, count=12, vat=vat)
        k.say(m.LID_LOCKED, vat=vat)
    k.wait(11 * MINUTE)
    overdue = [e.alert.batch for e in k.effects if isinstance(e, Notice) and e.alert.kind == alerts.COOK_OVERDUE]
    assert overdue == [2], "11 minutes are too long for wings, and too short for bone-in pieces"
    assert [row["product"] for row in k.rows("batches")] == ["breaded bone-in chicken", "breaded wings"]


def test_in_holding_each_is_judged_by_its_own_limit() -> None:
    k = kitchen(WINGS)
    for vat, product, part in ((1, "breaded bone-in chicken", "thigh"), (2, "breaded wings", "wing")):
        k.say(m.BATCH_START, product=product, vat=vat)
        k.say(m.LOAD, part=part, count=2, vat=vat)
        k.say(m.LID_LOCKED, vat=vat)
    for vat, minutes, part in ((2, 9, "wing"), (1, 4, "thigh")):
        k.wait(minutes * MINUTE)
        k.say(m.LID_OPEN, vat=vat)
        for _ in range(2):
            k.check(part, 185)
            k.wait(61_000)
        assert k.say(m.HOLD_START).endswith("holding.")
    k.wait(21 * MINUTE)
    past = [e.alert.batch for e in k.effects if isinstance(e, Notice) and e.alert.kind == alerts.HOLD_PAST_LIMIT]
    assert set(past) == {2}, "wings are held for 20 minutes, bone-in pieces for 60"


def test_a_part_names_the_batch_whose_product_has_it() -> None:
    k = kitchen(WINGS, FISH, vats=(1, 2))
    k.say(m.BATCH_START, product="breaded wings", vat=1)
    k.say(m.BATCH_START, product="battered fish", vat=2)
    assert k.say(m.LOAD, part="fish", count=6) == "Batch 2, fish 6."
    assert k.say(m.LOAD, count=20, vat=1) == "Batch 1, wing 20.", "a product of one part needs none named"
    assert k.say(
        m.LOAD, part="leg", count=2, vat=1
    ) == "Refused: the procedure has no part 'leg'. Words that fit now:" + (" load and lid locked.")
    other = kitchen(WINGS)
    other.say(m.BATCH_START, vat=1)
    assert other.say(m.LOAD, count=2) == "Refused: say the part."


def test_by_earlier_rules_a_part_names_no_batch() -> None:
    """The procedure could change between two batches then too."""
    answers = []
    for rules in (6, 7):
        k = Kitchen((1, 2), rules=rules)
        k.say(m.SHIFT_START, cook=1)
        k.say(m.BATCH_START, vat=1)
        k.feed(ProcedureLoaded(k.at_ms, WINGS))
        k.say(m.BATCH_START, vat=2)
        answers.append(k.say(m.LOAD, part="thigh", count=4))
    assert answers[0].startswith("Refused: say which vat: 1 or 2") and answers[1] == "Batch 1, thigh 4."


@pytest.mark.parametrize(
    ("others", "at", "problem"),
    [
        ([replace(WINGS, unit="C")], 0, "unit is 'C'; all products of a station have one, 'F'"),
        ([replace(WINGS, spoken=())], 0, "spoken is missing; write how the product's name is said"),
        ([WINGS, replace(FISH, product="breaded wings")], 1, "product is 'breaded wings' as another's is; give each"),
        ([WINGS, replace(FISH, spoken=("fish", "wings"))], 1, "spoken has 'wings' as another product has; give each"),
    ],
)
def test_products_that_can_not_stand_beside_each_other(others: list[Procedure], at: int, problem: str) -> None:
    (found,) = menu_problems(PROCEDURE, tuple(others))
    assert found[0] == at and found[1].startswith(problem)
    k = kitchen(*others)
    assert k.state.world.others == (), "the core refuses them too"


def test_a_further_product_with_a_danger_is_not_taken() -> None:
    k = kitchen(replace(WINGS, parts=(Part("wing", fahrenheit(150), fahrenheit(150)),)))
    assert k.state.world.menu == (PROCEDURE,)


class TestFoods:
    """FDA Food Code 2022, 3-401.11 and 3-403.11: time and temperature together."""

    @pytest.mark.parametrize(
        ("food", "f", "c", "seconds"),
        [
            ("poultry", 165, 74, 0),
            ("fish", 145, 63, 15),
            ("whole meat", 145, 63, 15),
            ("ground meat", 145, 63, 180),
            ("ground meat", 150, 66, 60),
            ("ground meat", 155, 68, 17),
            ("ground meat", 158, 70, 0),
            ("reheated", 165, 74, 15),
            ("packaged", 135, 57, 0),
            ("vegetable", 135, 57, 0),
        ],
    )
    def test_what_the_code_asks_for_is_enough_and_a_little_less_is_not(
        self, food: str, f: float, c: float, seconds: int
    ) -> None:
        kind = FOODS[food]
        for unit, value in (("F", f), ("C", c)):
            assert kind.meets(Limit(value, unit), seconds)
            assert not kind.meets(Limit(value - 1, unit), seconds)
            assert seconds == 0 or not kind.meets(Limit(value, unit), seconds - 1)

    def test_less_heat_takes_longer_and_poultry_longer_than_ground_meat(self) -> None:
        """Chicken of 12 % fat: FSIS, Cooking Guideline for Meat and Poultry Products, 2021, appendix A."""
        times = [pair.seconds for pair in FOODS["ground meat"].pairs]
        assert times == sorted(times, reverse=True)
        assert hold_needed_s("chicken", 12, 155, "F") > 17, "which is why poultry has none of them"

    def part(self, food: str, critical: float, seconds: float = 0) -> Procedure:
        part = Part("piece", fahrenheit(185), fahrenheit(critical), food=food, critical_for_ms=round(seconds * 1000))
        return replace(WINGS, parts=(part,))

    def test_a_limit_that_is_less_safe_is_refused_or_confessed(self) -> None:
        (said,) = self.part("fish", 145, 10).dangers()
        assert said.startswith(
            "part.critical of piece is 145 °F for 10 s; the FDA Food Code (3-401.11) asks for 145 °F for 15 s or 165 °F"
            " for fish; write less_safe_because"
        )
        assert self.part("fish", 145, 15).dangers() == [] == self.part("fish", 165).dangers()
        assert replace(self.part("fish", 145, 10), less_safe_because="a variance").dangers() == []
        assert "(3-403.11) asks for 165 °F for 15 s for reheated" in self.part("reheated", 165).dangers()[0]
        assert self.part("fish", 125).dangers() == [
            "part.critical of piece is 125 °F; fish is never done below 129.2 °F, so correct it or unit"
        ]

    def test_what_is_no_food_no_time_and_no_count(self) -> None:
        odd = replace(WINGS, parts=(replace(WINGS.parts[0], food="steel", critical_for_ms=301_000, checks=49),))
        assert odd.problems() == [
            f"part.food of wing is 'steel'; write {listed([*FOODS], 'or')}",
            "part.critical_for of wing is 301 s; write 0 s to 5 min",
            "part.checks of wing is 49; write 0 to pieces_per_load, 48",
        ]
        assert odd.dangers() == [] and not odd.parts[0].done_at_once(73)


class TestDwell:
    """A critical limit that asks for a time: 145 °F for 15 s."""

    def test_it_passes_once_the_needle_has_seen_it_for_so_long(self) -> None:
        k = checking("battered fish", "fish", FISH)
        k.say(m.PROBE, part="fish")
        said = stay(k, 152, 14)
        assert said == ["Fish 152.0 degrees. The needle stays in it for 15 s."]
        assert k.rows("checks")[-1]["verdict"] == "open"
        assert stay(k, 152, 2, spot=k.spot) == ["Fish 152.0 degrees, passed. 1 of 1. Checks complete."]
        row = k.rows("checks")[-1]
        assert (row["verdict"], row["stood_seconds"], row["critical_seconds"], row["counts"]) == ("passed", 16, 15, 1)

    def test_what_left_early_neither_passed_nor_failed(self) -> None:
        k = checking("battered fish", "fish", FISH)
        k.say(m.PROBE, part="fish")
        stay(k, 152, 8)
        before = len(k.effects)
        k.wait(60_000)
        said = [effect.say for effect in k.effects[before:] if isinstance(effect, Cue)]
        assert said == ["Fish 152.0 degrees, seen for 8 s of 15 s. Probe it again."]
        row = k.rows("checks")[-1]
        assert (row["verdict"], row["counts"], row["source"]) == ("not long enough", 0, "probe")
        assert k.state.world.batches[0].failed == 0 and k.state.world.batches[0].missing == "fish not checked"

    def test_another_spot_begins_again_and_a_colder_one_fails(self) -> None:
        k = checking("battered fish", "fish", FISH)
        k.say(m.PROBE, part="fish")
        stay(k, 152, 10)
        assert stay(k, 151, 10) == [], "said once, and 10 s in one place and 10 s in another are not 15 s"
        assert k.rows("checks")[-1]["verdict"] == "open"
        assert "below critical limit" in stay(k, 140, 0)[0]

    def test_what_is_hot_enough_at_once_need_not_stay(self) -> None:
        k = checking("battered fish", "fish", FISH)
        k.check("fish", 165)
        assert k.rows("checks")[-1]["verdict"] == "passed"

    def test_a_kitchens_own_time_at_the_codes_temperature_is_waited_for(self) -> None:
        """Codes by earlier editions ask for 165 °F for 15 s for poultry, as Wis. DHS 196 App. 3-401.11 does."""
        part = Part("wing", fahrenheit(175), fahrenheit(165), critical_for_ms=15_000)
        k = checking("breaded wings", "wing", replace(WINGS, parts=(part,)))
        k.check("wing", 190)
        assert k.rows("checks")[-1]["verdict"] == "open"

    def test_what_misses_its_target_is_said_at_once(self) -> None:
        k = checking("battered fish", "fish", FISH)
        k.check("fish", 147)
        assert k.rows("checks")[-1]["verdict"] == "below target"

    def test_words_tell_no_time(self) -> None:
        spoken = replace(FISH, spoken_readings_prove=True)
        k = checking("battered fish", "fish", spoken)
        answer = k.say(m.READING, number=152)
        assert answer == "As spoken: piece 152.0 degrees, but for how long is not known. It does not count."
        assert k.say(m.READING, number=166).endswith("passed. 1 of 1.")

    def test_in_holding_the_minimum_alone_counts(self) -> None:
        k = checking("battered fish", "fish", FISH)
        k.check("fish", 166)
        k.wait(61_000)
        k.say(m.HOLD_START)
        k.check("fish", 150)
        assert k.rows("checks")[-1]["verdict"] == "passed"


def test_checks_of_one_part_alone() -> None:
    """Two of the wings, whatever else is checked; no more than there are."""
    parts = tuple(replace(part, checks=2 * (part.name == "wing")) for part in PROCEDURE.parts)
    k = kitchen(first=replace(PROCEDURE, parts=parts, checks_per_batch=2))
    k.say(m.BATCH_START, vat=1)
    for part, count in (("thigh", 6), ("wing", 6)):
        k.say(m.LOAD, part=part, count=count)
    batch = k.state.world.batches[0]
    assert (batch.checks_needed, batch.missing) == (2, "thigh and 2 of wing not checked")
    k.say(m.LID_LOCKED)
    k.wait(13 * MINUTE)
    k.say(m.LID_OPEN)
    for part, missing in (("wing", "thigh and wing not checked"), ("thigh", "wing not checked"), ("wing", "")):
        k.check(part, 185)
        k.wait(61_000)
        assert k.state.world.batches[0].missing == missing
    few = kitchen(first=replace(PROCEDURE, parts=parts, checks_per_batch=1))
    few.say(m.BATCH_START, vat=1)
    few.say(m.LOAD, part="wing", count=1)
    assert few.state.world.batches[0].missing == "wing not checked", "of one wing nobody checks two"


def test_how_batches_run_is_compared_within_a_product() -> None:
    k = kitchen(WINGS)
    for product, value in (("breaded bone-in chicken", 190), ("breaded wings", 180)) * 3:
        k.say(m.BATCH_START, product=product, vat=1)
        k.say(m.LOAD, part="wing", count=4)
        k.say(m.LID_LOCKED)
        k.wait(9 * MINUTE)
        k.say(m.LID_OPEN)
        for _ in range(2):
            k.check("wing", value)
            k.wait(61_000)
        k.say(m.HOLD_START)
        k.say(m.CONFIRM)
        k.say(m.HOLD_END)
        k.say(m.CONFIRM)
    world = k.state.world
    assert {key: len(points) for key, points in world.means} == {"wing": 3, "breaded wings: wing": 3}
    assert len(world.checked) == 3 and [name for name, _ in world.others_checked] == ["breaded wings"] * 3


class TestWords:
    """What this station listens for."""

    def texts(self, *menu: Procedure) -> set[str]:
        return {sentence.text for sentence in for_menu(load_phrases(None), menu)}

    def test_a_station_of_one_product_hears_what_it_always_heard(self) -> None:
        shipped = load_phrases(None)
        assert self.texts(PROCEDURE) == {
            each.text for each in shipped.without(PROCEDURE.unused).for_loads_of(PROCEDURE.pieces_per_load)
        }
        assert "batch start" in self.texts(PROCEDURE)

    def test_products_and_their_parts_can_be_said_and_no_others(self) -> None:
        fillets = load_procedure(example("fillets.toml"))
        known = for_menu(load_phrases(None), (WINGS, fillets))
        parsed = known.parse("batch start tenders vat two")
        assert parsed and (parsed.product, parsed.vat) == ("breaded chicken fillets", 2)
        parsed = known.parse("load fillets twelve")
        assert parsed and (parsed.part, parsed.count) == ("fillet", 12)
        parsed = known.parse("load twelve")
        assert parsed and (parsed.part, parsed.count) == (None, 12)
        assert known.parse("probe") and not known.parse("load"), "a bare load says nothing"
        assert not known.parse("load thighs") and not known.parse("batch start soup")

    def test_words_that_stand_for_two_things_are_refused(self) -> None:
        chop = replace(
            WINGS, product="pork", spoken=("pork",), parts=(replace(WINGS.parts[0], name="rib", spoken=("wing",)),)
        )
        with pytest.raises(PhraseError, match="'wing' stands for both 'wing' and 'rib'; give each its own"):
            for_menu(load_phrases(None), (WINGS, chop))

    def test_a_phrase_file_of_before_is_told_what_it_lacks(self) -> None:
        text = files("recorder").joinpath("share/phrases-en.toml").read_text("utf-8").replace(" [{product}]", "")
        from recorder.voice.language import phrases

        with pytest.raises(PhraseError, match="no sentence names a product; write"):
            for_menu(phrases.load(text), (PROCEDURE, WINGS))
        assert len(for_menu(phrases.load(text), (PROCEDURE,)))


def example(name: str, folder: str = "products") -> Path:
    return Path(str(files("recorder").joinpath(f"share/{folder}/{name}")))


class TestConfiguration:
    def station(self, folder: Path, *lines: str) -> Path:
        path = folder / "station.toml"
        path.write_text('station = "a"\n' + "\n".join(lines) + "\n")
        return path

    def test_the_examples_stand_beside_each_other_in_both_units(self, tmp_path: Path) -> None:
        assert len(SHIPPED) == 6
        for folder, procedure in (("products", "procedure.toml"), ("products-celsius", "procedure-celsius.toml")):
            names = ", ".join(f'"{example(name, folder)}"' for name in SHIPPED)
            first = files("recorder").joinpath(f"share/{procedure}")
            settings = load(self.station(tmp_path, f'procedure = "{first}"', f"products = [{names}]"))
            assert len({each.product for each in settings.products}) == 6
            assert {part.food for each in settings.products for part in each.parts} >= {
                "fish",
                "ground meat",
                "vegetable",
            }
            said = settings.phrases.parse("batch start potatoes")
            assert said and said.product == "potato wedges"

    @pytest.mark.parametrize(
        ("lines", "problem"),
        [
            (['products = ["no.toml"]'], "no.toml can't be read: there is no such file; correct the path"),
            (['products = "no.toml"'], "products is 'no.toml'"),
            (
                ['products = ["wings.toml", "wings.toml"]'],
                "products: wings.toml: product is 'breaded wings' as another's",
            ),
        ],
    )
    def test_what_is_wrong_is_named(self, tmp_path: Path, lines: list[str], problem: str) -> None:
        (tmp_path / "wings.toml").write_text(example("wings.toml").read_text())
        with pytest.raises(ConfigError) as error:
            load(self.station(tmp_path, *lines))
        assert any(problem in each for each in error.value.problems), error.value.problems

    def test_a_part_that_nothing_says(self, tmp_path: Path) -> None:
        text = example("fillets.toml").read_text().replace('spoken = ["fillet", "fillets"]\n', "")
        (tmp_path / "fillets.toml").write_text(text)
        with pytest.raises(
            ConfigError, match=r"no phrase says the part 'fillet'; add it under .* or as the part's spoken"
        ):
            load(self.station(tmp_path, 'products = ["fillets.toml"]'))


def test_the_record_goes_on_when_the_menu_changes() -> None:
    k = kitchen(WINGS)
    k.say(m.BATCH_START, product="breaded wings", vat=1)
    k.feed(Started(k.at_ms, "boot-2", True, "test", "line-1", (1, 2), 7))
    k.feed(ProcedureLoaded(k.at_ms, PROCEDURE))
    assert k.state.world.others == () and k.state.world.batches[0].procedure == WINGS
