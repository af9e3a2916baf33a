"""Do the tests notice small faults? Each fault is put into a module, and the tests that run its line must fail.

    python -m tests.bench.mutants core --sample 300 --seed 1 --minutes 10
    python -m tests.bench.mutants recorder/thermal/oil.py --resume oil.jsonl

pytest collects the tests once; each mutant is a fork of that process. A change in a function's body replaces the code
of the functions that are already there. For any other change every module of ours is imported again in the fork, which
takes a second more. Nothing is written to the working tree.

Which test runs which line is measured first, with the package `coverage`. The quickest tests go first. A baseline is
taken in the same run: the share that the tests of an earlier commit (`--against`) notice. `mutants.toml`, beside this
file, names the tests of each room, and the mutants that are equivalent, each with its reason.

Tests that begin another process can't see a mutant and do not count.
"""

import argparse
import ast
import contextlib
import gc
import hashlib
import importlib.util
import io
import json
import math
import os
import resource
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
import traceback
import warnings
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial
from importlib.machinery import ModuleSpec, SourceFileLoader
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import coverage
import pytest
from hypothesis import HealthCheck, Phase, settings

from tests.bench import mutations
from tests.bench.mutations import Mutant

ROOT = Path(__file__).resolve().parents[2]
TABLE = Path(__file__).with_suffix(".toml")

