"""The command, as `stopwise` and as `python -m stopwise`: what comes before and after all else."""

import atexit
import os
import sys
from contextlib import suppress

from stopwise.folder.signals import leave_when_asked


def main() -> None:
    """Run the command and end the process; a watch can be ended from its first moment on."""
    _open_what_is_closed()
    ended_with: list[int] = []
    atexit.register(_leave_the_rest, ended_with)  # the first to be registered is done last
    if sys.argv[1:2] == ["watch"]:
        leave_when_asked()
    from stopwise.cli import run

    ended_with.append(run())


def _open_what_is_closed() -> None:
    """Put nothing in the place of standard streams that are closed, as under a system's own jobs.

    Else Python has None there, and the next file to be opened would get the number of one: a worker
    would lose its pipe to it.
    """
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: PTH123, SIM115


def _leave_the_rest(ended_with: list[int]) -> None:
    """End with the command's code, and at once: all is put away, and the system frees the rest.

    Python would take its modules apart one by one, a fifth of a second of the processor, for which
    a busy machine had who pressed Ctrl-C wait for more than one.
    """
    for code in ended_with:
        for output in (sys.stdout, sys.stderr):
            with suppress(OSError):  # it was told of; what still waits is let go
                output.flush()
        os._exit(code)


if __name__ == "__main__":
    main()
