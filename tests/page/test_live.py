"""The page of a running watch: opened, fed and closed as the watch command does it."""

from __future__ import annotations

import json
import stat
import threading
import urllib.request
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from stopwise.errors import WrongUse
from stopwise.ledger import Ledger, Place, Stamp
from stopwise.page.live import LivePage, Status
from stopwise.page.pictures import PicturesAgain, SpawnedWork
from stopwise.page.server import Address, PageServer, qr_lines
from stopwise.plan import load_plan
from stopwise.record import record_from_json
from support.page_scene import PLAN_TEXT, on_plan
from support.picture_makers import crash, large, small
from support.watching import PATIENCE_S

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.ledger import Kept


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "ledger.sqlite") as opened:
        yield opened


@pytest.fixture
def plan_path(tmp_path: Path) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(PLAN_TEXT, encoding="utf-8")
    return path


def kept_in(ledger: Ledger, folder: Path, name: str = "F0001.dng", **record: object) -> Kept:
    (folder / name).write_bytes(b"raw")
    stamp = Stamp.of((folder / name).stat())
    frame = on_plan(file=name) | record
    return ledger.frames.keep(
        record_from_json(frame), Place(str(folder), name, stamp), sha256=name.ljust(64, "0")
    )


def get(address: str) -> bytes:
    with urllib.request.urlopen(address, timeout=PATIENCE_S) as answer:  # noqa: S310 - our own, on loopback
        body: bytes = answer.read()
    return body


def read_events(address: str, count: int) -> list[tuple[str, str]]:
    """Return the first events of a stream: name and data."""
    events: list[tuple[str, str]] = []
    with urllib.request.urlopen(address, timeout=PATIENCE_S) as stream:  # noqa: S310 - our own, on loopback
        name = ""
        while len(events) < count:
            line = stream.readline().decode().rstrip("\n")
            if line.startswith("event: "):
                name = line[7:]
            elif line.startswith("data: "):
                events.append((name, line[6:]))
    return events


@pytest.fixture
def live(ledger: Ledger, plan_path: Path) -> Iterator[LivePage]:
    page = LivePage(ledger, plan_path.parent, plan=lambda: load_plan(plan_path))
    yield page
    page.close()


def test_a_watchs_page_is_there_at_once_and_gone_after(live: LivePage) -> None:
    with PageServer(live) as server:
        assert server.greeting == f"page at {server.address}"
        assert get(server.address).startswith(b"<!doctype html>")
        assert json.loads(get(server.address + "frames")) == []
    with pytest.raises(OSError, match=r"refused|reset"):
        get(server.address)


def test_a_landed_frame_is_sent_as_its_record(live: LivePage) -> None:
    with PageServer(live) as server:
        heard: list[list[tuple[str, str]]] = []
        listener = threading.Thread(
            target=lambda: heard.append(read_events(server.address + "events", 6))
        )
        listener.start()
        while not live.stream.listeners:
            pass
        kept = kept_in(live.ledger, live.folder)
        live.landed(kept, None)
        listener.join(10)
    events = dict(heard[0])
    assert json.loads(events["frame"]) == kept.row
    assert json.loads(events["shown"])["view"]["say"] == "On plan."
    assert {"status", "held", "beat"} <= set(events)


def test_what_was_missed_comes_first(live: LivePage) -> None:
    first = kept_in(live.ledger, live.folder)
    second = kept_in(live.ledger, live.folder, "F0002.dng")
    with PageServer(live) as server:
        [event, *_] = read_events(f"{server.address}events?after={first.frame}", 1)
    assert event == ("frame", json.dumps(second.row, separators=(",", ":")))


def test_a_page_on_the_network_asks_for_its_token_and_shows_it_as_a_code(live: LivePage) -> None:
    every = ".".join("0000")
    at = Address(host=every)
    assert not at.may_edit
    assert Address(host=every, allow_edits=True).may_edit
    with PageServer(live, at) as server:
        assert "?token=" in server.address
        assert "\u2580" in server.greeting or "\u2588" in server.greeting
    with PageServer(live, at) as again:
        assert again.address == server.address, "a tablet finds a watch that was started again"


EVERYWHERE = ".".join("0000")


def test_the_token_lies_in_a_file_of_its_own_that_only_its_user_reads(live: LivePage) -> None:
    with PageServer(live, Address(host=EVERYWHERE)) as server:
        token = server.rules.token
    assert token
    ledger = Path(live.ledger.place)
    kept = ledger.with_name(f"{ledger.name}.page-token")
    assert kept.read_text(encoding="utf-8").strip() == token
    assert stat.S_IMODE(kept.stat().st_mode) == 0o600
    held = [path for path in ledger.parent.iterdir() if token.encode() in path.read_bytes()]
    assert held == [kept]
    with PageServer(live, Address(host=EVERYWHERE)) as again:
        assert again.rules.token == token


