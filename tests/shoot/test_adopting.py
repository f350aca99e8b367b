"""A frame's figures become the targets of its look, as far as they are asked for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stopwise.errors import WrongUse
from stopwise.findings import Finding
from stopwise.messages import say
from stopwise.plan.draft import open_draft, undo_edit
from stopwise.record import Record
from stopwise.shoot.adopting import Choice, adopted, refuse_spoilt
from support.readings import backdrop, reading

PLAN = """schema = 1
[[light]]
name = "key"
[[light]]
name = "hair"
[[patch]]
name = "cheek"   # the lit one
box = [0.4, 0.4, 0.5, 0.5]
material = "skin"
zone = 6.5       # by eye
lit_by = ["key"]
[[patch]]
name = "shadow"
box = [0.3, 0.4, 0.35, 0.5]
material = "skin"
lit_by = ["key"]
[[patch]]
name = "curls"
box = [0.4, 0.1, 0.5, 0.2]
material = "hair"
zone = 6.0
lit_by = ["hair"]
[[patch]]
name = "buckle"
box = [0.4, 0.8, 0.5, 0.9]
material = "metal"
lit_by = ["key"]
[[ratio]]
lit = "cheek"
shadow = "shadow"
stops = 2.0
[backdrop]
boxes = [[0.0, 0.0, 0.2, 0.5], [0.8, 0.0, 1.0, 0.5]]
zone = 4.4
left_right = 0.0
[[look]]
name = "in black"
[[look.patch]]
name = "coat"
box = [0.4, 0.6, 0.5, 0.7]
material = "black cloth"
zone = 2.2
lit_by = ["key"]
"""


def record(*, look=None, findings=(), **zones):
    found = {"cheek": 6.874, "shadow": 4.6, "curls": 5.7, "buckle": 7.2, "coat": 3.0} | zones
    ratio = Finding(
        "ratio", "cheek to shadow", "too_deep", "holds", 2.27, lit="cheek", shadow="shadow"
    )
    return Record(
        file="F0011.dng",
        verdict="off plan",
        look=look,
        patches={name: reading(zone) for name, zone in found.items()},
        backdrop=backdrop(zone=4.61, left_right=0.04, falloff=0.7),
        findings=(ratio, *findings),
    )


@pytest.fixture
def draft(tmp_path):
    file = tmp_path / "plan.toml"
    file.write_text(PLAN, encoding="utf-8")
    return open_draft(file)


def zones(draft):
    return {patch.name: patch.zone for patch in draft.plan.patches}


def test_every_target_that_is_seen_becomes_what_was_measured_and_the_old_stay_as_comments(draft):
    done, changes = adopted(draft, record())
    assert zones(done) == {"cheek": 6.87, "shadow": 4.6, "curls": 5.7, "buckle": None}
    assert done.plan.ratios[0].stops == 2.27
    assert (done.plan.backdrop.zone, done.plan.backdrop.left_right) == (4.61, 0.04)
    assert done.plan.backdrop.falloff is None  # nobody set one
    assert "# zone = 6.5  (before F0011.dng)" in done.text
    assert 'name = "cheek"   # the lit one' in done.text
    assert changes[0].words == "cheek 6.87, was 6.5"
    assert changes[1].words == "shadow 4.6"


@pytest.mark.parametrize(
    ("choice", "changed"),
    [
        (Choice(only="zones"), {"cheek", "shadow", "curls"}),
        (Choice(only="ratios"), {"cheek to shadow"}),
        (Choice(only="backdrop"), {"paper zone", "paper left_right"}),
        (Choice(patches=("curls",)), {"curls"}),
        (Choice(lit=("key",)), {"cheek", "shadow", "cheek to shadow"}),
    ],
)
def test_only_what_is_asked_for_and_lit_is_adopted(draft, choice, changed):
    _, changes = adopted(draft, record(), choice)
    assert {change.of for change in changes} == changed


def test_what_is_not_seen_keeps_its_target(draft):
    done, _ = adopted(draft, record(cheek=None))
    assert zones(done)["cheek"] == 6.5


def test_a_look_adopts_its_own_patches_and_leaves_the_plans(draft):
    done, changes = adopted(draft, record(look="in black"))
    assert done.plan.looks[0].patches[0].zone == 3.0
    assert zones(done) == zones(draft)
    assert {change.of for change in changes} == {"coat", "paper zone", "paper left_right"}


@pytest.mark.parametrize(
    ("look", "patches", "words"),
    [
        (None, ("cheeks",), 'Did you mean "cheek"'),
        ("in white", (), 'no look called "in white"'),
        ("in black", ("curls",), "no patch"),
    ],
)
def test_names_that_are_not_there_are_refused(draft, look, patches, words):
    with pytest.raises(WrongUse, match=words):
        adopted(draft, record(look=look), Choice(patches=patches))


@pytest.mark.parametrize(
    ("check", "code"), [("clip", "blown"), ("blown", "blown"), ("lamp", "out")]
)
def test_a_frame_that_shows_no_light_to_keep_is_refused_with_the_reason(check, code):
    fault = Finding(check, "cheek", code, "fails", 0.1, 0.0)
    with pytest.raises(WrongUse, match=r"F0011.dng is not adopted: .+\..*--anyway") as refused:
        refuse_spoilt(record(findings=[fault]))
    assert say(fault) in str(refused.value)
    refuse_spoilt(record(findings=[replace(fault, state="holds")]))


def test_an_adoption_is_undone_as_such_and_no_other_edit_is_taken_for_it(draft):
    done, _ = adopted(draft, record())
    done.save(what="adopt")
    undo_edit(draft.file, what="adopt")
    assert draft.file.read_text(encoding="utf-8") == PLAN
    open_draft(draft.file).set(("title",), "Another").save()
    with pytest.raises(WrongUse, match="none of `adopt`"):
        undo_edit(draft.file, what="adopt")
