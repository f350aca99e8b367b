"""The stream: every page hears everything in order, and none holds the others up."""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, Any, TypeVar

from hypothesis import given
from hypothesis import strategies as st

from stopwise.page.live import Stream, event

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine

Found = TypeVar("Found")


def outcome(run: Callable[[], Coroutine[Any, Any, Found]]) -> Found:
    """Run in a thread of its own: where a browser is open, its event loop has this one."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(lambda: asyncio.run(run())).result()


@given(st.dictionaries(st.text(), st.text()), st.integers(0, 2**53))
def test_an_event_is_one_block_of_lines_whatever_it_holds(
    data: dict[str, str], number: int
) -> None:
    # HTML standard, server-sent events: a blank line ends an event, a line break a field
    lines = event("frame", data, number=number).decode().split("\n")
    assert lines[0] == f"id: {number}"
    assert lines[1] == "event: frame"
    assert lines[2].startswith("data: ")
    assert lines[3:] == ["", ""]
    assert "\r" not in lines[2]


def test_what_a_thread_tells_reaches_every_page_in_order() -> None:
    async def run() -> list[list[bytes]]:
        stream = Stream()
        stream.open()
        pages = [stream.join() for _ in range(3)]
        told = [event("n", number) for number in range(20)]
        threading.Thread(target=lambda: [stream.tell(one) for one in told]).start()
        heard = []
        for page in pages:
            told_to = stream.listen(page, bytes)
            heard.append([await anext(told_to) for _ in told])
            await told_to.aclose()  # type: ignore[attr-defined]
        assert stream.listeners == 0
        return heard

    expected = [event("n", number) for number in range(20)]
    assert outcome(run) == [expected] * 3


def test_a_page_that_does_not_read_is_cut_off_and_the_others_go_on() -> None:
    async def run() -> tuple[int, list[bytes]]:
        stream = Stream()
        stream.open()
        slow, quick = stream.join(), stream.join()
        told_to = stream.listen(quick, bytes)
        heard = []
        for number in range(400):
            stream.tell(event("n", number))
            heard.append(await anext(told_to))
        ended = [wire async for wire in stream.listen(slow, bytes)]
        assert stream.listeners == 1
        await told_to.aclose()  # type: ignore[attr-defined]
        return len(heard), ended

    assert outcome(run) == (400, [])


def test_closing_ends_every_stream_and_telling_after_it_is_harmless() -> None:
    async def run() -> list[bytes]:
        stream = Stream()
        stream.tell(event("n", 0))
        stream.open()
        page = stream.join()
        stream.tell(event("n", 1))
        await asyncio.sleep(0)
        stream.close()
        heard = [wire async for wire in stream.listen(page, bytes)]
        stream.tell(event("n", 2))
        return heard

    assert outcome(run) in ([], [event("n", 1)])
