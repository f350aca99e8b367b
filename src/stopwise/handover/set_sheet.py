"""The set sheet: what a shoot's light was, how it ran, and how it is set up again."""

from __future__ import annotations

import io
import warnings
from dataclasses import replace
from typing import TYPE_CHECKING

from stopwise.comparison.rebuilding import caution, stood
from stopwise.comparison.run import run_of
from stopwise.handover.document import Document, Picture, Rows, Section, Words
from stopwise.handover.lacking import lacks_of
from stopwise.lamps.trial import change_words
from stopwise.messages import do, say
from stopwise.plan.floor import floor_of_plan, side_text
from stopwise.plan.floor_drawing import floor_file
from stopwise.report.facts import SATURATION_SOURCES, patch_states
from stopwise.report.look import LIGHT, OKABE_ITO
from stopwise.report.ruler import spread
from stopwise.report.slip import draw_slip
from stopwise.report.tables import doubt, figure, run_title
from stopwise.report.terminal import Tally, summary_line
from stopwise.stops import exact_f_number, say_f_number
from stopwise.wording import f_text, iso_text, shown, shutter_text, signed, tenths, title

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from matplotlib.axes import Axes

    from stopwise.comparison.run import Series, TakeRun
    from stopwise.handover.gathering import AdoptedFrame, ShootKept, TakeKept
    from stopwise.lamps.outputs import LampReading
    from stopwise.plan.model import Light, Plan
    from stopwise.record import Record
    from stopwise.shoot.dialling import KeptTrial
    from stopwise.shoot.standing import DialNow

    Runs = Mapping[str, Sequence[float | None]]

_SIZE_IN, _DPI = (10.0, 2.7), 150
"""Inches of one chart, so that two stand on a page of A4 with their words, and dots an inch."""

_COLOURS = tuple(
    OKABE_ITO[name]
    for name in ("blue", "vermillion", "bluish green", "reddish purple", "orange", "sky blue")
)
_STYLES = ("-", "--", ":")
"""Eighteen lines that differ in print without colour too, six by six."""

_APART = 0.075
"""Least share of a chart's height between two names at its right edge: a line of its type."""


def draw_series(
    series: Mapping[str, Series], takes: Sequence[int | None], files: Sequence[str], *, unit: str
) -> bytes | None:
    """Return a chart of how things ran as a PNG; None where none is seen in two frames.

    Parameters
    ----------
    series
        Each thing's figures by its name, one a frame.
    takes, files
        Of each frame: for where takes begin, and for its name.
    unit
        What stands along the figures.
    """
    seen = {name: one.values for name, one in series.items() if one.frames > 1}
    if not seen:
        return None
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZE_IN, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.06, 0.15, 0.80, 0.81))
    _draw(axes, seen)
    _mark_takes(axes, takes, files)
    axes.set_ylabel(unit, fontsize=9, color=LIGHT.quiet)
    drawn = io.BytesIO()
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph .* missing")
        figure.savefig(drawn, format="png", dpi=_DPI)
    return drawn.getvalue()


