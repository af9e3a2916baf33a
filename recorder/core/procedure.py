"""What the food must meet: the kitchen's procedure for one product, as a frozen and validated value.

A limit keeps the unit that it was written in, because the Food Code's pairs (165 °F / 74 °C) are rounded and not
equal. Reading the TOML file is `recorder/config.py`'s work; this module opens nothing.
"""

from dataclasses import dataclass

from recorder.core import meanings as m
from recorder.core.limits import Limit, in_unit, lasting, listed
from recorder.core.own_words import NO_WORDS, OwnWords
from recorder.core.published import FOODS
from recorder.thermal.lethality import TABLES
from recorder.thermal.water import ALTITUDES_M

MINUTE = 60_000
HOUR = 60 * MINUTE
DAY = 24 * HOUR

MOST_PIECES = 500
"""No vat takes more pieces (common practice, no source)."""

BY_TEMPERATURE, BY_TIME = "temperature", "time"
"""Ways to keep held food safe: at 135 °F or above (FDA Food Code 2022, 3-501.16), or by time alone (3-501.19)."""

BY_READING, BY_SAFE_END = "reading", "safe end"
"""What of a check must reach the critical limit: its reading, or the low end of its 95 % interval."""

HOT_HOLDING = {"F": 135.0, "C": 57.0}
"""The least that hot holding may be: FDA Food Code 2022, 3-501.16(A)(1)."""

LONGEST_DWELL_MS = 5 * MINUTE
"""No longer than this is a needle watched in one piece (the Code's longest pair for what is no roast is 3 min)."""

TIME_ALONE_MS = 4 * HOUR
"""The longest that food is held by time alone: FDA Food Code 2022, 3-501.19(B)."""

COLD_HOLDING = {"F": 41.0, "C": 5.0}
"""The most that cold food may be: FDA Food Code 2022, 3-501.16(A)(2)."""

COLDEST_HELD_C = 54.0
"""No food is held hot below 130 °F (54 °C): FDA Food Code 2022, 3-501.16(A)(1), of roasts."""

COLDEST_MEAT_C = -5.0
"""No piece at a fryer is colder: a spoken temperature below is misheard, or said in the other unit."""

HOTTEST_MEAT_C = 100.0
"""No wet meat is hotter inside than boiling water at sea level."""

OIL_C = (100.0, 230.0)
"""What frying oil can be: below, water does not boil out of food; above, oils smoke (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Part:
    """One cut or form of a product, in load order."""

    name: str
    """As it is spoken, singular: "thigh"."""
    target: Limit
    """The kitchen's own end temperature; a check at or above it passes."""
    critical: Limit
    """The food safety limit; a check below it is unsafe."""
    food: str = "poultry"
    """What it is, one of `published.FOODS`: by that the critical limit is compared with the published one."""
    critical_for_ms: int = 0
    """How long the needle must be seen at the critical limit or above; 0: at once."""
    checks: int = 0
    """Passed checks that a batch needs of this part, if it was loaded."""
    spoken: tuple[str, ...] = ()
    """Ways to say its name, beside those of the phrase file, such as "fillet" and "fillets"."""

    def done_at_once(self, temp_c: float) -> bool:
        """Whether a piece that is seen so hot need not stay so: by its own limit, or by a hotter pair of the Code."""
        pairs = FOODS[self.food].pairs if self.food in FOODS else ()
        at_once = [pair.limit(self.critical.unit) for pair in pairs if pair.seconds == 0]
        hotter = [limit for limit in at_once if limit.value > self.critical.value]
        return self.critical_for_ms == 0 or any(limit.met_by(temp_c) for limit in hotter)


