"""The commands of the day, typed at a running watcher with no option and no file name."""

from __future__ import annotations

import subprocess
import sys
import time
from contextlib import contextmanager

import pytest

from lightmodel.scene import Scene
from stopwise.cli import run
from stopwise.ledger import Ledger
from stopwise.plan import load_plan
from support.set_day import (
    fails,
    lit_set,
    on_set,
    plan_with_solos,
    plan_without_frames,
    raw_of,
    solos,
)
from support.watching import wait_until

STOPWISE = (sys.executable, "-m", "stopwise")
LAMPS = lit_set().names
ON = dict.fromkeys(LAMPS, 0.0)


@pytest.mark.slow
def test_from_nothing_to_adopted_light_takes_four_commands_and_no_name_of_a_frame(tmp_path):
    """Each command is typed as on set, in a process of its own; the figure allows five."""
    (tmp_path / "shoot").mkdir()
    lamps = [word for name in LAMPS for word in ("--light", f"{name}; power=-3")]
    cheek = "box=.48,.284,.504,.32; material=skin; follow=yes; lit_by=key,fill"
    paper = "boxes=.1,.04,.3,.3 | .7,.04,.9,.3"
    patch = ["--patch", f"cheek; {cheek}", "--patch", "chip; box=.755,.38,.8,.44; lit_by=key"]
    shoot, typed = lit_set(), Typed(tmp_path)
    typed("plan", "new", *lamps, *patch, "--backdrop", paper)
    with typed.watching("watch", "shoot", "--plan", "plan.toml"):
        typed("expect", *", ".join(("ambient", *LAMPS)).split())
        for part, shot in solos().items():
            called = f"the {part} {'frame' if part == 'ambient' else 'solo'}"
            typed.lands(shot, f"{shot.recipe.name}.dng is {called}.")
        found = shoot.frame(ON | {"key": -0.3})
        typed.lands(found, f"{found.recipe.name}.dng")
        adopted = typed("adopt")
        after = shoot.frame(ON | {"key": -0.3})
        typed.lands(after, f"on plan     {after.recipe.name}.dng")
    assert len(typed.commands) == 4
    assert not [word for words in typed.commands for word in words if word.endswith(".dng")]
    assert f"Adopted 3 targets from {found.recipe.name}.dng" in adopted
    plan, true = load_plan(tmp_path / "plan.toml"), shoot.patches(found)
    for name, at in (("cheek", "lit cheek"), ("chip", "chip")):
        assert plan.patch(name).zone == pytest.approx(true[at]["zone"], abs=0.05)


