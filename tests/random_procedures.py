"""Procedures of kitchens that nobody has: uneven limits, both units, any parts, held by temperature or by time."""

from dataclasses import replace
from random import Random

from recorder.core import meanings as m
from recorder.core.limits import Limit
from recorder.core.own_words import NO_WORDS, OF_SHIFT, OwnWords
from recorder.core.procedure import BY_TEMPERATURE, BY_TIME, Part, Procedure
from tests.own_words import OWN

MINUTE = 60_000
PARTS = ("thigh", "breast", "leg", "wing")


def own_words(rng: Random) -> OwnWords:
    """Of every other kitchen; drawn apart, so that the rest of its procedure is what it would be without."""
    if rng.random() < 0.5:
        return NO_WORDS
    return replace(
        OWN,
        prompts=tuple(replace(each, done=rng.random() < 0.6) for each in OWN.prompts if rng.random() < 0.7),
        tasks=tuple(replace(task, by_ms=rng.randint(5, 90) * MINUTE) for task in OWN.tasks if rng.random() < 0.7),
        causes=OWN.causes if rng.random() < 0.7 else (),
    )


def procedure(rng: Random) -> Procedure:
    unit = rng.choice("FC")
    names = rng.sample(PARTS, rng.randint(1, 4))
    critical, most, minimum = (160, 26, 130) if unit == "F" else (71, 14, 54)
    shortest = rng.randint(2, 12)
    limit = rng.randint(5, 90)
    parts = []
    for name in names:
        least = critical + rng.randint(0, 10) / 2
        parts.append(Part(name, Limit(least + rng.randint(0, most) / 2, unit), Limit(least, unit)))
    aside = Random(limit + shortest)
    pieces = rng.choice([8, 24, 48])
    parts = [replace(part, checks=aside.choice([0, 0, 0, 2, 3])) for part in parts]
    oil = rng.randint(300, 340) if unit == "F" else rng.randint(150, 170)
    return Procedure(
        product="fried chicken",
        unit=unit,
        parts=tuple(parts),
        pieces_per_load=pieces,
        shortest_cook_ms=shortest * MINUTE,
        planned_cook_ms=(shortest + rng.randint(0, 2)) * MINUTE,
        longest_cook_ms=(shortest + 2 + rng.randint(0, 3)) * MINUTE,
        checks_per_batch=rng.randint(1, 6),
        settle_window_ms=rng.choice([20, 45, 90]) * 1000,
        hold_limit_ms=limit * MINUTE,
        hold_warning_ms=rng.randint(1, limit - 1) * MINUTE,
        hold_repeat_ms=rng.randint(1, 10) * MINUTE,
        hold_minimum=Limit(minimum + rng.randint(0, 20) / 2, unit),
        oil_low=Limit(float(oil), unit),
        oil_high=Limit(oil + 20.0, unit),
        spoken_readings_prove=rng.random() < 0.25,
        ask_first=rng.choice([(m.DISCARD,), (), (m.DISCARD, m.SOLD, m.HOLD_START), (m.LID_OPEN, m.HOLD_END)]),
        probe_check_every_ms=rng.choice([None, 60 * MINUTE, 4 * 60 * MINUTE, 24 * 60 * MINUTE]),
        altitude_m=rng.choice([None, 0.0]),
        polar_limit=rng.choice([None, 24.0]),
        more_cook_ms=rng.randint(1, 4) * MINUTE,
        raw_wait_ms=rng.randint(2, 12) * MINUTE,
        open_wait_ms=rng.randint(3, 15) * MINUTE,
        returned_wait_ms=rng.randint(1, 6) * MINUTE,
        hold_by=rng.choice([BY_TEMPERATURE, BY_TEMPERATURE, BY_TIME]),
        raw_out_ms=rng.choice([None, 5 * MINUTE, 30 * MINUTE, 240 * MINUTE]),
        breading_every_ms=rng.choice([None, 60 * MINUTE, 240 * MINUTE]),
        own=own_words(Random(f"{unit} {names} {limit} {oil}")),
        less_safe_because="an invented kitchen that nobody eats from",
    )


def menu(rng: Random) -> tuple[Procedure, tuple[Procedure, ...]]:
    """A station's procedure and, often, those of further products in the same unit."""
    first, aside = procedure(rng), Random(rng.random())
    others = [procedure(aside) for _ in range(aside.choice([0, 4, 8]))]
    fitting = [each for each in others if each.unit == first.unit]
    return first, tuple(
        replace(each, product=f"product {number}", spoken=(f"product {number}",), own=of_product(each.own))
        for number, each in enumerate(fitting)
    )


def of_product(own: OwnWords) -> OwnWords:
    """Those that may stand with a further product: the prompts of its batches."""
    return OwnWords(prompts=tuple(prompt for prompt in own.prompts if prompt.at not in OF_SHIFT))
