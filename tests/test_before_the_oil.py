"""Raw food out of the cooler, its cold checks and its lots; the breading station; oil that is said to be ready.

FDA Food Code 2022: 3-501.16(A)(2) cold food 41 °F (5 °C) or below; 3-501.19(B) four hours by time alone. How long raw
food may be out before that, and how often breading is changed, is each kitchen's own; that what was taken out first
goes into the oil first is common practice, no source.
"""

from dataclasses import replace
from typing import Any

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Cue, Level
from recorder.core.events import RULES, Acknowledged, ProcedureLoaded, Reading, Started
from recorder.core.limits import degrees_up, to_c
from recorder.core.procedure import BY_SAFE_END, Procedure
from tests.kitchen import MINUTE, PROCEDURE, Kitchen
from tests.uneven import CELSIUS

HOUR = 60 * MINUTE
OWN = replace(PROCEDURE, raw_out_ms=30 * MINUTE, breading_every_ms=4 * HOUR, lots=True)


def kitchen(procedure: Procedure = OWN, **other: Any) -> Kitchen:
    made = Kitchen(procedure=procedure, **other)
    made.say(m.SHIFT_START, cook=4)
    return made


def out(k: Kitchen, part: str = "thigh", **slots: object) -> str:
    return k.say(m.RAW_OUT, part=part, **slots)


def row(k: Kitchen, table: str = "raw_times", at: int = -1) -> dict[str, Any]:
    return k.rows(table)[at]


def last_cue(k: Kitchen) -> str:
    return next(effect.say for effect in reversed(k.effects) if isinstance(effect, Cue))


# Out of the cooler.


def test_a_stretch_out_of_the_cooler_is_a_row() -> None:
    k = kitchen()
    assert out(k, count=24) == "Raw thigh 24 out."
    began_ms = k.at_ms
    k.wait(12 * MINUTE)
    assert k.say(m.RAW_BACK, part="thigh") == "Raw thigh back after 12 min 01 s."
    found = row(k)
    assert (found["part"], found["pieces"], found["out_ms"], found["back_ms"]) == ("thigh", 24, began_ms, k.at_ms)
    assert (found["seconds"], found["too_long"], found["past_limit"], found["outcome"]) == (721.0, 0, 0, "back")
    assert found["shift"] == k.rows("shifts")[0]["id"] and found["time_proven"] == 1 and "lot" not in found


def test_it_needs_a_procedure_its_part_and_a_count_of_one_or_more() -> None:
    k = kitchen()
    assert k.say(m.RAW_OUT) == "Refused: say the part."
    assert k.say(m.RAW_OUT, part="neck").startswith("Refused: the procedure has no part 'neck'.")
    assert k.say(m.RAW_OUT, part="thigh", count=0) == "Refused: say how many pieces."
    assert k.say(m.RAW_BACK, part="thigh").startswith("Refused: no raw thigh is out.")
    out(k)
    assert k.say(m.RAW_BACK, part="thigh", count=0) == "Refused: say how many pieces."
    one = kitchen(replace(OWN, parts=OWN.parts[:1]))
    assert one.say(m.RAW_OUT) == "Raw thigh out."
    bare = Kitchen()
    bare.state = replace(bare.state, world=replace(bare.state.world, procedure=None))
    assert bare.say(m.RAW_OUT, part="thigh").startswith("Refused: no procedure is loaded.")


def test_it_goes_back_also_under_a_procedure_that_lacks_its_part() -> None:
    """Else nobody could end its time; of a single part that is out none need be named."""
    k = kitchen()
    out(k, "wing")
    k.feed(ProcedureLoaded(k.at_ms, replace(OWN, parts=OWN.parts[:1])))
    assert k.say(m.RAW_BACK, part="wing") == "Raw wing back after 1 s."
    assert k.say(m.RAW_BACK) == "Refused: say the part."
    out(k)
    assert k.say(m.RAW_BACK) == "Raw thigh back after 1 s."


def test_without_a_shift_it_is_on_record_all_the_same() -> None:
    k = Kitchen(procedure=OWN)
    out(k)
    k.say(m.BREADING_CHANGED)
    k.say(m.PROBE_RAW, part="thigh")
    assert (row(k)["shift"], row(k, "breading")["shift"], row(k, "raw_checks")["shift"]) == (None, None, None)


