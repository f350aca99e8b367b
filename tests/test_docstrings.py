"""Docstrings: whatever takes or gives arrays says of what shape they are and in what unit."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

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


def array_types(tree):
    """Return the names that stand for arrays in a file: NDArray, and what is made of it."""
    names = {"NDArray"}
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name):
            is_type = isinstance(node.value, ast.Subscript) and "NDArray[" in ast.unparse(
                node.value
            )
            names |= {node.targets[0].id} if is_type else set()
    return names


def functions_on_arrays():
    for path in sorted(SOURCE.rglob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        arrays = re.compile(rf"\b({'|'.join(array_types(tree))})\b")
        for scope in ast.walk(tree):
            if not isinstance(scope, ast.Module | ast.ClassDef) or (
                isinstance(scope, ast.ClassDef) and scope.name.startswith("_")
            ):
                continue
            for node in scope.body:
                if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
                    given = [one for one in ast.walk(node.args) if isinstance(one, ast.arg)]
                    types = [one.annotation for one in given] + [node.returns]
                    if any(arrays.search(ast.unparse(one)) for one in types if one):
                        name = f"{path.relative_to(SOURCE).as_posix()}: {node.name}"
                        yield name, ast.get_docstring(node) or ""


FUNCTIONS = list(functions_on_arrays())


@pytest.mark.parametrize("pattern", [SHAPE, UNIT], ids=["shape", "unit"])
def test_public_functions_on_arrays_say_it_of_them(pattern):
    assert len(FUNCTIONS) > 100
    assert [name for name, text in FUNCTIONS if not pattern.search(text)] == []
