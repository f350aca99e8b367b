"""Names from outside that would steer a screen: no command, and no error, prints them as they are.

The signs: control functions of ECMA-48 (sixth edition, 5.2 to 5.4: C0 at 00 to 1F, DEL, C1 at 80 to
9F, ESC and CSI sequences among them); direction marks of Unicode's bidirectional algorithm (UAX #9,
section 2: LRE, RLE, PDF, LRO, RLO, LRI, RLI, FSI, PDI, LRM, RLM, ALM); and the lone surrogates in
which Python holds a file name that isn't text (PEP 383).
"""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from lightmodel.dng import write_dng
from stopwise.cli import _COMMANDS, run
from support.commanding import WatchCommand
from support.made_raws import KINDS, levels_for
from support.watching import wait_until

C0, C1 = "".join(map(chr, range(1, 0x20))), "".join(map(chr, range(0x7F, 0xA0)))
MARKS = "".join(map(chr, (*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F, 0x61C)))
ALL = f"{C0}\x1b[2J\x1b]0;title\x07{C1}{MARKS}\udcff"
SHORT = "\x1b[2J\x9b31m\u202e\u2066\r\n"
STEERS = re.compile(f"[{re.escape(C0 + C1 + MARKS)}\ud800-\udfff\u2028\u2029]")

PLAN = r"""schema = 1
title = "t\u001b[2J\u202e"
[camera]
iso = 100
f_number = "f/11"
[[light]]
name = "key\u202e\u009b2J"
power = -2.0
[[patch]]
name = "cheek\u001b[31m\u2066"
box = [0.4, 0.4, 0.5, 0.5]
zone = 5.0
[[look]]
name = "black\u202e"
[frames]
ambient = "gone\u001b[2J\u202e.dng"
"""


@dataclass(frozen=True)
class Studio:
    """A folder whose every name is hostile, and a ledger that keeps its frames."""

    folder: Path

    @property
    def frames(self) -> tuple[str, str]:
        """Two raw files."""
        return str(self.folder / f"A{ALL}.dng"), str(self.folder / f"B{SHORT}.dng")

    @property
    def plan(self) -> str:
        """A plan that is right, with hostile names of a lamp, a patch, a look and a frame."""
        return str(self.folder / f"plan{SHORT}.toml")

    @property
    def broken(self) -> str:
        """A plan that is wrong in a line with hostile text."""
        return str(self.folder / f"broken{SHORT}.toml")

    @property
    def ledger(self) -> str:
        """The ledger."""
        return str(self.folder / f"kept{SHORT}.sqlite")


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Studio:
    made = Studio(tmp_path_factory.mktemp("set") / f"shoot{SHORT}")
    made.folder.mkdir()
    spec = replace(KINDS["rggb lossless"], make="Lum\x1b[2Jen\x07", model="LF\x1b]0;t\x07\r")
    for seed, path in enumerate(made.frames):
        write_dng(Path(path), levels_for("rggb lossless", seed=seed), spec=spec)
    Path(made.plan).write_text(PLAN, encoding="utf-8")
    wrong = PLAN.replace("power = -2.0", 'power = "\\u001b[2J\\u202e"\n"\\u001b[31mkey" = 1')
    Path(made.broken).write_text(wrong, encoding="utf-8")
    run(["check", *made.frames, "--ledger", made.ledger])
    return made


