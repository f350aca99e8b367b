"""Keep the answers as they are now: `python tests/golden/write.py [PART ...]`, all without one.

Only for a change that is meant and listed: look at the difference before it is committed.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2] / "sample_frames"))

from golden import kept
from golden.parts import PARTS


def main(names: list[str]) -> None:
    """Ask for parts anew, and keep them."""
    sentences = kept.read("sentences") if (kept.HERE / "sentences.json").is_file() else {}
    for name in names or PARTS:
        with tempfile.TemporaryDirectory() as stage:
            os.environ["XDG_DATA_HOME"] = f"{stage}/data"
            answers, sentences[name] = kept.split(PARTS[name](Path(stage)))
        kept.write(name, answers)
    kept.write("sentences", {name: sentences[name] for name in PARTS if name in sentences})


if __name__ == "__main__":
    main(sys.argv[1:])
