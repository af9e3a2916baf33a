"""The faults that the mutation bench makes: each compiles, is another program, and its tree comes back as it was."""

import ast
from pathlib import Path

import pytest

from tests.bench import mutations

ROOT = Path(mutations.__file__).parents[2]
ROOMS = ("core", "thermal", "journal", "notices")
FILES = sorted(path for room in ROOMS for path in ROOT.glob(f"recorder/{room}/*.py"))
FILES += sorted(ROOT.glob("recorder/core/subjects/*.py"))


def made(source: str) -> set[str]:
    return {mutant.becomes for mutant in mutations.mutants(ast.parse(source))}


@pytest.mark.parametrize(
    ("source", "faults"),
    [
        ("x = a < b", {"x = a <= b", "x = a >= b"}),
        ("x = a == b", {"x = a != b"}),
        ("x = a and b", {"x = a or b", "x = a", "x = b"}),
        ("x = not a", {"x = a"}),
        ("x = a - b", {"x = a + b"}),
        ("x = 3", {"x = 4", "x = 2", "x = 3000000"}),
        ("x = 0", {"x = 1", "x = -1"}),
        ("x = True", {"x = False"}),
        ("x = {'a': b}", {"x = {'a~': b}", "x = {}"}),
        ("x = min(a, b)", {"x = max(a, b)"}),
        ("x = all(a)", {"x = any(a)"}),
        ("x = (a, b, c)", {"x = (b, a, c)", "x = (a, c, b)"}),
        ("x = f(a, b, c=d)", {"x = f(a, b)", "x = f(b, a, c=d)"}),
        ("x = sorted(a, key=b)", {"x = list(a)", "x = sorted(a)"}),
        ("x.a = b", {"pass"}),
        ("f()", {"pass"}),
        ("x += a", {"pass", "x -= a"}),
        ("if a: pass", {"if True:", "if False:"}),
        ("while a: pass", {"while False:"}),
        ("x = [a for a in b if c]", {"x = [a for a in b if True]", "x = [a for a in b if False]"}),
        ("def f():\n  return a", {"return None"}),
        ("def f(a=True): pass", {"def f(a=False):"}),
        ("x = f'{a:.1f} °C'", {"x = f'{a} °C'", "x = f'{a:.1f} °C~'"}),
        ("match a:\n  case b: pass", {"case b if False:"}),
    ],
)
def test_the_faults_of_a_line(source: str, faults: set[str]) -> None:
    assert made(source) == faults


@pytest.mark.parametrize(
    "source",
    [
        '"""A text."""',
        "def f(a: dict[str, int]) -> tuple[int, str]:\n  'Says what.'",
        "@dataclass(frozen=True)\nclass A:\n  a: int\n  'Says what.'",
        "assert a > b, 'no'",
        "import a",
        "Found = dict[str, int]",
        "T = TypeVar('T')",
        "x = zip(a, strict=True)",
    ],
)
def test_what_stays_as_it_is(source: str) -> None:
    assert made(source) == set()


@pytest.mark.parametrize("path", FILES, ids=lambda path: f"{path.parent.name}-{path.stem}")
def test_each_fault_compiles_is_another_program_and_is_taken_back(path: Path) -> None:
    tree = mutations.parsed(path.read_text("utf-8"))
    before = ast.dump(tree, include_attributes=True)
    found = list(mutations.mutants(tree))
    assert len({mutant.name for mutant in found}) == len(found)
    for mutant in found[:: max(1, len(found) // 20)]:
        old = mutations.put(mutant)
        compile(tree, str(path), "exec")
        assert ast.dump(tree) != before
        mutations.put_back(mutant, old)
    assert ast.dump(tree, include_attributes=True) == before
