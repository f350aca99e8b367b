"""Which watch a command speaks to, with as few words as can be."""

from __future__ import annotations

import pytest

from stopwise.errors import PathMissing, WrongUse
from stopwise.folder.lock import WatchLock, is_watched
from stopwise.ledger import Ledger, default_place
from stopwise.shoot.watches import remember, the_watch


@pytest.fixture
def own_data(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path


def begun(stage, name):
    """Begin a watch as the command does, and end it."""
    folder = stage / name
    folder.mkdir()
    place = default_place(folder)
    with Ledger(place) as ledger:
        remember(ledger, str(folder), stage / "plan.toml")
    return folder, place


def test_with_no_watch_ever_a_command_says_how_to_begin(own_data):
    with pytest.raises(PathMissing, match="stopwise watch FOLDER"):
        the_watch()


def test_the_last_watch_is_spoken_to_where_none_runs(own_data):
    begun(own_data, "monday")
    folder, place = begun(own_data, "tuesday")
    found = the_watch()
    assert (found.folder, found.ledger) == (str(folder), place)
    assert found.plan_path() == own_data / "plan.toml"
    assert not found.is_running
    assert found.since == f"once {folder} is watched again"


def test_the_one_that_runs_goes_before_the_last(own_data):
    folder, place = begun(own_data, "monday")
    begun(own_data, "tuesday")
    with Ledger(place) as ledger:
        lock = WatchLock(ledger, str(folder))
        assert lock.take()
        assert is_watched(str(place), str(folder))
        assert the_watch().folder == str(folder)
        assert the_watch().since == "from the next frame on"
        lock.drop()
    assert not is_watched(str(place), str(folder))


def test_of_two_that_run_one_must_be_named(own_data):
    found = [begun(own_data, name) for name in ("monday", "tuesday")]
    with Ledger(found[0][1]) as one, Ledger(found[1][1]) as two:
        locks = [WatchLock(one, str(found[0][0])), WatchLock(two, str(found[1][0]))]
        assert all(lock.take() for lock in locks)
        with pytest.raises(WrongUse, match="--folder"):
            the_watch()
        assert the_watch(folder=found[0][0]).folder == str(found[0][0])
        assert the_watch(ledger=found[1][1]).folder == str(found[1][0])
        for lock in locks:
            lock.drop()


def test_a_folder_never_watched_is_refused(own_data):
    with pytest.raises(PathMissing, match="no ledger"):
        the_watch(folder=own_data)


def test_a_watch_that_keeps_nothing_is_not_remembered(own_data):
    with Ledger(":memory:") as ledger:
        remember(ledger, str(own_data), None)
    with pytest.raises(PathMissing):
        the_watch()


def test_a_watch_without_a_plan_says_so(own_data):
    folder = own_data / "shoot"
    folder.mkdir()
    with Ledger(default_place(folder)) as ledger:
        remember(ledger, str(folder), None)
    with pytest.raises(WrongUse, match="--plan"):
        the_watch().plan_path()


def test_a_spoilt_note_of_a_watch_is_passed_over(own_data):
    folder, _ = begun(own_data, "monday")
    (own_data / "data" / "stopwise" / "watches" / "bad.json").write_text("{", encoding="utf-8")
    assert the_watch().folder == str(folder)
