"""The split of lit and shadow against published statistics, a reference library, made classes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from skimage.filters import threshold_otsu

from stopwise.measurement.split import ashman_d, histogram, mixture_of, otsu, split_ratio

SEED = 20


def classes_of(*classes, seed=SEED):
    """Return log2 Y drawn from normal classes (count, mean, sigma)."""
    rng = np.random.default_rng(seed)
    return np.concatenate([rng.normal(mean, sigma, count) for count, mean, sigma in classes])


def tinted(light, red_stops, blue_stops):
    return (
        (light * np.exp2(red_stops)).astype(np.float32),
        light.astype(np.float32),
        (light * np.exp2(blue_stops)).astype(np.float32),
    )


def as_skin(light):
    """Return red, green and blue of one material with a colour of its own."""
    return tinted(light, 0.4, -0.3)


def split_of(tones, **options):
    light = np.exp2(tones).astype(np.float32)
    return split_ratio(light, np.ones(light.shape, bool), colours=as_skin(light), **options)


# --- against Otsu 1979 as scikit-image works it out, and Ashman, Bird and Zepf 1994 ---


@pytest.mark.parametrize(
    ("values", "cut"),
    [
        ([10] * 50 + [200] * 50, 10),
        ([0, 0, 1, 1, 2, 2, 8, 8, 9, 9, 10, 10], 2),
    ],
)
def test_the_cut_of_a_short_table_is_the_reference_librarys(values, cut):
    levels = np.arange(256)
    counts = np.bincount(values, minlength=256).astype(float)

    at, _ = otsu(counts, levels.astype(float))

    assert levels[at] == cut == threshold_otsu(np.array(values, np.uint8))


@pytest.mark.parametrize(
    "classes",
    [
        ((40_000, -6.0, 0.4), (60_000, -3.0, 0.4)),
        ((80_000, -6.0, 0.5), (20_000, -4.0, 0.5)),
        ((50_000, -6.0, 0.3), (50_000, -4.0, 0.8)),
        ((100_000, -4.0, 1.0),),
    ],
)
def test_the_cut_of_a_histogram_is_the_reference_librarys(classes):
    counts, centres = histogram(classes_of(*classes))

    at, _ = otsu(counts, centres)

    assert centres[at] == threshold_otsu(hist=(counts, centres))


@pytest.mark.parametrize(
    ("lower", "upper", "optimum"),
    [
        # weight, mean, sigma of each; optimum of Otsu's 1979 criterion for the continuous mixture,
        # by scipy.optimize on the closed form of the between-class variance
        ((0.5, 100.0, 20.0), (0.5, 180.0, 20.0), 140.0000),
        ((0.8, 100.0, 20.0), (0.2, 180.0, 20.0), 138.0047),
        ((0.2, 100.0, 20.0), (0.8, 180.0, 20.0), 141.9953),
        ((0.5, 100.0, 15.0), (0.5, 180.0, 30.0), 145.0439),
        ((0.7, 60.0, 12.0), (0.3, 120.0, 18.0), 91.0671),
    ],
)
def test_the_cut_is_the_optimum_of_the_continuous_mixture(lower, upper, optimum):
    def density(x):
        return sum(w * stats.norm.pdf(x, m, s) for w, m, s in (lower, upper))

    centres = np.arange(-50.0, 350.0, 0.1)
    at, _ = otsu(density(centres), centres)

    assert centres[at] == pytest.approx(optimum, abs=0.1)


@pytest.mark.parametrize(
    ("classes", "expected"),
    [
        ((0.0, 1.0, 2.0, 1.0), 2.0),
        ((0.0, 1.0, 15.0, 3.0), 6.708204),
        ((50.0, 10.0, 150.0, 20.0), 6.324555),
        ((0.0, 1.0, 1.0, 1.0), 1.0),
    ],
)
def test_ashmans_d_follows_its_published_definition(classes, expected):
    # Ashman, Bird and Zepf, Astronomical Journal 108, 1994, 2348
    assert ashman_d(*classes) == pytest.approx(expected, abs=1e-6)


def test_one_normal_class_cut_in_two_has_a_share_of_two_over_pi():
    # the variance between the halves of a normal distribution is 2/pi of its own
    tones = stats.norm.ppf((np.arange(200_000) + 0.5) / 200_000)

    assert mixture_of(tones).share == pytest.approx(2.0 / math.pi, abs=0.003)


@pytest.mark.parametrize("d", [1.0, 1.9])
def test_classes_nearer_than_two_sigma_have_one_mode_and_are_refused(d):
    # an equal mixture of equal sigmas has two modes only from a gap of two sigma on (D > 2)
    ratio = split_of(classes_of((30_000, -5.0, 0.4), (30_000, -5.0 + 0.4 * d, 0.4)))

    assert (ratio.stops, ratio.why) == (None, "one_heap")


# --- made mixtures with known answers ---


@pytest.mark.parametrize("stops", [1.2, 2.0, 3.0, 4.5])
@pytest.mark.parametrize("lit_share", [0.2, 0.5, 0.8])
def test_two_classes_give_their_own_distance(stops, lit_share):
    count = 60_000
    lit = int(count * lit_share)

    ratio = split_of(classes_of((count - lit, -6.0, 0.25), (lit, -6.0 + stops, 0.25)))

    assert ratio.stops == pytest.approx(stops, abs=0.03)
    assert ratio.ratio == pytest.approx(2.0**stops, rel=0.03)
    assert ratio.ashman == pytest.approx(stops / 0.25, rel=0.05)
    assert ratio.by == "split"
    assert ratio.why is None


def test_two_classes_of_other_widths_give_the_distance_of_their_medians():
    ratio = split_of(classes_of((30_000, -7.0, 0.6), (50_000, -4.0, 0.3)))

    assert ratio.stops == pytest.approx(3.0, abs=0.03)


def prism(key, fill, *, noise, seed=SEED):
    """Return a card folded upright: one side faces key and fill, the other the fill alone."""
    rng = np.random.default_rng(seed)
    light = np.where(np.arange(400)[None, :] < 180, key + fill, fill) * np.ones((300, 1))
    skin = np.exp2(rng.normal(0.0, 0.12, light.shape))
    light = 0.3 * light * skin
    return (light + noise * np.sqrt(light) * rng.standard_normal(light.shape)).astype(np.float32)


@pytest.mark.parametrize(("key", "fill", "ratio"), [(1.0, 1.0, 2), (3.0, 1.0, 4), (0.7, 0.1, 8)])
def test_key_and_fill_against_fill_alone_is_the_handbooks_lighting_ratio(key, fill, ratio):
    # lighting ratio as (key + fill) to fill: 1 stop 2:1, 2 stops 4:1, 3 stops 8:1 (common practice)
    light = prism(key / 4.0, fill / 4.0, noise=0.005)

    found = split_ratio(light, np.ones(light.shape, bool), colours=as_skin(light))

    assert found.stops == pytest.approx(math.log2(ratio), abs=0.06)


def test_its_stated_uncertainty_covers_the_truth():
    inside = []
    for seed in range(120):
        found = split_of(classes_of((2_400, -6.0, 0.4), (3_600, -4.2, 0.4), seed=seed))
        inside.append(abs(found.stops - 1.8) <= 2.0 * found.uncertainty)

    assert np.mean(inside) > 0.93


# --- not seen ---


def sphere(off_axis_deg, fill):
    """Return a Lambert sphere lit from one side, with a fill at the camera."""
    x, y = np.meshgrid(np.linspace(-1.0, 1.0, 300), np.linspace(-1.0, 1.0, 300))
    z = np.sqrt(np.maximum(1.0 - x**2 - y**2, 0.0))
    turn = math.radians(off_axis_deg)
    light = np.maximum(x * math.sin(turn) + z * math.cos(turn), 0.0) + fill * z
    return (0.3 * light).astype(np.float32), x**2 + y**2 < 0.97


def test_a_flat_lit_face_has_no_ratio():
    light, subject = sphere(0.0, 0.25)

    ratio = split_ratio(light, subject, colours=as_skin(light))

    assert (ratio.stops, ratio.uncertainty, ratio.why) == (None, None, "one_heap")
    assert 0.0 < ratio.separability < 1.0
    assert ratio.ashman is not None


def test_a_side_lit_face_has_one():
    light, subject = sphere(80.0, 0.2)

    assert split_ratio(light, subject, colours=as_skin(light)).stops > 1.0


@pytest.mark.parametrize(
    "tones",
    [
        np.linspace(-7.0, -2.0, 40_000),
        classes_of((40_000, -4.0, 0.8)),
        classes_of((600, -4.0, 0.8)),
        classes_of((30_000, -4.0, 0.3), (300, -7.0, 0.1)),
        classes_of((10_000, -9.0, 2.2), (30_000, -1.5, 0.4)),
    ],
    ids=["even spread", "one class", "few of one class", "a speck", "a jumble of dark material"],
)
def test_what_isnt_two_classes_is_refused(tones):
    ratio = split_of(tones)

    assert (ratio.stops, ratio.why) == (None, "one_heap")


def test_one_single_value_is_refused():
    ratio = split_of(np.full(5_000, -3.0))

    assert (ratio.stops, ratio.why, ratio.separability) == (None, "one_heap", 0.0)


def test_too_few_cells_are_refused():
    assert split_of(np.full(50, -3.0)).why == "too_few"


def test_an_empty_subject_is_refused():
    light = np.ones((40, 40), np.float32)

    assert split_ratio(light, np.zeros(light.shape, bool)).why == "too_few"


def test_cells_under_the_noise_are_left_out():
    # without the floor the noise would be the lower class
    tones = classes_of((20_000, -5.0, 0.2), (20_000, -3.0, 0.2), (40_000, -11.0, 0.4))

    assert split_of(tones, floor=2.0**-8).stops == pytest.approx(2.0, abs=0.03)


def test_cells_outside_the_subject_are_left_out():
    tones = classes_of((20_000, -5.0, 0.2), (20_000, -3.0, 0.2), (40_000, 1.0, 0.2))
    subject = np.arange(len(tones)) < 40_000

    light = np.exp2(tones).astype(np.float32)
    found = split_ratio(light, subject, colours=as_skin(light))

    assert found.stops == pytest.approx(2.0, abs=0.03)


def test_a_pale_face_over_black_cloth_is_no_ratio():
    light = np.exp2(classes_of((20_000, -6.0, 0.2), (20_000, -2.5, 0.2)))
    skin = np.where(light > 2.0**-4, 1.0, 0.0)

    found = split_ratio(
        light.astype(np.float32),
        np.ones(light.shape, bool),
        colours=tinted(light, 0.4 * skin, -0.3 * skin),
    )

    assert (found.stops, found.why) == (None, "other_stuff")
    assert found.ashman > 2.0


def test_the_same_material_in_light_and_shadow_is_a_ratio():
    light = np.exp2(classes_of((20_000, -6.0, 0.2), (20_000, -2.5, 0.2)))

    found = split_ratio(
        light.astype(np.float32), np.ones(light.shape, bool), colours=as_skin(light)
    )

    assert found.stops == pytest.approx(3.5, abs=0.03)


@pytest.mark.parametrize("colours", ["grey", "none"])
def test_greys_in_two_tones_are_no_ratio_since_any_grey_may_be_the_other(colours):
    light = np.exp2(classes_of((20_000, -6.0, 0.2), (20_000, -2.5, 0.2))).astype(np.float32)

    found = split_ratio(
        light,
        np.ones(light.shape, bool),
        colours=tinted(light, 0.1, -0.1) if colours == "grey" else None,
    )

    assert (found.stops, found.why) == (None, "other_stuff")


# --- one edge of light across several materials ---


def coat_and_face(edge_of_light, *, stops=2.0, seed=SEED):
    """Return Y and colours of a face over a red coat, (300, 300), and a black tie upon both.

    The light falls off by `stops` where the columns pass `edge_of_light` of each row.
    """
    rng = np.random.default_rng(seed)
    rows, columns = np.indices((300, 300))
    face, tie = rows < 130, np.abs(columns - 60) < 20
    tone = np.where(tie, -5.5, np.where(face, -1.5, -3.0)) + rng.normal(0.0, 0.1, rows.shape)
    light = np.exp2(tone - stops * (columns > edge_of_light))
    red = np.where(tie, 0.0, np.where(face, 0.5, 2.0))
    blue = np.where(tie, 0.0, np.where(face, -0.4, -1.2))
    return light.astype(np.float32), tinted(light, red, blue)


@pytest.mark.parametrize("stops", [1.2, 2.0, 3.0])
def test_an_edge_of_light_across_face_and_coat_is_the_ratio(stops):
    light, colours = coat_and_face(160, stops=stops)

    found = split_ratio(light, np.ones(light.shape, bool), colours=colours)

    assert found.stops == pytest.approx(stops, abs=0.1)
    assert abs(found.stops - stops) <= 2.0 * found.uncertainty


def test_a_coat_of_two_tones_under_a_face_of_two_others_is_no_edge_of_light():
    # face and coat change tone by as much, on other sides: light runs on across both
    light, colours = coat_and_face(160)
    turned, others = coat_and_face(160, seed=SEED + 1)
    face = np.arange(300)[:, None] < 130
    mixed = np.where(face, light, turned[:, ::-1])
    planes = tuple(
        np.where(face, one, other[:, ::-1]) for one, other in zip(colours, others, strict=True)
    )

    found = split_ratio(mixed, np.ones(light.shape, bool), colours=planes)

    assert found.stops is None


def test_a_flat_lit_face_over_a_coat_has_no_edge_of_light():
    light, colours = coat_and_face(301)

    assert split_ratio(light, np.ones(light.shape, bool), colours=colours).stops is None


# --- properties ---


@given(power=st.integers(-4, 4))
def test_more_light_by_whole_stops_changes_no_ratio_at_all(power):
    tones = classes_of((3_000, -6.0, 0.3), (4_000, -3.5, 0.3))

    before, after = split_of(tones), split_of(tones + power)

    assert after.stops == pytest.approx(before.stops, abs=1e-5)
    assert after.ashman == pytest.approx(before.ashman, rel=1e-3)


@pytest.mark.slow
@given(
    values=st.lists(st.floats(0.0, 2.0, width=32), min_size=400, max_size=800),
    floor=st.floats(0.0, 0.5),
)
def test_every_figure_is_finite_or_absent_with_its_reason(values, floor):
    light = np.array(values, np.float32)

    found = split_ratio(light, np.ones(light.shape, bool), floor=floor)

    assert (found.stops is None) == (found.why is not None)
    for figure in (found.stops, found.separability, found.ashman, found.uncertainty):
        assert figure is None or math.isfinite(figure)
