"""Any finding that there may be, of every code, for properties of what is said and kept."""

from __future__ import annotations

from hypothesis import strategies as st

from stopwise.codes import MESSAGES
from stopwise.findings import Detail, Finding, Knocked, Turn


def figures(low: float, high: float) -> st.SearchStrategy[float]:
    """Return numbers of six digits: a record keeps seven."""
    return st.floats(low, high).map(lambda value: float(f"{value:.6g}"))


FIGURES = ("zone", "left_right", "falloff", "uneven", "blotch", "tint")
names = st.text(min_size=1, max_size=80)
numbers = st.none() | figures(-30, 30)
settings_keys = st.sampled_from(["iso", "f_number", "shutter"])
fractions = figures(-1, 1)
points = st.none() | st.tuples(fractions, fractions)


@st.composite
def any_findings(draw: st.DrawFn) -> Finding:
    """Return any finding of any code, with any names in it."""
    check, code = draw(st.sampled_from(sorted(MESSAGES)))
    of = draw(settings_keys if check == "setting" else names)
    turn = st.builds(
        Turn, names, figures(-20, 20), shown=st.none() | st.just("to 1/256+0.9"),
        limit=st.sampled_from([None, "full", "least"]),
    )  # fmt: skip
    detail = st.builds(
        Detail,
        lamps=st.lists(names, max_size=3).map(tuple),
        at=points,
        where=st.none() | st.tuples(fractions, fractions, fractions, fractions),
        side=st.sampled_from(["left", "right", "top", "bottom"]),
        count=st.integers(0, 10**6),
        moved=points,
        overhead=st.booleans(),
        held=st.sampled_from([None, "boom", "stand"]),
        knocked=st.none()
        | st.builds(Knocked, settings_keys, figures(1e-4, 1e6), figures(1e-4, 1e6)),
        shutter_s=st.none() | figures(1e-4, 60),
        since_s=st.none() | figures(0, 1e5),
        camera_held=st.sampled_from([None, "upright", "landscape"]),
    )
    return draw(
        st.builds(
            Finding,
            check=st.just(check),
            of=st.just(of),
            code=st.just(code),
            state=st.sampled_from(["holds", "fails", "on the line", "not seen"]),
            measured=numbers,
            planned=numbers,
            within=st.none() | st.just((-0.3, 0.2)),
            lit=st.none() | names,
            shadow=st.none() | names,
            figure=st.sampled_from(sorted(FIGURES)) if check == "backdrop" else st.none(),
            cause=st.sampled_from([None, "sitter", "lamp", "unknown"]),
            turn=st.none() | turn,
            advice=st.sampled_from([None, "ask", "wait", "way_back", "secure", "leave_lamps"]),
            detail=detail,
        )
    )
