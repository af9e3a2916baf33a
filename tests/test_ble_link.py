"""A Bluetooth probe as a source, over connections that misbehave: they refuse, never answer, or say little."""

import asyncio
import threading
import time
from collections.abc import Callable

import pytest

from recorder.driver import DriverLost
from recorder.probes.ble import probe as ble_probe
from recorder.probes.ble.gatt import BATTERY, INTERMEDIATE, MEASUREMENT, TEMPERATURE
from recorder.probes.ble.intervals import interval_s, trigger, update_s, valid_s
from recorder.probes.ble.probe import BleProbe, BleSettings
from recorder.probes.ble.radio import Link, Seen
from recorder.probes.source import Chunk

PATIENCE_S = 30.0
ADDRESS = "00:11:22:33:44:55"
VALUE = bytes.fromhex("E8 1C")  # 74.00 °C; published-values.md section 7


class Stubborn:
    """A connection that has and tells what it is given; `refused` fail, `hung` never answer."""

    def __init__(
        self,
        tells: tuple[str, ...],
        only_read: tuple[str, ...] = (),
        refused: tuple[str, ...] = (),
        hung: tuple[str, ...] = (),
    ) -> None:
        self.lost = asyncio.Event()
        self.heard: dict[str, Callable[[bytes], None]] = {}
        self.reads: list[str] = []
        self._tells, self._only_read, self._refused, self._hung = tells, only_read, refused, hung

    def has(self, characteristic: str) -> bool:
        return characteristic in self._tells + self._only_read

    def tells(self, characteristic: str) -> bool:
        return characteristic in self._tells

    async def subscribe(self, characteristic: str, heard: Callable[[bytes], None]) -> None:
        await self._answer(characteristic)
        self.heard[characteristic] = heard

    async def read(self, characteristic: str) -> bytes:
        await self._answer(characteristic)
        self.reads.append(characteristic)
        return VALUE

    def writes(self, characteristic: str) -> bool:
        return False

    async def write(self, characteristic: str, data: bytes) -> None:
        await self._answer(characteristic)

    async def describe(self, characteristic: str, descriptor: str) -> bytes | None:
        return None

    async def redescribe(self, characteristic: str, descriptor: str, data: bytes) -> None:
        await self._answer(descriptor)

    async def close(self) -> None:
        await self._answer("close")

    async def _answer(self, what: str) -> None:
        if what in self._hung:
            await asyncio.Event().wait()
        if what in self._refused:
            raise DriverLost("disconnected", "Insufficient Authentication")


class Air:
    """A radio that has this connection at once."""

    def __init__(self, link: Link) -> None:
        self._link = link

    async def nearby(self, seconds: float) -> list[Seen]:
        return []

    async def held(self, address: str) -> bool:
        return False

    async def seek(self, wanted: Callable[[str], bool], seconds: float) -> list[str]:
        return [ADDRESS] if wanted(ADDRESS) else []

    async def connect(self, address: str, timeout_s: float) -> Link:
        return self._link


class Listening:
    """A source in a thread."""

    def __init__(self, link: Stubborn, profile: str = "thermometer", silence_s: float = 10.0) -> None:
        settings = BleSettings("ble", ADDRESS, profile=profile, silence_s=silence_s)
        self.link = link
        self.chunks: list[Chunk | None] = []
        self.lost: DriverLost | None = None
        self._source = BleProbe(settings, Air(link))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            for chunk in self._source.chunks(self._stop):
                self.chunks.append(chunk)
        except DriverLost as lost:
            self.lost = lost

    def until(self, done: Callable[[], bool]) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < end_s, f"waited in vain; it has {self.chunks}, {self.lost}"
            time.sleep(0.002)

    def say(self, characteristic: str, value: bytes = VALUE) -> None:
        self.until(lambda: characteristic in self.link.heard)
        ble_probe.in_loop(asyncio.sleep(0, self.link.heard[characteristic](value))).result()
        self.until(lambda: Chunk(value, characteristic) in self.chunks)

    def ended(self) -> DriverLost:
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive() and self.lost
        return self.lost

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive() and self.lost is None


