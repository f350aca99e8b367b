"""Which file is judged when, on a clock and a folder that the test holds."""

from __future__ import annotations

from dataclasses import replace

from stopwise.folder.listing import Listing, SeenFile
from stopwise.folder.one_file import NotYet, Wholeness
from stopwise.folder.states import Changes, FileStates, Job, Outcome, Waits
from stopwise.ledger import KnownPath, Stamp

SHORT, UNKNOWN = Wholeness.SHORT, Wholeness.UNKNOWN
WAITS = Waits(settle_s=10, rest_s=1, tell_s=2, retry_s=5, flood=50)


def seen(path: str, *, version: int = 1, landed: int = 0) -> SeenFile:
    return SeenFile(path, Stamp(100, version, 7), landed)


def sweep(*raws: SeenFile, closed: dict[str, str] | None = None) -> Listing:
    return Listing(raws=list(raws), closed=closed or {}, is_sweep=True)


def hint(*raws: SeenFile, missing: tuple[str, ...] = ()) -> Listing:
    return Listing(raws=list(raws), missing=set(missing))


def watched() -> FileStates:
    """Return the states of a folder that was looked through once, and was empty."""
    files = FileStates(WAITS)
    files.see(sweep(), 0)
    return files


def jobs(files: FileStates) -> list[str]:
    found = []
    while job := files.next_job():
        found.append(job.path)
    return found


def see_unwhole(
    files: FileStates, now: float, wholeness: Wholeness = SHORT, *, version: int = 1
) -> Job:
    """Have F1 seen, looked at by a worker, and found to be no whole file yet."""
    files.see(hint(seen("F1", version=version)), now)
    job = files.next_job()
    assert job is not None
    assert not job.is_rested
    assert files.not_yet(job, NotYet(wholeness)) == []
    return job


def finish(files: FileStates, job: Job | None, now: float, **more: bool) -> Outcome:
    assert job is not None
    return files.finished(
        job, job.path, stamp=job.stamp, is_unreadable=more.get("is_unreadable", False), now=now
    )


def test_a_whole_file_is_judged_at_once_and_only_once() -> None:
    files = watched()
    files.see(hint(seen("F1")), 5)
    assert finish(files, files.next_job(), 5) is Outcome.KEEP
    files.see(sweep(seen("F1")), 6)
    files.see(hint(seen("F1")), 7)
    assert jobs(files) == []


def test_a_short_file_waits_while_it_grows_and_is_looked_at_with_each_change() -> None:
    files = watched()
    for now in range(30):
        see_unwhole(files, now, version=now)
        assert jobs(files) == []
    files.see(hint(seen("F1", version=99)), 30)
    assert finish(files, files.next_job(), 30) is Outcome.KEEP


def test_a_short_file_is_looked_at_again_with_each_look_at_the_folder() -> None:
    files = watched()
    see_unwhole(files, 0)
    files.see(sweep(seen("F1")), 2)
    job = files.next_job()
    assert job is not None
    assert not job.is_rested
    files.see(hint(seen("F1")), 3)
    assert files.not_yet(job, NotYet(SHORT)) == []
    files.move_on(3)
    assert jobs(files) == ["F1"]


def test_a_short_file_is_taken_as_it_is_ten_seconds_after_its_last_change() -> None:
    files = watched()
    see_unwhole(files, 0)
    see_unwhole(files, 4, version=2)
    assert files.next_due() == 6
    files.move_on(13.9)
    assert jobs(files) == []
    assert files.next_due() == 14
    files.move_on(14)
    job = files.next_job()
    assert job is not None
    assert job.is_rested
    assert finish(files, job, 14, is_unreadable=True) is Outcome.KEEP


def rested(files: FileStates) -> Job:
    """Have F1 tried, which doesn't say its length, a second after it was seen at 0."""
    see_unwhole(files, 0, UNKNOWN)
    assert jobs(files) == []
    files.move_on(1)
    job = files.next_job()
    assert job is not None
    assert job.is_rested
    return job


def test_unreadable_is_said_only_of_a_file_at_rest() -> None:
    files = watched()
    assert finish(files, rested(files), 2, is_unreadable=True) is Outcome.HOLD
    assert files.released(9.9) == []
    assert files.released(10) == ["F1"]
    assert files.released(11) == []


