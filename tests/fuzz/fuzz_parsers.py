"""Fuzz our own parsers, guided by coverage: `python tests/fuzz/fuzz_parsers.py --minutes 60`.

Needs `atheris` (libFuzzer for Python), which the tests don't: `pip install atheris`. Inputs that
reach new code are kept in the folder `--corpus`, so that a later run goes on from them; an input
that breaks a promise is written beside it and ends the run. Without a target each gets its share.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2] / "sample_frames"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

_NAMES = ("containers", "tags", "lossless", "plans", "readings", "actions")
_LONGEST_S, _MOST_MB, _MOST_BYTES = 10, 1536, 16_384
"""For one input: seconds and memory, after which libFuzzer calls it a fault; and its length."""


def fuzz(name: str, corpus: Path, *, minutes: float) -> None:
    """Fuzz one target in this process, which libFuzzer ends."""
    import atheris

    with atheris.instrument_imports(include=["stopwise"]):
        from fuzz.targets import TARGETS, words
    target, seeds = TARGETS[name]
    inputs, words_file = corpus / name, corpus / "words.txt"
    inputs.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds()):
        (inputs / f"seed{number}").write_bytes(seed)
    said = ("".join(f"\\x{byte:02x}" for byte in word) for word in words())
    words_file.write_text("".join(f'"{word}"\n' for word in said), encoding="ascii")
    options = [
        f"-max_total_time={int(60 * minutes)}",
        f"-timeout={_LONGEST_S}",
        f"-rss_limit_mb={_MOST_MB}",
        f"-max_len={_MOST_BYTES}",
        f"-dict={words_file}",
        f"-artifact_prefix={corpus / name}-",
        "-print_final_stats=1",
        "-verbosity=1",
    ]
    atheris.Setup([sys.argv[0], *options, str(inputs)], target)
    atheris.Fuzz()


def main() -> int:
    """Run with what the command line says."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("target", choices=_NAMES, nargs="?")
    parser.add_argument("--minutes", type=float, default=60.0, help="in all")
    parser.add_argument("--corpus", type=Path, default=Path(tempfile.gettempdir(), "fuzz-corpus"))
    chosen = parser.parse_args()
    if chosen.target:
        fuzz(chosen.target, chosen.corpus, minutes=chosen.minutes)
        return 0
    codes = []
    for name in _NAMES:
        share = ["--minutes", str(chosen.minutes / len(_NAMES)), "--corpus", str(chosen.corpus)]
        codes.append(
            subprocess.run([sys.executable, __file__, name, *share], check=False).returncode
        )
    return max(codes)


if __name__ == "__main__":
    sys.exit(main())
