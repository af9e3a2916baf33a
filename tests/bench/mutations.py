"""Small faults to put into a module, one at a time: each is what a slip of the hand would leave. Runs nothing.

A mutant is a change to the module's syntax tree. Docstrings, annotations, decorators, imports, asserts, `strict=` and
the texts of raised errors stay as they are: they guard or explain, and do nothing in a sound program.
"""

import ast
import builtins
import copy
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

MILLION = 1_000_000

_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_WORKED_OUT: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
_SWAPPED = {"min": "max", "max": "min", "any": "all", "all": "any"}
_UNTOUCHED = {"annotation", "returns", "decorator_list", "format_spec", "type_params", "bases"}
_UNMADE = (ast.Import, ast.ImportFrom, ast.Assert, ast.Global, ast.Nonlocal)
_ORDERLESS = (ast.In, ast.NotIn)


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change to a module."""

    line: int
    statement_line: int
    kind: str
    where: str
    """The function or class that it is in, by its dotted name; "" at the module's own level."""
    was: str
    """The statement, or a compound statement's head, before the change."""
    becomes: str
    binds: str
    """The name that the statement gives a value, where it is no function's; "" for none."""
    in_function: bool
    """Whether it is in a function's body, so that the module need not be imported again."""
    place: tuple[Any, str, int | None]
    """Node, field and index of what is put elsewhere; of the tree that `mutants` was given."""
    new: ast.AST

    @property
    def name(self) -> str:
        """Stays the same as long as the statement does, wherever it moves."""
        return f"{self.where}: {self.was} -> {self.becomes}"


def parsed(source: str) -> ast.Module:
    """The syntax tree of a module; raises `SyntaxError`."""
    return ast.parse(source)


def mutants(tree: ast.Module, prose: bool = True) -> Iterator[Mutant]:
    """All mutants of the module, in the order of its lines; two of the same name are one.

    Without `prose` texts of several words stay as they are.
    """
    names: set[str] = set()
    texts = _error_texts(tree) | (set() if prose else _prose(tree))
    for each in _within(tree, None, "", False):
        if each.was != each.becomes and each.name not in names and id(_at(each.place)) not in texts:
            names.add(each.name)
            yield each


def put(mutant: Mutant) -> ast.AST | list[ast.AST]:
    """Put the mutant into its tree; what was there before, which `put_back` takes."""
    node, field, index = mutant.place
    new = mutant.new
    if not hasattr(new, "lineno"):
        ast.fix_missing_locations(ast.copy_location(new, _located(node, field, index)))
    if index is None:
        old = getattr(node, field)
        setattr(node, field, new)
    else:
        old = getattr(node, field)[index]
        getattr(node, field)[index] = new
    return old  # type: ignore[no-any-return]


def put_back(mutant: Mutant, old: Any) -> None:
    """Undo `put`."""
    node, field, index = mutant.place
    if index is None:
        setattr(node, field, old)
    else:
        getattr(node, field)[index] = old


def _error_texts(tree: ast.Module) -> set[int]:
    """Ids of the nodes that only make the text of a raised error: people read it, and it is tested where it matters."""
    made = [each.exc for each in ast.walk(tree) if isinstance(each, ast.Raise) and each.exc is not None]
    texts = [each for raised in made for each in ast.walk(raised) if isinstance(each, (ast.Constant, ast.JoinedStr))]
    return {id(each) for text in texts for each in ast.walk(text)}


def _prose(tree: ast.Module) -> set[int]:
    """Ids of the texts that have several words in small letters: no SQL, which has capitals."""
    inside = {id(part) for each in ast.walk(tree) if isinstance(each, ast.JoinedStr) for part in each.values}
    words = re.compile(r"[a-z,;:] [a-z]")
    return {
        id(each)
        for each in ast.walk(tree)
        if isinstance(each, ast.Constant)
        and isinstance(each.value, str)
        and (words.search(each.value) or (id(each) in inside and " " in each.value))
    }


def _located(node: Any, field: str, index: int | None) -> ast.AST:
    old = getattr(node, field) if index is None else getattr(node, field)[index]
    for each in (old, node):
        if isinstance(each, ast.AST) and hasattr(each, "lineno"):
            return each
    return ast.Pass(lineno=1, col_offset=0, end_lineno=1, end_col_offset=0)


def _within(node: ast.AST, statement: ast.AST | None, where: str, in_function: bool) -> Iterator[Mutant]:
    if isinstance(node, (ast.stmt, ast.ExceptHandler, ast.match_case)):
        statement = node
    named = isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef))
    inside = f"{where}.{node.name}".lstrip(".") if named else where  # type: ignore[attr-defined]
    for field, index, child in _children(node):
        body = named and field == "body"
        is_function = isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef))
        now = in_function or (body and is_function)
        here = inside if body else where
        if body and isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant):
            continue
        shown = child if isinstance(child, (ast.stmt, ast.ExceptHandler, ast.match_case)) else statement
        for kind, target, new in _variants(node, field, index, child):
            yield _made(kind, shown, here, now, target, new)
        yield from _within(child, statement, here, now)


