"""The record: its JSON is read as it was written, earlier rows too, and docs name every key."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stopwise.codes import MESSAGES
from stopwise.errors import LedgerError
from stopwise.findings import Reason, verdict_of
from stopwise.measurement.figures import BlownArea
from stopwise.messages import say
from stopwise.record import record_from_json, record_schema
from support.any_finding import any_findings
from support.made_records import finding, lamp, record, turned, unreadable
from write_docs import DOCS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from stopwise.findings import Finding

EARLIER = [
    json.loads(line)
    for line in (Path(__file__).parent / "earlier_records.jsonl").read_text().splitlines()
]
"""What `check --json` printed of sample frames, and of one cut short, before records were typed."""


@given(st.lists(any_findings(), max_size=4))
def test_what_is_written_is_read_as_it_was(findings: list[Finding]) -> None:
    kept = record().with_verdict(verdict_of(findings))
    row = json.loads(json.dumps(kept.to_json(), allow_nan=False))
    read = record_from_json(row)
    assert read.to_json() == row
    assert read.headline == kept.headline
    assert [one.code for one in read.findings] == [one.code for one in kept.findings]


@pytest.mark.parametrize(
    "kept",
    [
        unreadable(),
        unreadable(None, "nobody knows"),
        record("measured", reason=Reason("own_frame", ("grey",)), lamps=None, ratio=None),
        record("can't tell", reason=Reason("must_see", ("cheek",)), backdrop=None, look="black"),
        record("off plan", finding("patch", "over", "cheek", 7.0, 6.5, **turned("key", -0.5))),
        record(lamps={"key": lamp("fired", 0.0)}, in_run=True),
    ],
    ids=["cut short", "unknown", "own frame", "can't tell", "turned", "with lamps"],
)
def test_every_kind_of_record_is_read_as_it_was(kept: Any) -> None:
    row = kept.to_json()
    read = record_from_json(row)
    assert read.to_json() == row
    assert (read.reason, read.findings) == (kept.reason, kept.findings)


def test_no_number_of_a_record_is_without_end() -> None:
    odd = replace(record(), timing_ms={"decode": float("inf"), "measure": float("nan")})
    assert odd.to_json()["timing_ms"] == {"decode": None, "measure": None}


@pytest.mark.parametrize("row", EARLIER, ids=[row["file"] for row in EARLIER])
def test_rows_of_earlier_versions_are_read(row: dict[str, Any]) -> None:
    read = record_from_json(row)
    again = read.to_json()
    told = [(one.check, one.of, one.state, one.measured) for one in read.findings]
    names = {"apart": "separation"}
    assert told == [
        (names.get(one["check"], one["check"]), one["of"], one["state"], one["measured"])
        for one in row["findings"]
    ]
    assert all((one.check, one.code) in MESSAGES for one in read.findings)
    assert again["reason"] == row["reason"]
    for key in ("file", "verdict", "patches", "levels", "clipping", "zones", "backdrop", "lamps"):
        assert _fits(row[key], again[key]), key


def _fits(earlier: Any, now: Any) -> bool:
    """Tell whether all that was kept is still there."""
    if isinstance(earlier, dict):
        return all(_fits(part, now[key]) for key, part in earlier.items())
    if isinstance(earlier, list):
        return len(earlier) == len(now) and all(map(_fits, earlier, now))
    return bool(earlier == now)


REWORDED = ("wished", "blown over", "blocked over", "ISO at ISO")
"""In sentences that were worded anew since."""


def test_what_earlier_rows_said_is_said_of_them_still() -> None:
    said = [
        (one["say"], say(found))
        for row in EARLIER
        for one, found in zip(row["findings"], record_from_json(row).findings, strict=True)
        if not any(words in one["say"] for words in REWORDED)
    ]
    strays = [pair for pair in said if pair[0] != pair[1]]
    # no place of a blown area was kept
    assert strays == [("Blown area of 2 %, 60 % from the left, 53 % down.", "Blown area of 2 %.")]


def test_a_patch_may_have_any_name_also_in_rows_of_earlier_versions() -> None:
    earlier = EARLIER[0]
    [ratio] = [one for one in earlier["findings"] if one["check"] == "ratio"]
    patches = {"hand to lit": earlier["patches"]["lit cheek"], "lit": earlier["patches"]["mask"]}
    row = {
        **earlier, "patches": patches, "findings": [{**ratio, "of": "hand to lit to lit"}],
    }  # fmt: skip
    [found] = record_from_json(row).findings
    assert (found.lit, found.shadow) == ("hand to lit", "lit")
    assert found.detail.patches == ("hand to lit", "lit")


def test_a_blown_area_that_was_kept_without_its_centre_has_the_middle_of_its_box() -> None:
    area = BlownArea(0.01, (0.2, 0.4, 0.4, 0.5), (0.25, 0.45))
    row = replace(record(), clipping=replace(record().clipping, areas=(area,))).to_json()  # type: ignore[type-var]
    del row["clipping"]["areas"][0]["centre"]
    clipping = record_from_json(row).clipping
    assert clipping is not None
    assert clipping.areas[0].centre == pytest.approx((0.3, 0.45))


@pytest.mark.parametrize(
    "part",
    [
        *({"verdict": "splendid"}, {"size": "large"}, {"patches": [1]}),
        *({"findings": [1]}, {"findings": 1}, {"clipping": 1}, {"clipping": {"areas": [{}]}}),
    ],
)
def test_what_is_no_record_is_refused_by_name(part: dict[str, Any]) -> None:
    with pytest.raises(LedgerError, match=r"F0012.dng: its record can't be read: \w+"):
        record_from_json(record().to_json() | part)


def test_docs_name_every_key_of_the_record() -> None:
    page = (DOCS / "record.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`([a-z_0-9]+)`", page))
    schema = record_schema()
    keys = {"": schema["properties"], **{name: _keys(schema, name) for name in schema["$defs"]}}
    missing = {name: sorted(set(properties) - named) for name, properties in keys.items()}
    assert not {name: gone for name, gone in missing.items() if gone}


def _keys(schema: dict[str, Any], name: str) -> dict[str, Any]:
    part: dict[str, Any] = schema["$defs"][name]["properties"]
    return part


@given(st.lists(any_findings(), max_size=2))
def test_a_record_has_the_keys_and_kinds_that_its_schema_gives(findings: list[Finding]) -> None:
    schema = record_schema()
    row = record(lamps={"key": lamp("weak")}).with_verdict(verdict_of(findings)).to_json()
    assert list(_strays(row, schema, schema, "record")) == []
    assert set(row) == set(schema["required"])


KINDS = {"string": str, "integer": int, "number": int | float, "boolean": bool, "object": dict,
         "array": list, "null": type(None)}  # fmt: skip


def _strays(value: Any, rule: dict[str, Any], schema: dict[str, Any], at: str) -> Iterator[str]:
    """Yield where a value isn't what a JSON Schema says, as far as ours goes."""
    if "$ref" in rule:
        rule = schema["$defs"][rule["$ref"].rpartition("/")[2]]
    if "anyOf" in rule:
        found = [list(_strays(value, one, schema, at)) for one in rule["anyOf"]]
        yield from min(found, key=len)
    elif "const" in rule or "enum" in rule:
        if value not in rule.get("enum", [rule.get("const")]):
            yield f"{at}: {value!r}"
    elif not isinstance(value, KINDS[rule["type"]]):
        yield f"{at}: {value!r} is no {rule['type']}"
    elif isinstance(value, dict):
        known, rest = rule.get("properties", {}), rule.get("additionalProperties")
        for key, part in value.items():
            if key not in known and rest is None:
                yield f"{at}.{key}: unknown"
            else:
                yield from _strays(part, known.get(key, rest), schema, f"{at}.{key}")
    elif isinstance(value, list):
        rules = rule.get("prefixItems") or [rule["items"]] * len(value)
        for number, (part, one) in enumerate(zip(value, rules, strict=True)):
            yield from _strays(part, one, schema, f"{at}.{number}")