@pytest.mark.parametrize("trouble", ["refused", "hung"])
def test_a_battery_that_is_not_to_be_had_costs_no_temperature(trouble: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_probe, "ANSWER_S", 0.1)
    link = Stubborn((MEASUREMENT, INTERMEDIATE, BATTERY), **{trouble: (INTERMEDIATE, BATTERY)})  # type: ignore[arg-type]
    source = Listening(link)
    source.say(MEASUREMENT)
    assert set(link.heard) == {MEASUREMENT}
    source.stop()


def test_a_temperature_that_is_refused_is_a_loss() -> None:
    assert Listening(Stubborn((MEASUREMENT,), refused=(MEASUREMENT,))).ended().reason == "disconnected"


@pytest.mark.parametrize("tells", [True, False], ids=["to a subscription", "to a question"])
def test_one_that_never_answers_is_given_up(tells: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_probe, "ANSWER_S", 0.2)
    told, only_read = ((TEMPERATURE,), ()) if tells else ((), (TEMPERATURE,))
    lost = Listening(Stubborn(told, only_read, hung=(TEMPERATURE,)), "environment").ended()
    assert lost.reason == "mute"
    assert "has not answered for" in str(lost)


@pytest.mark.parametrize("trouble", ["refused", "hung"])
def test_a_connection_that_cannot_be_closed_neither_hides_why_it_is_lost_nor_delays_a_stop(
    trouble: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(ble_probe, "ANSWER_S", 0.2)
    monkeypatch.setattr(ble_probe, "MUTE_S", 0.1)
    monkeypatch.setattr(ble_probe, "ASK_S", 0.05)
    closing = {trouble: ("close",)}
    assert Listening(Stubborn((MEASUREMENT,), **closing)).ended().reason == "mute"  # type: ignore[arg-type]
    monkeypatch.setattr(ble_probe, "MUTE_S", 60.0)
    source = Listening(Stubborn((MEASUREMENT,), **closing))  # type: ignore[arg-type]
    source.say(MEASUREMENT)
    source.stop()
    assert not caplog.records, "no exception is left that nobody took"


def test_one_that_tells_changes_only_is_asked_before_it_counts_as_silent(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ble_probe, "ASK_S", 0.05)
    link = Stubborn((TEMPERATURE,))
    source = Listening(link, "environment", silence_s=0.4)
    source.until(lambda: source.chunks.count(Chunk(VALUE, TEMPERATURE)) >= 2)
    assert set(link.reads) == {TEMPERATURE}
    source.stop()


def test_a_thermometer_that_says_nothing_is_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its measurement can only be told, not read: Health Thermometer Service."""
    monkeypatch.setattr(ble_probe, "ASK_S", 0.02)
    link = Stubborn((MEASUREMENT,))
    source = Listening(link, silence_s=0.1)
    source.until(lambda: len(source.chunks) > 4)
    assert link.reads == []
    source.stop()


def test_what_is_said_of_intervals_is_read_by_the_bytes() -> None:
    """Health Thermometer and Environmental Sensing, from memory (M): see gatt_intervals.py."""
    assert [interval_s(bytes.fromhex(text)) for text in ("01 00", "10 0E", "00 00", "01")] == [1, 3_600, 0, None]
    assert [valid_s(data) for data in (None, bytes.fromhex("05 00 58 02"), b"\x01")] == [
        (1, 65_535),
        (5, 600),
        (1, 65_535),
    ]
    measured = bytes.fromhex("00 00 02 3C 00 00 0A 00 00 01 FF")
    assert [update_s(data) for data in (measured, measured[:-1], None, bytes(11))] == [10, None, None, None]
    assert trigger(300) == bytes.fromhex("01 2C 01 00")
