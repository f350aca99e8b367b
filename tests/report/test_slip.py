"""The slip: each mark stands where its figure says, whatever frame it is made for."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from itertools import combinations
from typing import TYPE_CHECKING, Any

import imagecodecs
import numpy as np
import pytest
from matplotlib.patches import Rectangle

from stopwise.findings import Reason
from stopwise.lamps.outputs import LampReading
from stopwise.measurement.figures import BlownArea, Zones
from stopwise.report.look import DARK
from stopwise.report.ruler import LOWEST
from stopwise.report.sheet import HEIGHT, WIDTH, Area, Labels, Sheet, left_to_right
from stopwise.report.slip import compose, draw_slip, keep_frame_slip
from support.grids import grid_of
from support.made_picture import drawable, made_picture
from support.made_records import finding, patch, record, turned, unreadable

if TYPE_CHECKING:
    from pathlib import Path

    from stopwise.record import Record

AREAS = (
    BlownArea(0.0123, (0.575, 0.78, 0.665, 0.9), (0.62, 0.84), "white jacket"),
    BlownArea(0.0003, (0.1, 0.1, 0.11, 0.12), (0.105, 0.11)),
)


def off_plan(**more: Any) -> Record:
    hot = finding("patch", "over", "lit cheek", 6.9, 6.5, **turned("key", -0.4))
    hair = finding("patch", "over", "hair", 6.1, 6.0, within=(-0.5, 0.3), state="holds")
    mask = finding("patch", "not_seen", "mask", None, 2.2, within=(-0.5, 0.5), state="not seen")
    frame = record("off plan", hot, mask, hair, **more)
    read = {"lit cheek": 6.9, "mask": None}
    patches = {
        name: replace(one, zone=read.get(name, one.zone)) for name, one in frame.patches.items()
    }
    return replace(frame, patches=patches, clipping=replace(frame.clipping, areas=AREAS))


def slip(frame: Record, width: int = 480, height: int = 320) -> Sheet:
    return compose(frame, drawable(made_picture(width, height)))


def found(sheet: Sheet, gid: str) -> list[Any]:
    return [artist for artist in sheet.axes.get_children() if artist.get_gid() == gid]


def one(sheet: Sheet, gid: str) -> Any:
    [artist] = found(sheet, gid)
    return artist


def zone_at(sheet: Sheet, y: float, clip: float) -> float:
    """Return the zone of a pixel row from the scale's two ends alone."""
    foot, top = one(sheet, "scale").get_ydata()
    return LOWEST + (foot - y) / (foot - top) * (clip - LOWEST)


CLIP = 5 - math.log2(0.1273)


def test_a_value_stands_at_its_zone_and_off_the_bracket_of_its_target() -> None:
    sheet = slip(off_plan())
    bar = one(sheet, "value:lit cheek")
    bracket = one(sheet, "target:lit cheek").get_ydata()
    assert zone_at(sheet, bar.get_y() + bar.get_height() / 2, CLIP) == pytest.approx(6.9, abs=0.01)
    assert zone_at(sheet, max(bracket), CLIP) == pytest.approx(6.2, abs=0.01)
    assert zone_at(sheet, min(bracket), CLIP) == pytest.approx(6.7, abs=0.01)
    assert one(sheet, "figure:lit cheek").get_text() == "+0.4"


def test_zone_shares_lie_along_the_ruler_as_long_as_their_fraction() -> None:
    sheet = slip(off_plan())
    bars = {k: one(sheet, f"share:{k}") for k in range(9)}
    shares = off_plan().zones.share
    for k, bar in bars.items():
        middle = (k - 0.5 + min(k + 0.5, CLIP)) / 2
        assert zone_at(sheet, bar.get_y() + bar.get_height() / 2, CLIP) == pytest.approx(
            middle, abs=0.01
        )
        assert bar.get_width() / bars[4].get_width() == pytest.approx(shares[k] / shares[4])