def test_out_for_the_kitchens_longest_is_a_warning_at_that_moment_until_it_is_back() -> None:
    k = kitchen()
    out(k)
    began_ms = k.at_ms
    k.wait(30 * MINUTE - 1)
    assert k.news(alerts.RAW_OUT) == [] and row(k)["too_long"] == 0
    k.wait(1)
    (alert,) = [each for each in k.rows("alerts") if each["kind"] == alerts.RAW_OUT]
    assert (alert["level"], alert["began_ms"]) == ("warning", began_ms + 30 * MINUTE)
    assert alert["text"] == "Raw thigh has been out of the cooler for 30 min, the kitchen's longest. See to the food."
    assert row(k)["too_long"] == 1 and row(k)["back_ms"] is None
    said = k.say(m.RAW_BACK, part="thigh")
    assert said == "Raw thigh back after 30 min 01 s. That is longer than the kitchen's longest."
    assert k.news(alerts.RAW_OUT) == [(alerts.RAW_OUT, "raised"), (alerts.RAW_OUT, "ended")]


def test_out_for_four_hours_is_critical_and_going_back_does_not_end_that() -> None:
    """Also in a kitchen that names no longest of its own."""
    for procedure in (OWN, PROCEDURE):
        k = kitchen(procedure)
        out(k)
        k.wait(4 * HOUR - 1)
        assert k.news(alerts.RAW_PAST) == []
        k.wait(1)
        (alert,) = [each for each in k.rows("alerts") if each["kind"] == alerts.RAW_PAST]
        assert alert["level"] == Level.CRITICAL and "4 h" in alert["text"] and "3-501.19" in alert["text"]
        assert not alerts.is_open(k.state.world, alerts.RAW_OUT) and row(k)["past_limit"] == 1
        said = k.say(m.RAW_BACK, part="thigh")
        assert said == "Raw thigh back after 240 min 01 s. That is past the longest without temperature control."
        assert alerts.is_open(k.state.world, alerts.RAW_PAST)
        k.feed(Acknowledged(k.at_ms, alert["id"], "AB"))
        assert not alerts.is_open(k.state.world, alerts.RAW_PAST)


def test_a_load_of_a_part_of_it_does_not_end_it_and_the_load_of_all_of_it_does() -> None:
    k = kitchen()
    out(k, count=12)
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=8)
    assert (row(k)["pieces_left"], row(k)["back_ms"]) == (4, None)
    k.say(m.LOAD, part="wing", count=4)
    k.say(m.LOAD, part="thigh")
    assert row(k)["pieces_left"] == 4, "an uncounted load says nothing of how many are left"
    k.say(m.LOAD, part="thigh", count=4)
    assert (row(k)["pieces_left"], row(k)["back_ms"], row(k)["outcome"]) == (0, k.at_ms, "loaded")


def test_what_was_not_counted_is_out_until_it_is_said_to_be_back() -> None:
    k = kitchen()
    out(k)
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=40)
    assert row(k)["back_ms"] is None
    said = k.say(m.RAW_BACK, part="thigh", count=3)
    assert said.startswith("Refused: the raw thigh that is out was not counted; say raw back thigh once all of it")


def test_what_was_taken_out_first_goes_into_the_oil_first_and_back_last() -> None:
    """So what is left is never watched by too short a time."""
    k = kitchen()
    out(k, count=10)
    k.wait(10 * MINUTE)
    assert out(k, count=10) == "Raw thigh 10 out. More of it has been out for 10 min 01 s."
    assert k.say(m.RAW_BACK, part="thigh", count=21).startswith("Refused: 20 pieces of raw thigh are out.")
    said = k.say(m.RAW_BACK, part="thigh", count=12)
    assert said == "Raw thigh 12 back, 8 still out, for 10 min 03 s."
    assert [(each["pieces_left"], each["outcome"]) for each in k.rows("raw_times")] == [(8, None), (0, "back")]
    out(k, count=5)
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=9)
    assert [each["pieces_left"] for each in k.rows("raw_times")] == [0, 0, 4]
    assert k.say(m.RAW_BACK, part="thigh", count=4).startswith("Raw thigh back after ")
    assert k.say(m.RAW_BACK, part="thigh", count=1).startswith("Refused: no raw thigh is out.")
    out(k, count=1)
    assert k.say(m.RAW_BACK, part="thigh", count=2).startswith("Refused: 1 piece of raw thigh is out.")


