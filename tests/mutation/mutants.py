"""Faults by syntax tree: where they can be put, and a sample of them.

Kinds: arithmetic (`+` for `-`, `*` for `/`, ...), comparison (the opposite one), boundary (`<` for `<=`; in the model
left out, where two computed floats are never equal but by design), condition (negated; the two sides of `where`
exchanged; `and` for `or`), constant (whole numbers one more, others half as much again, 0.0 and 1.0 exchanged, truths
turned) and dropped (a statement left out). Not touched: strings and what is put into them, annotations, decorators,
what is raised.
"""

from __future__ import annotations

import ast
import copy
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
ROOMS = ("explorer/model", "explorer/study")
LEFT_OUT = {
    "explorer/model/machine/compiled.py": "how functions are compiled",
    "explorer/model/machine/compile_cache.py": "where compiled functions are kept",
    "explorer/model/machine/lanes.py": "written for the compiler",
    "explorer/model/machine/lane_math.py": "written for the compiler; its polynomials run on lanes only",
    "explorer/model/kernel.py:evaluate_rows": "the parallel loop",
}
"""Files and functions without faults, and why; `tests/model/machine/test_lanes` looks after them with the compiler
on."""

_ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.Mod: ast.FloorDiv, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
_OPPOSITE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
}  # fmt: skip
_BOUNDARY: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt
}  # fmt: skip
_BODIES = ("body", "orelse", "finalbody", "handlers")


@dataclass(frozen=True)
class Mutant:
    """One fault: the file, the function it is in ("" at module level), the line, and the text before and after."""

    file: str
    function: str
    line: int
    kind: str
    before: str
    after: str
    number: int
    """Position among the faults of the file."""

    def __str__(self) -> str:
        return f"{self.file}:{self.line} {self.function or '(module)'} {self.kind}: {self.before}  ->  {self.after}"


@dataclass(frozen=True)
class _Place:
    """A node, how to change it, and where it stands."""

    node: ast.AST
    kind: str
    change: Callable[[ast.AST], ast.AST]
    function: str
    statement: ast.stmt


def _swap_operator(node: ast.AST) -> ast.AST:
    assert isinstance(node, (ast.BinOp, ast.AugAssign))
    node.op = _ARITHMETIC[type(node.op)]()
    return node


def _swap_comparison(table: dict[type[ast.cmpop], type[ast.cmpop]], place: int) -> Callable[[ast.AST], ast.AST]:
    def change(node: ast.AST) -> ast.AST:
        assert isinstance(node, ast.Compare)
        node.ops[place] = table[type(node.ops[place])]()
        return node

    return change


def _negate(node: ast.AST) -> ast.AST:
    assert isinstance(node, (ast.If, ast.While, ast.IfExp))
    node.test = ast.UnaryOp(ast.Not(), node.test)
    return node


def _swap_sides(node: ast.AST) -> ast.AST:
    assert isinstance(node, ast.Call)
    node.args[1], node.args[2] = node.args[2], node.args[1]
    return node


def _swap_truth(node: ast.AST) -> ast.AST:
    assert isinstance(node, ast.BoolOp)
    node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    return node


def off(value: bool | int | float) -> bool | int | float:
    """A constant beside the right one."""
    if isinstance(value, bool):
        return not value
    if isinstance(value, int):
        return value + 1
    return {0.0: 1.0, 1.0: 0.0}.get(value, 1.5 * value)


def _change_constant(node: ast.AST) -> ast.AST:
    assert isinstance(node, ast.Constant) and isinstance(node.value, (bool, int, float))
    node.value = off(node.value)
    return node


def _drop(node: ast.AST) -> ast.AST:
    return ast.Pass()


def _is_text(node: ast.AST) -> bool:
    text = isinstance(node, ast.JoinedStr) or (isinstance(node, ast.Constant) and isinstance(node.value, str))
    return text or (isinstance(node, ast.BinOp) and (_is_text(node.left) or _is_text(node.right)))


def _can_drop(node: ast.stmt, bound: set[str]) -> bool:
    """Statements whose loss is no plain NameError: side effects, and a name bound anew."""
    if isinstance(node, (ast.AugAssign, ast.Raise, ast.Continue, ast.Break)):
        return True
    if isinstance(node, ast.Expr):
        return isinstance(node.value, ast.Call)
    if isinstance(node, ast.Assign):
        names = {n.id for target in node.targets for n in ast.walk(target) if isinstance(n, ast.Name)}
        plain = all(isinstance(t, (ast.Name, ast.Tuple)) for t in node.targets)
        return not plain or bool(names) and names <= bound
    return False


def _here(node: ast.AST, model: bool) -> Iterator[tuple[str, Callable[[ast.AST], ast.AST]]]:
    """(kind, change) of every fault in one node itself."""
    if isinstance(node, (ast.BinOp, ast.AugAssign)) and type(node.op) in _ARITHMETIC and not _is_text(node):
        sequence = isinstance(node, ast.BinOp) and any(
            isinstance(side, (ast.Tuple, ast.List, ast.Dict)) for side in (node.left, node.right)
        )
        if not sequence:
            yield "arithmetic", _swap_operator
    if isinstance(node, ast.Compare):
        for place, sign in enumerate(node.ops):
            yield "comparison", _swap_comparison(_OPPOSITE, place)
            if type(sign) in _BOUNDARY and not model:
                yield "boundary", _swap_comparison(_BOUNDARY, place)
    if isinstance(node, (ast.If, ast.While, ast.IfExp)) and not isinstance(node.test, ast.Compare):
        yield "condition", _negate
    if isinstance(node, ast.BoolOp):
        yield "condition", _swap_truth
    if isinstance(node, ast.Call) and len(node.args) == 3 and ast.unparse(node.func) in ("where", "np.where"):
        yield "condition", _swap_sides
    if isinstance(node, ast.Constant) and isinstance(node.value, (bool, int, float)):
        yield "constant", _change_constant


