"""NEEDLE.md says what each constant of the settling is, and why: the code has those."""

import ast
import re
from importlib import import_module
from inspect import getsource
from pathlib import Path

import pytest

from tests.needles import probed

ROWS = re.findall(
    r"^\| (`\w+\.\w+`.*?) \| (.*?) \| \S.* \|$", Path("recorder/thermal/NEEDLE.md").read_text("utf-8"), re.M
)
MODULES = ("approach", "medium", "reach", "samples", "settle")


def said() -> dict[str, list[str]]:
    """Module -> the names of its constants that the table has."""
    found: dict[str, list[str]] = {}
    for names, _ in ROWS:
        module, _, first = names.split("`")[1].partition(".")
        found.setdefault(module, []).extend([first, *names.split("`")[3::2]])
    return found


def flat(value: object) -> list[float]:
    if isinstance(value, tuple):
        return [number for each in value for number in flat(each)]
    assert isinstance(value, int | float)
    return [value]


def test_a_needle_settles_by_the_constants_of_the_page() -> None:
    """It runs by them, so that a bench that tries other constants finds this test."""
    needle = probed(84, noise_c=0.1, hz=4)
    needle.say(-40)
    assert needle.go(84, 1, 5)[-1][1].spot == 1
    for names, values in ROWS:
        module, _, first = names.split("`")[1].partition(".")
        held = vars(import_module(f"recorder.thermal.{module}"))
        has = [number for name in [first, *names.split("`")[3::2]] for number in flat(held[name])]
        assert has == pytest.approx([float(each) for each in values.split(", ")], abs=1e-6), names


@pytest.mark.parametrize("module", MODULES)
def test_the_page_has_every_constant(module: str) -> None:
    imported = import_module(f"recorder.thermal.{module}")
    names = {
        target.id
        for node in ast.parse(getsource(imported)).body
        if isinstance(node, ast.Assign)
        for target in ast.walk(node.targets[0])
        if isinstance(target, ast.Name)
    }
    numbers = {name for name in names if isinstance(vars(imported)[name], int | float | tuple)}
    assert numbers == {*said()[module]}
