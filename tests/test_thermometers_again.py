"""A thermometer's pass that is taken back: what it gave before and since is in doubt together, oldest first."""

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.events import ProbeLost, ProcedureLoaded, Reading
from tests.uneven import Uneven


def doubted(k: Uneven) -> tuple[str, list[int]]:
    """What the newest alert of checks in doubt says of them, and the ids of the checks that count no more."""
    alert = k.open_of(alerts.IN_DOUBT)[-1]
    _, _, named = alert.text.partition(" are in doubt, ")
    ids = [row["id"] for row in k.rows("checks") if row.get("in_doubt")]
    return named.partition(". ")[0], [int(str(id)) for id in ids]


def test_of_the_needle() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 190, vat=1)
    k.say(m.ICE_POINT)
    k.dip(32)
    k.say(m.SCRATCH)
    k.check("wing", 190, vat=1)
    k.begin(2)
    k.fry(2)
    k.check("leg", 190, vat=2)
    given = [int(str(row["id"])) for row in k.rows("checks")]
    assert [each[0] for each in k.state.world.unverified] == given
    k.say(m.ICE_POINT)
    k.dip(40)
    assert doubted(k) == ("batch 1 (leg, wing) and batch 2 (leg)", given)
    (row,) = [row for row in k.rows("probe_checks") if row["verdict"] == "failed"]
    assert row["checks_in_doubt"] == " ".join(map(str, given))
    assert k.state.world.unverified == ()


def test_of_another_thermometer() -> None:
    k = Uneven()
    k.feed(ProbeLost(k.at_ms, "needle", "open circuit"))
    k.begin(1)
    k.fry(1)
    k.say(m.READING, number=190.0, vat=1)
    k.say(m.SPARE_ICE, ice=32.5)
    k.say(m.SCRATCH)
    k.say(m.PROBE, part="wing", vat=1)
    k.say(m.READING, number=191.0)
    given = [int(str(row["id"])) for row in k.rows("checks")]
    assert [each[0] for each in k.state.world.spare_unverified] == given and k.state.world.unverified == ()
    k.say(m.SPARE_ICE, ice=40.0)
    assert doubted(k) == ("batch 1 (piece, wing)", given)
    assert k.state.world.spare_unverified == ()


def test_a_piece_that_is_read_colder_is_remembered_once_and_as_the_newest() -> None:
    k = Uneven()
    k.begin(1)
    k.fry(1)
    k.check("leg", 190, vat=1)
    k.check("wing", 190, vat=1)
    k.dip(189, colder=True)
    leg, wing = (int(str(row["id"])) for row in k.rows("checks"))
    assert k.state.world.unverified == ((leg, 1, "leg"), (wing, 1, "wing"))
    k.say(m.ICE_POINT)
    k.dip(40)
    assert doubted(k) == ("batch 1 (leg, wing)", [leg, wing])


def test_the_newest_care_of_each_vat_and_kind_is_remembered() -> None:
    k = Uneven()
    for _ in range(2):
        for vat in (1, 2):
            for meaning in (m.OIL_FILTERED, m.OIL_CHANGED, m.OIL_FILTERED):
                k.say(meaning, vat=vat)
    cares = [(each.vat, each.what) for each in k.state.world.care]
    assert sorted(cares) == [(vat, what) for vat in (1, 2) for what in (m.OIL_CHANGED, m.OIL_FILTERED)]


@pytest.mark.parametrize("read_f", [32.0, 32.083, 32.046, 31.917, 33.949, 40.05])
def test_how_far_a_needle_is_off_is_said_as_its_row_has_it(read_f: float) -> None:
    k = Uneven()
    k.say(m.ICE_POINT)
    k.dip(read_f)
    (row,) = k.rows("probe_checks")
    assert row["off"] == pytest.approx(read_f - 32, abs=0.005)
    assert f", off by {row['off']:+.1f}." in k.effects[-1].say  # type: ignore[union-attr]


@pytest.mark.parametrize(
    ("temp_c", "verdict"), [(1.0000004, "passed"), (1.000004, "failed"), (-1.0000004, "passed"), (-1.000004, "failed")]
)
def test_a_needle_is_judged_to_the_millionth_of_a_degree(temp_c: float, verdict: str) -> None:
    """Finer than any probe, and coarser than the error of arithmetic."""
    k = Uneven()
    k.feed(ProcedureLoaded(k.at_ms, k.of[2]))
    k.say(m.ICE_POINT)
    k.wait(8_000)
    k.feed(Reading(k.at_ms, "needle", temp_c, True, 1))
    assert [row["verdict"] for row in k.rows("probe_checks")] == [verdict]


def test_a_probe_check_that_replaced_another_is_struck_where_all_kinds_were_read() -> None:
    k = Uneven()
    k.say(m.ICE_POINT)
    k.dip(32)
    k.say(m.SPARE_ICE, ice=32.5)
    k.say(m.ICE_POINT)
    k.say(m.ICE_POINT)
    assert k.say(m.SCRATCH) == "Struck: ice point."
    verdicts = [(row["how"], row["verdict"], row["struck"]) for row in k.rows("probe_checks")]
    assert verdicts == [
        (m.ICE_POINT, "passed", 0),
        (m.SPARE_ICE, "passed", 0),
        (m.ICE_POINT, "open", 0),
        (m.ICE_POINT, "open", 1),
    ]
