"""What a procedure file has, as it is written, and the procedure that it means."""

from dataclasses import dataclass
from typing import Annotated, Any

from recorder.core import meanings as m
from recorder.core.limits import Limit
from recorder.core.procedure import BY_READING, BY_TEMPERATURE, Part, Procedure
from recorder.lengths import Length, Number
from recorder.misfits import MisfitError, choice, place, raised
from recorder.own_words_file import ChoiceTable, PromptTable, TaskTable, own_words
from recorder.tables import build

OR_UNIT = "or unit"
"""So ends a sentence of `Procedure.dangers` about a temperature that may be one in the other unit."""


def command(value: Any) -> str:
    """The meaning of a command; raises `MisfitError`."""
    if not isinstance(value, str):
        raise MisfitError(f"is {value!r}; write text in quotes")
    if value not in m.COMMANDS:
        raise MisfitError(choice(value, m.COMMANDS))
    return value


@dataclass(frozen=True, slots=True)
class Cook:
    """[cook]"""

    shortest: Length
    planned: Length
    longest: Length
    more: Length | None = None


@dataclass(frozen=True, slots=True)
class Hold:
    """[hold]"""

    limit: Length
    warning: Length
    repeat: Length
    minimum: Number
    by: str = BY_TEMPERATURE


@dataclass(frozen=True, slots=True)
class Oil:
    """[oil]"""

    low: Number
    high: Number
    polar_limit: Number | None = None


@dataclass(frozen=True, slots=True)
class ProbeCheck:
    """[probe_check]"""

    every: Length | None = None
    altitude_m: Number | None = None


@dataclass(frozen=True, slots=True)
class Raw:
    """[raw]"""

    longest_out: Length | None = None
    lots: bool = False


@dataclass(frozen=True, slots=True)
class Breading:
    """[breading]"""

    change_every: Length | None = None


@dataclass(frozen=True, slots=True)
class LongestWait:
    """[longest_wait]"""

    raw: Length | None = None
    open: Length | None = None
    returned: Length | None = None


@dataclass(frozen=True, slots=True)
class PartTable:
    """[[part]]"""

    name: str
    target: Number
    critical: Number
    food: str = "poultry"
    critical_for: Length = 0
    checks: int = 0
    spoken: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ProcedureFile:
    """The whole file."""

    product: str
    unit: str
    part: tuple[PartTable, ...]
    pieces_per_load: int
    checks_per_batch: int
    settle_window: Length
    cook: Cook
    hold: Hold
    oil: Oil
    probe_check: ProbeCheck = ProbeCheck()
    longest_wait: LongestWait = LongestWait()
    raw: Raw = Raw()
    breading: Breading = Breading()
    spoken_readings_prove: bool = False
    ask_first: tuple[Annotated[str, command], ...] = (m.DISCARD,)
    less_safe_because: str = ""
    dwell_advice: str = ""
    critical_by: str = BY_READING
    spoken: tuple[str, ...] = ()
    prompt: tuple[PromptTable, ...] = ()
    task: tuple[TaskTable, ...] = ()
    cause: tuple[ChoiceTable, ...] = ()
    action: tuple[ChoiceTable, ...] = ()


def read(table: dict[str, Any]) -> Procedure:
    """The procedure in the table of a file; raises `MisfitError` with all that is wrong with it."""
    file = build(ProcedureFile, table)

    def limit(value: float) -> Limit:
        return Limit(value, file.unit)

    lengths: dict[str, Any] = {
        "more_cook_ms": file.cook.more,
        "raw_wait_ms": file.longest_wait.raw,
        "open_wait_ms": file.longest_wait.open,
        "returned_wait_ms": file.longest_wait.returned,
    }
    procedure = Procedure(
        product=file.product,
        unit=file.unit,
        parts=tuple(
            Part(
                each.name,
                limit(each.target),
                limit(each.critical),
                food=each.food,
                critical_for_ms=each.critical_for,
                checks=each.checks,
                spoken=each.spoken,
            )
            for each in file.part
        ),
        pieces_per_load=file.pieces_per_load,
        shortest_cook_ms=file.cook.shortest,
        planned_cook_ms=file.cook.planned,
        longest_cook_ms=file.cook.longest,
        checks_per_batch=file.checks_per_batch,
        settle_window_ms=file.settle_window,
        hold_limit_ms=file.hold.limit,
        hold_warning_ms=file.hold.warning,
        hold_repeat_ms=file.hold.repeat,
        hold_minimum=limit(file.hold.minimum),
        oil_low=limit(file.oil.low),
        oil_high=limit(file.oil.high),
        spoken_readings_prove=file.spoken_readings_prove,
        ask_first=file.ask_first,
        probe_check_every_ms=file.probe_check.every,
        altitude_m=file.probe_check.altitude_m,
        polar_limit=file.oil.polar_limit,
        hold_by=file.hold.by,
        less_safe_because=file.less_safe_because,
        dwell_advice=file.dwell_advice,
        critical_by=file.critical_by,
        spoken=file.spoken,
        raw_out_ms=file.raw.longest_out,
        lots=file.raw.lots,
        breading_every_ms=file.breading.change_every,
        own=own_words(file.prompt, file.task, file.cause, file.action),
        **{name: length for name, length in lengths.items() if length is not None},
    )
    wrong = [_placed(text, file) for text in procedure.problems()]
    if file.unit in ("F", "C"):
        known = [each.path for each in wrong]
        dangers = [_placed(text, file) for text in procedure.dangers()]
        wrong += [each for each in dangers if each.path not in known]
    if wrong:
        raise raised(_one_cause(wrong, file))
    return procedure


def _one_cause(wrong: list[MisfitError], file: ProcedureFile) -> list[MisfitError]:
    """Where hardly any temperature can be right, it is the unit that is wrong."""
    doubted = {each.path for each in wrong if each.problem.endswith(OR_UNIT)}
    limits: set[tuple[str | int, ...]] = {("hold", "minimum"), ("oil", "low"), ("oil", "high")}
    limits |= {("part", number, "critical") for number in range(len(file.part))}
    if not limits <= doubted:
        return wrong
    other = "C" if file.unit == "F" else "F"
    cause = f'is "{file.unit}", and all temperatures here look like °{other}; write unit = "{other}", or correct them'
    return [MisfitError(cause, "unit"), *(each for each in wrong if each.path not in doubted)]


def _placed(text: str, file: ProcedureFile) -> MisfitError:
    """`text` begins with its key; that of a part with "part.KEY of NAME"."""
    key, _, problem = text.partition(" ")
    path = place(key)
    names = [each.name for each in file.part]
    if match := next((name for name in names if path[0] == "part" and problem.startswith(f"of {name} ")), None):
        again = "stands twice" in problem
        path.insert(1, len(names) - 1 - names[::-1].index(match) if again else names.index(match))
    return MisfitError(problem, *path)
