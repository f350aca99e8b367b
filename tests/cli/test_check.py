"""`stopwise check` on files: what it prints, keeps and draws, and what it ends with."""

from __future__ import annotations

import json
import math
import shutil
from pathlib import Path

import pytest
import rawpy

from stopwise.cli import run
from stopwise.cli.check_command import worst_exit
from stopwise.ledger import Ledger
from support.checked import ALL, PLAN, SAMPLES
from support.made_raws import write_kind
from support.real_files import real_mosaic
from support.set_day import plan_without_frames

TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["frames"]

KEYS = {
    "schema": None,
    "file": None,
    "sha256": None,
    "verdict": None,
    "reason": None,
    "take": None,
    "look": None,
    "camera": {"make", "model", "lens"},
    "exposure": {"iso", "f_number", "shutter_s", "taken"},
    "size": None,
    "levels": {"black", "saturation", "saturation_source"},
    "clipping": {"any", "all", "by_colour", "headroom_stops", "areas", "pinpoints", "blocked"},
    "zones": {"share", "clipped", "mid_grey"},
    "patches": None,
    "ratio": {"stops", "ratio", "by", "separability", "lit", "shadow"},
    "backdrop": {
        "zone",
        "left_right",
        "falloff",
        "brightest",
        "darkest",
        "uneven",
        "blotch",
        "blotch_at",
        "tint",
    },
    "lamps": None,
    "findings": None,
    "timing_ms": {"decode", "measure"},
}
"""The record's keys as the design fixes them for outside programs."""

PATCH_KEYS = {
    "zone",
    "uncertainty",
    "top",
    "headroom",
    "texture",
    "clipped",
    "blocked",
    "snr",
    "red_green",
    "blue_green",
    "box",
    "score",
}
FINDING_KEYS = {
    "check",
    "of",
    "measured",
    "planned",
    "within",
    "unit",
    "state",
    "cause",
    "say",
    "do",
    "turn",
}


def checked(capsys, *arguments):
    """Return the exit code, the records and what was said on stderr."""
    code = run(["check", "--json", *map(str, arguments)])
    out, err = capsys.readouterr()
    return code, [json.loads(line) for line in out.splitlines()], err


def every_number(value):
    if isinstance(value, dict):
        for part in value.values():
            yield from every_number(part)
    elif isinstance(value, list):
        for part in value:
            yield from every_number(part)
    elif isinstance(value, float):
        yield value


@pytest.fixture
def bare_plan(tmp_path):
    """Return the sample frames' plan, with none of its own frames to be read beside."""
    plan = tmp_path / "bare" / "plan.toml"
    plan.parent.mkdir()
    plan.write_text(plan_without_frames(look="none of them"), encoding="utf-8")
    return plan


def test_a_record_follows_the_design_to_the_key(sample_records):
    record = sample_records["F0009.dng"]
    assert KEYS.keys() <= record.keys()
    for name, keys in KEYS.items():
        assert keys is None or keys <= record[name].keys(), name
    assert all(patch.keys() >= PATCH_KEYS for patch in record["patches"].values())
    assert all(finding.keys() >= FINDING_KEYS for finding in record["findings"])
    assert all(
        reading.keys() >= {"stops", "uncertainty", "state"} for reading in record["lamps"].values()
    )
    assert len(record["zones"]["share"]) == 11
    assert record["sha256"] is None or len(record["sha256"]) == 64
    assert all(math.isfinite(number) for number in every_number(record))


@pytest.mark.parametrize("name", ["F0009.dng", "F0011.dng", "F0012.dng", "F0014.dng", "F0017.dng"])
def test_frames_are_called_what_they_were_made_to_be(sample_records, name):
    record, made = sample_records[name], TRUTH[name]
    assert record["verdict"] == made["verdict"]
    fired = {lamp: state["state"] for lamp, state in made["lamps"].items()}
    assert {lamp: reading["state"] for lamp, reading in record["lamps"].items()} == fired


@pytest.mark.parametrize(
    ("names", "code"),
    [
        (["F0011.dng"], 0),
        (["F0011.dng", "F0010.dng"], 1),
        (["F0010.dng", "F0021.dng"], 3),
        (["F0021.dng", "gone.dng", "F0010.dng"], 2),
    ],
)
def test_of_several_files_the_gravest_exit_code_is_given(capsys, bare_plan, names, code):
    found, records, _ = checked(capsys, *(SAMPLES / name for name in names), "--plan", bare_plan)
    assert found == code
    there = [name for name in names if name != "gone.dng"]
    assert [Path(record["file"]).name for record in records] == there