def test_a_held_file_that_changes_is_judged_again_and_not_called_unreadable() -> None:
    files = watched()
    finish(files, rested(files), 2, is_unreadable=True)
    files.see(hint(seen("F1", version=2)), 5)
    assert files.released(20) == []
    assert finish(files, files.next_job(), 20) is Outcome.KEEP


def test_an_answer_about_a_file_that_has_changed_is_dropped_and_it_is_judged_again() -> None:
    files = watched()
    files.see(hint(seen("F1")), 0)
    job = files.next_job()
    assert job is not None
    changed = seen("F1", version=2)
    outcome = files.finished(job, job.path, stamp=changed.stamp, is_unreadable=False, now=1)
    assert outcome is Outcome.DROP
    files.see(hint(changed), 1)
    assert jobs(files) == ["F1"]


def test_a_change_seen_while_a_file_is_judged_drops_the_answer_too() -> None:
    files = watched()
    files.see(hint(seen("F1")), 0)
    old = files.next_job()
    files.see(hint(seen("F1", version=2)), 1)
    new = files.next_job()
    assert finish(files, old, 2) is Outcome.DROP
    assert finish(files, new, 3) is Outcome.KEEP


def test_a_frame_that_is_taken_away_after_it_was_read_is_still_kept() -> None:
    files = watched()
    files.see(hint(seen("F1"), seen("F2")), 0)
    one, two = files.next_job(), files.next_job()
    assert one is not None
    assert two is not None
    assert files.finished(one, None, stamp=None, is_unreadable=False, now=1) is Outcome.KEEP
    assert files.finished(two, None, stamp=None, is_unreadable=True, now=1) is Outcome.DROP


def test_frames_are_judged_in_landing_order_then_as_people_count() -> None:
    files = watched()
    together = [seen("F10", landed=5), seen("F9", landed=5), seen("A", landed=6)]
    files.see(hint(*together, seen("Z", landed=4)), 0)
    files.see(hint(seen("B", landed=1)), 0)
    assert jobs(files) == ["Z", "F9", "F10", "A", "B"]


def test_frames_that_land_now_go_before_what_lay_there_at_the_start() -> None:
    files = FileStates(WAITS)
    files.see(sweep(*(seen(f"old{n}", landed=n) for n in range(3))), 0)
    files.see(hint(seen("new1"), seen("new2")), 1)
    assert files.queued == (2, 3)
    assert jobs(files) == ["new1", "new2", "old0", "old1", "old2"]


def test_a_flood_found_by_one_sweep_counts_as_a_backlog() -> None:
    files = watched()
    flood = [seen(f"old{n:03d}", landed=n) for n in range(51)]
    files.see(sweep(*flood), 1)
    files.see(sweep(*flood, seen("new", landed=99)), 2)
    assert jobs(files)[:2] == ["new", "old000"]


def test_what_was_judged_before_is_known_by_its_stamp_after_a_restart() -> None:
    files = FileStates(WAITS)
    files.remember({"F1": KnownPath(seen("F1").stamp, 1), "F2": KnownPath(seen("F2").stamp, 2)})
    changes = files.see(sweep(seen("F1"), seen("F2", version=2), seen("F3")), 0)
    assert changes.gone == []
    found = [files.next_job(), files.next_job()]
    assert {(job.path, job.is_known) for job in found if job} == {("F2", True), ("F3", False)}
    assert files.next_job() is None


def test_what_a_sweep_does_not_show_is_gone_and_as_it_was_is_back() -> None:
    files = watched()
    files.see(hint(seen("F1")), 0)
    finish(files, files.next_job(), 0)
    assert files.see(sweep(), 1).gone == ["F1"]
    assert files.see(sweep(seen("F1")), 2).back == {"F1": seen("F1").stamp}
    assert files.settled == {"F1": hash(seen("F1").stamp)}
    assert files.see(replace(sweep(), unmet=set()), 2) == Changes()
    assert jobs(files) == []
    assert files.see(hint(missing=("F1",)), 3).gone == ["F1"]
    files.see(sweep(seen("F1", version=2)), 4)
    assert jobs(files) == ["F1"]


def test_a_file_that_never_was_judged_is_not_reported_as_gone() -> None:
    files = watched()
    see_unwhole(files, 0)
    assert files.see(sweep(), 1).gone == []
    assert files.next_due() is None


