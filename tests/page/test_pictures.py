"""Pictures for the page: made in the background, the JPEG first, then what is drawn over it."""

from __future__ import annotations

import io
import threading
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from stopwise.page.overlay import TOLERANCE, jpeg, overlay, spared
from stopwise.page.pictures import NewestFirst, Pictures
from stopwise.record import record_from_json
from stopwise.report.drawable import Drawable
from support.made_picture import drawable, made_picture
from support.page_scene import kept_frame, key_hot, on_plan

if TYPE_CHECKING:
    from numpy.typing import NDArray


def test_only_the_last_pictures_are_held() -> None:
    pictures = Pictures(lambda *_: None, held=3)
    image = np.zeros((4, 6, 3), np.uint8)
    plane = np.full((4, 6), 0.1)
    for number in range(8):
        pictures.put(
            kept_frame(on_plan(), number), lambda: Drawable(image, plane, plane * 0, plane * 0)
        )
    last_first = [
        pictures.get(kept_frame(on_plan(), number)).whole.result() for number in reversed(range(8))
    ]
    pictures.close()
    assert [shown is not None for shown in last_first] == [True] * 3 + [False] * 5


def test_a_picture_is_there_before_what_is_drawn_over_it(monkeypatch: pytest.MonkeyPatch) -> None:
    may_go_on = threading.Event()
    monkeypatch.setattr("stopwise.page.pictures.overlay", lambda *_: may_go_on.wait(10))
    pictures = Pictures(lambda *_: None)
    pictures.put(kept_frame(on_plan()), lambda: drawable(made_picture(60, 40)))
    showing = pictures.get(kept_frame(on_plan()))
    assert showing.image.result(10)
    assert not showing.whole.done()
    may_go_on.set()
    assert showing.whole.result(10) is not None
    pictures.close()


def test_a_picture_that_cant_be_made_fails_for_all_who_wait() -> None:
    def broken() -> Drawable:
        msg = "no picture"
        raise ValueError(msg)

    pictures = Pictures(lambda *_: None)
    pictures.put(kept_frame(on_plan()), broken)
    showing = pictures.get(kept_frame(on_plan()))
    for future in (showing.image, showing.whole):
        with pytest.raises(ValueError, match="no picture"):
            future.result(10)
    pictures.close()


@given(st.integers(3, 400), st.integers(0, 2**32 - 1))
def test_a_line_that_was_spared_points_is_nowhere_off_by_more_than_is_said(
    count: int, seed: int
) -> None:
    steps = np.random.default_rng(seed).normal(0, 0.001, (count, 2))
    line = np.cumsum(steps, axis=0) + 0.5
    kept = spared(line)
    assert len(kept) <= len(line)
    assert (kept[[0, -1]] == line[[0, -1]]).all()
    assert max(float(distance_to(point, kept)) for point in line) <= TOLERANCE + 1e-12


def distance_to(point: NDArray[np.float64], line: NDArray[np.float64]) -> float:
    """Return how far a point is from a line of straight pieces, by projection on each piece."""
    start, along = line[:-1], np.diff(line, axis=0)
    squared = np.maximum((along**2).sum(axis=1), 1e-18)
    at = np.clip(((point - start) * along).sum(axis=1) / squared, 0, 1)
    return float(np.hypot(*(start + at[:, None] * along - point).T).min())


def test_a_smooth_outline_is_spared_most_of_its_points() -> None:
    turn = np.linspace(0, 2 * np.pi, 2001)
    circle = np.column_stack((0.5 + 0.3 * np.cos(turn), 0.5 + 0.3 * np.sin(turn)))
    assert len(spared(circle)) < 300


def test_a_blown_area_is_outlined_where_it_is() -> None:
    share = np.zeros((200, 300))
    share[60:100, 150:210] = 1.0
    share[10:20, 10:20] = 1.0
    picture = drawable(made_picture(300, 200))
    picture = replace(picture, clipped=share)
    record = key_hot()
    record["clipping"]["areas"] = [
        {"fraction": 0.04, "box": [0.5, 0.3, 0.7, 0.5], "centre": [0.6, 0.4]}
    ]
    [[line]] = overlay(picture, record_from_json(record)).blown
    points = np.reshape(line, (-1, 2)) / 10_000
    assert points.min(axis=0) == pytest.approx((0.5, 0.3), abs=0.01)
    assert points.max(axis=0) == pytest.approx((0.7, 0.5), abs=0.01)


def test_what_was_asked_last_is_done_first() -> None:
    thread, begun, gate = NewestFirst("test"), threading.Event(), threading.Event()
    done: list[int] = []
    first = thread.submit(lambda: (begun.set(), gate.wait()))
    begun.wait(5)
    waiting = [thread.submit(lambda k=k: done.append(k)) for k in range(5)]  # type: ignore[misc]
    gate.set()
    for future in (first, *waiting):
        future.result(5)
    thread.close()
    assert done == [4, 3, 2, 1, 0]


def test_a_failure_belongs_to_who_asked_and_the_thread_goes_on() -> None:
    thread = NewestFirst("test")
    failed = thread.submit(lambda: 1 // 0)
    with pytest.raises(ZeroDivisionError, match="division"):
        failed.result(5)
    assert thread.submit(lambda: 2).result(5) == 2
    thread.close()


def test_closing_cancels_what_waits_and_what_is_asked_after() -> None:
    thread, begun, gate = NewestFirst("test"), threading.Event(), threading.Event()
    busy = thread.submit(lambda: (begun.set(), gate.wait()))
    begun.wait(5)
    waiting = thread.submit(lambda: 3)
    thread.close()
    gate.set()
    busy.result(5)
    for future in (waiting, thread.submit(lambda: 4)):
        assert future.cancelled()


def test_a_jpeg_keeps_grey_grey() -> None:
    grey = np.full((8, 8, 3), 118, np.uint8)
    with Image.open(io.BytesIO(jpeg(grey))) as image:
        assert np.asarray(image).mean() == pytest.approx(118, abs=1)
