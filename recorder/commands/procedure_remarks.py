"""What `check` remarks of a procedure that is allowed as it stands: numbers of the shipped example, and odd times."""

from collections.abc import Iterator
from importlib.resources import as_file, files

from recorder.config import load_procedure
from recorder.core.limits import lasting
from recorder.core.procedure import Procedure

EXAMPLES = {"F": "procedure.toml", "C": "procedure-celsius.toml"}
"""The shipped procedure in each unit."""

NUMBERS = {
    "pieces_per_load": "pieces_per_load",
    "checks_per_batch": "checks_per_batch",
    "settle_window_ms": "settle_window",
    "shortest_cook_ms": "cook.shortest",
    "planned_cook_ms": "cook.planned",
    "longest_cook_ms": "cook.longest",
    "more_cook_ms": "cook.more",
    "raw_wait_ms": "longest_wait.raw",
    "open_wait_ms": "longest_wait.open",
    "returned_wait_ms": "longest_wait.returned",
    "hold_warning_ms": "hold.warning",
    "hold_limit_ms": "hold.limit",
    "hold_repeat_ms": "hold.repeat",
    "probe_check_every_ms": "probe_check.every",
    "altitude_m": "probe_check.altitude_m",
    "oil_low": "oil.low",
    "oil_high": "oil.high",
    "raw_out_ms": "raw.longest_out",
    "breading_every_ms": "breading.change_every",
}
"""Field of a `Procedure` that the kitchen sets -> its key in the file. The targets of the parts come beside these."""

SHORT_MS = 60_000
SHORT = ("cook.", "longest_wait.", "hold.")
"""Times of these tables are minutes; below one the unit is the likely mistake (common practice, no source)."""


def unchanged(procedure: Procedure) -> list[str]:
    """The keys that have the example's number. A kitchen may have the same; only it can know."""
    with as_file(files("recorder").joinpath(f"share/{EXAMPLES[procedure.unit]}")) as path:
        example = load_procedure(path)
    keys = [key for name, key in NUMBERS.items() if getattr(procedure, name) == getattr(example, name)]
    targets = {part.name: part.target for part in example.parts}
    return keys + [f"target of {part.name}" for part in procedure.parts if targets.get(part.name) == part.target]


def remarks(procedure: Procedure) -> Iterator[str]:
    """What to look at again, one sentence each."""
    odd = [
        f"{key} is {lasting(length_ms)}"
        for name, key in NUMBERS.items()
        if key.startswith(SHORT) and (length_ms := getattr(procedure, name)) < SHORT_MS
    ]
    if odd:
        yield f"{', '.join(odd)}; is min meant instead of s?"
    same = unchanged(procedure)
    if len(same) == len(NUMBERS) + len(procedure.parts):
        yield "every number is the shipped example's; put in your kitchen's own"
    elif same:
        yield f"still the shipped example's: {', '.join(same)}; compare each with your written procedure"