def test_a_shifts_end_lists_what_is_still_out_and_status_tells_it() -> None:
    k = kitchen()
    out(k)
    out(k)
    out(k, "wing")
    k.wait(5 * MINUTE)
    assert "Raw thigh out for 5 min 03 s. Raw wing out for 5 min 01 s." in k.say(m.STATUS)
    assert "raw back" in k.say(m.CAN_SAY)
    assert k.say(m.SHIFT_END) == "Shift ended, cook 4. Still open: raw thigh out, raw wing out."
    assert k.rows("shifts")[0]["left_open"] == "raw thigh out, raw wing out"


def test_after_a_gap_of_unknown_length_its_time_is_unknown() -> None:
    k = kitchen()
    k.say(m.BREADING_CHANGED)
    out(k)
    for boot in ("boot-2", "boot-3"):
        k.feed(Started(k.at_ms, boot, False, "test", "line-1", (1,), RULES, False))
    assert k.news(alerts.RAW_UNKNOWN) == [(alerts.RAW_UNKNOWN, "raised")] and row(k)["time_proven"] == 0
    status = k.say(m.STATUS)
    assert (
        "Raw thigh out for 1 s at least." in status and "How long the breading has been in use is not known." in status
    )
    assert k.say(m.RAW_BACK, part="thigh") == "Raw thigh back. How long it was out is not known."
    assert alerts.is_open(k.state.world, alerts.RAW_UNKNOWN)


def test_struck_words_leave_what_was_out_out() -> None:
    k = kitchen()
    out(k, count=4)
    k.say(m.RAW_BACK, part="thigh")
    k.wait(31 * MINUTE)
    k.say(m.SCRATCH)
    assert row(k)["back_ms"] is None and alerts.is_open(k.state.world, alerts.RAW_OUT)
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=4)
    assert not alerts.is_open(k.state.world, alerts.RAW_OUT)
    k.say(m.SCRATCH)
    assert (row(k)["pieces_left"], row(k)["back_ms"]) == (4, None)


# Lots.


def test_a_lot_goes_to_what_was_taken_out_last_and_to_each_later_load_of_that_part() -> None:
    k = kitchen()
    out(k, "wing")
    out(k, "thigh")
    assert k.say(m.LOT, lot="041") == "Lot 0 4 1, raw thigh."
    assert k.say(m.LOT_MORE, lot="07") == "Lot 0 4 1 0 7, raw thigh."
    k.say(m.BATCH_START)
    assert k.say(m.LOAD, part="thigh", count=4) == "Batch 1, thigh 4, lot 0 4 1 0 7."
    assert k.say(m.LOAD, part="wing", count=4) == "Batch 1, wing 4."
    k.say(m.RAW_BACK, part="thigh")
    k.say(m.LOAD, part="thigh", count=4)
    assert [load.get("lot") for load in k.rows("loads")] == ["04107", None, "04107"]
    assert [each.get("lot") for each in k.rows("raw_times")] == [None, "04107"]


def test_a_load_may_be_of_any_lot_that_is_out() -> None:
    k = kitchen()
    out(k)
    k.say(m.LOT, lot="04")
    out(k)
    k.say(m.LOT, lot="052")
    k.say(m.BATCH_START)
    assert k.say(m.LOAD, part="thigh", count=4) == "Batch 1, thigh 4, lots 0 4 and 0 5 2."
    k.say(m.RAW_BACK, part="thigh")
    k.say(m.LOAD, part="thigh", count=4)
    assert [load.get("lot") for load in k.rows("loads")] == ["04 052", "052"]


def test_yesterdays_lot_is_not_carried_into_the_next_crews_batches() -> None:
    """While a cook stays signed on it is the same food; after the last one left it need not be."""
    k = kitchen()
    out(k, count=8)
    k.say(m.LOT, lot="041")
    k.say(m.RAW_BACK, part="thigh")
    k.say(m.SHIFT_START, cook=5)
    k.say(m.SHIFT_END, cook=4)
    k.say(m.BATCH_START)
    assert k.say(m.LOAD, part="thigh", count=2) == "Batch 1, thigh 2, lot 0 4 1."
    k.say(m.SHIFT_END)
    k.say(m.SHIFT_START, cook=5)
    assert k.say(m.LOAD, part="thigh", count=2) == "Batch 1, thigh 2."