def test_a_token_that_an_earlier_version_kept_in_the_ledger_opens_nothing_any_more(
    live: LivePage,
) -> None:
    live.ledger.settings.set("page token", "kept-before-in-the-ledger")
    with PageServer(live, Address(host=EVERYWHERE)) as server:
        assert server.rules.token != "kept-before-in-the-ledger"  # noqa: S105 - opens nothing
    assert live.ledger.settings.get("page token") is None


@pytest.mark.parametrize("lies", ["a link", "readable by all", "empty"])
def test_a_token_file_that_others_may_have_made_or_read_is_not_trusted(
    live: LivePage, lies: str
) -> None:
    ledger = Path(live.ledger.place)
    kept, other = ledger.with_name(f"{ledger.name}.page-token"), ledger.with_name("other")
    (other if lies == "a link" else kept).write_text("" if lies == "empty" else "known to others")
    if lies == "a link":
        other.chmod(0o600)
        kept.symlink_to(other)
    else:
        kept.chmod(0o600 if lies == "empty" else 0o644)
    with PageServer(live, Address(host=EVERYWHERE)) as server:
        assert server.rules.token not in ("", "known to others")
    assert kept.read_text(encoding="utf-8").strip() == server.rules.token
    assert (kept.is_symlink(), stat.S_IMODE(kept.stat().st_mode)) == (False, 0o600)
    if lies == "a link":
        assert other.read_text(encoding="utf-8") == "known to others"


def test_an_address_that_is_taken_is_said_in_words(live: LivePage) -> None:
    with PageServer(live) as server:
        port = server.rules.port
        with pytest.raises(WrongUse, match=rf"can't listen on 127\.0\.0\.1 port {port}"):
            PageServer(live, Address(port=port))


@pytest.mark.parametrize("host", ["a..b", "a" * 70, "\u202e", "not here"])
def test_a_name_that_no_host_has_is_refused_in_words(live: LivePage, host: str) -> None:
    with pytest.raises(WrongUse, match="can't listen on"):
        PageServer(live, Address(host=host, port=0))


def test_only_a_plan_that_was_read_again_is_told(ledger: Ledger, plan_path: Path) -> None:
    plan = load_plan(plan_path)
    live = LivePage(ledger, plan_path.parent, plan=lambda: plan)
    told: list[str] = []
    live.stream.tell = lambda *events: told.extend(one.split()[1].decode() for one in events)  # type: ignore[method-assign]
    for _ in range(3):
        live.look_round(Status(behind=1, decoding=("F0003.dng",)), plan_read=plan)
    again = load_plan(plan_path)
    live.look_round(Status(behind=1, decoding=("F0003.dng",)), plan_read=again)
    live.close()
    assert told == ["status", "plan"]


def test_a_picture_is_made_again_in_a_process_of_its_own(ledger: Ledger, tmp_path: Path) -> None:
    kept = kept_in(ledger, tmp_path)
    again = PicturesAgain(ledger, make=small)
    picture = again(kept)
    assert picture is not None
    assert (picture.image[0, 0, 0], picture.luminance[0, 0]) == (9, 0.1273)
    (tmp_path / "F0001.dng").unlink()
    assert again(kept) is None
    again.close()


def test_a_decoder_that_crashes_costs_one_picture(ledger: Ledger, tmp_path: Path) -> None:
    kept = kept_in(ledger, tmp_path)
    again = PicturesAgain(ledger, make=crash)
    assert again(kept) is None
    assert again(kept) is None
    again.close()


def test_a_process_that_is_ended_in_the_middle_of_its_answer_holds_nobody_up() -> None:
    """A watch that ended while solos were read for Try light waited for the rest for ever."""

    def ask() -> None:
        with suppress(WrongUse):
            work.run(large, 200, fails="ended")

    work = SpawnedWork()
    assert work.run(large, 1, fails="died") == large(1)
    line = work._line
    asking = threading.Thread(target=ask, daemon=True)
    asking.start()
    assert line is not None
    assert line.poll(PATIENCE_S)  # its answer has begun
    work.close()
    asking.join(PATIENCE_S)
    assert not asking.is_alive()


def test_an_unreadable_file_is_not_tried_again(ledger: Ledger, tmp_path: Path) -> None:
    kept = kept_in(ledger, tmp_path, verdict="unreadable")
    again = PicturesAgain(ledger, make=crash)
    assert again(kept) is None
    assert again._process is None


def test_a_code_for_an_address_is_square() -> None:
    lines = qr_lines("http://192.168.1.20:8080/?token=abc").strip("\n").splitlines()
    assert len(lines) > 10