def test_a_judged_file_that_vanishes_while_it_is_judged_again_is_reported_as_gone() -> None:
    files = watched()
    files.see(hint(seen("F1")), 0)
    finish(files, files.next_job(), 0)
    changed = seen("F1", version=2)
    files.see(hint(changed), 1)
    job = files.next_job()
    assert job is not None
    files.look_again(job, None, 2)
    assert files.see(sweep(), 3).gone == ["F1"]
    assert files.see(sweep(), 4).gone == []
    assert files.see(sweep(changed), 5).back == {}
    assert jobs(files) == ["F1"]


def test_a_change_that_was_never_judged_is_not_taken_as_judged_when_it_is_back() -> None:
    files = watched()
    files.see(hint(seen("F1")), 0)
    finish(files, files.next_job(), 0)
    see_unwhole(files, 1, version=2)
    assert files.see(sweep(), 2).gone == ["F1"]
    assert files.see(hint(seen("F1", version=2)), 3).back == {}
    assert jobs(files) == ["F1"]


def test_nothing_is_gone_where_the_folder_or_a_part_of_it_cannot_be_read() -> None:
    files = watched()
    files.see(hint(seen("day/F1"), seen("F2"), seen("daylight/F3")), 0)
    for _ in range(3):
        finish(files, files.next_job(), 0)
    assert files.see(sweep(closed={"": "no such file"}), 1).gone == []
    gone = files.see(sweep(closed={"day": "input/output error"}), 2).gone
    assert sorted(gone) == ["F2", "daylight/F3"]


def test_a_file_that_cannot_be_opened_is_told_once_and_judged_when_it_can() -> None:
    files = watched()
    denied = NotYet(Wholeness.DENIED, "permission denied")
    texts = []
    for now in (0, 100):
        files.see(sweep(seen("F1")), now)
        job = files.next_job()
        assert job is not None
        texts += [told.text for told in files.not_yet(job, denied)]
        assert jobs(files) == []
        assert files.next_due() is None
    assert texts == ["F1: it can't be opened: permission denied"]
    files.see(sweep(seen("F1")), 101)
    assert finish(files, files.next_job(), 101) is Outcome.KEEP


def test_what_a_worker_says_of_a_file_that_has_changed_since_counts_for_nothing() -> None:
    files = watched()
    job = see_unwhole(files, 0)
    files.see(hint(seen("F1", version=2)), 1)
    assert files.not_yet(job, NotYet(SHORT)) == []
    assert jobs(files) == ["F1"]


def test_a_file_that_could_not_be_read_is_tried_again_after_a_pause() -> None:
    files = watched()
    files.see(hint(seen("F1")), 0)
    job = files.next_job()
    assert job is not None
    files.look_again(job, job.stamp, 1)
    files.move_on(5.9)
    assert jobs(files) == []
    files.move_on(6)
    assert jobs(files) == ["F1"]


def test_waiting_for_a_file_is_told_once() -> None:
    files = watched()
    see_unwhole(files, 0)
    (told,) = files.move_on(2)
    assert told.text == "F1: still being written"
    assert files.move_on(3) == []


def test_landing_order_holds_though_the_clock_is_set_back() -> None:
    files = watched()
    hour = 3_600_000_000_000
    files.remember({}, last_landed_ns=10 * hour)
    files.see(sweep(), 0)
    landed = []
    for number, when in enumerate((10 * hour + 5, 9 * hour, 9 * hour + 7, 12 * hour)):
        files.see(hint(seen(f"F{number}", landed=when)), number)
        job = files.next_job()
        assert job is not None
        landed.append(job.landed_ns)
    assert landed == sorted(landed)
    assert landed[0] == 10 * hour + 5
    assert landed[3] == 12 * hour


def test_a_file_that_is_waited_for_lands_no_later_for_that() -> None:
    """Cut short, it rests for seconds while others land: the clock wasn't set back."""
    files = watched()
    second = 1_000_000_000
    files.see(hint(seen("F1", landed=10 * second)), 0)
    short = files.next_job()
    assert short is not None
    files.not_yet(short, NotYet(SHORT))
    files.see(hint(seen("F2", landed=14 * second)), 4)
    assert finish(files, files.next_job(), 4) is Outcome.KEEP
    files.see(sweep(seen("F1", landed=10 * second), seen("F2", landed=14 * second)), 10)
    job = files.next_job()
    assert job is not None
    assert job.landed_ns == 10 * second


def test_what_is_forgotten_is_found_anew() -> None:
    files = watched()
    files.see(hint(seen("F1")), 0)
    finish(files, files.next_job(), 0)
    files.remember({})
    files.see(sweep(seen("F1")), 1)
    assert jobs(files) == ["F1"]