def _made(kind: str, statement: Any, where: str, inside: bool, place: tuple[Any, str, int | None], new: Any) -> Mutant:
    first = getattr(statement, "lineno", 0)
    line = getattr(_at(place), "lineno", None) or getattr(place[0], "lineno", None) or first
    bound = "" if inside else bound_by(statement)
    made = Mutant(line, first, kind, where, _text(statement), "", bound, inside, place, new)
    whole = statement is _at(place)
    old = put(made)
    becomes = _text(new if whole else statement)
    put_back(made, old)
    return replace(made, becomes=becomes)


def bound_by(statement: Any) -> str:
    """The name that an assignment gives a value, "" for any other statement."""
    match statement:
        case ast.Assign(targets=[ast.Name(id=name)]) | ast.AnnAssign(target=ast.Name(id=name)):
            return name
    return ""


def uses(tree: ast.Module) -> Iterator[tuple[str, int, str]]:
    """Each use of a name or an attribute: the name, its line, and the name that its statement binds at the import."""
    for statement, inside in _statements(tree, False):
        bound = "" if inside else bound_by(statement)
        for node in ast.walk(statement):
            match node:
                case ast.Name(id=name, ctx=ast.Load()) | ast.Attribute(attr=name) | ast.keyword(arg=str(name)):
                    yield name, node.lineno, bound


def _statements(node: Any, inside: bool) -> Iterator[tuple[ast.stmt, bool]]:
    """The statements that hold no other, and whether they are in a function."""
    for each in node.body:
        if isinstance(each, ast.ClassDef):
            yield from _statements(each, inside)
        else:
            yield each, inside or isinstance(each, (ast.FunctionDef, ast.AsyncFunctionDef))


def _at(place: tuple[Any, str, int | None]) -> Any:
    node, field, index = place
    return getattr(node, field) if index is None else getattr(node, field)[index]


def _text(statement: Any) -> str:
    """The statement in one line, a compound one without its body."""
    if isinstance(statement, ast.match_case):
        guard = f" if {ast.unparse(statement.guard)}" if statement.guard else ""
        return f"case {ast.unparse(statement.pattern)}{guard}:"
    if isinstance(statement, ast.ExceptHandler):
        return f"except {ast.unparse(statement.type) if statement.type else ''}:"
    if not isinstance(statement, ast.AST):
        return ""
    if isinstance(statement, ast.Match):
        return f"match {ast.unparse(statement.subject)}:"
    if hasattr(statement, "body") and isinstance(statement, ast.stmt):
        head = copy.copy(statement)
        head.body = [ast.Pass()]  # type: ignore[attr-defined]
        for rest in ("orelse", "finalbody", "handlers", "decorator_list"):
            if hasattr(head, rest):
                setattr(head, rest, [])
        if isinstance(head, ast.Try):
            return "try:"
        return ast.unparse(head).rpartition("\n")[0]
    return ast.unparse(statement)


def _children(node: ast.AST) -> Iterator[tuple[str, int | None, ast.AST]]:
    if isinstance(node, _UNMADE) or _is_type(node):
        return
    for field, value in ast.iter_fields(node):
        if field in _UNTOUCHED or (isinstance(node, ast.keyword) and node.arg == "strict"):
            continue
        if isinstance(value, ast.AST):
            yield field, None, value
        elif isinstance(value, list):
            for index, each in enumerate(value):
                if isinstance(each, ast.Expr) and isinstance(each.value, ast.Constant):
                    continue  # a docstring, or one of a field
                if isinstance(each, ast.AST):
                    yield field, index, each


def _is_type(node: ast.AST) -> bool:
    """Whether it names a type: `Found = dict[str, int]`, `T = TypeVar("T")`."""
    match node:
        case ast.Assign(targets=[ast.Name()], value=ast.Subscript(value=ast.Name(id=name))):
            return name in ("Callable", "Mapping", "Sequence") or name in dir(builtins)
        case ast.Assign(value=ast.BinOp(left=ast.Subscript() | ast.BinOp(), op=ast.BitOr())):
            return True
        case ast.Assign(value=ast.Call(func=ast.Name(id="TypeVar"))):
            return True
    return False


Variant = tuple[str, tuple[Any, str, int | None], ast.AST]


