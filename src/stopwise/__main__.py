"""The command, as `stopwise` and as `python -m stopwise`: what comes before all imports."""

import sys

from stopwise.folder.signals import leave_when_asked


def main() -> None:
    """Run the command; a watch can be ended from its first moment on."""
    if sys.argv[1:2] == ["watch"]:
        leave_when_asked()
    from stopwise.cli import main as run_command

    run_command()


if __name__ == "__main__":
    main()