def calls(at: Studio) -> list[list[str]]:
    """Return calls of every command with hostile names in every place that takes one."""
    one, two = at.frames
    gone = f"gone{SHORT}"
    folder, ledger, plan = str(at.folder), ["--ledger", at.ledger], ["--plan", at.plan]
    return [
        ["check", one, two, *plan],
        ["check", folder, "--json", *plan],
        ["check", gone, one, "--slip", f"{folder}/slips{SHORT}"],
        ["check", one, "--slip", one],
        ["check", one, *plan, "--look", gone],
        ["check", one, "--plan", at.broken],
        ["check", at.plan],
        ["watch", gone, *plan],
        ["watch", folder, "--ledger", f"{folder}/inside{SHORT}.sqlite"],
        ["compare", one, two, *plan, "--slip", f"{folder}/slips{SHORT}"],
        ["compare", one, two, "--turned", f"{SHORT}=-0.5", *plan],
        ["compare", one, gone, *ledger],
        ["run", *ledger, *plan],
        ["run", *ledger, "--take", gone],
        ["run", "--ledger", gone],
        ["rebuild", at.ledger, f"{SHORT}={one}", "--take", "1", *plan],
        ["rebuild", at.ledger, "--take", gone, *plan],
        ["plan", "check", at.plan],
        ["plan", "check", at.broken],
        ["plan", "check", at.plan, "--frame", one],
        ["plan", "draw", at.plan, "--out", f"{folder}/floor{SHORT}.svg"],
        ["plan", "draw", at.plan, "--out", gone],
        ["plan", "patch", f"nose{SHORT}", *plan, "--box", ".1,.1,.2,.2"],
        ["plan", "patch", "nose", *plan, "--box", ".1,.1,.2,.2", "--frame", one],
        ["plan", "patch", gone, *plan, "--remove"],
        ["plan", "new", at.plan, "--title", SHORT],
        ["plan", "new", f"{folder}/new{SHORT}.toml", "--title", SHORT],
        ["plan", "new", f"{folder}/new{SHORT}.toml", "--light", f"{SHORT}; power={SHORT}"],
        ["plan", "undo", at.plan],
        ["grey", one, *plan, "--box", ".4,.4,.5,.5"],
        ["grey", one, *plan, "--box", SHORT, "--lamp", SHORT],
        ["mark", one, "ambient", *plan],
        ["mark", one, gone, *plan],
        ["mark", gone, "key", *plan],
        ["dial", *plan, *ledger],
        ["dial", "--plan", gone],
        ["dial", *plan, "--match", at.ledger, "--take", gone],
        ["expect", gone, *ledger],
        ["lit", gone, *ledger],
        ["moved", gone, *ledger],
        ["look", gone, *ledger],
        ["take", f"{SHORT} -0.5", *ledger],
        ["adopt", one, *plan],
        ["adopt", *ledger, "--undo"],
        ["stops", "add", SHORT, "8"],
        ["stops", "between", f"1{SHORT}m", "2m", "--why"],
        ["stops", "power", "1/4", "--full-ws", SHORT],
        ["dial", *plan, *ledger, "--try", gone],
        ["dial", *plan, *ledger, "--try", f"key off, fill gel {SHORT}", "--as", SHORT],
        ["dial", *plan, *ledger, "--as", gone],
        ["audit", folder, *ledger, *plan],
        ["audit", gone],
        ["audit", folder, *ledger, "--csv", folder],
        ["sheet", *ledger, *plan, "--check"],
        ["sheet", *ledger, *plan, "--out", f"{folder}/sheet{SHORT}.html"],
        ["sheet", *ledger, "--take", gone],
        ["sheet", *ledger, "--frames", gone],
        ["sheet", *ledger, "--picture", one],
        ["hand-over", folder, *ledger, *plan],
        ["hand-over", gone, "--check"],
        ["self-check", folder],
        ["self-check", gone],
        ["ledger", "export", *ledger],
        ["ledger", "export", *ledger, "--csv"],
        ["ledger", "export", "--ledger", gone],
        ["demo", "--into", folder],
        ["demo", "--frames", folder],
        [SHORT],
        ["check", f"--{SHORT}"],
    ]


def test_every_command_is_called(studio: Studio) -> None:
    assert {call[0] for call in calls(studio)} == {*_COMMANDS, SHORT}


@pytest.mark.parametrize("place", range(67))
def test_no_command_prints_a_name_that_steers_the_screen(
    studio: Studio, capfd: pytest.CaptureFixture[str], place: int
) -> None:
    call = calls(studio)[place]
    assert run(call) in (0, 1, 2, 3)
    out, err = capfd.readouterr()
    for line in (out + err).replace("\r\n", "\n" if call[-1] == "--csv" else "\r\n").split("\n"):
        assert not STEERS.search(line), ascii(line)
    assert out or err


def test_no_note_of_a_watch_and_no_record_steers_the_screen(studio: Studio, tmp_path: Path) -> None:
    folder = tmp_path / f"watched{SHORT}"
    folder.mkdir()
    with WatchCommand(folder, f"{tmp_path}/{SHORT}.sqlite", options=("--settle", "1")) as watch:
        for path in studio.frames:
            shutil.copy(path, folder)
        (folder / f"cut{SHORT}.dng").write_bytes(Path(studio.frames[1]).read_bytes()[:5000])
        (folder / f"link{SHORT}.dng").symlink_to(studio.frames[0])
        wait_until(lambda: len(watch.records) == 3)
    assert watch.notes
    assert not STEERS.search("".join(watch.notes))
