"""Say what an audit of the installed packages found, and how much of them it really looked up.

`audited.py INSTALLED AUDIT...`: pinned packages, one a line, and the JSON of each audit; one that
isn't there is of a service that couldn't be reached. An audit by itself ends with 0 and "no known
vulnerabilities" also where it skipped every package. This ends with 1 for a known weakness, and for
a package that no audit names; where nothing could be looked up it says so, and passes.
"""

from __future__ import annotations

import json
import re
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


@dataclass
class Audited:
    """What audits say together: packages looked up, those passed over, weaknesses by package."""

    looked_up: set[str] = field(default_factory=set)
    skipped: set[str] = field(default_factory=set)
    weak: dict[str, set[str]] = field(default_factory=dict)

    def take(self, audit: dict[str, Any]) -> None:
        """Take in one audit; what one service doesn't know another may."""
        for package in audit["dependencies"]:
            name = plain(package["name"])
            if "skip_reason" in package:
                self.skipped.add(name)
                continue
            self.looked_up.add(name)
            for weakness in package["vulns"]:
                known = f"{weakness['id']} (mended in {', '.join(weakness['fix_versions']) or '-'})"
                self.weak.setdefault(f"{name} {package['version']}", set()).add(known)


def plain(name: str) -> str:
    """Return a package's name in its one form (PyPA's name normalization)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def pinned(lines: Iterable[str]) -> set[str]:
    """Return the names in a list of pinned packages."""
    bare = (line.partition("#")[0].strip() for line in lines)
    return {plain(re.split(r"\s*(?:==|@)\s*", line)[0]) for line in bare if line}


def read(path: Path) -> dict[str, Any] | None:
    """Return an audit, or None where its service gave none."""
    try:
        audit: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        return audit if "dependencies" in audit else None
    except (OSError, ValueError, TypeError):
        return None


def verdict(installed: set[str], audits: Sequence[dict[str, Any] | None]) -> tuple[int, list[str]]:
    """Return the exit code and what is to be said."""
    found = Audited()
    for audit in audits:
        if audit is not None:
            found.take(audit)
    looked_up = found.looked_up & installed
    answered = sum(audit is not None for audit in audits)
    counted = f"{len(looked_up)} of {len(installed)} packages looked up"
    not_looked_up = f"{len(installed - looked_up)} not; {answered} of {len(audits)}"
    said = [f"{counted}, {not_looked_up} services answered."]
    said += [f"WEAK: {name}: {', '.join(sorted(ids))}" for name, ids in sorted(found.weak.items())]
    missing = sorted(installed - found.looked_up - found.skipped)
    if missing and answered:
        said.append(f"LEFT OUT of the audit: {', '.join(missing)}")
    if not looked_up:
        said.append("Nothing could be looked up here, so this says nothing of known weaknesses.")
    elif looked_up != installed:
        said.append(f"Nothing is known of: {', '.join(sorted(installed - looked_up))}")
    return int(bool(found.weak) or bool(missing and answered)), said


def main(arguments: Sequence[str]) -> int:
    """Read what the command line names, print what is to be said, return the exit code."""
    installed, *audits = map(Path, arguments)
    names = pinned(installed.read_text(encoding="utf-8").splitlines())
    if not names:
        print("No package is installed: the audit has nothing to look up.")
        return 1
    code, said = verdict(names, [read(path) for path in audits])
    print("\n".join(said))
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
