"""Days in random kitchens, held at every event against a model that is written from the promises (`tests/model/`).

Half of the kitchens are the same each time, half are new ones: what a new one breaks is printed as a short history.
`python -m tests.bench.random_kitchens` lives through millions.
"""

import os
from collections import Counter
from functools import partial
from multiprocessing import get_context

import pytest

from tests.model.shrink import shrunk, written
from tests.model.words import ordered
from tests.random_kitchen import EVENTS, lived

EVENTS_IN_ALL = 200_000

REACHED = {
    "batches holding": 500,
    "batches closed": 500,
    "holds proven": 300,
    "holds confirmed": 200,
    "holds late": 50,
    "holds past their limit": 150,
    "holds struck": 20,
    "checks read": 5000,
    "read colder": 500,
    "read colder, batch holding": 10,
    "read colder, batch returned": 10,
    "checks doubted": 300,
    "disputed": 200,
    "struck": 400,
    "spoken beside a spare": 50,
    "disputed by a colder spot": 20,
    "disputed by a spot that was left": 100,
    "a check's spot is no piece after all": 100,
    "missed in an earlier round, open": 1000,
    "missed in an earlier round, settled": 1000,
    "judged by a needle that was due": 500,
    "sold unread": 10,
    "a cold cabinet that words left": 10,
    "reheats begun": 30,
    "reheats late": 1,
    "cooks short": 30,
    "cooks overdue": 200,
    "probe check failed": 100,
    "probe check passed": 200,
    "probe check disputed": 50,
    "cabinet cold": 20,
    "cabinet warm again": 5,
    "seconds below counted": 500,
    "sold": 80,
    "sold despite a deviation": 300,
    "partial sold": 200,
    "partial discard batch": 30,
    "partial dropped": 30,
    "pieces balanced at the close": 300,
    "waits too long, loading": 30,
    "waits too long, checking": 200,
    "waits too long, returned": 50,
    "unknown gaps, cooking": 20,
    "unknown gaps, holding": 20,
    "power was away": 10,
    "raw food passed": 40,
    "raw food above cold limit": 60,
    "raw food in doubt": 20,
    "raw food, said but read too late": 20,
    "disputed by raw food that is warm": 8,
    "raw food out too long": 1000,
    "raw food out for hours": 200,
    "raw food loaded": 30,
    "raw food back": 30,
    "loads of a lot": 50,
    "breading overdue": 20,
    "oil ready all the same": 8,
    "second best": 40,
    "commands refused": 1000,
    "questions": 150,
    "status": 50,
    "refusals that name the state": 1,
    "signed": 10,
    "prompts": 1000,
    "prompts done": 50,
    "tasks done": 20,
    "tasks missed": 20,
    "corrective actions": 100,
}
"""What must have come about, and how often at least: a generator that reaches nothing proves nothing."""


@pytest.mark.slow
def test_a_random_day_breaks_no_promise() -> None:
    fresh = int(os.environ.get("RANDOM_KITCHENS", "124064638"))  # fresh ones are the bench's: CI is the same each time
    seeds = [seed for half in range(EVENTS_IN_ALL // EVENTS // 2) for seed in (half, fresh + half)]
    seen, steps = Counter[str](), 0
    with get_context("spawn").Pool() as pool:
        for kitchen in pool.imap_unordered(lived, seeds):
            seen, steps = seen + kitchen.seen, steps + kitchen.steps
            if kitchen.error:
                pool.terminate()
                short = shrunk(kitchen.history, kitchen.ticking, kitchen.error.promise)
                pytest.fail(f"seed {kitchen.seed}\n{written(short, kitchen.ticking, kitchen.error)}", pytrace=False)
    print("\n".join(f"{what:<44}{often:>9}" for what, often in sorted(seen.items())))
    print(f"{steps} events from the seeds 0 and {fresh} on")
    assert steps >= EVENTS_IN_ALL
    assert {what: seen[what] for what, least in REACHED.items() if seen[what] < least} == {}


@pytest.mark.slow
def test_a_day_that_is_lived_again_is_the_same() -> None:
    with get_context("spawn").Pool() as pool:
        for kitchen in pool.imap_unordered(partial(lived, replayed=True), range(12)):
            assert kitchen.error is None, kitchen.error


@pytest.mark.parametrize(
    "text",
    [
        "Open the lid.",
        "The vat is due: release it.",
        "Check it, then unlock the lid.",
        "You must load it again.",
        "Vat 1, batch 2: reach in.",
        "Now lift it and force the lid.",
    ],
)
def test_the_model_knows_an_order(text: str) -> None:
    assert ordered(text)


@pytest.mark.parametrize(
    "text",
    [
        "Batch 1, lid open after 3 min 05 s.",
        "Refused: the shift of cook 4 is open; say shift end first.",
        "Batch 2 cooking. No load was said.",
        "Still open: batch 1 loading.",
        "Probe needle lost: open circuit.",
        "Batch 1: oil of vat 1 was 300.0 °F at load, band is 325 to 350 °F.",
    ],
)
def test_the_model_leaves_other_words_alone(text: str) -> None:
    assert not ordered(text)
