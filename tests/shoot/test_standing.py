"""Where dials stand: from their solos, by what takes turned since and by the plan's own powers."""

from __future__ import annotations

from stopwise.ledger import MEMORY, Ledger, Place, Stamp
from stopwise.plan.loading import plan_of_text
from stopwise.shoot.standing import Standing
from support.records import kept

TEXT = """
schema = 1
[[light]]
name = "key"
power = {power}
[[light]]
name = "fill"
"""


def test_dials_stand_from_their_solos_where_takes_turned_them_since():
    plan, raised = (plan_of_text(TEXT.format(power=power), "plan.toml") for power in (-2.0, -1.0))
    with Ledger(MEMORY) as ledger:
        ledger.frames.keep(kept(file="F1.dng"), Place("/x", "F1.dng", Stamp(1, 1, 1)), sha256="1")
        assert take(ledger, plan, "key -0.5, fill +0.3") == {"key": -0.5, "fill": 0.3}
        assert take(ledger, plan, "key +0.5") == {"key": 0.0, "fill": 0.3}  # and back
        assert take(ledger, plan, "key -0.7") == {"key": -0.7, "fill": 0.3}
        ledger.frames.keep(kept(file="F2.dng"), Place("/x", "F2.dng", Stamp(2, 2, 2)), sha256="2")
        assert take(ledger, plan, "fill -0.1") == {"key": -0.7, "fill": 0.2}
        standing = Standing(ledger, lambda _: None)
        assert standing.from_solos(plan, ["1", "2"]) == {"fill": -0.1}  # F2 is a solo of after
        assert standing.stands(plan) == {"key": -2.7}
        assert standing.stands(raised) == {}  # whose power the plan has changed since


def take(ledger, plan, said):
    """Say what was turned, and return where dials stand from solos of before."""
    ledger.orders.say("take", said)
    standing = Standing(ledger, lambda _: None)
    standing.hear(plan)
    found = standing.from_solos(plan, ["1"])
    return {name: round(stops, 6) for name, stops in found.items()}
