"""The gate's reading of an audit never says more than the audit knows."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[1]

GOOD = {"name": "Alpha_one", "version": "1.0", "vulns": []}
WEAK = {
    "name": "beta",
    "version": "2.0",
    "vulns": [{"id": "MADE-UP-1", "fix_versions": ["2.1"], "aliases": [], "description": ""}],
}
SKIPPED = {"name": "beta", "skip_reason": "Dependency not found"}


def audited(folder: Path, *audits: object, installed: str = "alpha-one==1.0\nbeta==2.0\n") -> Any:
    (folder / "installed.txt").write_text(installed, encoding="utf-8")
    paths = []
    for number, audit in enumerate(audits):
        path = folder / f"audit{number}.json"
        if audit is not None:
            path.write_text(audit if isinstance(audit, str) else json.dumps(audit))
        paths.append(str(path))
    command = [sys.executable, str(ROOT / ".ci" / "audited.py"), str(folder / "installed.txt")]
    return subprocess.run([*command, *paths], capture_output=True, text=True, check=False)


def of(*packages: object) -> dict[str, object]:
    return {"dependencies": list(packages), "fixes": []}


def test_a_known_weakness_fails_with_its_package_and_what_mends_it(tmp_path: Path) -> None:
    done = audited(tmp_path, of(GOOD, WEAK))
    assert done.returncode == 1
    assert "WEAK: beta 2.0: MADE-UP-1 (mended in 2.1)" in done.stdout
    assert "2 of 2 packages looked up, 0 not; 1 of 1 services answered." in done.stdout


def test_all_looked_up_and_none_weak_passes(tmp_path: Path) -> None:
    done = audited(tmp_path, of(GOOD, {**WEAK, "vulns": []}), None)
    assert done.returncode == 0
    assert done.stdout == "2 of 2 packages looked up, 0 not; 1 of 2 services answered.\n"


def test_what_was_skipped_is_counted_and_named(tmp_path: Path) -> None:
    done = audited(tmp_path, of(GOOD, SKIPPED))
    assert done.returncode == 0
    assert "1 of 2 packages looked up, 1 not" in done.stdout
    assert "Nothing is known of: beta" in done.stdout


@pytest.mark.parametrize(
    "audits", [(None, None), (of({**SKIPPED, "name": "alpha-one"}, SKIPPED),), ("not JSON",), ()]
)
def test_where_nothing_was_looked_up_it_says_that_it_knows_nothing(
    tmp_path: Path, audits: tuple[object, ...]
) -> None:
    done = audited(tmp_path, *audits)
    assert done.returncode == 0
    assert "0 of 2 packages looked up, 2 not" in done.stdout
    assert "says nothing of known weaknesses" in done.stdout


def test_one_service_makes_up_for_what_another_skipped_or_missed(tmp_path: Path) -> None:
    done = audited(tmp_path, of(GOOD, SKIPPED), of(WEAK))
    assert done.returncode == 1
    assert "2 of 2 packages looked up" in done.stdout
    assert "MADE-UP-1" in done.stdout


def test_a_package_that_the_audit_left_out_fails(tmp_path: Path) -> None:
    done = audited(tmp_path, of(GOOD))
    assert done.returncode == 1
    assert "LEFT OUT of the audit: beta" in done.stdout


def test_an_empty_list_of_packages_fails(tmp_path: Path) -> None:
    assert audited(tmp_path, of(), installed="# nothing\n").returncode == 1


def test_the_lock_names_every_package_that_the_tests_ask_for() -> None:
    import tomllib

    sys.path.insert(0, str(ROOT / ".ci"))
    from audited import pinned, plain

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = (ROOT / ".ci" / "locked.txt").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# The test environment of Python 3.")
    assert all("==" in line for line in lines[1:])
    asked = project["dependencies"] + project["optional-dependencies"]["test"]
    names = {plain(name) for name in (one.split(">")[0].split("[")[0] for one in asked)}
    assert names <= pinned(lines)