def test_a_lot_needs_digits_and_food_that_is_out() -> None:
    k = kitchen()
    assert k.say(m.LOT) == "Refused: say the digits of the lot."
    assert k.say(m.LOT, lot="12") == "Refused: no raw food is out; say raw out and the part first."
    out(k)
    assert k.say(m.LOT_MORE, lot="12") == "Refused: no lot was said yet; say lot and its first digits."
    k.say(m.LOT, lot="1234")
    k.say(m.LOT_MORE, lot="5678")
    k.say(m.LOT_MORE, lot="9012")
    assert k.say(m.LOT_MORE, lot="34").startswith("Refused: a lot has at most 12 digits; say lot and its digits")
    assert row(k)["lot"] == "123456789012"


# Cold by the needle.


def probed(k: Kitchen, value: float, part: str = "thigh", **how: Any) -> dict[str, Any]:
    k.say(m.PROBE_RAW, part=part)
    k.dip(value, **how)
    return row(k, "raw_checks")


@pytest.mark.parametrize(
    ("value", "verdict", "said"),
    [
        (41.0, "passed", "Raw thigh 41.0 degrees, cold enough."),
        (41.04, "above cold limit", "Raw thigh 41.1 degrees, above 41 °F. Cool it again, or discard it."),
        (33.0, "passed", "Raw thigh 33.0 degrees, cold enough."),
    ],
)
def test_raw_food_is_judged_by_the_code_s_cold_limit(value: float, verdict: str, said: str) -> None:
    """FDA Food Code 2022, 3-501.16(A)(2): 41 °F or below; what is said is never rounded down to it."""
    k = kitchen()
    out(k)
    found = probed(k, value, uncertainty_c=0.2)
    assert (found["verdict"], found["temperature"], found["cold_limit"], found["unit"]) == (verdict, value, 41, "F")
    assert found["raw_time"] == row(k)["id"] and found["probe_was"] is None and found["probe_check"] is None
    assert last_cue(k) == said and k.rows("checks") == []
    assert alerts.is_open(k.state.world, alerts.RAW_WARM) == (verdict != "passed")


def test_in_degrees_celsius_the_limit_is_five() -> None:
    """FDA Food Code 2022, 3-501.16(A)(2): 5 °C."""
    k = kitchen(CELSIUS)
    for value, verdict in ((5.0, "passed"), (5.01, "above cold limit")):
        k.say(m.PROBE_RAW, part=CELSIUS.parts[0].name)
        k.dip(value * 1.8 + 32)
        assert (row(k, "raw_checks")["verdict"], row(k, "raw_checks")["cold_limit"]) == (verdict, 5)
    assert (degrees_up(5.01, "C"), degrees_up(5.0, "C"), degrees_up(-1.26, "C")) == ("5.1", "5.0", "-1.2")


def test_what_is_too_warm_is_the_kitchens_choice_by_its_time_out() -> None:
    k = kitchen()
    probed(k, 50)
    out(k)
    k.wait(10 * MINUTE)
    probed(k, 50)
    k.feed(Started(k.at_ms, "boot-2", False, "test", "line-1", (1,), RULES, False))
    k.spot = 0
    probed(k, 50)
    texts = [each["text"] for each in k.rows("alerts") if each["kind"] == alerts.RAW_WARM]
    assert all("cool it again, or discard it" in text and "3-501.16" in text for text in texts)
    assert [text.split("). ")[1].split(". Your")[0] for text in sorted(texts)] == [
        "How long it has been out of the cooler is not known",
        "How long it was out of the cooler is not on record",
        "It has been out of the cooler for 10 min 09 s",
    ]
    probed(k, 40, "wing")
    assert alerts.is_open(k.state.world, alerts.RAW_WARM)
    probed(k, 40)
    assert not alerts.is_open(k.state.world, alerts.RAW_WARM), "read cold: over"


def test_a_warm_alert_can_be_taken_in_hand() -> None:
    k = kitchen()
    probed(k, 50)
    (alert,) = [each for each in k.rows("alerts") if each["kind"] == alerts.RAW_WARM]
    k.feed(Acknowledged(k.at_ms, alert["id"], "AB"))
    assert not alerts.is_open(k.state.world, alerts.RAW_WARM)


def test_by_the_safe_end_what_it_may_be_at_most_counts() -> None:
    k = kitchen(replace(OWN, critical_by=BY_SAFE_END))
    assert probed(k, 40.5, uncertainty_c=0.5)["verdict"] == "above cold limit"
    assert last_cue(k).startswith("Raw thigh 40.5 degrees, at most 41.4, above 41 °F.")
    assert "read 40.5 °F, at most 41.4 °F, cold food" in k.rows("alerts")[-1]["text"]
    assert probed(k, 40.5)["verdict"] == "passed"