def _draw(axes: Axes, runs: Runs) -> None:
    for place, (name, values) in enumerate(runs.items()):
        colour = _COLOURS[place % len(_COLOURS)]
        style = _STYLES[place // len(_COLOURS) % len(_STYLES)]
        heights = [float("nan") if value is None else value for value in values]
        axes.plot(
            heights, style, color=colour, linewidth=1.2, marker="o", markersize=2.4, label=name
        )
    low, high = axes.get_ylim()
    high = max(high, low + 1.0)  # a run without a change stays a level line
    axes.set_ylim(low, high)
    last = {
        name: next(value for value in reversed(values) if value is not None)
        for name, values in runs.items()
    }
    count = max(len(values) for values in runs.values())
    axes.set_xlim(-0.5, count - 0.5)
    heights = spread(list(last.values()), _APART * (high - low), low, high)
    for place, (name, height) in enumerate(zip(last, heights, strict=True)):
        axes.annotate(
            shown(name),
            (count - 0.5, height),
            (5, 0),
            textcoords="offset points",
            annotation_clip=False,
            color=_COLOURS[place % len(_COLOURS)],
            fontsize=8,
            va="center",
        ).set_parse_math(False)
    axes.grid(axis="y", color=LIGHT.hair, linewidth=0.6)
    axes.tick_params(labelsize=8, colors=LIGHT.quiet, length=0)
    for spine in axes.spines.values():
        spine.set_visible(False)


def _mark_takes(axes: Axes, takes: Sequence[int | None], files: Sequence[str]) -> None:
    """Name the frames along the foot, and part the takes by a line with their number."""
    count = len(files)
    step = max(1, -(-count // 12))  # a dozen names, so that none runs into the next
    places = range(0, count, step)
    axes.set_xticks(list(places), [shown(files[place])[-12:] for place in places])
    for label in axes.get_xticklabels():
        label.set_parse_math(False)
        label.set_fontsize(7)
    for place in range(1, count):
        if takes[place] != takes[place - 1]:
            axes.axvline(place - 0.5, color=LIGHT.rule, linewidth=0.8, linestyle=(0, (3, 3)))
            axes.annotate(
                f"take {takes[place]}",
                (place - 0.5, 1.0),
                (3, -8),
                xycoords=("data", "axes fraction"),
                textcoords="offset points",
                fontsize=7,
                color=LIGHT.quiet,
            )


CAUTIONS = """\
This sheet tells of light, not of safety: makers' instructions, local electrical and building \
rules and qualified people come first.
Flash capacitors hold a dangerous charge after the unit is off and unplugged: never open one. Dump \
the charge as the maker directs before power is turned down or a head or lead changed.
Lamps, snoots and grids get hot: let them cool, keep paper and gels clear of them.
A lamp over a person needs a weighted stand and a second, independent safety cable; nobody stands \
under it while it is moved.
Mains: packs on one circuit can overload it as they recharge together. Leads stay out of walkways, \
liquids away from packs.
No flash close to a face or into the eyes. Ask about photosensitive epilepsy beforehand."""
"""Common practice; docs/safety.md says more of each."""

_JPEG_QUALITY = 85  # of a slip in a sheet: its type stays sharp (chosen by eye)


def set_sheet(kept: ShootKept) -> Document:
    """Return a shoot's set sheet."""
    return Document(
        title=kept.plan.title or "The set",
        line=_line(kept.records),
        sections=tuple(_sections(kept)),
    )


def _sections(kept: ShootKept) -> Iterator[Section]:
    drawn = floor_file(replace(floor_of_plan(kept.set_now), title=""), "png")
    floor = Picture(
        drawn, "image/png", "The set from above and from the side, dials as they stand."
    )
    yield Section("The light as built", (floor, *_lamp_rows(kept)))
    for one in kept.adopted:
        yield Section(f"The picture{_of_look(one.record.look)}", tuple(_adopted(one)))
    yield Section("Set it up again", (Words(tuple(_steps(kept)), numbered=True),))
    yield Section("Take care", (Words(tuple(CAUTIONS.splitlines())),))
    if kept.trials:
        head = ("trial", "dials", "besides", "zones that it promises")
        rows = tuple(_trial_row(trial, kept.plan) for trial in kept.trials)
        yield Section("Light that was tried", (Rows(head, rows, (3, 6, 4, 6)),))
    takes = [(take, _take_row(take, kept.records)) for take in kept.takes]
    if takes:
        head = ("take", "frames", "turned", "what it did")
        yield Section("Takes", (Rows(head, tuple(row for _, row in takes), (3, 4, 4, 9)),))
    ran = (*_charts(kept), *(
        part for take in kept.takes for run in take.runs for part in _run_parts(run)
    ))  # fmt: skip
    if ran:
        yield Section("How it ran", ran)
    off = tuple(_off_rows(kept.records))
    if off:
        yield Section("Frames off plan", (Rows(("frame", "what", "what to do"), off, (3, 6, 6)),))
    levels = tuple(dict.fromkeys(_level_rows(kept.records)))
    if levels:
        columns = ("body", "ISO", "mid-grey", "photosites stop at", "which was")
        yield Section("Levels", (Rows(columns, levels, (5, 2, 3, 6, 5)),))
    if kept.photographs:
        shown_set = [Picture(data, "image/jpeg", shown(name)) for name, data in kept.photographs]
        yield Section("The set", tuple(shown_set))
    lacks = lacks_of(kept)
    if lacks:
        yield Section("What this record lacks", (Words(tuple(one.words for one in lacks)),))


_JUDGED = ("on plan", "off plan", "can't tell")


def _charts(kept: ShootKept) -> Iterator[Picture]:
    """Yield how lamps and patches ran over the frames that count."""
    run = run_of(kept.records, is_steady=kept.plan.is_steady)
    if run is None:
        return
    takes = {record.file: record.take for record in kept.records}
    places = ([takes[file] for file in run.files], run.files)
    zones = {name: one for name, one in run.patches.items() if one.unit == "zone"}
    for series, unit, words in (
        (run.lamps, "stops", "Each lamp against its solo, over the frames that count."),
        (zones, "zone", "Each patch over the same frames, camera settings taken out."),
    ):
        chart = draw_series(series, *places, unit=unit)
        if chart is not None:
            yield Picture(chart, "image/png", words)


def _line(records: Sequence[Record]) -> str:
    """Return when it was shot, with what, and what the frames came to."""
    days = sorted(
        {
            record.exposure.taken[:10]
            for record in records
            if record.exposure and record.exposure.taken
        }
    )
    when = days[:1] if days[:1] == days[-1:] else [f"{days[0]} to {days[-1]}"]
    bodies = dict.fromkeys(
        shown(" ".join(name for name in (record.camera.make, record.camera.model) if name))
        for record in records
        if record.camera
    )
    tally = Tally()
    for record in records:
        tally.add(record)
    told = [*when, *(body for body in bodies if body), summary_line(tally).plain]
    return ". ".join(told)


def _of_look(look: str | None) -> str:
    return "" if look is None else f", look {shown(look)}"


def _lamp_rows(kept: ShootKept) -> Iterator[Rows]:
    """Yield the table of powers: planned, as said last, and as the newest frame reads the lamp."""
    rows = []
    for light in kept.plan.lights:
        seen = (
            (record, lamp)
            for record in reversed(kept.records)
            if record.verdict in _JUDGED and (lamp := (record.lamps or {}).get(light.name))
            if lamp.fired_stops is not None
        )
        read = next(seen, None)
        dial = kept.dials.get(light.name)
        powers = (_power(light, light.power), _power(light, None if dial is None else dial.said))
        rows.append(
            (shown(light.name), *powers, "not read" if read is None else _read(light, *read))
        )
    if rows:
        head = ("lamp", "planned", "as said last", "as the newest frame reads it")
        yield Rows(head, tuple(rows), (4, 3, 3, 6))


def _read(light: Light, record: Record, lamp: LampReading) -> str:
    """Return where a lamp's dial stands by its light in a frame, or what it gives."""
    unsure = "" if lamp.uncertainty is None else f" ± {lamp.uncertainty:.2f}"
    if lamp.setting is not None:
        return f"{light.power_shown(lamp.setting)}{unsure}, in {shown(record.file)}"
    return f"{signed(lamp.stops or 0.0)}{unsure} against its solo, in {shown(record.file)}"


def _power(light: Light, power: float | None) -> str:
    return "not said" if power is None else light.power_shown(power)


def _adopted(one: AdoptedFrame) -> Iterator[Picture | Rows | Words]:
    record = one.record
    if one.picture is not None:
        told = f"The slip of {shown(record.file)}, the frame whose figures are the targets."
        yield Picture(_as_jpeg(draw_slip(record, one.picture)), "image/jpeg", told)
    else:
        yield Words((f"{shown(record.file)} isn't where it lay, so its picture can't be shown.",))
    states = patch_states(record)
    rows = tuple(
        (
            shown(name),
            "not seen" if patch.zone is None else tenths(patch.zone),
            "" if patch.headroom is None else tenths(patch.headroom),
            states.get(name, ""),
        )
        for name, patch in record.patches.items()
    )
    if rows:
        yield Rows(("patch", "zone", "under clip", ""), rows, (5, 2, 2, 3), frozenset((1, 2)))


def _as_jpeg(png: bytes) -> bytes:
    from PIL import Image

    told = io.BytesIO()
    with Image.open(io.BytesIO(png)) as picture:
        picture.convert("RGB").save(told, "JPEG", quality=_JPEG_QUALITY)
    return told.getvalue()


def _steps(kept: ShootKept) -> Iterator[str]:
    """Yield how the light is set up again, in the order in which it is done on set."""
    plan = kept.set_now
    yield from _place_steps(plan)
    for panel in plan.panels:
        parts = (
            panel.kind,
            side_text(panel.off_axis, "to camera right", "to camera left"),
            panel.distance and f"{panel.distance:.2f} m from the sitter",
            panel.height and f"its middle {panel.height:.2f} m high",
            panel.note,
        )
        yield f"{title(_listed(parts))}."
    for light in plan.lights:
        yield _lamp_step(light, kept.dials.get(light.name))
    last = next((take.take.number for take in reversed(kept.takes) if take.take is not None), None)
    if plan.frames.solo and last is not None:
        yield (
            "Shoot each lamp alone, the sitter on the old mark, and hold it against the old solo: "
            f"stopwise rebuild HAND-OVER --take {last} LAMP=FRAME. It says what is off, lamp by "
            "lamp, until all match."
        )
    yield "All lamps on: shoot a grey card, then a frame, and hold it against this sheet's picture."


def _place_steps(plan: Plan) -> Iterator[str]:
    known, camera = plan.set_, plan.camera
    places = (
        known.paper and f"hang {known.paper}",
        known.sitter_to_paper and f"sitter {known.sitter_to_paper:.2f} m before it",
        known.camera_to_sitter and f"camera {known.camera_to_sitter:.2f} m from the sitter",
        known.camera_height and f"lens {known.camera_height:.2f} m high",
        known.lens_mm and f"{known.lens_mm:g} mm",
    )
    if any(places):
        yield f"{title(_listed(places))}."
    settings = (
        camera.iso and iso_text(camera.iso),
        camera.f_number and f_text(camera.f_number),
        camera.shutter and shutter_text(camera.shutter),
    )
    if any(settings):
        yield f"Camera to {_listed(settings)}."
    if known.note:
        yield shown(known.note)


def _lamp_step(light: Light, dial: DialNow | None) -> str:
    told = [f"{title(shown(light.name))}: {shown(stood(light)) or 'place not said'}."]
    if dial is not None and dial.read is not None:
        told.append(f"Its dial: {dial.words(light)}.")
    if light.meter is not None:
        told.append(f"Alone it reads {say_f_number(exact_f_number(light.meter))}.")
    if light.note:
        told.append(f"{shown(light.note).rstrip('.')}.")
    if warning := caution(light):
        told.append(warning)
    return " ".join(told)


def _listed(parts: Sequence[object]) -> str:
    return shown(", ".join(str(part) for part in parts if part))


def _take_row(kept: TakeKept, records: Sequence[Record]) -> tuple[str, ...]:
    take = kept.take
    number = None if take is None else take.number
    ours = [record for record in records if record.take == number]
    on_plan = sum(record.verdict == "on plan" for record in ours)
    turned = {} if take is None else take.turned
    did = [] if kept.change is None else [
        say(one)
        for one in kept.change.findings
        if one.check == "lamp" and one.state != "not seen"
    ]  # fmt: skip
    name = f" {shown(take.name)}" if take is not None and take.name else ""
    return (
        "before the first" if take is None else f"{take.number}{name}",
        f"{len(ours)}, {on_plan} on plan",
        ", ".join(f"{shown(lamp)} {signed(stops)}" for lamp, stops in turned.items()) or "nothing",
        " ".join(did) or ("can't be told" if turned else ""),
    )


def _trial_row(trial: KeptTrial, plan: Plan) -> tuple[str, ...]:
    dials = []
    for lamp, stands in trial.dials.items():
        light = plan.light(lamp)
        is_power = light is not None and light.power is not None
        shows = light.power_shown(stands) if light is not None and is_power else signed(stands)
        dials.append(f"{lamp} {'off' if lamp in trial.besides.off else shows}")
    besides = (f"{one.of} {change_words(one)}".strip() for one in trial.besides.changes)
    zones = (f"{patch} {tenths(zone)}" for patch, zone in trial.zones.items())
    return tuple(shown(", ".join(cell)) for cell in ([trial.name], dials, besides, zones))


def _run_parts(run: TakeRun) -> Iterator[Words | Rows]:
    flags = [
        f"{shown(run.files[flag.event.at])}: {say(flag.finding)} {do(flag.finding)}".strip()
        for flag in run.flags
    ]
    yield Words((f"{run_title(run)}.", *flags))
    rows = tuple(
        (
            shown(name),
            "-" if one.median is None else f"{round(one.median, 2) + 0.0:.2f}",
            doubt(one.spread),
            figure(one.drift),
            str(len(one.fallen) or ""),
        )
        for name, one in (*run.lamps.items(), *run.patches.items())
    )
    if rows and len(run.files) > 1:
        head = ("lamp or patch", "median", "spread", "drift", "fallen out")
        yield Rows(head, rows, (5, 2, 2, 2, 2), frozenset((1, 2, 3, 4)))


def _off_rows(records: Sequence[Record]) -> Iterator[tuple[str, str, str]]:
    for record in records:
        if record.verdict in ("off plan", "can't tell", "unreadable"):
            yield (shown(record.file), *record.headline)


def _level_rows(records: Sequence[Record]) -> Iterator[tuple[str, ...]]:
    """Yield what figures stand on, for each body and ISO that was used."""
    for record in records:
        levels = record.levels
        if levels is None or record.verdict not in _JUDGED:
            continue
        yield (
            shown(record.camera.model or "") if record.camera else "",
            f"{record.exposure.iso:g}" if record.exposure and record.exposure.iso else "",
            "not seen" if record.zones is None else f"{record.zones.mid_grey:.4f}",
            ", ".join(f"{level:.0f}" for level in dict.fromkeys(levels.saturation)),
            SATURATION_SOURCES[levels.saturation_source],
        )