def test_nothing_on_the_ruler_stands_above_the_clip_line() -> None:
    frame = off_plan()
    sheet = slip(frame)
    clip = one(sheet, "clip").get_ydata()[0]
    bars = [
        artist
        for artist in sheet.axes.get_children()
        if isinstance(artist, Rectangle) and str(artist.get_gid()).startswith(("share", "value"))
    ]
    assert bars
    assert min(bar.get_y() for bar in bars) >= clip


def test_a_patch_that_is_not_seen_has_a_bracket_and_no_bar() -> None:
    sheet = slip(off_plan())
    assert found(sheet, "target:mask")
    assert not found(sheet, "value:mask")
    assert one(sheet, "figure:mask").get_text() == "not seen"


def test_patches_are_held_by_four_corners_around_where_they_were_read() -> None:
    sheet = slip(off_plan())
    left, right, bottom, top = one(sheet, "picture").get_extent()
    corners = found(sheet, "patch:hair")
    x = [value for line in corners for value in line.get_xdata()]
    y = [value for line in corners for value in line.get_ydata()]
    x0, y0, x1, y1 = off_plan().patches["hair"].box
    assert len(corners) == 4
    assert (min(x) + 3 - left) / (right - left) == pytest.approx(x0, abs=1e-6)
    assert (max(x) - 3 - left) / (right - left) == pytest.approx(x1, abs=1e-6)
    assert (min(y) + 3 - top) / (bottom - top) == pytest.approx(y0, abs=1e-6)
    assert (max(y) - 3 - top) / (bottom - top) == pytest.approx(y1, abs=1e-6)


def test_blown_areas_are_outlined_numbered_largest_first_and_left_clean_inside() -> None:
    sheet = slip(off_plan())
    image = one(sheet, "picture").get_array()
    assert (image[int(0.84 * 320), int(0.62 * 480)] >= 250).all()
    outline, small = one(sheet, "blown").get_paths()
    left, right, _, _ = one(sheet, "picture").get_extent()
    x = (outline.vertices[:, 0] - left) / (right - left)
    assert 0.57 < x.min() < x.max() < 0.68
    assert len(small.vertices) == 5  # smaller than a block: its box stands for it
    assert [len(found(sheet, f"tag:{number}")) for number in (1, 2, 3)] == [1, 1, 0]


def test_only_blocked_parts_are_stippled() -> None:
    sheet = slip(off_plan())
    left, right, bottom, top = one(sheet, "picture").get_extent()
    dots = one(sheet, "blocked")
    x = (dots.get_xdata() - left) / (right - left) * 480
    y = (dots.get_ydata() - top) / (bottom - top) * 320
    off_edge = (np.abs(x - np.round(x)) > 1e-3) & (np.abs(y - np.round(y)) > 1e-3)
    columns, rows = x[off_edge].astype(int), y[off_edge].astype(int)
    assert len(columns) > 20
    assert (made_picture(480, 320).luminance[rows, columns] < 0.1273 / 16).all()


def test_a_contour_runs_where_the_tone_passes_from_zone_to_zone() -> None:
    picture = drawable(made_picture(480, 320))
    ramp = np.broadcast_to(0.1273 * 2.0 ** np.linspace(-2, 2, 480), (320, 480))
    flat = compose(
        record("measured", patches={}), type(picture)(picture.image, ramp, ramp * 0, ramp * 0)
    )
    left, right, _, _ = one(flat, "picture").get_extent()
    places = sorted(
        float(np.median((path.vertices[:, 0] - left) / (right - left)))
        for path in one(flat, "contours").get_paths()
    )
    # the ramp runs from Zone 3 to Zone 7: boundaries at 3.5, 4.5, 5.5 and 6.5
    assert places == pytest.approx([0.125, 0.375, 0.625, 0.875], abs=0.01)


def test_the_headline_stands_at_the_top_in_type_of_4_7_per_cent_of_the_width() -> None:
    say, do = found(slip(off_plan()), "headline")
    lines = ("Key 0.4 high. Lit cheek 0.4 over.", "Key down 0.4, to -2.4.")
    assert (say.get_text(), do.get_text()) == lines
    assert say.get_fontsize() * 100 / 72 == pytest.approx(0.047 * WIDTH)
    assert max(say.get_position()[1], do.get_position()[1]) < HEIGHT / 5