def test_it_waits_its_window_and_gets_no_reading_then() -> None:
    k = kitchen()
    k.say(m.PROBE_RAW, part="thigh")
    k.wait(PROCEDURE.settle_window_ms - 1)
    assert row(k, "raw_checks")["verdict"] == "open"
    k.wait(1)
    assert row(k, "raw_checks")["verdict"] == "no reading"
    assert last_cue(k) == "No settled reading for the raw thigh. Probe it again."
    assert k.say(m.PROBE_RAW, part="neck").startswith("Refused: the procedure has no part 'neck'.")


def test_the_one_needle_is_where_it_was_asked_for_last() -> None:
    k = kitchen()
    k.cook()
    k.say(m.PROBE, part="thigh")
    k.say(m.PROBE_RAW, part="wing")
    assert k.rows("checks")[0]["verdict"] == "no reading"
    k.say(m.PROBE_RAW, part="thigh")
    k.say(m.ICE_POINT)
    k.say(m.PROBE_RAW, part="thigh")
    assert k.rows("probe_checks")[0]["verdict"] == "no reading"
    k.say(m.PROBE, part="thigh")
    assert [each["verdict"] for each in k.rows("raw_checks")] == ["no reading"] * 3
    k.dip(185)
    assert k.rows("checks")[1]["verdict"] == "passed"


def test_a_spoken_temperature_is_of_no_batch_while_raw_food_is_probed() -> None:
    k = kitchen()
    k.cook()
    k.say(m.PROBE_RAW, part="thigh")
    said = k.say(m.READING, number=40.0)
    assert said.startswith("Refused: the raw thigh takes the needle's reading alone.")
    assert k.rows("checks") == []


def test_a_cooked_piece_is_no_raw_food() -> None:
    k = kitchen()
    k.say(m.PROBE_RAW, part="thigh")
    k.dip(185)
    assert last_cue(k) == "The needle reads 185.0 degrees. That is no raw food."
    before = len(k.effects)
    k.read("needle", 184, settled=True, spot=k.spot)
    assert not [each for each in k.effects[before:] if isinstance(each, Cue)], "said once of a spot"
    k.dip(300)
    assert last_cue(k) == "The needle reads 300.0 degrees. That is no piece."
    k.dip(39)
    assert [each["verdict"] for each in k.rows("raw_checks")] == ["passed"]


def test_a_spot_from_long_before_the_words_is_no_raw_food() -> None:
    k = kitchen()
    k.dip(38)
    k.wait(20_000)
    k.say(m.PROBE_RAW, part="thigh")
    k.read("needle", 38, settled=True, spot=k.spot)
    assert row(k, "raw_checks")["verdict"] == "open"


def test_of_the_spots_of_raw_food_the_warmest_counts() -> None:
    k = kitchen()
    k.dip(44)
    k.wait(3_000)
    k.say(m.PROBE_RAW, part="thigh")
    k.dip(38)
    assert row(k, "raw_checks")["temperature"] == 44


def test_what_is_read_of_raw_food_is_no_colder_spot_of_a_piece() -> None:
    k = kitchen()
    k.cook()
    k.check("thigh", 185)
    k.say(m.PROBE_RAW, part="wing")
    k.dip(38, colder=True)
    assert k.rows("checks")[0]["temperature"] == 185 and k.rows("checks")[0].get("disputed") is None
    assert row(k, "raw_checks")["verdict"] == "passed"


def test_what_is_not_cold_may_be_the_piece_before_all_the_same() -> None:
    """Words alone do not tell: the piece's check proves nothing any more."""
    k = kitchen()
    k.cook()
    k.check("thigh", 185)
    k.say(m.PROBE_RAW, part="wing")
    k.dip(90, colder=True)
    assert k.rows("checks")[0]["disputed"] == "a colder spot straight after it"
    assert row(k, "raw_checks")["verdict"] == "above cold limit"


def test_a_late_reading_of_raw_food_is_of_no_batch() -> None:
    """Neither of the piece before it, nor of the one that is named next."""
    k = kitchen()
    k.cook()
    k.check("thigh", 185)
    k.say(m.PROBE_RAW, part="wing")
    k.wait(45_000)
    k.dip(38, colder=True)
    assert k.rows("checks")[0]["temperature"] == 185
    k.say(m.PROBE, part="thigh")
    k.read("needle", 37, settled=True, spot=k.spot)
    assert k.rows("checks")[1]["verdict"] == "open"
    k.dip(186)
    assert [each["temperature"] for each in k.rows("checks")] == [185, 186]