QUIET = ["-q", "-x", "-s", "-p", "no:cacheprovider", "-p", "no:cov", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
MEMORY = 3_000_000_000
"""Bytes of address space beyond what the process has: a fault may ask for all there is."""

FROZEN = "rules_1_to_4"
"""A folder that is tried only where it is named: nobody edits it."""

KILLED, TIMED_OUT, SURVIVED, EQUIVALENT = "killed", "timed out", "survived", "equivalent"


@dataclass(frozen=True, slots=True)
class Module:
    """A module under trial."""

    name: str
    """As it is imported."""
    path: Path
    tree: ast.Module
    digest: str
    mutants: tuple[Mutant, ...]


@dataclass(slots=True)
class Coverage:
    """What the tests ran, and how long they took."""

    seconds: dict[str, float] = field(default_factory=dict)
    """By the test's id."""
    lines: dict[str, dict[int, list[str]]] = field(default_factory=dict)
    """File -> line -> the ids of the tests that ran it."""

    def ran(self, path: Path, lines: Sequence[int]) -> set[str]:
        """The tests that ran the first of `lines` that any test ran."""
        here = self.lines.get(str(path), {})
        return next((set(here[line]) for line in lines if line in here), set())

    def near(self, path: Path) -> set[str]:
        """All tests of the files of which any test runs this module; all there are, where it only has values."""
        here = self.lines.get(str(path), {})
        files = {test.partition("::")[0] for tests in here.values() for test in tests}
        return {test for test in self.seconds if test.partition("::")[0] in files} or {*self.seconds}

    def ordered(self, found: set[str], path: Path, patience_s: float, old: set[str], own: set[str]) -> list[str]:
        """These tests, old ones first; of each those in `own` first, and those that run much of the module in little
        time.

        Of the old and of the others as many as take `patience_s`, and at least one.
        """
        breadth = Counter(test for tests in self.lines.get(str(path), {}).values() for test in tests)
        result: list[str] = []
        for group in (found & old, found - old):
            spent_s = 0.0
            costs = {test: (self.seconds[test] + 0.01) / (breadth[test] + 1) for test in group}
            for test in sorted(group, key=lambda test: (test not in own, costs[test], test)):
                spent_s += self.seconds[test]
                if spent_s > patience_s and result:
                    break
                result.append(test)
        return result


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of a mutant."""

    module: str
    digest: str
    """Of the module's text, so that a verdict on an older text is not taken up again."""
    line: int
    kind: str
    name: str
    result: str
    by: str = ""
    """The test that noticed it."""
    tests: int = 0
    """So many run its line."""
    old: bool = False
    """Whether a test of the baseline noticed it."""


def modules(under: Sequence[str], prose: Sequence[str]) -> list[Module]:
    """The modules in these rooms, folders or files; texts for people are changed in the rooms `prose` alone."""
    result = []
    for each in under:
        place = ROOT / each if (ROOT / each).exists() else ROOT / "recorder" / each
        inside = [path for path in sorted(place.rglob("*.py")) if FROZEN not in path.relative_to(place).parts]
        for path in [place] if place.is_file() else inside:
            text = path.read_text("utf-8")
            tree = mutations.parsed(text)
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            digest = hashlib.sha256(text.encode()).hexdigest()[:16]
            found = mutations.mutants(tree, prose=name.split(".")[1] in prose)
            result.append(Module(name, path, tree, digest, tuple(found)))
    return result


def _chance(seed: int, module: Module, mutant: Mutant) -> str:
    """What decides whether a mutant is in the sample: it stays there while its statement stays as it is."""
    return hashlib.sha256(f"{seed} {module.name} {mutant.name}".encode()).hexdigest()


def _users(under: Sequence[Module]) -> dict[str, set[tuple[Path, int]]]:
    """Name -> where it is used, also by way of another name that is made of it at the import."""
    users: dict[str, set[tuple[Path, int]]] = defaultdict(set)
    made_of: dict[str, set[str]] = defaultdict(set)
    for module in under:
        for name, line, bound in mutations.uses(module.tree):
            if bound:
                made_of[name].add(bound)
            else:
                users[name].add((module.path, line))
    for name in list(made_of):
        seen, left = {name}, [name]
        while left:
            new = made_of.get(left.pop(), set()) - seen
            seen |= new
            left += new
        users[name] = set[tuple[Path, int]]().union(*(users[each] for each in seen if each in users))
    return users


@cache
def _imports(path: Path) -> frozenset[str]:
    """The modules that a file imports, and the names that it imports from them, in dots: either may be a module."""
    found = set()
    for each in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(each, ast.ImportFrom) and each.module:
            found |= {each.module, *(f"{each.module}.{name.name}" for name in each.names)}
        elif isinstance(each, ast.Import):
            found |= {name.name for name in each.names}
    return frozenset(found)


def known_equivalents(table: Sequence[dict[str, str]]) -> dict[str, dict[str, str]]:
    """Module -> mutant's name -> why it makes no difference."""
    result: dict[str, dict[str, str]] = defaultdict(dict)
    for each in table:
        name = f"{each.get('where', '')}: {each['was']} -> {each['becomes']}"
        result[each["module"]][name] = each["reason"]
    return result


def unchanged_since(commit: str) -> Callable[[str], bool]:
    """Whether a test, by its id, stands in the given commit word for word."""

    def functions(text: str) -> dict[str, str]:
        found = {}
        for each in ast.walk(ast.parse(text)):
            if isinstance(each, (ast.FunctionDef, ast.ClassDef)) and each.name.lower().startswith("test"):
                found[each.name] = ast.dump(each)
        return found

    known: dict[str, set[str]] = {}

    def stands(test: str) -> bool:
        file, _, rest = test.partition("::")
        if file not in known:
            shown = subprocess.run(
                ["git", "show", f"{commit}:{file}"], cwd=ROOT, capture_output=True, text=True, check=False
            )
            before = functions(shown.stdout) if shown.returncode == 0 else {}
            now = functions((ROOT / file).read_text("utf-8"))
            known[file] = {name for name, dumped in now.items() if before.get(name) == dumped}
        return rest.partition("[")[0].rpartition("::")[2] in known[file]

    return stands


class Bench:
    """A pytest plugin: once the tests are collected it tries the mutants in forks, in place of running the tests."""

    def __init__(self, chosen: argparse.Namespace, under: list[Module], equivalents: dict[str, dict[str, str]]) -> None:
        self._chosen = chosen
        self._under = under
        self._equivalents = equivalents
        self._folder = Path(tempfile.mkdtemp(prefix="mutants-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
        self._began_s = time.monotonic()
        self.verdicts: list[Verdict] = []
        self._noticed: Counter[tuple[str, str]] = Counter()
        """By module and test: faults that it noticed. Such a test goes first."""
        self._earlier = _earlier(chosen.resume) if chosen.resume else {}
        self.left = 0

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        if session.testsfailed:
            raise session.Interrupted("the tests can't be collected")
        try:
            self._run(session)
        finally:
            shutil.rmtree(self._folder, ignore_errors=True)
        return True

    def _run(self, session: pytest.Session) -> None:
        without = set(self._chosen.without)
        items = {
            item.nodeid: item
            for item in session.items
            if not without & {*getattr(item, "fixturenames", ()), getattr(item, "originalname", "")}
        }
        covered = self._measured(session, items)
        stands = unchanged_since(self._chosen.against) if self._chosen.against else lambda test: False
        old = {test for test in covered.seconds if stands(test)}
        measured_s = sum(covered.seconds.values())
        print(f"{len(covered.seconds)} tests, {measured_s:.0f} s measured; {len(old)} are the baseline's", flush=True)
        functions = _functions({str(each.path) for each in self._under})
        gc.collect()
        gc.freeze()
        tasks = list(self._tasks(covered, old))
        self.left = len(tasks)
        work = (partial(self._judged, session, items, functions, covered, task) for task in tasks)
        with self._chosen.resume.open("a") if self._chosen.resume else io.StringIO() as out:
            for verdict in _in_parallel(work, self._chosen.jobs, self._began_s + 60 * self._chosen.minutes):
                self.left -= 1
                self.verdicts.append(verdict)
                self._noticed[verdict.module, verdict.by] += verdict.result != SURVIVED
                out.write(json.dumps({name: getattr(verdict, name) for name in Verdict.__slots__}) + "\n")
                out.flush()

    def _tasks(self, covered: Coverage, old: set[str]) -> Iterator["Task"]:
        """The mutants of the sample that have no verdict yet, each with its tests."""
        users = _users(self._under)
        every = [(module, mutant) for module in self._under for mutant in module.mutants]
        if self._chosen.sample:
            chance = {id(mutant): _chance(self._chosen.seed, module, mutant) for module, mutant in every}
            limit = sorted(chance.values())[: self._chosen.sample][-1]
            every = [(module, mutant) for module, mutant in every if chance[id(mutant)] <= limit]
        for module, mutant in every:
            known = self._earlier.get((module.name, module.digest, mutant.name))
            if mutant.name in self._equivalents.get(module.name, {}):
                self.verdicts.append(
                    Verdict(module.name, module.digest, mutant.line, mutant.kind, mutant.name, EQUIVALENT)
                )
            elif known and (known.result != SURVIVED or not self._chosen.again):
                self.verdicts.append(known)
            else:
                lines = (mutant.line, mutant.statement_line) if mutant.in_function else ()
                found = covered.ran(module.path, lines)
                swaps = bool(found)
                for path, line in users.get(mutant.binds, ()) if not mutant.where else ():
                    found |= covered.ran(path, (line,))
                own = self._importing(module.name, covered)
                found = (found if mutant.in_function else found | own) or covered.near(module.path)
                tests = covered.ordered(found, module.path, self._chosen.patience, old, own)
                yield Task(module, mutant, tests, sum(test in old for test in tests), swaps)

    def _importing(self, module: str, covered: Coverage) -> set[str]:
        """The tests of the files that import the module: they are about it, and may read its values, which runs no
        line of it."""
        files = {test.partition("::")[0] for test in covered.seconds}
        importing = {file for file in files if module in _imports(ROOT / file)}
        return {test for test in covered.seconds if test.partition("::")[0] in importing}

    def _measured(self, session: pytest.Session, items: dict[str, pytest.Item]) -> Coverage:
        """What each test runs, measured in forks; what an earlier run found of the same files counts."""
        kept = Path(tempfile.gettempdir()) / f"mutants-{os.getuid()}-{_state_of_tests(self._under)}.json"
        result = Coverage()
        files: dict[str, list[pytest.Item]] = defaultdict(list)
        for item in items.values():
            files[item.nodeid.partition("::")[0]].append(item)
        found = json.loads(kept.read_text("utf-8")) if kept.exists() else {}
        wanted = {name: _digest(ROOT / name) for name in files}
        new = [name for name in files if found.get(name, {}).get("digest") != wanted[name]]

        def measure(name: str) -> tuple[str, dict[str, Any]]:
            folder = self._folder / Path(name).stem
            return name, self._in_child(lambda: _measure(session, files[name], self._under), 900, folder)

        for name, measured in _in_parallel((partial(measure, name) for name in new), self._chosen.jobs, math.inf):
            if "seconds" not in measured:
                raise pytest.exit(f"{name} can't be measured: {measured}")
            found[name] = {"digest": wanted[name], **measured}
        kept.write_text(json.dumps(found), "utf-8")
        for name in files:
            result.seconds |= found[name]["seconds"]
            for failed in found[name]["failed"]:
                print(f"left out, since it fails without a fault: {failed}")
            for path, lines in found[name]["lines"].items():
                here = result.lines.setdefault(path, {})
                for line, tests in lines.items():
                    here.setdefault(int(line), []).extend(tests)
        return result

    def _judged(
        self,
        session: pytest.Session,
        items: dict[str, pytest.Item],
        functions: dict[tuple[str, str, int], list[FunctionType]],
        covered: Coverage,
        task: "Task",
    ) -> Verdict:
        """In a process of its own: the verdict on one mutant."""
        groups = (task.tests[: task.old], task.tests[task.old :])
        tests = [test for each in groups for test in sorted(each, key=lambda t: -self._noticed[task.module.name, t])]
        task = replace(task, tests=tests)
        limits = {test: 2 + 5 * covered.seconds[test] for test in task.tests}
        result: dict[str, Any] = {}
        folder = Path(tempfile.mkdtemp(dir=self._folder))
        try:
            if not task.tests:
                result = {"result": SURVIVED}
            elif task.swaps:
                result = self._in_child(lambda: _swapped(session, items, functions, task, limits), 600, folder / "a")
            if result.get("result", "unfit") == "unfit":
                result = self._in_child(lambda: _imported(task, limits, folder / "b"), 600, folder / "b")
        finally:
            shutil.rmtree(folder, ignore_errors=True)
        by = result.get("by", "")
        noticed = result["result"] != SURVIVED
        mutant = task.mutant
        return Verdict(
            task.module.name,
            task.module.digest,
            mutant.line,
            mutant.kind,
            mutant.name,
            result["result"],
            by,
            len(task.tests),
            noticed and by in task.tests[: task.old],
        )

    def _in_child(self, work: Callable[[], dict[str, Any]], limit_s: float, folder: Path) -> dict[str, Any]:
        """What `work` returned in a fork; a fork that was ended counts as timed out, or as killed where it fell."""
        folder.mkdir(parents=True, exist_ok=True)
        answer = folder / "answer.json"
        child = os.fork()
        if child == 0:
            code = 70
            try:
                os.setpgid(0, 0)
                if not self._chosen.loud:
                    nowhere = os.open(os.devnull, os.O_RDWR)
                    for place in (1, 2):
                        os.dup2(nowhere, place)
                os.environ["MUTANT_FOLDER"] = str(folder)
                used = int(Path("/proc/self/statm").read_text("utf-8").split()[0]) * resource.getpagesize()
                resource.setrlimit(resource.RLIMIT_AS, (used + MEMORY, resource.RLIM_INFINITY))
                _say(answer, work())
                code = 0
            except BaseException:
                if self._chosen.loud:
                    traceback.print_exc()
            finally:
                os._exit(code)
        until_s = time.monotonic() + limit_s
        while (ended := os.waitpid(child, os.WNOHANG))[0] == 0:
            if time.monotonic() > until_s:
                os.killpg(child, signal.SIGKILL)
                ended = os.waitpid(child, 0)
                break
            time.sleep(0.002)
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(child, signal.SIGKILL)  # what its tests began and left
        said = json.loads(answer.read_text("utf-8")) if answer.exists() else {}
        if ended[1] == 0:
            return said
        slow = os.WIFSIGNALED(ended[1]) and os.WTERMSIG(ended[1]) in (signal.SIGALRM, signal.SIGPROF, signal.SIGKILL)
        return {**said, "result": TIMED_OUT if slow else KILLED}


@dataclass(frozen=True, slots=True)
class Task:
    """A mutant and the tests to try on it."""

    module: Module
    mutant: Mutant
    tests: list[str]
    old: int
    """So many of them, at the beginning, are the baseline's."""
    swaps: bool
    """Whether it may do to replace the code of functions."""


def _limit(seconds: float) -> None:
    """End this process after so long by its own clock, which a machine with other work does not hurry, or after much
    longer by the wall's."""
    signal.setitimer(signal.ITIMER_PROF, seconds)
    signal.setitimer(signal.ITIMER_REAL, 20 + 5 * seconds)


def _say(answer: Path, value: dict[str, Any]) -> None:
    part = answer.with_suffix(".part")
    part.write_text(json.dumps(value), "utf-8")
    part.rename(answer)


def _in_parallel(work: Iterator[Callable[[], Any]], jobs: int, until_s: float) -> Iterator[Any]:
    """What each returns, each in a fork with a pipe, so many at a time, as they end."""
    running: dict[int, int] = {}
    for each in work:
        if time.monotonic() > until_s:
            break
        while len(running) >= jobs:
            yield _ended(running)
        read, write = os.pipe()
        child = os.fork()
        if child == 0:
            code = 1
            try:
                os.close(read)
                with os.fdopen(write, "wb") as pipe:
                    pipe.write(json.dumps(each(), default=_plain).encode())
                code = 0
            except BaseException as error:
                print(f"the bench itself failed: {error!r}", file=sys.stderr, flush=True)
            finally:
                os._exit(code)
        os.close(write)
        running[read] = child
    while running:
        yield _ended(running)


def _plain(value: Any) -> Any:
    if isinstance(value, Verdict):
        return {"verdict": [getattr(value, name) for name in Verdict.__slots__]}
    raise TypeError(repr(value))


def _ended(running: dict[int, int]) -> Any:
    read = select.select(list(running), [], [])[0][0]
    with os.fdopen(read, "rb") as pipe:
        text = pipe.read()
    os.waitpid(running.pop(read), 0)
    value = json.loads(text)
    return Verdict(*value["verdict"]) if isinstance(value, dict) and "verdict" in value else value


def _begin(session: pytest.Session, folder: Path) -> None:
    """A temporary folder of its own for the fork's tests."""
    paths = session.config._tmp_path_factory  # type: ignore[attr-defined]
    paths._basetemp = None
    paths._given_basetemp = folder / "tmp"
    os.environ["TMPDIR"] = tempfile.tempdir = str(folder)


def _run_item(session: pytest.Session, items: Sequence[pytest.Item], at: int) -> None:
    following = items[at + 1] if at + 1 < len(items) else None
    session.config.hook.pytest_runtest_protocol(item=items[at], nextitem=following)


def _measure(session: pytest.Session, items: list[pytest.Item], under: list[Module]) -> dict[str, Any]:
    folder = Path(os.environ["MUTANT_FOLDER"])
    _begin(session, folder)
    session.items = items
    seconds: dict[str, float] = {}
    failed: list[str] = []
    measuring = coverage.Coverage(data_file=None, include=[str(each.path) for each in under], config_file=False)
    measuring.start()
    for at, item in enumerate(items):
        measuring.switch_context(item.nodeid)
        before, began_s = session.testsfailed, time.perf_counter()
        _run_item(session, items, at)
        if session.testsfailed > before:
            failed.append(item.nodeid)
        else:
            seconds[item.nodeid] = time.perf_counter() - began_s
    measuring.stop()
    lines: dict[str, dict[int, list[str]]] = {}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", coverage.exceptions.CoverageWarning)  # a test file may run nothing of it
        data = measuring.get_data()
    for path in data.measured_files():
        ran = {
            line: [test for test in tests if test in seconds] for line, tests in data.contexts_by_lineno(path).items()
        }
        lines[path] = {line: tests for line, tests in ran.items() if tests}
    return {"seconds": seconds, "failed": failed, "lines": lines}


def _functions(files: set[str]) -> dict[tuple[str, str, int], list[FunctionType]]:
    """The functions that stand in these files, as they are now in this process."""
    result: dict[tuple[str, str, int], list[FunctionType]] = defaultdict(list)
    for each in gc.get_objects():
        if isinstance(each, FunctionType) and each.__code__.co_filename in files:
            code = each.__code__
            result[code.co_filename, code.co_qualname, code.co_firstlineno].append(each)
    return result


def _codes(code: CodeType) -> Iterator[CodeType]:
    yield code
    for each in code.co_consts:
        if isinstance(each, CodeType):
            yield from _codes(each)


def _compiled(task: Task) -> CodeType:
    mutations.put(task.mutant)
    return compile(task.module.tree, str(task.module.path), "exec", dont_inherit=True)


def _swapped(
    session: pytest.Session,
    items: dict[str, pytest.Item],
    functions: dict[tuple[str, str, int], list[FunctionType]],
    task: Task,
    limits: dict[str, float],
) -> dict[str, Any]:
    """The mutant's code in the functions that are there, and the tests; "unfit" where that can't be."""
    changed = 0
    for code in _codes(_compiled(task)):
        for function in functions.get((code.co_filename, code.co_qualname, code.co_firstlineno), ()):
            if function.__code__ != code:
                try:
                    function.__code__ = code
                    changed += 1
                except ValueError:
                    return {"result": "unfit"}
    if not changed:
        return {"result": "unfit"}
    folder = Path(os.environ["MUTANT_FOLDER"])
    _begin(session, folder)
    chosen = [items[test] for test in task.tests]
    session.items = chosen
    for at, item in enumerate(chosen):
        _say(folder / "answer.json", {"by": item.nodeid, "result": KILLED})
        _limit(limits[item.nodeid])
        _run_item(session, chosen, at)
        if session.testsfailed or session.shouldfail or session.shouldstop:
            return {"by": item.nodeid, "result": KILLED}
    return {"result": SURVIVED}


class _Mutated(SourceFileLoader):
    """Loads the mutant's code in the module's place."""

    def __init__(self, task: Task, code: CodeType) -> None:
        super().__init__(task.module.name, str(task.module.path))
        self._code = code

    def get_code(self, fullname: str) -> CodeType:
        return self._code


class _Afresh:
    """Finds the mutant; and a plugin that picks the tests, minds the time, and notes which one fails."""

    def __init__(self, task: Task, code: CodeType, limits: dict[str, float]) -> None:
        self._task, self._code, self._limits = task, code, limits
        self.by = ""

    def find_spec(self, name: str, path: Any = None, target: Any = None) -> ModuleSpec | None:
        if name != self._task.module.name:
            return None
        place = self._task.module.path
        return importlib.util.spec_from_file_location(name, place, loader=_Mutated(self._task, self._code))

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        by_id = {item.nodeid: item for item in items}
        items[:] = [by_id[test] for test in self._task.tests if test in by_id]

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> None:
        self.by = item.nodeid
        _say(Path(os.environ["MUTANT_FOLDER"]) / "answer.json", {"by": item.nodeid, "result": KILLED})
        _limit(self._limits[item.nodeid])


def _imported(task: Task, limits: dict[str, float], folder: Path) -> dict[str, Any]:
    """All of ours is imported again with the mutant in its place, and pytest runs the tests."""
    os.environ["TMPDIR"] = tempfile.tempdir = str(folder)
    finder = _Afresh(task, _compiled(task), limits)
    for name in list(sys.modules):
        if name.partition(".")[0] in ("recorder", "tests") and not name.startswith("tests.bench.mut"):
            del sys.modules[name]
    sys.meta_path.insert(0, finder)
    _limit(60)
    files = sorted({test.partition("::")[0] for test in task.tests})
    code = pytest.main([*QUIET, "--basetemp", str(folder / "tmp"), *files], plugins=[finder])
    return {"by": finder.by, "result": SURVIVED if code == pytest.ExitCode.OK else KILLED}


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:16]


def _state_of_tests(under: list[Module]) -> str:
    """Changes with the modules under trial and with what the tests share."""
    found = [*(ROOT / "tests").glob("*.py"), *(ROOT / "tests/model").glob("*.py")]
    shared = [path for path in sorted(found) if not path.name.startswith("test_")]
    texts = [*(module.name + module.digest for module in under), *map(_digest, shared)]
    return hashlib.sha256("".join(texts).encode()).hexdigest()[:16]


def _earlier(path: Path) -> dict[tuple[str, str, str], Verdict]:
    if not path.exists():
        return {}
    found = (Verdict(**json.loads(line)) for line in path.read_text("utf-8").splitlines())
    return {(each.module, each.digest, each.name): each for each in found}


def table(verdicts: Sequence[Verdict], against: str) -> str:
    """Per module and in all: made, killed, timed out, survived, equivalent, and the shares that were noticed."""
    counted: dict[str, Counter[str]] = defaultdict(Counter)
    for each in verdicts:
        for name in (each.module, "all"):
            counted[name][each.result] += 1
            counted[name]["old"] += each.old
    lines = [f"{'module':32} made killed timeout survived equivalent noticed  at {against[:12]}"]
    for name in sorted(counted, key=lambda name: (name == "all", name)):
        n = counted[name]
        noticed = n[KILLED] + n[TIMED_OUT]
        counts = noticed + n[SURVIVED]
        shares = f"{noticed / counts:7.1%} {n['old'] / counts:9.1%}" if counts else "      -         -"
        lines.append(
            f"{name.removeprefix('recorder.'):32} {counts + n[EQUIVALENT]:4} {n[KILLED]:6} {n[TIMED_OUT]:7}"
            f" {n[SURVIVED]:8} {n[EQUIVALENT]:10} {shares}"
        )
    return "\n".join(lines)


def survivors(verdicts: Sequence[Verdict]) -> Iterator[str]:
    """Each with its file and line, its diff, and how many tests run the line."""
    for each in verdicts:
        if each.result == SURVIVED:
            where, _, change = each.name.partition(": ")
            was, _, becomes = change.partition(" -> ")
            file = each.module.replace(".", "/") + ".py"
            yield f"{file}:{each.line} {where} ({each.kind}; {each.tests} tests)\n- {was}\n+ {becomes}\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("under", nargs="+", help="rooms (core), folders or files")
    parser.add_argument("--sample", type=int, default=0, help="so many mutants at random; 0: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=60, help="begin no mutant after so many")
    parser.add_argument("--patience", type=float, default=20, help="seconds of tests for one mutant, by their measure")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--against", default="main", help="the commit whose tests are the baseline; '': none")
    parser.add_argument("--resume", type=Path, help="a file that keeps the verdicts; those in it are not taken again")
    parser.add_argument("--again", action="store_true", help="with --resume: try those again that survived")
    parser.add_argument("--loud", action="store_true", help="show what the tests print")
    chosen = parser.parse_args()
    os.chdir(ROOT)
    said = tomllib.loads(TABLE.read_text("utf-8"))
    under = modules(chosen.under, said["prose"])
    equivalents = known_equivalents(said.get("equivalent", []))
    rooms = {module.name.split(".")[1] for module in under}
    files = sorted({f"tests/{name}.py" for room in rooms for name in said["tests"][room]})
    files = [file for file in files if (ROOT / file).exists()]
    settings.register_profile(
        "mutants",
        derandomize=True,
        database=None,
        deadline=None,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    settings.load_profile("mutants")
    chosen.without = said["without"]
    bench = Bench(chosen, under, equivalents)
    began_s = time.monotonic()
    pytest.main([*QUIET, *files], plugins=[bench])
    if not bench.verdicts:
        raise SystemExit("no mutant was tried: see what pytest said, with --loud")
    known = {module.name: {mutant.name for mutant in module.mutants} for module in under}
    for module, names in equivalents.items():
        for name in names:
            if module in known and name not in known[module]:
                print(f"mutants.toml names no mutant that is there: {module}, {name}")
    verdicts = sorted(bench.verdicts, key=lambda each: (each.module, each.line, each.name))
    print(*survivors(verdicts), sep="\n")
    print(table(verdicts, chosen.against))
    spent_s = time.monotonic() - began_s
    print(f"{spent_s:.0f} s for {len(verdicts)} mutants; {bench.left} of the sample are left")


if __name__ == "__main__":
    main()