def _variants(parent: Any, field: str, index: int | None, node: Any) -> Iterator[Variant]:
    here = (parent, field, index)
    for kind, new in _instead(parent, field, node):
        yield kind, here, new
    match node:
        case ast.Compare(ops=ops):
            for at, each in enumerate(ops):
                for other in _COMPARED[type(each)]:
                    yield "comparison", (node, "ops", at), other()
        case ast.AugAssign(op=op) if type(op) in _WORKED_OUT:
            yield "arithmetic", (node, "op", None), _WORKED_OUT[type(op)]()
        case ast.match_case(guard=None):
            yield "case left out", (node, "guard", None), ast.Constant(False)


def _instead(parent: Any, field: str, node: Any) -> Iterator[tuple[str, ast.AST]]:
    """What may stand in the node's place."""
    condition = (field == "test" and isinstance(parent, (ast.If, ast.IfExp, ast.While))) or field in ("ifs", "guard")
    if condition and not isinstance(node, ast.Constant):
        if not isinstance(parent, ast.While):
            yield "condition true", ast.Constant(True)
        yield "condition false", ast.Constant(False)
    match node:
        case ast.BoolOp(op=op, values=values):
            yield "and or", ast.BoolOp(ast.Or() if isinstance(op, ast.And) else ast.And(), values)
            for at in range(len(values)):
                left = values[:at] + values[at + 1 :]
                yield "condition left out", left[0] if len(left) == 1 else ast.BoolOp(op, left)
        case ast.UnaryOp(op=ast.Not() | ast.USub(), operand=operand):
            yield "sign", operand
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _WORKED_OUT:
            yield "arithmetic", ast.BinOp(left, _WORKED_OUT[type(op)](), right)
        case ast.Constant(value=bool() as value):
            yield "constant", ast.Constant(not value)
        case ast.Constant(value=int() | float() as value):
            yield "constant", ast.Constant(value + 1)
            yield "constant", ast.Constant(value - 1)
            if value and field != "slice" and not isinstance(parent, (ast.Slice, ast.UnaryOp)):
                yield "a million times", ast.Constant(value * MILLION)
        case ast.Constant(value=str() as value):
            yield "text", ast.Constant(value + "~")
        case ast.FormattedValue(format_spec=spec) if spec is not None:
            yield "format left out", ast.FormattedValue(node.value, node.conversion, None)
        case ast.Call():
            yield from _calls(node)
        case ast.Tuple(elts=elts, ctx=ast.Load()) | ast.List(elts=elts, ctx=ast.Load()) if len(elts) > 1:
            if not _orderless(parent, field):
                yield "order", type(node)([elts[1], elts[0], *elts[2:]], ast.Load())
                if len(elts) > 2:
                    yield "order", type(node)([*elts[:-2], elts[-1], elts[-2]], ast.Load())
        case ast.Dict(keys=keys, values=values):
            for at in range(len(keys)):
                yield "entry left out", ast.Dict(keys[:at] + keys[at + 1 :], values[:at] + values[at + 1 :])
        case ast.Return(value=value) if value is not None and not isinstance(value, ast.Constant):
            yield "returned", ast.Return(ast.Constant(None))
        case ast.Expr() | ast.AugAssign() | ast.Raise() | ast.Delete():
            yield "statement left out", ast.Pass()
        case ast.Assign(targets=[ast.Attribute() | ast.Subscript()]):
            yield "statement left out", ast.Pass()
        case ast.Continue():
            yield "statement", ast.Break()
        case ast.Break():
            yield "statement", ast.Continue()


def _calls(node: ast.Call) -> Iterator[tuple[str, ast.AST]]:
    match node:
        case ast.Call(func=ast.Name(id=name), args=args) if name in _SWAPPED:
            yield "swapped", ast.Call(ast.Name(_SWAPPED[name], ast.Load()), args, node.keywords)
        case ast.Call(func=ast.Name(id="sorted"), args=[first, *_]):
            yield "unsorted", ast.Call(ast.Name("list", ast.Load()), [first], [])
    for at, keyword in enumerate(node.keywords):
        if keyword.arg not in (None, "strict"):
            yield "argument left out", ast.Call(node.func, node.args, node.keywords[:at] + node.keywords[at + 1 :])
    match node:
        case ast.Call(func=ast.Name(id="min" | "max" | "isinstance" | "issubclass" | "getattr" | "range")):
            return
        case ast.Call(args=[first, second, *rest]) if not any(isinstance(a, ast.Starred) for a in (first, second)):
            yield "order", ast.Call(node.func, [second, first, *rest], node.keywords)


def _orderless(parent: Any, field: str) -> bool:
    if isinstance(parent, ast.Compare) and field == "comparators":
        return any(isinstance(op, _ORDERLESS) for op in parent.ops)
    called = isinstance(parent, ast.Call) and isinstance(parent.func, ast.Name)
    if called and parent.func.id in ("isinstance", "issubclass"):
        return True
    return isinstance(parent, ast.ExceptHandler)