def test_a_cold_piece_that_is_named_is_read_as_ever() -> None:
    k = kitchen()
    k.cook()
    probed(k, 38, "wing")
    k.check("thigh", 60)
    assert k.rows("checks")[0]["verdict"] == "below critical limit"
    k.say(m.PROBE, part="wing")
    k.wait(3 * MINUTE)
    k.check("thigh", 61)
    assert k.rows("checks")[-1]["temperature"] == 61


def test_the_piece_goes_on_to_be_read_colder_while_raw_food_is_asked_for() -> None:
    k = kitchen()
    k.cook()
    k.check("thigh", 185)
    k.say(m.PROBE_RAW, part="wing")
    k.read("needle", 182, settled=True, spot=k.spot)
    assert k.rows("checks")[0]["temperature"] == 182 and row(k, "raw_checks")["verdict"] == "open"


def test_a_spot_that_turns_out_to_be_air_proves_nothing() -> None:
    k = kitchen()
    probed(k, 38)
    k.read("needle", 39, settled=True, spot=k.spot, medium="air")
    assert row(k, "raw_checks")["disputed"] == "since the needle rested in air"
    assert last_cue(k) == "The needle rests in air: the reading of the raw thigh proves nothing. Probe it again."
    before = len(k.effects)
    k.read("needle", 39, settled=True, spot=k.spot, medium="air")
    assert not [each for each in k.effects[before:] if isinstance(each, Cue)]


def test_the_air_itself_is_not_taken() -> None:
    k = kitchen()
    k.say(m.PROBE_RAW, part="thigh")
    k.dip(39, medium="air")
    assert row(k, "raw_checks")["verdict"] == "open"
    assert last_cue(k).startswith("The needle reads 39.0 degrees, in air. It is not taken.")


def test_a_reading_is_disputed_and_never_struck() -> None:
    k = kitchen()
    k.say(m.BREADING_SIFTED)
    probed(k, 38)
    assert k.say(m.SCRATCH) == "The reading of the raw thigh stays on record as disputed. It proves nothing now."
    assert (row(k, "raw_checks")["disputed"], row(k, "raw_checks")["struck"]) == ("by the cook", 0)
    assert k.say(m.SCRATCH).startswith("Refused: the reading of the raw thigh is disputed already")
    assert row(k, "breading")["struck"] == 0


def test_words_without_a_reading_are_struck() -> None:
    k = kitchen()
    k.say(m.PROBE_RAW, part="thigh")
    k.say(m.SCRATCH)
    assert row(k, "raw_checks")["struck"] == 1


def test_a_needle_that_fails_puts_what_it_gave_in_doubt() -> None:
    k = kitchen(replace(OWN, probe_check_every_ms=24 * HOUR))
    k.cook()
    k.check("thigh", 185)
    first = probed(k, 38)
    assert first["probe_was"] == "unchecked" and alerts.is_open(k.state.world, alerts.PROBE_CHECK_OVERDUE)
    k.say(m.ICE_POINT)
    k.dip(39)
    (bath,) = k.rows("probe_checks")
    assert bath["checks_in_doubt"] == f"{k.rows('checks')[0]['id']} {first['id']}"
    assert row(k, "raw_checks")["in_doubt"] == 1
    (alert,) = [each for each in k.rows("alerts") if each["kind"] == alerts.IN_DOUBT]
    assert "are in doubt, raw thigh and batch 1 (thigh)." in alert["text"] and "batches 1" in alert["numbers"]
    second = probed(k, 38)
    assert (second["verdict"], second["probe_was"], second["probe_check"]) == ("passed", "failed", bath["id"])
    assert last_cue(k) == "Raw thigh 38.0 degrees, but the probe failed its own check. It proves nothing."


def test_what_a_failed_needle_reads_cold_ends_no_alert() -> None:
    k = kitchen()
    probed(k, 50)
    k.say(m.ICE_POINT)
    k.dip(39)
    probed(k, 38)
    assert alerts.is_open(k.state.world, alerts.RAW_WARM)


