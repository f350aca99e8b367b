"""The house itself: one direction of imports, a light door, one place where errors become words."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from functools import cache
from pathlib import Path

import pytest

import stopwise
from stopwise import conditions, errors
from support.way_of_a_frame import way_of_a_frame

ROOT = Path(__file__).parents[1]
SOURCE = ROOT / "src" / "stopwise"

HOUSE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("## The house\n")[1]

ORDER = tuple(
    room
    for row in re.findall(r"^\| (`\w+`(?:, `\w+`)*) \|", HOUSE.split("\n## ")[0], re.MULTILINE)
    for room in re.findall(r"\w+", row)
)
"""The rooms from the ground floor up, as DEVELOPERS.md lists them: each imports only from itself
and from rooms before it."""


def room_of(path: Path) -> str:
    return path.relative_to(SOURCE).parts[0].removesuffix(".py")


@cache
def nodes_of(path: Path) -> tuple[ast.AST, ...]:
    """Return all that a file consists of."""
    return tuple(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))


def imports_of(path: Path) -> set[str]:
    """Return the modules of the package that a file imports, inside functions and for types too."""
    found = set()
    for node in nodes_of(path):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("stopwise"):
            found |= {_module(node.module or "", name.name) for name in node.names}
        elif isinstance(node, ast.Import):
            found |= {name.name for name in node.names if name.name.startswith("stopwise")}
    return found


def _module(package: str, name: str) -> str:
    """Return the submodule that `from package import name` asks for, or else the package."""
    home = SOURCE.parent.joinpath(*package.split("."))
    is_module = (home / f"{name}.py").exists() or (home / name / "__init__.py").exists()
    return f"{package}.{name}" if is_module else package


FILES = sorted(SOURCE.rglob("*.py"))


def test_a_room_imports_only_from_rooms_before_it():
    wrong = []
    for path in FILES:
        room = room_of(path)
        if room in ("__init__", "__main__"):
            continue
        for module in imports_of(path):
            there = module.split(".")[1] if "." in module else None
            is_before = there is not None and ORDER.index(there) <= ORDER.index(room)
            if not is_before and (there or room != "cli"):
                wrong.append(f"{path.relative_to(SOURCE)} imports {module}")
    assert wrong == []


def test_the_house_in_developers_md_has_every_room_once_and_draws_each():
    assert sorted(ORDER) == sorted({room_of(path) for path in FILES} - {"__init__", "__main__"})
    picture, words = HOUSE.split("```text\n")[1].split("Below are the rooms")[0].split("```\n")
    drawn = re.findall(r"\w+", picture) + re.findall(r"`(\w+)`", words)
    assert [room for room in ORDER if room not in drawn] == []


def test_no_module_imports_itself_round_a_corner():
    graph = {}
    for path in FILES:
        name = ".".join(path.relative_to(SOURCE.parent).with_suffix("").parts)
        graph[name.removesuffix(".__init__")] = imports_of(path)
    seen: set[str] = set()

    def walk(module: str, trail: tuple[str, ...]) -> None:
        assert module not in trail, " -> ".join([*trail, module])
        if module in seen:
            return
        for there in graph.get(module, ()):
            walk(there, (*trail, module))
        seen.add(module)

    for module in graph:
        walk(module, ())


def test_each_file_says_what_it_is_for_and_ends_where_its_subject_ends():
    texts = {path.relative_to(SOURCE): path.read_text(encoding="utf-8") for path in FILES}
    assert [path for path, text in texts.items() if not text.startswith('"""')] == []
    assert [path for path, text in texts.items() if text.count("\n") > 600] == []


def test_no_two_modules_and_no_two_classes_share_a_name():
    modules = [path.parent.name if path.stem == "__init__" else path.stem for path in FILES]
    assert [name for name in set(modules) if modules.count(name) > 1] == []
    names = [
        node.name for path in FILES for node in nodes_of(path) if isinstance(node, ast.ClassDef)
    ]
    assert [name for name in set(names) if names.count(name) > 1] == []


