"""Several hot-holding cabinets: each with a probe of its own, and each batch judged by those that it stands in."""

from pathlib import Path

import pytest

from recorder.config import ConfigError, load, load_phrases
from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.events import ProcedureLoaded, Started
from recorder.probes.simulated import Body
from recorder.voice.language.menu import for_menu
from tests.kitchen import MINUTE, PROCEDURE, Kitchen


def kitchen(cabinets: tuple[int, ...] = (1, 2), batches: int = 1) -> Kitchen:
    """Batches of four thighs out of the oil, their checks complete."""
    k = Kitchen((1, 2))
    k.feed(Started(k.at_ms, "boot-1", True, "test", "line-1", (1, 2), 7, cabinets=cabinets))
    k.feed(ProcedureLoaded(k.at_ms, PROCEDURE))
    k.say(m.SHIFT_START, cook=4)
    for vat in range(1, batches + 1):
        k.say(m.BATCH_START, vat=vat)
        k.say(m.LOAD, part="thigh", count=4, vat=vat)
        k.say(m.LID_LOCKED, vat=vat)
    k.wait(12 * MINUTE + 30_000)
    for vat in range(1, batches + 1):
        k.say(m.LID_OPEN, vat=vat)
        for _ in range(4):
            k.check("thigh", 185, vat=vat)
            k.wait(61_000)
    return k


def stand(k: Kitchen, minutes: float, **read: float) -> None:
    """Time passes, in which the cabinets read so, every 30 s."""
    for _ in range(round(minutes * 2)):
        k.wait(30_000)
        for channel, value in read.items():
            k.read(channel, value)


def cold(k: Kitchen) -> list[tuple[str, str]]:
    return [
        (str(dict(a.numbers)["batches"]), a.text.split(" reads")[0])
        for a in k.state.world.alerts
        if a.kind == alerts.HOLD_COLD and a.ended_ms is None
    ]


def test_a_cabinet_is_named_where_there_are_several() -> None:
    k = kitchen()
    assert k.say(m.HOLD_START) == "Refused: say which cabinet: 1 or 2."
    assert k.say(m.HOLD_START, cabinet=3).startswith("Refused: there is no cabinet 3.")
    assert k.say(m.HOLD_START, cabinet=2) == "Batch 1 holding in cabinet 2."
    assert k.rows("holds")[0]["cabinets"] == "2"
    assert "moved" in k.say(m.CAN_SAY)


def test_one_that_has_a_number_need_not_be_named() -> None:
    k = kitchen((3,))
    assert k.say(m.HOLD_START) == "Batch 1 holding."
    assert k.rows("holds")[0]["cabinets"] == "3"
    stand(k, 5, cabinet3=120)
    assert cold(k) == [("1", "Cabinet 3")]


def test_a_station_that_gives_them_no_numbers_is_as_it_was() -> None:
    k = kitchen(())
    assert k.say(m.HOLD_START, cabinet=1).startswith("Refused: there is no cabinet 1.")
    assert k.say(m.HOLD_START) == "Batch 1 holding."
    stand(k, 5, cabinet=120)
    assert cold(k) == [("1", "Hot holding")]
    row = k.rows("holds")[0]
    assert "cabinets" not in row and (row["lowest"], row["unit"]) == (120, "F")


def test_each_cabinet_is_judged_by_what_stands_in_it() -> None:
    k = kitchen(batches=2)
    k.say(m.HOLD_START, batch=1, cabinet=1)
    k.say(m.HOLD_START, batch=2, cabinet=2)
    stand(k, 5, cabinet1=150, cabinet2=120)
    assert cold(k) == [("2", "Cabinet 2")]
    one, two = k.rows("holds")
    assert (one.get("seconds_below"), one["lowest"], two["lowest"]) == (None, 150, 120) and two["seconds_below"] > 200
    stand(k, 3, cabinet1=120, cabinet2=120)
    assert sorted(cold(k)) == [("1", "Cabinet 1"), ("2", "Cabinet 2")]
    stand(k, 7, cabinet1=150, cabinet2=120)
    assert cold(k) == [("2", "Cabinet 2")], "one is warm again, the other's alert stays"
    k.say(m.DISCARD, batch=2)
    k.say(m.CONFIRM)
    assert cold(k) == []


def test_two_that_become_cold_in_one_moment_are_two_alerts() -> None:
    k = kitchen(batches=2)
    k.say(m.HOLD_START, batch=1, cabinet=1)
    k.say(m.HOLD_START, batch=2, cabinet=2)
    stand(k, 5, cabinet1=120, cabinet2=121)
    ids = [alert.id for alert in k.state.world.alerts if alert.kind == alerts.HOLD_COLD]
    assert len({*ids}) == 2


