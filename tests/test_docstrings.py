"""Beside the code: shape and unit of every array, and what every number at a module's top is."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import stopwise
from stopwise.record import record_schema

SOURCE = Path(__file__).parents[1] / "src" / "stopwise"

AXIS = r"(?:\w[\w +*]{0,16}|\.\.\.)"
SHAPE = re.compile(rf"\b[Ss]hapes?\b|\({AXIS}(?:, {AXIS})+\)|\({AXIS},\)")
"""`of any shape`, or the sizes of the axes: `(h, w)`, `(n,)`, `(..., rows, columns)`."""

UNIT = re.compile(
    r"""\b(
        stops? | zones? | EV | log2 | anchor | levels? | electrons      # light and signal
      | photosites? | cells? | blocks? | pixels? | widths? | degrees    # places, sizes, angles
      | fractions? | shares? | multipliers? | factors? | sRGB | XYZ     # without a unit, and why
      | standard\ deviations? | tolerances | any\ unit | raw\ samples
      | whether | True | Return\ where                                  # booleans: what they mean
    )\b""",
    re.VERBOSE,
)


def modules():
    """Yield each file's name, its tree, and what finds the types of arrays in an annotation.

    They are NDArray, and what the file's top calls an array of one kind.
    """
    for path in sorted(SOURCE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        names = {"NDArray"}
        types = [one for part in tree.body if isinstance(part, ast.If) for one in part.body]
        for node in (*tree.body, *types):
            if isinstance(node, ast.Assign) and isinstance(node.value, ast.Subscript):
                names |= {node.targets[0].id} if "NDArray[" in ast.unparse(node.value) else set()
        arrays = re.compile(rf"\b({'|'.join(names)})\b")
        yield path.relative_to(SOURCE).as_posix(), tree, arrays


def public(nodes, kind):
    return [one for one in nodes if isinstance(one, kind) and not one.name.startswith("_")]


def functions_on_arrays():
    for file, tree, arrays in modules():
        for scope in (tree, *public(tree.body, ast.ClassDef)):
            for node in public(scope.body, ast.FunctionDef):
                given = [one for one in ast.walk(node.args) if isinstance(one, ast.arg)]
                types = [one.annotation for one in given] + [node.returns]
                if any(arrays.search(ast.unparse(one)) for one in types if one):
                    yield f"{file}: {node.name}", ast.get_docstring(node) or ""


def classes_with_arrays():
    for file, tree, arrays in modules():
        for node in public(tree.body, ast.ClassDef):
            fields = [one for one in node.body if isinstance(one, ast.AnnAssign)]
            if any(arrays.search(ast.unparse(one.annotation)) for one in fields):
                yield f"{file}: {node.name}", ast.get_docstring(node) or ""


FUNCTIONS = list(functions_on_arrays())
CLASSES = list(classes_with_arrays())


@pytest.mark.parametrize("pattern", [SHAPE, UNIT], ids=["shape", "unit"])
def test_public_functions_on_arrays_say_it_of_them(pattern):
    assert len(FUNCTIONS) > 100
    assert [name for name, text in FUNCTIONS if not pattern.search(text)] == []


@pytest.mark.parametrize("pattern", [SHAPE, UNIT], ids=["shape", "unit"])
def test_public_classes_that_hold_arrays_say_it_of_them(pattern):
    assert len(CLASSES) > 20
    assert [name for name, text in CLASSES if not pattern.search(text)] == []


def public_names():
    """Yield every public module, class, function, method and property, with its docstring."""

    def inside(scope, owner):
        for node in public(scope.body, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            yield f"{owner}{node.name}", ast.get_docstring(node) or ""
            if isinstance(node, ast.ClassDef):
                yield from inside(node, f"{owner}{node.name}.")

    for file, tree, _ in modules():
        yield file, ast.get_docstring(tree) or ""
        yield from inside(tree, f"{file}: ")


def test_every_public_name_is_documented():
    found = list(public_names())
    assert len(found) > 1500
    assert [name for name, text in found if not text] == []


def fields_handed_out():
    """Yield each field of what `stopwise` hands out, and of a record's parts, with its class."""
    kept = set(record_schema()["$defs"])
    for file, tree, _ in modules():
        for node in public(tree.body, ast.ClassDef):
            bases = {ast.unparse(base) for base in node.bases}
            if node.name in kept | set(stopwise.__all__) and "Table" not in bases:
                text = ast.get_docstring(node) or ""
                for field in node.body:
                    if isinstance(field, ast.AnnAssign):
                        yield f"{file}: {node.name}.{field.target.id}", field.target.id, text


def test_every_field_that_a_program_is_handed_is_documented():
    """A plan's keys have their words in the model, which `docs/plan-keys.md` shows."""
    found = list(fields_handed_out())
    assert len(found) > 150
    named = re.compile(r"^(\w[\w, ]*)$", re.MULTILINE)
    missing = [
        where
        for where, name, text in found
        if name not in {one.strip() for line in named.findall(text) for one in line.split(",")}
    ]
    assert missing == []


def numbers_of_modules():
    """Yield each number at a module's top, with what is said of it and of no other.

    That is a comment in its line, a docstring under it, or a comment over the lines that it is one
    of, with nothing but numbers between.
    """
    for path in sorted(SOURCE.rglob("*.py")):
        text = path.read_text(encoding="utf-8")
        lines, body = text.split("\n"), ast.parse(text).body
        for node, after in zip(body, [*body[1:], None], strict=True):
            if isinstance(node, ast.Assign | ast.AnnAssign) and is_number(node.value):
                above = node.lineno - 2
                while re.match(r"[A-Z_, ]+ = [\d, ]+$", lines[above]):
                    above -= 1
                own = [lines[above].lstrip(), *lines[node.lineno - 1 : node.end_lineno]]
                said = own[0] if own[0].startswith("#") else ""
                said += " ".join(line.partition("  # ")[2] for line in own[1:])
                if isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant):
                    said += str(after.value.value)
                yield f"{path.relative_to(SOURCE).as_posix()}: {lines[node.lineno - 1]}", said


def is_number(node):
    if isinstance(node, ast.Tuple):
        return bool(node.elts) and all(map(is_number, node.elts))
    if isinstance(node, ast.BinOp):
        return is_number(node.left) and is_number(node.right)
    if isinstance(node, ast.UnaryOp):
        return is_number(node.operand)
    return isinstance(node, ast.Constant) and type(node.value) in (int, float)


def test_every_number_at_a_modules_top_says_beside_it_what_it_is():
    found = dict(numbers_of_modules())
    assert len(found) > 400
    assert [name for name, said in found.items() if not said] == []