class Typed:
    """Commands typed in one folder, each in a process of its own, and what they said."""

    def __init__(self, folder):
        self.folder = folder
        self.commands = []
        self._said = folder / "said.txt"

    def __call__(self, *words):
        """Type a command, and return what it printed once it has ended well."""
        self.commands.append(words)
        done = subprocess.run(
            [*STOPWISE, *words], cwd=self.folder, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stderr
        time.sleep(1.0)  # nobody shoots in the same moment
        return done.stdout

    @contextmanager
    def watching(self, *words):
        """Type a command that goes on while the block runs."""
        self.commands.append(words)
        with self._said.open("w") as said:
            watch = subprocess.Popen([*STOPWISE, *words], cwd=self.folder, stdout=said, stderr=said)
            try:
                self.hears("shoot")
                yield
            finally:
                watch.terminate()
                assert watch.wait(60) == 0

    def lands(self, shot, words):
        """Let a frame land, and wait until the watch has said some words."""
        content = raw_of(shot, self.folder)
        (self.folder / "shoot" / f"{shot.recipe.name}.dng").write_bytes(content)
        self.hears(words)

    def hears(self, words):
        """Wait until the watch has said some words."""
        wait_until(lambda: words in self._said.read_text(encoding="utf-8"))


def test_frames_that_do_not_fit_are_refused_asked_for_again_and_taken_back(tmp_path, capsys):
    shoot = lit_set()
    with on_set(tmp_path, plan_without_frames()) as day:
        assert day.say("expect", "ambient, key, fill, hair") == 0
        lit = day.shot(shoot.solo("fill"))
        day.shot(solos()["ambient"])
        dark = day.shot(shoot.ambient())
        day.shot(solos()["key"])
        same = day.shot(shoot.solo("key"))
        both = day.shot(shoot.frame({"key": 0.0, "fill": 0.0}))
        assert day.shot(solos()["fill"])["reason"] == "the plan's own frame: solo of fill"
        capsys.readouterr()
        assert day.say("expect") == 0
        assert capsys.readouterr().out == "Next: hair.\n"
        assert day.say("expect", "--undo") == 0
        assert "fill" in capsys.readouterr().out
        assert "fill" not in load_plan(day.plan).frames.solo
        again = day.shot(shoot.solo("fill"))
    assert lit["reason"].startswith("not taken as the ambient frame: It is as bright as a lit")
    assert dark["reason"].startswith("not taken as the key solo: No lamp fired")
    assert same["reason"].startswith("not taken as the fill solo: ")
    assert "key" in same["reason"].partition(": ")[2]
    assert both["reason"].startswith("not taken as the fill solo: The fill solo holds the light of")
    frames = load_plan(day.plan).frames
    assert frames.ambient == "shoot/" + solos()["ambient"].recipe.name + ".dng"
    assert frames.solo["fill"] == f"shoot/{again['file']}"
    assert day.notes[-1] == f"{again['file']} is the fill solo. Next: hair."
    for record in (lit, dark, same, both):
        assert record["verdict"] == "measured"
        assert record["in_run"] is False
        assert day.said(f"{record['file']} isn't the")


def test_a_grey_card_needs_its_place_and_one_that_is_not_there_is_refused(tmp_path, capsys):
    with on_set(tmp_path, plan_without_frames()) as day:
        assert day.say("expect", "grey") == 2
        assert "never guessed" in capsys.readouterr().err
        assert day.say("expect", "grey", "--box", "0.48,0.34,0.52,0.42") == 0
        missing = day.sample("F0002")
        card = day.sample("F0001")
    assert "noisy" in missing["reason"]
    assert card["reason"] == "the plan's own frame: grey"
    assert load_plan(day.plan).camera.mid_grey == pytest.approx(0.18 / 2**0.5, rel=0.01)
    # ISO 12232: saturation-based speed puts 18 % at 1/sqrt 2 of it


def test_taking_a_grey_card_back_takes_its_mid_grey_back_and_keeps_comments(tmp_path):
    lines = plan_without_frames().splitlines()
    lines = [line for line in lines if not line.startswith(("mid_grey_model", "mid_grey_iso"))]
    at = next(number for number, line in enumerate(lines) if line.startswith("mid_grey"))
    lines[at] = "mid_grey = 0.101  # of the old body"
    with on_set(tmp_path, "\n".join(lines) + "\n") as day:
        assert day.say("expect", "grey, ambient", "--box", "0.48,0.34,0.52,0.42") == 0
        day.sample("F0001")
        camera = load_plan(day.plan).camera
        assert camera.mid_grey == pytest.approx(0.127, abs=0.001)
        assert camera.mid_grey_iso == 100
        assert day.say("expect", "--undo") == 0
        back = load_plan(day.plan)
        assert "mid_grey = 0.101  # of the old body" in day.plan.read_text(encoding="utf-8")
        assert back.camera.mid_grey_iso is None
        assert back.frames.grey is None
        assert day.sample("F0001", as_="again")["reason"] == "the plan's own frame: grey"
    assert load_plan(day.plan).camera.mid_grey == pytest.approx(0.127, abs=0.001)


def test_a_frame_shot_over_says_where_the_body_stops_and_one_that_is_not_is_refused(tmp_path):
    shoot = lit_set()
    with on_set(tmp_path, plan_without_frames()) as day:
        assert day.say("expect", "clip") == 0
        early = day.shot(shoot.frame())
        assert early["reason"].startswith("not taken as the frame shot over: It isn't far enough")
        over = day.shot(shoot.frame(dict.fromkeys(shoot.names, 5.0)))
        assert over["reason"] == "the plan's own frame: clip"
        assert day.said("Photosites stop at R 15800")
        clip = load_plan(day.plan).camera.clip
        assert (clip.body, clip.iso, clip.white) == ("LF-1", 100, 15800)
        # truth: what the made sensor is drawn with
        assert clip.level == pytest.approx(dict.fromkeys(("R", "G", "B", "G2"), 15800), abs=2)
        assert load_plan(day.plan).frames.clip == f"shoot/{over['file']}"
        later = day.shot(shoot.frame())
        assert later["levels"]["saturation_source"] == "shot"
        with Ledger(day.ledger) as ledger:
            assert set(ledger.levels.believed().values()) == {clip.level["R"]}
        before = day.plan.read_text(encoding="utf-8")
        assert day.say("expect", "--undo") == 0
        assert load_plan(day.plan).camera.clip is None
        assert load_plan(day.plan).frames.clip is None
        with Ledger(day.ledger) as ledger:
            assert ledger.levels.believed() == {}
        frame = str(day.folder / over["file"])
        assert run(["mark", frame, "clip", "--plan", str(day.plan)]) == 0
        assert load_plan(day.plan).camera.clip == clip
        with Ledger(day.ledger) as ledger:
            assert len(ledger.levels.believed()) == 4
        assert run(["plan", "undo", str(day.plan)]) == 0
        assert load_plan(day.plan).camera.clip is None
        with Ledger(day.ledger) as ledger:
            assert ledger.levels.believed() == {}
    assert "[camera.clip]" in before


def test_a_plate_in_which_the_sitter_was_left_is_refused_and_warned_of(tmp_path, capsys):
    shoot, paper = lit_set(), {"paper left": 0.0, "paper right": 0.0}
    with on_set(tmp_path, plan_without_frames()) as day:
        assert day.say("expect", "plate") == 0
        left = day.shot(shoot.frame(paper))
        clean = day.shot(shoot.frame(paper, scene=Scene(pose=None)))
        why = "Somebody stands before the paper."
        assert left["reason"].startswith(f"not taken as the clean plate: {why} Clear the set")
        assert clean["reason"] == "the plan's own frame: plate"
        for record, is_warned in ((left, True), (clean, False)):
            capsys.readouterr()
            frame = str(day.folder / record["file"])
            assert run(["mark", frame, "plate", "--plan", str(day.plan)]) == 0
            assert (why in capsys.readouterr().out) == is_warned


def test_a_look_keeps_its_own_reference_and_adopts_into_its_own_tables(tmp_path):
    shoot = lit_set()
    with on_set(tmp_path, plan_with_solos(tmp_path)) as day:
        day.shot(shoot.frame())
        assert day.say("look", "in black") == 0
        worn = day.shot(shoot.frame())
        own = load_plan(day.plan)
        assert day.say("adopt", "--only", "zones", "--patches", "jacket") == 0
        assert day.say("look", "none") == 0
        back = day.shot(shoot.frame())
    plan = load_plan(day.plan)
    assert worn["look"] == "in black"
    assert worn["patches"]["jacket"]["score"] is None  # the other look's frame is no reference
    jacket = next(one for one in plan.looks[0].patches if one.name == "jacket")
    assert jacket.zone == pytest.approx(worn["patches"]["jacket"]["zone"], abs=0.005)
    assert plan.patches == own.patches
    assert back["look"] is None
    assert back["patches"]["jacket"]["score"] is not None


def test_a_clipped_frame_is_adopted_only_anyway_and_undone(tmp_path, capsys):
    with on_set(tmp_path, plan_with_solos(tmp_path)) as day:
        text = day.plan.read_text(encoding="utf-8")
        hot = day.shot(lit_set().frame(ON | {"key": 1.2}))
        assert {"clip", "blown"} & {check for check, _ in fails(hot)}
        assert day.say("adopt") == 2
        assert "--anyway" in capsys.readouterr().err
        assert day.plan.read_text(encoding="utf-8") == text
        assert day.say("adopt", "--anyway", "--only", "zones") == 0
        assert day.plan.read_text(encoding="utf-8") != text
        assert day.say("adopt", "--undo") == 0
        assert day.plan.read_text(encoding="utf-8") == text


def test_a_named_frame_is_adopted_without_any_watch(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    plan = tmp_path / "plan.toml"
    plan.write_text(plan_with_solos(tmp_path), encoding="utf-8")
    frame = tmp_path / "F0300.dng"
    frame.write_bytes(raw_of(lit_set().frame(ON | {"key": -0.4}), tmp_path))
    assert run(["adopt", str(frame), "--plan", str(plan), "--only", "zones"]) == 0
    assert "from F0300.dng" in capsys.readouterr().out
    assert load_plan(plan).patch("chip").zone == pytest.approx(5.4, abs=0.05)
    assert load_plan(plan).frames.reference == "F0300.dng"


def test_a_frame_of_the_watch_is_meant_by_its_bare_name_and_a_dial_by_its_place(tmp_path, capsys):
    with on_set(tmp_path, plan_with_solos(tmp_path)) as day:
        meant = day.shot(lit_set().frame(ON | {"key": -0.4}))["file"]
        day.shot(lit_set().frame(ON | {"key": -1.0}))
        stem = meant.removesuffix(".dng")
        assert run(["mark", stem, "reference", "--plan", str(day.plan)]) == 0
        assert load_plan(day.plan).frames.reference == f"shoot/{meant}"
        assert day.say("adopt", meant, "--only", "zones") == 0
        assert f"from {meant}" in capsys.readouterr().out
        assert load_plan(day.plan).patch("chip").zone == pytest.approx(5.4, abs=0.05)
        power = load_plan(day.plan).light("key").power
        assert day.say("take", "key", "at", f"{power - 0.7:.1f}") == 0
        # the adopted frame was shot with its dial 0.4 under its solo's power
        assert "A new take begins: key -0.3" in capsys.readouterr().out
        assert day.say("lit", "key", "fill") == 0
        assert "Lit: key, fill" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("lit", "keys"), 'Did you mean "key"'),
        (("look", "in blak"), 'Did you mean "in black"'),
        (("take", "key", "0.5"), 'which way, or where it stands. Write "key -0.5"'),
        (("take", "yes"), 'No turn was asked about. Say what was turned: take "key -0.5"'),
        (("take", "key", "at", "11"), "above full power"),
        (("adopt", "F9999"), "F9999"),
        (("expect", "kye"), 'Did you mean "key"'),
        (("expect", "--undo"), "nothing to undo"),
        (("adopt",), "No frame has landed"),
        (("take", "--ledger", "nowhere.sqlite"), "no ledger"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_words(day, capsys, words, told):
    assert day.say(*words) == 2
    error = capsys.readouterr().err
    assert told in error
    assert "Traceback" not in error
    with pytest.raises(AssertionError):
        assert day.notes


@pytest.fixture(scope="module")
def day(tmp_path_factory):
    with on_set(tmp_path_factory.mktemp("set"), plan_without_frames()) as found:
        yield found