def test_the_plans_own_frame_ends_with_0(capsys):
    code, (record,), _ = checked(capsys, SAMPLES / "F0001.dng", "--plan", PLAN)
    assert (code, record["verdict"]) == (0, "measured")


def test_with_the_plans_own_frames_the_gravest_exit_code_is_given_too(checked_samples):
    assert checked_samples["code"] == 3
    assert tuple(checked_samples["records"]) == ALL


def test_the_first_of_2_3_1_0_is_given():
    assert worst_exit([0, 1, 3, 2]) == 2
    assert worst_exit([0, 3, 1]) == 3
    assert worst_exit([0, 1]) == 1
    assert worst_exit([]) == 0


# The file is a real lossy-compressed raw that decodes without a word when it is cut: DESIGN's trap.
def test_the_real_file_whole_is_measured_and_cut_is_unreadable(capsys, tmp_path):
    whole = real_mosaic()
    code, (record,), _ = checked(capsys, whole)
    assert (code, record["verdict"]) == (0, "measured")
    with rawpy.imread(str(whole)) as raw:
        assert record["size"] == [raw.sizes.width, raw.sizes.height]
    assert record["exposure"]["iso"] > 0

    content = whole.read_bytes()
    for share in (0.01, 0.1, 0.5, 0.9, 0.99, 0.999):
        cut = tmp_path / "cut.ARW"
        cut.write_bytes(content[: int(share * len(content))])
        code, (record,), said = checked(capsys, cut)
        assert (code, record["verdict"]) == (3, "unreadable"), share
        assert str(cut) in said
        assert said.count("\n") == 1


def test_a_file_s_name_turns_no_text_about_and_moves_no_cursor(capsys, tmp_path):
    path = tmp_path / "a\u202egnd\x1b[31m.dng"
    path.write_bytes(b"text")
    run(["check", str(path)])
    told = "".join(capsys.readouterr())
    assert "\\u202egnd" in told
    assert not {"\u202e", "\x1b"} & set(told)


def test_an_unreadable_record_says_why_and_claims_no_figure(checked_samples):
    record, said = checked_samples["records"]["F0021.dng"], checked_samples["said"]
    assert record["reason"].startswith("the file is cut short")
    assert record["patches"] in (None, {})
    assert "F0021.dng" in said
    assert "Traceback" not in said


@pytest.mark.parametrize(
    ("content", "reason"),
    [(b"", "the file is empty"), (b"a letter, not a picture" * 99, "not a camera raw file")],
)
def test_other_files_are_unreadable_with_their_reason(capsys, tmp_path, content, reason):
    path = tmp_path / "F0001.dng"
    path.write_bytes(content)
    code, (record,), _ = checked(capsys, path)
    assert code == 3
    assert record["reason"].startswith(reason)


def test_a_mistake_in_the_plan_is_told_with_its_line(capsys, tmp_path):
    plan = tmp_path / "plan.toml"
    plan.write_text("schema = 1\n[camera]\nf_numbr = 11.0\n", encoding="utf-8")
    code, records, said = checked(capsys, SAMPLES / "F0011.dng", "--plan", plan)
    assert (code, records) == (2, [])
    meant = "[camera] has no key `f_numbr`. Did you mean `f_number`?"
    assert said == f"stopwise: plan.toml:3: {meant}\n"


def test_a_path_that_is_not_there_is_told(capsys, tmp_path):
    code, records, said = checked(capsys, tmp_path / "gone.dng")
    assert (code, records) == (2, [])
    assert "gone.dng isn't there" in said


def test_an_empty_folder_is_told(capsys, tmp_path):
    code, _, said = checked(capsys, tmp_path)
    assert code == 2
    assert "holds no camera raw file" in said


def test_a_folder_is_checked_in_the_order_of_names(capsys, tmp_path):
    for name in ("F0011.dng", "F0010.dng"):
        shutil.copy(SAMPLES / name, tmp_path)
    (tmp_path / "notes.txt").write_text("not a frame", encoding="utf-8")
    _, records, _ = checked(capsys, tmp_path)
    assert [Path(record["file"]).name for record in records] == ["F0010.dng", "F0011.dng"]


