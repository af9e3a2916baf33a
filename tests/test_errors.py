"""One base for the errors that a person can mend, caught in one place of the command line."""

import ast
import builtins
from pathlib import Path

import typer
from typer.testing import CliRunner

import recorder
from recorder.commands.shared import Group
from recorder.driver import DriverLost
from recorder.errors import RecorderError
from recorder.journal.errors import JournalDamaged

WITHIN = {"Refusal", "_TooLong"}
"""What never leaves the room that raises it: the core's answer to a command, and a Modbus line's own."""


def test_every_error_of_ours_has_the_one_base() -> None:
    """By their text, so that a module whose library is missing counts too."""
    bases: dict[str, list[str]] = {}
    for file in Path(recorder.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text("utf-8"))):
            if isinstance(node, ast.ClassDef):
                bases.setdefault(node.name, []).extend(base.id for base in node.bases if isinstance(base, ast.Name))

    def line(name: str) -> set[str]:
        return {name}.union(*(line(base) for base in bases.get(name, ())))

    errors = {name: line(name) for name in bases}
    python = {name for name in dir(builtins) if isinstance(getattr(builtins, name), type(Exception))}
    python = {name for name in python if issubclass(getattr(builtins, name), BaseException)}
    ours = {name for name, above in errors.items() if above & python} - WITHIN
    assert len(ours) > 12 and {name for name in ours if "RecorderError" not in errors[name]} == set()


def test_the_command_line_ends_with_the_text_of_any_of_them() -> None:
    app = typer.Typer(cls=Group)
    raised: list[RecorderError] = [DriverLost("unplugged", "/dev/ttyACM0"), JournalDamaged("r.db is \x1b[31mdamaged")]

    @app.command()
    def first() -> None:
        raise raised.pop(0)

    @app.command()
    def other() -> None:
        """With one command alone there would be no group."""

    for text in ("error: unplugged: /dev/ttyACM0\n", "error: r.db is \\x1b[31mdamaged\n"):
        result = CliRunner().invoke(app, ["first"])
        assert (result.exit_code, result.stderr) == (2, text)