def test_without_a_procedure_in_force_it_waits_for_its_own_window() -> None:
    k = kitchen()
    k.say(m.PROBE_RAW, part="thigh")
    k.state = replace(k.state, world=replace(k.state.world, procedure=None))
    k.wait(45_000)
    assert row(k, "raw_checks")["verdict"] == "no reading"


# The breading station.


def test_the_breading_has_its_time_in_use() -> None:
    k = kitchen()
    assert k.say(m.BREADING_SIFTED) == "Breading sifted."
    assert "How long the breading has been in use is not known." in k.say(m.STATUS)
    assert k.say(m.BREADING_CHANGED) == "Breading changed."
    k.wait(130 * MINUTE)
    assert k.say(m.BREADING_SIFTED) == "Breading sifted, in use 2 h 10 min."
    assert "Breading in use 2 h 10 min." in k.say(m.STATUS)
    k.wait(10 * MINUTE)
    assert k.say(m.BREADING_CHANGED) == "Breading changed after 2 h 20 min."
    rows = [(each["what"], each.get("hours_in_use")) for each in k.rows("breading")]
    assert rows == [
        ("breading sifted", None),
        ("breading changed", None),
        ("breading sifted", 2.17),
        ("breading changed", 2.33),
    ]
    assert {each["shift"] for each in k.rows("breading")} == {k.rows("shifts")[0]["id"]}


def test_an_overdue_change_is_a_warning_while_a_shift_is_open() -> None:
    k = kitchen()
    k.say(m.BREADING_CHANGED)
    k.wait(4 * HOUR - 1)
    assert k.news(alerts.BREADING_OVERDUE) == []
    k.wait(1)
    (alert,) = [each for each in k.rows("alerts") if each["kind"] == alerts.BREADING_OVERDUE]
    assert alert["text"] == "The breading has been in use for 4 h 00 min; the kitchen changes it every 4 h. Change it."
    assert alert["level"] == "warning"
    k.say(m.BREADING_SIFTED)
    assert alerts.is_open(k.state.world, alerts.BREADING_OVERDUE)
    k.say(m.BREADING_CHANGED)
    assert not alerts.is_open(k.state.world, alerts.BREADING_OVERDUE)
    k.say(m.SHIFT_END)
    k.wait(10 * HOUR)
    assert not alerts.is_open(k.state.world, alerts.BREADING_OVERDUE), "nobody is there"
    k.say(m.SHIFT_START, cook=5)
    k.wait(30 * MINUTE - 1)
    assert not alerts.is_open(k.state.world, alerts.BREADING_OVERDUE), "there is time to do it first"
    k.wait(1)
    assert alerts.is_open(k.state.world, alerts.BREADING_OVERDUE)


def test_breading_of_unknown_age_counts_from_the_shifts_start_and_from_its_change_at_least() -> None:
    k = kitchen()
    k.wait(4 * HOUR)
    (alert,) = [each for each in k.rows("alerts") if each["kind"] == alerts.BREADING_OVERDUE]
    assert "has been in use for a time that is not on record" in alert["text"] and alert["began_ms"] == 4 * HOUR + 1000
    k.say(m.BREADING_CHANGED)
    changed_ms = k.at_ms
    k.feed(Started(k.at_ms, "boot-2", False, "test", "line-1", (1,), RULES, False))
    k.wait(changed_ms + 4 * HOUR - 1 - k.at_ms)
    assert not alerts.is_open(k.state.world, alerts.BREADING_OVERDUE)
    k.wait(1)
    assert alerts.is_open(k.state.world, alerts.BREADING_OVERDUE)


def test_breading_of_unknown_age_counts_from_a_later_shift() -> None:
    k = kitchen()
    k.say(m.BREADING_CHANGED)
    k.feed(Started(k.at_ms, "boot-2", False, "test", "line-1", (1,), RULES, False))
    k.say(m.SHIFT_END)
    k.say(m.SHIFT_START, cook=5)
    k.wait(4 * HOUR - 1)
    assert not alerts.is_open(k.state.world, alerts.BREADING_OVERDUE)
    k.wait(1)
    assert alerts.is_open(k.state.world, alerts.BREADING_OVERDUE)


def test_a_kitchen_that_does_not_say_how_often_is_never_late() -> None:
    k = kitchen(PROCEDURE)
    k.say(m.BREADING_CHANGED)
    k.wait(20 * HOUR)
    assert k.news(alerts.BREADING_OVERDUE) == []


# Oil that is ready.