@dataclass(frozen=True, slots=True)
class Procedure:
    """One product's procedure; times are whole milliseconds."""

    product: str
    unit: str
    """ "F" or "C": the unit of every limit here and of spoken temperatures."""
    parts: tuple[Part, ...]
    """In load order: the part that cooks longest first."""
    pieces_per_load: int
    """Capacity of a vat, in pieces."""
    shortest_cook_ms: int
    planned_cook_ms: int
    longest_cook_ms: int
    checks_per_batch: int
    """Passed checks that prove a batch done."""
    settle_window_ms: int
    """How long a check waits for a settled reading."""
    hold_limit_ms: int
    hold_warning_ms: int
    """Time from the start of a hold to its warning; below `hold_limit_ms`."""
    hold_repeat_ms: int
    """How often a hold past its limit is repeated."""
    hold_minimum: Limit
    """The coldest that hot holding may be."""
    oil_low: Limit
    oil_high: Limit
    """The oil's band at load, both ends inside it."""
    spoken_readings_prove: bool
    """Whether a temperature spoken by a person counts as a passed check."""
    ask_first: tuple[str, ...] = (m.DISCARD,)
    """Meanings of commands that are acted on only after "confirm"; all others are acted on and read back."""
    probe_check_every_ms: int | None = None
    """A probe whose last passed check is older than this is overdue; None for never."""
    altitude_m: float | None = None
    """The kitchen's height above the sea, for checks in boiling water; None where it is not known."""
    polar_limit: float | None = None
    """The most total polar compounds that the site lets its oil have, in %; None for no limit."""
    more_cook_ms: int = 3 * MINUTE
    """The planned length of a further cook after "cook more"."""
    raw_wait_ms: int = 10 * MINUTE
    """The longest from the first load to the locked lid."""
    open_wait_ms: int = 15 * MINUTE
    """The longest from the open lid to hot holding, or back into the oil."""
    returned_wait_ms: int = 5 * MINUTE
    """The longest from "cook more" to the locked lid."""
    hold_by: str = BY_TEMPERATURE
    """What keeps held food safe: `BY_TEMPERATURE`, where the hold's limit is one of quality, or `BY_TIME`."""
    less_safe_because: str = ""
    """Why a limit here is less safe than the published one, in words for the report; "" where none is."""
    critical_by: str = BY_READING
    """What of a check must reach the critical limit: `BY_READING` or `BY_SAFE_END`."""
    dwell_advice: str = ""
    """The FSIS table by which the report says how long a piece that missed its critical limit had to stay so hot: one
    of `thermal.lethality.TABLES`; "" for none. It is advice and never a verdict."""
    spoken: tuple[str, ...] = ()
    """Ways to say the product's name, such as "wings"; () for a station's only product, which nobody names."""
    own: OwnWords = NO_WORDS
    """The kitchen's prompts, tasks, causes and corrective actions."""

    raw_out_ms: int | None = None
    """The longest that raw food may be out of the cooler; None where the kitchen does not say it."""
    lots: bool = False
    """Whether the kitchen says the lot of its raw food."""
    breading_every_ms: int | None = None
    """How long the breading may be in use before it is changed; None where the kitchen does not say it."""

    @property
    def unused(self) -> frozenset[str]:
        """Meanings that a kitchen with this procedure does not say: nobody listens for them."""
        raw = () if self.raw_out_ms is not None else m.RAW
        lots = () if self.lots else m.LOTS
        return frozenset((*raw, *lots, *(() if self.breading_every_ms is not None else m.BREADING)))

    def part(self, name: str | None) -> Part | None:
        """The part called `name`, or None."""
        return next((part for part in self.parts if part.name == name), None)

    @property
    def called(self) -> str:
        """The product's name as it is spoken, or else as it is written."""
        return self.spoken[0] if self.spoken else self.product

    def rank(self, name: str) -> int:
        """The place of part `name` in the load order, from 0; after the last one if it is unknown."""
        names = [part.name for part in self.parts]
        return names.index(name) if name in names else len(names)

    def problems(self) -> list[str]:
        """What is wrong with these numbers, each as one sentence that says what to mend; [] if nothing is.

        A sentence begins with its key, as the procedure file has it; a part's goes on with "of" and its name.
        """
        found = []
        names = [part.name for part in self.parts]
        limits = [("hold.minimum", self.hold_minimum), ("oil.low", self.oil_low), ("oil.high", self.oil_high)]
        for part in self.parts:
            limits += [(f"part.target of {part.name}", part.target), (f"part.critical of {part.name}", part.critical)]
        if self.unit not in ("F", "C"):
            found.append(f'unit is {self.unit!r}; write "F" or "C"')
        found += [
            f"{name} is {limit.text()}; write it in the procedure's one unit, {self.unit}"
            for name, limit in limits
            if limit.unit != self.unit
        ]
        if not names:
            found.append("part is missing; write a [[part]] for each cut")
        for name in dict.fromkeys(each for each in names if names.count(each) > 1):
            found.append(f"part.name of {name} stands twice; name each part once")
        shortest, planned, longest = self.shortest_cook_ms, self.planned_cook_ms, self.longest_cook_ms
        if shortest <= 0:
            found.append(f"cook.shortest is {lasting(shortest)}; write more than zero")
        if planned < shortest:
            found.append(f"cook.planned is {lasting(planned)}; write at least shortest, {lasting(shortest)}")
        if longest < planned:
            found.append(f"cook.longest is {lasting(longest)}; write at least planned, {lasting(planned)}")
        if self.hold_warning_ms <= 0:
            found.append(f"hold.warning is {lasting(self.hold_warning_ms)}; write more than zero")
        elif self.hold_warning_ms >= self.hold_limit_ms:
            found.append(
                f"hold.warning is {lasting(self.hold_warning_ms)}; write less than limit, {lasting(self.hold_limit_ms)}"
            )
        for part in self.parts:
            if part.food not in FOODS:
                found.append(f"part.food of {part.name} is {part.food!r}; write {listed([*FOODS], 'or')}")
            if part.critical_for_ms < 0 or part.critical_for_ms > LONGEST_DWELL_MS:
                most = lasting(LONGEST_DWELL_MS)
                found.append(
                    f"part.critical_for of {part.name} is {lasting(part.critical_for_ms)}; write 0 s to {most}"
                )
            if not 0 <= part.checks <= self.pieces_per_load:
                found.append(
                    f"part.checks of {part.name} is {part.checks}; write 0 to pieces_per_load, {self.pieces_per_load}"
                )
        for name, count in (("pieces_per_load", self.pieces_per_load), ("checks_per_batch", self.checks_per_batch)):
            if count <= 0:
                found.append(f"{name} is {count}; write 1 or more")
        for name, ms in self._times_above_zero():
            if ms <= 0:
                found.append(f"{name} is {lasting(ms)}; write more than zero")
        for part in self.parts:
            if part.target.value < part.critical.value:
                found.append(
                    f"part.target of {part.name} is {part.target.text()}, below its critical limit of"
                    f" {part.critical.text()}; correct one of them"
                )
        low, high = ALTITUDES_M
        if self.altitude_m is not None and not low <= self.altitude_m <= high:
            found.append(
                f"probe_check.altitude_m is {self.altitude_m:g}; write {low:g} to {high:g}, in metres above the sea"
            )
        if self.polar_limit is not None and not 0 < self.polar_limit < 100:
            found.append(f"oil.polar_limit is {self.polar_limit:g}; write above 0 and below 100, in %")
        if self.oil_low.value >= self.oil_high.value:
            found.append(f"oil.low is {self.oil_low.text()}; write less than high, {self.oil_high.text()}")
        if self.lots and self.raw_out_ms is None:
            found.append('raw.lots is true without raw.longest_out; write longest_out, such as "30 min", beside it')
        if self.hold_by not in (BY_TEMPERATURE, BY_TIME):
            found.append(f'hold.by is {self.hold_by!r}; write "{BY_TEMPERATURE}" or "{BY_TIME}"')
        if self.critical_by not in (BY_READING, BY_SAFE_END):
            found.append(f'critical_by is {self.critical_by!r}; write "{BY_READING}" or "{BY_SAFE_END}"')
        if self.dwell_advice not in ("", *TABLES):
            found.append(
                f"dwell_advice is {self.dwell_advice!r}; write {' or '.join(map(repr, TABLES))}, or leave it out"
            )
        if strange := [meaning for meaning in self.ask_first if meaning not in m.COMMANDS]:
            named = ", ".join(map(repr, strange))
            found.append(f"ask_first can't name {named}; write commands, such as {m.DISCARD} or {m.HOLD_END}")
        return [*found, *self.own.problems(planned)]

    def _times_above_zero(self) -> tuple[tuple[str, int], ...]:
        every = self.probe_check_every_ms
        return (
            ("settle_window", self.settle_window_ms),
            ("hold.repeat", self.hold_repeat_ms),
            ("probe_check.every", 1 if every is None else every),
            ("longest_wait.raw", self.raw_wait_ms),
            ("longest_wait.open", self.open_wait_ms),
            ("longest_wait.returned", self.returned_wait_ms),
            ("cook.more", self.more_cook_ms),
            ("raw.longest_out", 1 if self.raw_out_ms is None else self.raw_out_ms),
            ("breading.change_every", 1 if self.breading_every_ms is None else self.breading_every_ms),
        )

    def dangers(self) -> list[str]:
        """Limits that meat, oil or cabinet can't have, or that are less safe than what is published, and the remedy.

        Each begins with its key, as those of `problems` do. What is less safe may be so on purpose: then
        `less_safe_because` says why. [] if nothing is wrong.
        """
        wrong, less_safe = [], []
        for part in self.parts:
            for name, limit in (("target", part.target), ("critical", part.critical)):
                if limit.c > HOTTEST_MEAT_C:
                    wrong.append(
                        f"part.{name} of {part.name} is {limit.text()}; no meat is above {_text(HOTTEST_MEAT_C, self)}"
                        ", so correct it or unit"
                    )
            food = FOODS.get(part.food)
            if food is None:  # a problem
                continue
            if part.critical.c < food.coldest_c:
                wrong.append(
                    f"part.critical of {part.name} is {part.critical.text()}; {part.food} is never done below"
                    f" {_text(food.coldest_c, self)}, so correct it or unit"
                )
            elif not food.meets(part.critical, part.critical_for_ms / 1000):
                for_s = f" for {lasting(part.critical_for_ms)}" if part.critical_for_ms else ""
                less_safe.append(
                    f"part.critical of {part.name} is {part.critical.text()}{for_s}; the FDA Food Code"
                    f" ({food.source.split('(')[0]}) asks for {food.asked(self.unit)} for {part.food}"
                )
        if self.hold_by == BY_TEMPERATURE and self.hold_minimum.c < COLDEST_HELD_C:
            wrong.append(
                f"hold.minimum is {self.hold_minimum.text()}; no food is held hot at that, so correct it or unit"
            )
        elif self.hold_by == BY_TEMPERATURE and self.hold_minimum.value < HOT_HOLDING[self.unit]:
            less_safe.append(
                f"hold.minimum is {self.hold_minimum.text()}; the FDA Food Code (3-501.16) asks for"
                f" {HOT_HOLDING[self.unit]:g} °{self.unit}"
            )
        if self.hold_minimum.c > HOTTEST_MEAT_C:
            wrong.append(f"hold.minimum is {self.hold_minimum.text()}; no food is held so hot, so correct it or unit")
        if self.hold_by == BY_TIME and self.hold_limit_ms > TIME_ALONE_MS:
            less_safe.append("hold.limit is over 4 h; the FDA Food Code (3-501.19) allows 4 h by time alone")
        low, high = OIL_C
        for name, limit in (("low", self.oil_low), ("high", self.oil_high)):
            if not low <= limit.c <= high:
                wrong.append(
                    f"oil.{name} is {limit.text()}; frying oil is {_text(low, self)} to {_text(high, self)}, so"
                    " correct it or unit"
                )
        for name, ms, (least, most) in (
            ("longest_wait.raw", self.raw_wait_ms, (MINUTE, TIME_ALONE_MS)),
            ("longest_wait.open", self.open_wait_ms, (MINUTE, TIME_ALONE_MS)),
            ("longest_wait.returned", self.returned_wait_ms, (MINUTE, TIME_ALONE_MS)),
            ("cook.more", self.more_cook_ms, (10_000, HOUR)),
            ("cook.longest", self.longest_cook_ms, (MINUTE, 3 * HOUR)),
            ("hold.limit", self.hold_limit_ms, (MINUTE, DAY)),
            ("hold.repeat", self.hold_repeat_ms, (MINUTE, 2 * HOUR)),
            ("settle_window", self.settle_window_ms, (10_000, 5 * MINUTE)),
            ("probe_check.every", self.probe_check_every_ms or DAY, (HOUR, 31 * DAY)),
            ("raw.longest_out", self.raw_out_ms or MINUTE, (MINUTE, TIME_ALONE_MS)),
            ("breading.change_every", self.breading_every_ms or HOUR, (10 * MINUTE, 7 * DAY)),
        ):
            if not least <= ms <= most:
                wrong.append(f"{name} is {lasting(ms)}; write {lasting(least)} to {lasting(most)}")
        if self.pieces_per_load > MOST_PIECES:
            wrong.append(f"pieces_per_load is {self.pieces_per_load}; write at most {MOST_PIECES}")
        if 0 < self.pieces_per_load < self.checks_per_batch:
            wrong.append(
                f"checks_per_batch is {self.checks_per_batch}; write at most pieces_per_load, {self.pieces_per_load}"
            )
        if less_safe and not self.less_safe_because.strip():
            purpose = 'write less_safe_because = "WHY" where that is on purpose, such as a variance of your authority'
            wrong += [f"{each}; {purpose}" for each in less_safe]
        return wrong


def _text(temp_c: float, procedure: Procedure) -> str:
    return f"{in_unit(temp_c, procedure.unit):g} °{procedure.unit}"


def menu_problems(procedure: Procedure, others: tuple[Procedure, ...]) -> list[tuple[int, str]]:
    """What keeps `others` from standing beside `procedure`: the place in `others`, and a sentence as of `problems`."""
    found = []
    for place, each in enumerate(others):
        before = (procedure, *others[:place])
        if each.unit != procedure.unit:
            found.append((place, f"unit is {each.unit!r}; all products of a station have one, {procedure.unit!r}"))
        if key := each.own.of_station:
            what = "prompts of a shift" if key == "prompt" else f"every [[{key}]]"
            found.append((place, f"{key} stands here; write {what} into the station's first procedure"))
        if not each.spoken:
            found.append((place, "spoken is missing; write how the product's name is said"))
        if each.product in [other.product for other in before]:
            found.append((place, f"product is {each.product!r} as another's is; give each its own name"))
        for name in each.spoken:
            if name in [said for other in before for said in other.spoken]:
                found.append((place, f"spoken has {name!r} as another product has; give each its own"))
    return found