def loaded_by(code: str) -> set[str]:
    """Return the modules that a fresh interpreter holds after running `code`."""
    script = f"{code}\nimport sys; print('\\n'.join(sys.modules))"
    done = subprocess.run(  # the project's own interpreter and code
        [sys.executable, "-c", script], check=True, capture_output=True, text=True
    )
    return set(done.stdout.split())


HEAVY = {"numpy", "scipy", "skimage", "matplotlib", "rawpy", "pydantic", "starlette", "rich"}


def test_importing_the_package_loads_nothing_heavy():
    assert not loaded_by("import stopwise") & (HEAVY | {"click"})


def test_help_loads_nothing_heavy():
    code = "from stopwise.cli import run\nassert run(['--help']) == 0"
    assert not loaded_by(code) & HEAVY


def test_a_frame_without_solos_waits_for_no_solver():
    """scipy.optimize takes 0.4 s to load, which only frames with solos are worth."""
    frame = ROOT / "sample_frames" / "F0011.dng"
    code = f"import sys; from stopwise.cli import run; run(['check', '--json', {str(frame)!r}])"
    assert "scipy.optimize" not in loaded_by(code)


def test_every_public_name_is_there():
    places = {name: getattr(stopwise, name).__module__ for name in stopwise.__all__}
    assert [name for name, at in places.items() if not at.startswith("stopwise.")] == []


def test_an_unknown_name_is_refused_as_python_does():
    with pytest.raises(AttributeError, match="no attribute 'cheek'"):
        _ = stopwise.cheek


def test_errors_have_one_root_and_few_kinds():
    kinds = [
        kind
        for kind in vars(errors).values()
        if isinstance(kind, type) and issubclass(kind, Exception)
    ]
    assert all(issubclass(kind, errors.StopwiseError) for kind in kinds)
    assert len(kinds) <= 8
    assert {kind.exit_code for kind in kinds} == {2, 3}


def test_only_one_module_turns_errors_into_words():
    users = [
        path
        for path in FILES
        if re.search(r"ClickException|sys\.exit\(", path.read_text(encoding="utf-8"))
    ]
    assert [path.relative_to(SOURCE).as_posix() for path in users] == ["cli/__init__.py"]


def test_only_one_module_prints_what_is_no_terminals_own_line():
    """One printer spells out what could steer a screen; `report/terminal.py` has rich's console."""
    users = [
        path.relative_to(SOURCE).as_posix()
        for path in FILES
        if re.search(
            r"click\.echo\(|\bprint\(|sys\.std\w+\.write", path.read_text(encoding="utf-8")
        )
    ]
    assert users == ["cli/printing.py", "report/terminal.py"]


def test_codes_of_conditions_are_unique_and_their_texts_are_plain():
    rows = list(conditions.CONDITIONS.values())
    assert len({row.code for row in rows}) == len(rows)
    for row in rows:
        assert not row.short.endswith(".")
        assert row.long.endswith(".")


def test_the_version_is_said_in_one_way():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert project["project"]["version"] == stopwise.__version__


def test_each_package_that_is_needed_is_imported_and_has_its_reason():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    reasons = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    source = "\n".join(path.read_text(encoding="utf-8") for path in FILES)
    for requirement in project["project"]["dependencies"]:
        name = re.split(r"[<>=\[]", requirement)[0]
        module = {"scikit-image": "skimage", "pillow": "PIL", "fpdf2": "fpdf"}.get(name, name)
        assert re.search(rf"^\s*(import|from) {module}\b", source, re.MULTILINE), name
        assert f"| {name} |" in reasons, name


def test_one_check_runs_through_as_few_files_and_rooms_as_developers_md_says():
    said = re.search(r"code of (\d+) files .* changes room ([\d,]+) times", HOUSE)
    assert said
    files, changes = (int(number.replace(",", "")) for number in said.groups())
    way = way_of_a_frame()
    assert way["exit"] == 1  # F0009 is off plan: the longest way, with a lamp named and turned
    assert len(way["calls"]) <= files
    assert sum(way["changes"].values()) <= changes