def test_oil_is_ready_with_its_temperature() -> None:
    k = kitchen()
    assert k.say(m.OIL_READY) == "Oil ready, vat 1, no temperature on record."
    k.read("vat1", 340)
    assert k.say(m.OIL_READY) == "Oil ready, vat 1, 340 degrees."
    found = row(k, "oil")
    assert (found["what"], found["oil_temperature"], "despite" in found) == ("oil ready", 340, False)


@pytest.mark.parametrize(
    ("value", "against"),
    [
        (324.9, "its oil is 324.9 °F, the band is 325 to 350 °F"),
        (350.1, "its oil is 350.1 °F, the band is 325 to 350 °F"),
        (325, ""),
        (350, ""),
    ],
)
def test_outside_its_band_it_is_ready_only_after_confirm(value: float, against: str) -> None:
    k = kitchen(vats=(1, 2))
    k.read("vat2", value)
    said = k.say(m.OIL_READY, vat=2)
    if not against:
        assert said.startswith("Oil ready, vat 2") and k.state.world.question is None
        return
    assert said == f"Vat 2: {against}. Confirm that it is ready." and k.rows("oil") == []
    assert k.say(m.CONFIRM) == f"Oil ready, vat 2, {value:.0f} degrees."
    assert row(k, "oil")["despite"] == against


@pytest.mark.parametrize("right", [m.OIL_LEVEL_OK, m.OIL_TOPPED_UP, m.OIL_CHANGED])
def test_a_level_that_was_last_said_to_be_low_is_asked_about(right: str) -> None:
    k = kitchen(vats=(1, 2))
    k.say(m.OIL_LEVEL_LOW, vat=1)
    k.say(m.OIL_LEVEL_LOW, vat=1)
    k.say(m.OIL_FILTERED, vat=1)
    assert k.say(m.OIL_READY, vat=2).startswith("Oil ready, vat 2")
    assert k.say(m.OIL_READY, vat=1) == "Vat 1: its level was last said to be low. Confirm that it is ready."
    k.read("vat1", 300)
    said = k.say(m.CONFIRM)
    assert said.startswith("Vat 1: its oil is 300.0 °F") and "and its level was last" in said, "it is colder by now"
    k.say(right, vat=1)
    k.read("vat1", 340)
    assert k.say(m.OIL_READY, vat=1).startswith("Oil ready, vat 1")


def test_without_a_procedure_only_the_level_stands_against_it() -> None:
    k = kitchen()
    k.state = replace(k.state, world=replace(k.state.world, procedure=None))
    k.read("vat1", 100)
    assert k.say(m.OIL_READY).startswith("Oil ready, vat 1")


# What a kitchen does not say.


def test_words_that_a_procedure_has_no_use_for_are_named() -> None:
    assert PROCEDURE.unused == {*m.RAW, *m.LOTS, *m.BREADING}
    assert OWN.unused == frozenset() and replace(OWN, lots=False).unused == {*m.LOTS}


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"raw_out_ms": 0}, "raw.longest_out is 0 s; write more than zero"),
        ({"raw_out_ms": 1000}, "raw.longest_out is 1 s; write 1 min to 4 h"),
        ({"raw_out_ms": 4 * HOUR + 1000}, "raw.longest_out is 14401 s; write 1 min to 4 h"),
        ({"breading_every_ms": 0}, "breading.change_every is 0 s; write more than zero"),
        ({"breading_every_ms": 8 * 24 * HOUR}, "breading.change_every is 192 h; write 10 min to 168 h"),
        (
            {"raw_out_ms": None},
            'raw.lots is true without raw.longest_out; write longest_out, such as "30 min", beside it',
        ),
    ],
)
def test_a_bad_number_is_named_with_its_remedy(wrong: dict[str, Any], said: str) -> None:
    procedure = replace(OWN, **wrong)
    assert said in [*procedure.problems(), *procedure.dangers()]
    k = Kitchen(procedure=PROCEDURE)
    k.feed(ProcedureLoaded(k.at_ms, procedure))
    assert k.state.world.procedure == PROCEDURE


def test_a_reading_is_compared_in_the_unit_of_the_procedure() -> None:
    """41 °F is 5 °C to the last digit; a there-and-back conversion must not make it warmer."""
    k = kitchen()
    k.say(m.PROBE_RAW, part="thigh")
    k.wait(8_000)
    k.feed(Reading(k.at_ms, "needle", to_c(41.0, "F") + 1e-9, True, 1))
    assert row(k, "raw_checks")["verdict"] == "passed"
