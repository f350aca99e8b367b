"""Make the sample frames again: `python -m lightmodel` from the folder that holds this package."""

from __future__ import annotations

import sys
from pathlib import Path

from lightmodel.making import make_all

if __name__ == "__main__":
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent.parent
    told = make_all(folder)
    for name, frame in told["frames"].items():
        print(f"{name}  {frame['verdict'] or frame['role']:<10}  {frame['shows']}")
