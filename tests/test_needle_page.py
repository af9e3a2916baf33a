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


@pytest.mark.parametrize(("names", "values"), ROWS)
def test_each_constant_is_the_one_of_the_page(names: str, values: str) -> None:
    module, _, first = names.split("`")[1].partition(".")
    has = [
        number
        for name in [first, *names.split("`")[3::2]]
        for number in flat(vars(import_module(f"recorder.thermal.{module}"))[name])
    ]
    assert has == pytest.approx([float(each) for each in values.split(", ")], abs=1e-6)


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


def test_a_needle_by_these_constants_settles() -> None:
    """So whoever tries a constant finds this file among the tests that run it."""
    assert probed(84, noise_c=0.1, hz=4).settling.spot == 1
