"""An invented kitchen's own words, and the kitchen of `tests/kitchen.py` with them."""

from dataclasses import replace
from typing import Any

from recorder.core import alerts
from recorder.core.own_words import CLOSING, MOMENTS, OPENING, Choice, OwnWords, Prompt, Task
from tests.kitchen import MINUTE, PROCEDURE, Kitchen

SAY = {moment: f"This is the {moment}." for moment in MOMENTS}
"""What is said at each moment."""

BEFORE = "Fifteen seconds are left."

OWN = OwnWords(
    prompts=(
        *(Prompt(say, moment) for moment, say in SAY.items()),
        Prompt(BEFORE, before_end_ms=15_000),
        Prompt("Has the basket been shaken?", "last load", done=True),
    ),
    tasks=(Task("gasket", OPENING), Task("walk in", OPENING, 90 * MINUTE), Task("hood filters", CLOSING, 20 * MINUTE)),
    causes=(Choice("cold oil"), Choice("probe in the wrong place", (alerts.CHECK_BELOW_CRITICAL,))),
    actions=(Choice("cooked longer", (alerts.CHECK_BELOW_CRITICAL,)), Choice("thrown away")),
)


def own_kitchen(own: OwnWords = OWN, **more: Any) -> Kitchen:
    """That kitchen, with these words."""
    return Kitchen(procedure=replace(PROCEDURE, own=own), **more)
