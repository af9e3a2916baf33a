"""What several commands share: their arguments, how they fail, and a terminal that obeys nothing that others wrote."""

import json
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from typer.core import TyperGroup

from recorder.core.limits import in_unit
from recorder.errors import RecorderError, why
from recorder.practice import is_practice
from recorder.printable import printable

Config = Annotated[
    Path, typer.Option("--config", metavar="FILE", help="The station's configuration, such as station.toml.")
]

Database = Annotated[Path, typer.Argument(metavar="DB", help="The database of records.")]


def both(temp_c: float, digits: int = 1) -> str:
    """A temperature in both units."""
    return f"{temp_c:.{digits}f} °C ({in_unit(temp_c, 'F'):.{digits}f} °F)"


class _Terminal(Console):
    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        for segment in super().render(renderable, options):
            text, style, control = segment
            yield segment if control else Segment(printable(text), style)


def terminal(stderr: bool = False, soft_wrap: bool = False) -> Console:
    """A console that shows text as it is: no markup in brackets, and every control character as its escape."""
    return _Terminal(stderr=stderr, soft_wrap=soft_wrap, highlight=False, markup=False)


def json_line(row: Any) -> str:
    """`row` on one line of JSON, with nothing in it that a terminal would obey."""
    text = json.dumps(row, ensure_ascii=False)
    return re.sub(r"[\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]", lambda each: f"\\u{ord(each[0]):04x}", text)


class Unusable(RecorderError):
    """An argument, or a file that it names, can't be used; the text says why and what to do."""


def real(settings: Any) -> None:
    """Raise `Unusable` where a station, which does not only practise, would record what nobody measured."""
    simulated = any(probe.driver == "simulated" for probe in settings.probes)
    if simulated and not is_practice(settings.station):
        raise Unusable(
            "simulated probes measure no food, so nothing of them is recorded as real; name a real probe, or use run"
            " --practice"
        )


class Group(TyperGroup):
    """The commands. An error that a person can fix ends the program with its text and exit code 2."""

    def invoke(self, ctx: Any) -> Any:
        """Run a command; one of our errors ends the program with exit code 2."""
        try:
            return super().invoke(ctx)
        except RecorderError as error:
            fail(error)


def fail(error: object, code: int = 2) -> NoReturn:
    """End the program and say why."""
    if isinstance(error, OSError) and error.filename:
        error = f"{error.filename} can't be used: {why(error)}; name another file"
    typer.echo(f"error: {printable(error)}", err=True)
    raise typer.Exit(code)