def test_what_is_moved_is_judged_where_it_stands_now() -> None:
    k = kitchen()
    k.say(m.HOLD_START, cabinet=1)
    assert k.say(m.MOVED, cabinet=2) == "Batch 1 in cabinet 2."
    stand(k, 5, cabinet1=100, cabinet2=150)
    assert cold(k) == [] and k.rows("holds")[0]["lowest"] == 150
    assert k.say(m.MOVED).startswith("Refused: say the cabinet.")
    assert k.say(m.MOVED, cabinet=7).startswith("Refused: there is no cabinet 7.")


def test_a_batch_that_was_split_is_only_as_warm_as_the_colder_one() -> None:
    k = kitchen()
    k.say(m.HOLD_START, cabinet=1)
    assert k.say(m.MOVED, count=5, cabinet=2).startswith("Refused: batch 1 has 4 pieces left.")
    assert k.say(m.MOVED, count=0, cabinet=2) == "Refused: say how many pieces."
    assert k.say(m.MOVED, count=2, cabinet=2) == "Batch 1 in cabinets 1 and 2."
    stand(k, 5, cabinet1=150, cabinet2=120)
    assert cold(k) == [("1", "Cabinet 2")] and k.rows("holds")[0]["cabinets"] == "1, 2"
    assert k.say(m.MOVED, count=4, cabinet=1) == "Batch 1 in cabinet 1."


def test_a_sale_asks_where_no_cabinet_of_it_was_read() -> None:
    k = kitchen()
    k.read("cabinet1", 150)
    k.say(m.HOLD_START, cabinet=2)
    stand(k, 3, cabinet1=150)
    assert k.say(m.SOLD, count=1) == "1 piece of batch 1 sold, 3 left.", "cabinet 2 has no probe: that is the kitchen's"
    other = kitchen()
    other.read("cabinet2", 150)
    other.say(m.HOLD_START, cabinet=2)
    stand(other, 3)
    assert "whether it was hot is not known" in other.say(m.SOLD, count=1)


def test_a_station_that_loses_a_cabinet_ends_its_alert() -> None:
    k = kitchen()
    k.say(m.HOLD_START, cabinet=2)
    stand(k, 5, cabinet2=120)
    k.feed(Started(k.at_ms, "boot-1", True, "test", "line-1", (1, 2), 7))
    assert cold(k) == []
    assert [row["ended_by"] for row in k.rows("alerts") if row["kind"] == alerts.HOLD_COLD] == [
        "no such cabinet any more"
    ]


class TestWords:
    def test_they_are_listened_for_where_the_station_has_several(self) -> None:
        two = for_menu(load_phrases(None), (PROCEDURE,), (1, 2))
        parsed = two.parse("moved five pieces batch three cabinet two")
        assert parsed and (parsed.meaning, parsed.count, parsed.batch, parsed.cabinet) == (m.MOVED, 5, 3, 2)
        assert two.parse("hold start cabinet one") and not two.parse("hold start cabinet three")
        for cabinets in ((), (1,)):
            assert not for_menu(load_phrases(None), (PROCEDURE,), cabinets).parse("hold start cabinet one")

    def station(self, folder: Path, cabinets: str, channels: str) -> Path:
        path = folder / "station.toml"
        path.write_text(f'station = "a"\n{cabinets}\n[[probe]]\ndriver = "simulated"\nchannels = {channels}\n')
        return path

    def test_the_configuration_names_them(self, tmp_path: Path) -> None:
        settings = load(self.station(tmp_path, "cabinets = [1, 2]", '["needle", "cabinet1", "cabinet2"]'))
        assert settings.cabinets == (1, 2)

    @pytest.mark.parametrize(
        ("cabinets", "channels", "problem"),
        [
            ("cabinets = [1, 1]", '["needle"]', r"cabinets is \[1, 1\]; write each one's number once, 1 to 9"),
            ("cabinets = [0]", '["needle"]', r"cabinets is \[0\]; write each one's number once"),
            ("cabinets = [1]", '["cabinet"]', r"the channel cabinet is of no cabinet here \(cabinets = \[1\]\)"),
            ("cabinets = [1]", '["cabinet2"]', r"the channel cabinet2 is of no cabinet here"),
            ("", '["cabinet2"]', r"the channel cabinet2 is of no cabinet here \(cabinets = \[\]\)"),
        ],
    )
    def test_what_does_not_fit_is_named(self, tmp_path: Path, cabinets: str, channels: str, problem: str) -> None:
        with pytest.raises(ConfigError, match=problem):
            load(self.station(tmp_path, cabinets, channels))


def test_a_simulated_cabinet_with_a_number_is_as_hot_as_one_without() -> None:
    assert Body("cabinet2").temp_c == Body("cabinet").temp_c < Body("vat2").temp_c
