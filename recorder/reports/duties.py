"""What a day's report says of the kitchen's own words: causes and actions beside critical alerts, prompts, tasks."""

from collections.abc import Callable, Iterator

from recorder.reports.day import Day
from recorder.reports.days import Row

NONE_ON_RECORD = "No corrective action on record."


def answers(day: Day, alert: Row, clock: Callable[[int], str]) -> list[tuple[str, bool]]:
    """Of a critical alert: its cause, its action and what became of the food, each a sentence and whether it lacks.

    [] for any other alert, and in a kitchen that has no causes and actions to name. `clock` shows a wall time.
    """
    said = [row for row in day.answers.get(alert["id"], ()) if not row["struck"]]
    if alert["level"] != "critical" or not (day.asks or said) or alert["ended_by"] == "command struck":
        return []
    found = [(f"{_called(row)}: {row['text']}, {clock(row['at_ms'])}.", False) for row in said]
    if not any(row["what"] == "action" for row in said):
        found.append((NONE_ON_RECORD, True))
    return [*found, *((food, False) for food in _food(day, alert))]


def _called(row: Row) -> str:
    return "Corrective action" if row["what"] == "action" else "Cause"


def _food(day: Day, alert: Row) -> Iterator[str]:
    """What became of its batch: the newest of that number by then."""
    batches = [each.batch for each in day.batches if each.batch["number"] == alert["batch"]]
    before = [batch for batch in batches if batch["started_ms"] <= alert["began_ms"]]
    if before:
        batch = before[-1]
        yield f"The food: {batch['outcome'] or batch['stage']}."


def asked(day: Day) -> list[Row]:
    """The prompts that waited for "prompt done", in the order of the day."""
    return [row for row in day.prompts if row["asks_done"] and not row["struck"]]


def tasks(day: Day) -> list[Row]:
    """The day's tasks."""
    return [row for row in day.tasks if not row["struck"]]