@pytest.mark.parametrize(
    ("width", "height"), [(480, 320), (320, 480), (100, 400), (600, 150), (2, 3), (1, 1)]
)
def test_every_shape_of_picture_keeps_its_shape_and_every_text_stays_on_the_slip(
    width: int, height: int
) -> None:
    sheet = slip(off_plan(), width, height)
    left, right, bottom, top = one(sheet, "picture").get_extent()
    assert (right - left) / (bottom - top) == pytest.approx(width / height)
    for text in sheet.axes.texts:
        box = text.get_window_extent()
        assert 0 <= box.x0 <= box.x1 <= WIDTH, text.get_text()
        assert 0 <= box.y0 <= box.y1 <= HEIGHT, text.get_text()


def test_labels_of_crowded_patches_lie_over_one_another_nowhere() -> None:
    patches = {
        f"patch {k}": patch(5.0 + k / 10, (0.3 + k / 30, 0.4, 0.32 + k / 30, 0.44))
        for k in range(8)
    }
    sheet = slip(record("measured", patches=patches))
    for prefix in ("patch label:", "figure:"):
        boxes = [
            text.get_window_extent()
            for text in sheet.axes.texts
            if str(text.get_gid()).startswith(prefix)
        ]
        assert len(boxes) >= 8
        assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))


@pytest.mark.parametrize(
    "name",
    [
        "a\nb.dng",
        "$x_1^2$.dng",
        "\x1b[31m.dng",
        "<b>&amp;</b>.dng",
        "レフ板.dng",
        "x" * 300 + ".dng",
    ],
)
def test_hostile_names_are_drawn_as_text(name: str) -> None:
    frame = off_plan(file=name)
    patches = {**frame.patches, name: patch(5.0, (0.1, 0.1, 0.2, 0.2))}
    sheet = slip(replace(frame, patches=patches))
    facts = [text.get_text() for text in found(sheet, "fact")]
    assert not any(
        "\n" in text.get_text() or "\x1b" in text.get_text() for text in sheet.axes.texts
    )
    assert not any(text.get_parse_math() for text in sheet.axes.texts)
    if len(name) < 30 and name.isascii() and name.isprintable():
        assert name in facts
    sheet.png()


@pytest.mark.parametrize(
    "frame",
    [
        unreadable(),
        unreadable(None, "something nobody foresaw"),
        record("measured", patches={}, ratio=None, backdrop=None, lamps=None),
        record("can't tell", zones=Zones(None, 0.0, 0.1273)),
    ],
    ids=["cut short", "unknown reason", "no patches", "no zones"],
)
@pytest.mark.parametrize("with_picture", [True, False])
def test_every_kind_of_record_gives_a_png_that_another_reader_opens(
    frame: Record, *, with_picture: bool
) -> None:
    picture = drawable(made_picture(60, 40)) if with_picture else None
    pixels = imagecodecs.png_decode(compose(frame, picture).png())
    assert pixels.shape[:2] == (HEIGHT, WIDTH)
    corner = "#{:02X}{:02X}{:02X}".format(*pixels[2, 2, :3])
    assert corner == DARK.ground
    assert len(np.unique(pixels[..., 1])) > 10


def test_a_slip_of_a_measured_picture_is_written_whole(tmp_path: Path) -> None:
    picture = grid_of(np.moveaxis(made_picture(60, 40).rgb, -1, 0))
    place = keep_frame_slip(tmp_path, tmp_path / "F0012.dng", off_plan(), picture)
    assert place == tmp_path / "F0012.png"
    assert imagecodecs.png_decode(place.read_bytes()).shape[:2] == (HEIGHT, WIDTH)
    bare = imagecodecs.png_decode(draw_slip(off_plan(), picture))
    assert np.array_equal(imagecodecs.png_decode(place.read_bytes()), bare)