def test_what_ails_the_plans_own_frames_is_told_once_for_all_files(capsys, tmp_path):
    for name in ("F1.dng", "F2.dng"):
        write_kind(tmp_path / name, "gbrg uncompressed")
    plan = tmp_path / "plan.toml"
    text = 'schema = 1\n[[light]]\nname = "key"\n[frames.solo]\nkey = "gone.dng"\n'
    plan.write_text(text, encoding="utf-8")
    _, records, said = checked(capsys, tmp_path, "--plan", plan)
    assert len(records) == 2
    assert said.count("gone.dng (solo of key)") == 1


def test_a_look_that_the_plan_lacks_is_refused(capsys):
    code, _, said = checked(capsys, SAMPLES / "F0011.dng", "--plan", PLAN, "--look", "in red")
    assert code == 2
    assert "in red" in said


def test_another_look_is_held_to_its_own_targets(capsys, sample_records):
    frame, look = SAMPLES / "F0018.dng", TRUTH["F0018.dng"]["look"]
    code, (record,), _ = checked(capsys, frame, "--plan", PLAN, "--look", look)
    assert (code, record["verdict"], record["look"]) == (0, "on plan", look)
    assert jacket(record) == "holds"
    assert jacket(sample_records["F0018.dng"]) != "holds"


def jacket(record):
    """Return the state of the target for the jacket's zone."""
    (state,) = (
        finding["state"]
        for finding in record["findings"]
        if (finding["check"], finding["of"]) == ("patch", "jacket")
    )
    return state


def test_a_slip_is_drawn_for_each_frame(capsys, tmp_path, bare_plan):
    slips = tmp_path / "some" / "slips"
    frames = (SAMPLES / "F0011.dng", SAMPLES / "F0021.dng")
    checked(capsys, *frames, "--plan", bare_plan, "--slip", slips)
    drawn = {path.name: path.read_bytes() for path in slips.iterdir()}
    assert drawn.keys() == {"F0011.png", "F0021.png"}
    assert all(content.startswith(b"\x89PNG") for content in drawn.values())
    assert drawn["F0011.png"] != drawn["F0021.png"]


def test_slips_that_cannot_be_written_are_told(capsys, tmp_path):
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    code, _, said = checked(capsys, SAMPLES / "F0011.dng", "--slip", tmp_path / "taken")
    assert code == 2
    assert "can't be made" in said


def test_a_ledger_keeps_a_frame_once(capsys, tmp_path):
    place = tmp_path / "ledger.sqlite"
    for _ in range(2):
        _, (record,), _ = checked(capsys, SAMPLES / "F0011.dng", "--ledger", place)
    with Ledger(place) as ledger:
        (kept,) = ledger.frames.all()
    assert kept.record.sha256 == record["sha256"]
    assert len(record["sha256"]) == 64


def test_a_ledger_that_cannot_be_opened_is_told(capsys, tmp_path):
    (tmp_path / "taken").write_text("a file", encoding="utf-8")
    place = tmp_path / "taken" / "ledger.sqlite"
    code, records, said = checked(capsys, SAMPLES / "F0011.dng", "--ledger", place)
    assert (code, records) == (2, [])
    assert str(place) in said
    assert said.count("\n") == 1


def test_frames_are_opened_read_only(capsys, tmp_path, bare_plan):
    frame = tmp_path / "F0011.dng"
    shutil.copy(SAMPLES / "F0011.dng", frame)
    frame.chmod(0o444)
    before = frame.read_bytes(), frame.stat().st_mtime_ns
    checked(capsys, frame, "--plan", bare_plan, "--slip", tmp_path / "slips")
    assert (frame.read_bytes(), frame.stat().st_mtime_ns) == before


def test_plain_text_leads_with_the_call(capsys):
    run(["check", str(SAMPLES / "F0012.dng"), "--plan", str(PLAN)])
    lines = capsys.readouterr().out.splitlines()
    assert "off plan" in lines[0]
    assert lines[1].strip() == "Hair lamp did not fire."
    assert lines[2].strip() == "Stop. Check it, shoot again."
