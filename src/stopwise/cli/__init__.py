"""The command line: names the commands, loads one when it is called, and ends in one place."""

from __future__ import annotations

import io
from importlib import import_module
from typing import TYPE_CHECKING

import click

import stopwise
from stopwise.cli.printing import tell, warn
from stopwise.errors import PlanError, StopwiseError, WrongUse, refusal

if TYPE_CHECKING:
    from collections.abc import Sequence

_COMMANDS = {
    "demo": ("stopwise.cli.demo_command", "demo", "Replay the sample frames, end to end."),
    "watch": ("stopwise.cli.watch_command", "watch", "Judge frames as they land in a folder."),
    "check": ("stopwise.cli.check_command", "check", "Judge files now."),
    "audit": ("stopwise.cli.audit_command", "audit", "Measure an archive, however large."),
    "compare": ("stopwise.cli.compare_command", "compare", "What changed, in stops."),
    "run": ("stopwise.cli.run_command", "run", "How a take ran: median, spread, drift."),
    "rebuild": ("stopwise.cli.rebuild_command", "rebuild", "Build an earlier light again."),
    "plan": ("stopwise.cli.plan_commands", "plan", "Write, check and draw a lighting plan."),
    "grey": ("stopwise.cli.mark_commands", "grey", "Set mid-grey from a card."),
    "mark": ("stopwise.cli.mark_commands", "mark", "Say what part a frame plays in the plan."),
    "dial": ("stopwise.cli.dial_command", "dial", "Powers that meet the plan, from its solos."),
    "expect": ("stopwise.cli.day_commands", "expect", "The next frames are these, in order."),
    "adopt": ("stopwise.cli.mark_commands", "adopt", "A frame's figures become the targets."),
    "lit": ("stopwise.cli.day_commands", "lit", "Only these lamps are meant to be lit."),
    "moved": ("stopwise.cli.day_commands", "moved", "A lamp was moved or flagged: solo lost."),
    "look": ("stopwise.cli.day_commands", "look", "From the next frame on, this look's targets."),
    "take": ("stopwise.cli.day_commands", "take", "A new take begins, and what was turned."),
    "stops": ("stopwise.cli.stops_command", "stops", "The arithmetic of light."),
    "sheet": ("stopwise.cli.hand_over_commands", "sheet", "The set sheet: the light on paper."),
    "hand-over": ("stopwise.cli.hand_over_commands", "hand_over", "All of it in one folder."),
    "ledger": ("stopwise.cli.ledger_command", "ledger", "Hand the records out."),
    "self-check": ("stopwise.cli.self_check_command", "self_check", "What this machine can do."),
}


class _Commands(click.Group):
    """A group that knows its commands by name and loads one only when it is used."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Return the commands in the order of a day."""
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Load one command."""
        if cmd_name not in _COMMANDS:
            return None
        module, name, _ = _COMMANDS[cmd_name]
        command: click.Command = getattr(import_module(module), name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """Write the list of commands without loading any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, _, text) in _COMMANDS.items()])


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(stopwise.__version__, prog_name="stopwise")
def commands() -> None:
    """Say in stops how far each studio frame is from the lighting plan, and which lamp to turn.

    Exit codes: 0 all on plan or measured, 1 something off plan or can't tell, 2 wrong use, wrong
    plan or a path that isn't there, 3 a file unreadable.
    """


def run(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return its exit code; the one place where an error becomes words."""
    try:
        result = commands.main(
            args=None if arguments is None else list(arguments),
            prog_name="stopwise",
            standalone_mode=False,
        )
    except StopwiseError as error:
        first, *more = error.problems if isinstance(error, PlanError) else (str(error),)
        warn(f"stopwise: {first}", *more)
        return error.exit_code
    except click.ClickException as error:
        told = io.StringIO()
        error.show(told)
        warn(*told.getvalue().rstrip("\n").split("\n"))
        return error.exit_code
    except click.Abort:
        tell("stopped.")
        return 1
    except OSError as error:
        tell(_said_of(error))
        return WrongUse.exit_code
    return result if isinstance(result, int) else 0


def _said_of(error: OSError) -> str:
    """Return what the system refused and what to do: a file where it names one, else the output."""
    why = refusal(error)
    if error.filename is not None:
        return f"{error.filename}: {why}. Look at the file, and at what its disk allows."
    return f"The output can't be written: {why}. Make room, or send it elsewhere."