def test_what_lies_under_the_scale_is_marked_at_its_foot_and_nothing_runs_on_below() -> None:
    """A frame in which no lamp fired: every patch lies under Zone 0."""
    dark = off_plan()
    patches = {
        name: replace(one, zone=-1.0 - place)
        for place, (name, one) in enumerate(dark.patches.items())
    }
    sheet = slip(replace(dark, patches=patches, findings=()))
    foot = max(one(sheet, "scale").get_ydata())
    drawn = [artist for artist in sheet.axes.lines if str(artist.get_gid()).startswith("under:")]
    assert {artist.get_gid() for artist in drawn} == {f"under:{name}" for name in patches}
    facts = min(text.get_position()[1] for text in found(sheet, "fact"))
    for artist in drawn:
        assert foot < min(artist.get_ydata()) <= max(artist.get_ydata()) < facts - 12
    figures = [one(sheet, f"figure:{name}") for name in patches]
    assert [text.get_text() for text in figures] == [f"{-1 - n}.0" for n in range(len(patches))]
    heights = [text.get_position()[1] for text in figures]
    assert heights == sorted(heights)


@pytest.mark.parametrize("shape", [(480, 320), (320, 480), (300, 300)])
@pytest.mark.parametrize("rows", [3, 40])
def test_rows_of_figures_keep_their_distance_and_stay_on_the_sheet(
    shape: tuple[int, int], rows: int
) -> None:
    lamps = {f"lamp of a long name {n}": LampReading(0.0, 0.01, "fired") for n in range(rows)}
    sheet = slip(off_plan(lamps=lamps), *shape)
    heights = sorted(text.get_position()[1] for text in found(sheet, "fact"))
    assert min(np.diff(heights)) >= 20  # of type of 16 pixels: 1.25, as print has it
    assert heights[-1] <= HEIGHT - 40
    assert one(sheet, "scale").get_ydata()[0] < heights[0] or shape[0] <= shape[1]


def test_what_is_said_of_one_thing_stands_in_one_column_and_its_advice_once() -> None:
    name = "sleeve of the white fencing jacket that a sitter wears"
    hot = [
        finding("patch", "over", f"{name} {n}", 7.0, 6.5, **turned("key", -0.5)) for n in range(9)
    ]
    sheet = slip(record("off plan", *hot))
    texts = found(sheet, "finding")
    assert sum(text.get_text() == "Key down 0.5, to -2.5." for text in texts) == 1
    columns = {text.get_position()[0] for text in texts}
    assert len(columns) == 2
    for left in columns:
        first = min(
            (text for text in texts if text.get_position()[0] == left),
            key=lambda text: text.get_position()[1],
        )
        assert first.get_text().startswith("Sleeve")


def test_figures_stand_behind_a_name_that_runs_from_right_to_left() -> None:
    """UAX #9 would put the figure to the other side of a name in Hebrew or Arabic."""
    assert left_to_right("lit cheek 0.4 over") == "lit cheek 0.4 over"
    assert left_to_right("\u05de\u05e6\u05d7 0.4 over") == (
        "\u200e\u05de\u05e6\u05d7\u200e 0.4 over"
    )
    two = "\u062e\u062f \u0627\u0644\u0638\u0644"
    assert left_to_right(f"{two} 4.5  0.0") == f"\u200e{two}\u200e 4.5  0.0"


def test_a_frame_that_isnt_judged_says_why() -> None:
    own = replace(record("measured"), reason=Reason("own_frame", ("grey",)))
    [text] = [text for text in slip(own).axes.texts if text.get_text().startswith("Not judged")]
    assert text.get_text() == "Not judged: the plan's own frame: grey."


def test_the_same_record_gives_the_same_bytes() -> None:
    frame = off_plan()
    assert slip(frame, 60, 40).png() == slip(frame, 60, 40).png()


def test_the_png_says_what_wrote_it_and_no_more() -> None:
    from PIL import Image

    with Image.open(io.BytesIO(slip(off_plan(), 60, 40).png())) as image:
        assert image.text == {"Software": "stopwise"}


def test_a_label_takes_the_side_that_is_free() -> None:
    room = Labels(Area(0, 0, 200, 100), [Area(60, 40, 120, 60)])
    place = room.label(Area(40, 40, 60, 60), 30, 20)
    assert place.right <= 40
    assert not any(place.meets(area) for area in room.taken[:-1])
