"""What a person does from the page: said to the watcher through the ledger, or written in the plan.

Each action answers with one sentence that says what came of it.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from stopwise.errors import WrongUse
from stopwise.page.apart import apart
from stopwise.plan import load_plan
from stopwise.preparing.marks import MARK, mark_frame
from stopwise.shoot.adopting import ADOPT, Choice, refuse_spoilt
from stopwise.shoot.awaiting import card_box, keep_card_box
from stopwise.shoot.saying import YES, card_patch, read_lit, read_look, read_parts, read_turned
from stopwise.shoot.standing import Standing, offered_turn
from stopwise.shoot.taking_part import adopt_frame, note_mark, undo_last

if TYPE_CHECKING:
    from collections.abc import Sequence

    from stopwise.ledger import Kept, Ledger
    from stopwise.plan.model import Plan
    from stopwise.record import Record

_MARK_FAILS = "The frame was not marked: its decoder failed. Mark another."
_UNDONE = {
    ADOPT: "The adoption is taken back: targets and take are as they were.",
    MARK: "Took the mark back.",
}


class Actions:
    """Actions on one watch: its ledger, its folder and its plan.

    Parameters
    ----------
    ledger
        Where orders are written for the watcher.
    folder
        The watched folder.
    plan_path
        The plan file; None where there is none, and then what needs one is refused.
    """

    def __init__(self, ledger: Ledger, folder: Path, plan_path: Path | None) -> None:
        self._ledger = ledger
        self._folder = folder
        self.plan_path = plan_path

    @property
    def plan_file(self) -> Path:
        """The plan file.

        Raises
        ------
        WrongUse
            If the watch has no plan.
        """
        if self.plan_path is None:
            msg = "This watch has no plan. Start it with --plan."
            raise WrongUse(msg)
        return self.plan_path

    def adopt(self, record: Record) -> str:
        """Make a frame's figures the targets, the old ones kept as comments; a take begins."""
        refuse_spoilt(record)
        lit = Standing(self._ledger, lambda _: None).lit
        changed = adopt_frame(
            self._ledger,
            record,
            self.plan_file,
            frame=Path(self._folder, record.file),
            choice=Choice(lit=lit),
        )
        targets = "1 target" if len(changed) == 1 else f"{len(changed)} targets"
        return f"Adopted {targets} from {record.file}. Undo takes it back."

    def mark(self, kept: Kept, part: str) -> str:
        """Write into the plan that a frame is grey, ambient, plate, reference or a lamp's solo."""
        if kept.row["verdict"] == "unreadable":
            msg = "A frame that can't be read plays no part."
            raise WrongUse(msg)
        frame = Path(self._folder, str(kept.row["file"]))
        said = apart(mark_frame, frame, part, self.plan_file, fails=_MARK_FAILS)
        note_mark(self._ledger, part, kept)
        return said

    def undo(self) -> str:
        """Take back the last edit of the plan, and what the watch made of it."""
        done = undo_last(self._ledger, self.plan_file)
        return _UNDONE.get(done, "Took back the last edit of the plan.")

    def begin_take(self, said: str) -> str:
        """Begin a take, and say what was turned: "key -0.5"; "yes" for the turn asked about."""
        if said.lower() == YES:
            if not offered_turn(self._ledger):
                msg = 'No turn is asked about any more. Say what was turned: "key -0.5".'
                raise WrongUse(msg)
        else:
            read_turned(said, None if self.plan_path is None else load_plan(self.plan_path))
        self._ledger.orders.say("take", said)
        return "A new take begins with the next frame."

    def lit(self, lamps: Sequence[str] | None) -> str:
        """Say which lamps are meant to be lit; None for all of them."""
        meant = None if lamps is None else read_lit(", ".join(lamps), load_plan(self.plan_file))
        self._ledger.orders.say("lit", None if meant is None else list(meant))
        return "All lamps are meant to be lit." if meant is None else f"Lit: {', '.join(meant)}."

    def look(self, name: str | None) -> str:
        """Say which look is worn from the next frame on; None for the plan's own targets."""
        worn = None if name is None else read_look(name, load_plan(self.plan_file))
        self._ledger.orders.say("look", worn)
        return f"From the next frame on: {worn or 'the plan without a look'}."

    def expect(self, parts: Sequence[str]) -> str:
        """Say which parts the next frames play, in order."""
        plan = load_plan(self.plan_file)
        meant = read_parts(", ".join(parts), plan)
        if "grey" in meant:
            self._keep_card(plan)
        self._ledger.orders.say("expect", list(meant))
        return f"Expected next: {', '.join(meant)}."

    def _keep_card(self, plan: Plan) -> None:
        """Keep where the plan says that the grey card is held: it is never guessed."""
        box = card_patch(plan)
        if box is not None:
            keep_card_box(self._ledger, box)
        elif card_box(self._ledger) is None:
            msg = "Where is the grey card held? Draw a patch called grey card there, and ask again."
            raise WrongUse(msg)