def _places(tree: ast.Module, model: bool) -> Iterator[_Place]:
    """Every place of a fault, in the order of the source."""

    def expressions(node: ast.AST, function: str, statement: ast.stmt) -> Iterator[_Place]:
        if isinstance(node, ast.JoinedStr):
            return
        for kind, change in _here(node, model):
            yield _Place(node, kind, change, function, statement)
        for name, value in ast.iter_fields(node):
            if name in ("annotation", "returns", "decorator_list") or name in _BODIES and isinstance(node, ast.stmt):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    yield from expressions(child, function, statement)

    def statements(body: list[ast.stmt], function: str, bound: set[str]) -> Iterator[_Place]:
        for node in body:
            if isinstance(node, (ast.Import, ast.ImportFrom)) or "TYPE_CHECKING" in ast.unparse(node).split("\n")[0]:
                continue
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
                inside = f"{function}.{node.name}" if function else node.name
                if isinstance(node, ast.FunctionDef):
                    yield from expressions(node.args, inside, node)
                    bound_here = {arg.arg for arg in ast.walk(node.args) if isinstance(arg, ast.arg)}
                else:
                    bound_here = set()
                yield from statements(node.body, inside, bound_here)
                continue
            if function and _can_drop(node, bound):
                yield _Place(node, "dropped", _drop, function, node)
            if not isinstance(node, ast.Raise):
                yield from expressions(node, function, node)
            if isinstance(node, (ast.Assign, ast.AnnAssign)):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                bound |= {n.id for target in targets for n in ast.walk(target) if isinstance(n, ast.Name)}
            for name in _BODIES:
                inner = getattr(node, name, [])
                for part in inner if isinstance(inner, list) else []:
                    if isinstance(part, ast.ExceptHandler):
                        yield from statements(part.body, function, bound)
                    else:
                        yield from statements([part], function, bound)

    yield from statements(tree.body, "", set())


def _head(statement: ast.AST) -> str:
    """A statement in one line; of a compound one its first line."""
    text = ast.unparse(statement)
    if any(hasattr(statement, name) for name in _BODIES):
        text = next(line for line in text.split("\n") if not line.startswith("@"))
    return " ".join(text.split())


def source_of(file: str) -> ast.Module:
    """The syntax tree of a file of the project."""
    return ast.parse((ROOT / file).read_text(encoding="utf-8"))


def mutants_of(file: str) -> list[Mutant]:
    """Every fault of a file, but for those in functions that are left out."""
    found = []
    model = "explorer/model" in file
    for number, place in enumerate(_places(source_of(file), model)):
        if file in LEFT_OUT or f"{file}:{place.function}" in LEFT_OUT:
            continue
        node = place.node if place.node is place.statement else _smallest(place.statement, place.node)
        shown = copy.deepcopy(node)
        before = _head(shown)
        changed = place.change(_same_in(shown, node, place.node))
        after = "(left out)" if place.kind == "dropped" else _head(shown)
        if place.kind == "dropped":
            assert isinstance(changed, ast.Pass)
        line = getattr(place.node, "lineno", place.statement.lineno)
        found.append(Mutant(file, place.function, line, place.kind, before, after, number))
    return found


def _smallest(statement: ast.stmt, node: ast.AST, most: int = 100) -> ast.AST:
    """The largest part of a statement that holds the node and is at most so many characters long."""
    way = _way(statement, node) or [statement, node]
    for part in way:
        if isinstance(part, (ast.expr, ast.stmt)) and len(_head(part)) <= most:
            return part
    return node


def _way(top: ast.AST, node: ast.AST) -> list[ast.AST] | None:
    """The nodes from the top down to a node."""
    if top is node:
        return [top]
    for child in ast.iter_child_nodes(top):
        below = _way(child, node)
        if below:
            return [top, *below]
    return None


def _same_in(copied: ast.AST, original: ast.AST, node: ast.AST) -> ast.AST:
    """The node of a copied tree that stands where `node` stands in the original."""
    for one, other in zip(ast.walk(copied), ast.walk(original), strict=True):
        if other is node:
            return one
    raise ValueError("the node is not part of the tree")


def mutated(mutant: Mutant) -> ast.Module:
    """The file's tree with the fault in it."""
    tree = source_of(mutant.file)
    place = next(p for k, p in enumerate(_places(tree, "explorer/model" in mutant.file)) if k == mutant.number)

    class Change(ast.NodeTransformer):
        def visit(self, node: ast.AST) -> ast.AST:
            if node is place.node:
                return ast.copy_location(place.change(node), node)
            return self.generic_visit(node)

    return ast.fix_missing_locations(Change().visit(tree))


def files_of(only: str = "") -> list[str]:
    """The files that faults are put into, in order."""
    found = [str(path.relative_to(ROOT)) for room in ROOMS for path in sorted((ROOT / room).rglob("*.py"))]
    return [file for file in found if file not in LEFT_OUT and only in file]


def drawn(files: list[str], seed: int) -> list[Mutant]:
    """Every fault of the files in an order of which any beginning is a sample spread over the files by their numbers
    of faults."""
    keyed = []
    for file in files:
        mutants = mutants_of(file)
        chance = random.Random(f"{seed}:{file}")
        chance.shuffle(mutants)
        start = chance.random()
        keyed += [((rank + start) / len(mutants), mutant) for rank, mutant in enumerate(mutants)]
    return [mutant for _, mutant in sorted(keyed, key=lambda pair: (pair[0], pair[1].file))]
