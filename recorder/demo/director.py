"""Plays the story through the real parts: recogniser, serial port, journal, outbox, a broker and a subscriber.

Everything is real but the clock, which the director moves, and the probes' board, which is simulated behind a pty.
After each second of the story it waits until the driver has taken what the board said, so that the same story gives the
same record.
"""

import json
import socket
import time
import tomllib
from collections.abc import Callable
from importlib.metadata import version
from itertools import count
from pathlib import Path

from recorder.app import App, messages, open_journal
from recorder.clock import ManualClock
from recorder.config import Settings, load_phrases, load_procedure
from recorder.core.events import NEEDLE, RULES, Heard, ProcedureLoaded, Reading, Started, Stopped
from recorder.demo import story
from recorder.demo.boards import BOARDS
from recorder.demo.broker import HERE, LocalBroker, PageBroker
from recorder.demo.show import Show
from recorder.demo.story import Broker, Hands, InHand, Probe, Say, Scene, Tell, Wait
from recorder.demo.subscriber import Subscriber
from recorder.errors import RecorderError
from recorder.loop import Loop
from recorder.notices.settings import MqttSettings
from recorder.probes.probe import Probe as ProbeDriver
from recorder.probes.probe import ProbeSettings
from recorder.supervisor import Post, Supervisor
from recorder.voice import ear
from recorder.voice.audio.soundfile import read_wav
from recorder.voice.settings import VoiceSettings

CLIPS = Path(__file__).parents[1] / "share/voices"
"""The sound files of the story."""

DAY_MS = 86_400_000

PATIENCE_S = 20.0
"""No real part may keep the director waiting longer than this."""


class DemoError(RecorderError):
    """The demo can't go on; the text says why."""


class Director:
    """One performance; its record is `folder`/records.db."""

    def __init__(
        self, folder: Path, show: Show, page_at: str = "", page_password: str = "", board: str = "serial"
    ) -> None:
        """`board`: one of `BOARDS`.

        `page_at`: the broker is mosquitto, which serves the phone page beside at this address, with a password where
        one is given; and the story ends about now.

        Raises `DemoError`.
        """
        self.database = folder / "records.db"
        if self.database.exists():
            raise DemoError(f"{self.database} is there already; choose another folder with --out")
        self._show = show
        self._said = {name: clip["say"] for name, clip in tomllib.loads((CLIPS / "index.toml").read_text()).items()}
        start_ms = time.time_ns() // 1_000_000 - 1000 * story.seconds() if page_at else story.START_MS
        self._clock = ManualClock(start_ms, boot_id="demo")
        show.clock = self._clock.now_ms
        self._broker = (
            PageBroker(_free_port(), _free_port(page_at), story.STATION, page_at, page_password)
            if page_at
            else LocalBroker(_free_port())
        )
        self._board, probes = BOARDS[board]()
        settings = self._settings(probes)
        _record_yesterday(settings, start_ms - DAY_MS)
        self._app = App(settings, open_journal(settings), self._clock, show.cue, show.watch)
        assert settings.voice and self._app.uplink
        self._publisher, self._outbox = self._app.uplink.publisher, self._app.uplink.outbox
        self._probes = tuple(ProbeDriver(probe, self._clock) for probe in probes)
        self._supervisor = Supervisor(tuple(map(Post, self._probes)), self._app.loop.inbox.put)
        recogniser = ear.build(settings.phrases, settings.voice)
        self._reached: Callable[[], bool] = self._publisher.connected
        self._phone_has: Callable[[], int] = lambda: 0
        self._phone_says: Callable[[str, bytes], None] = lambda topic, payload: None
        self._ear = ear.WavEar((), recogniser, settings.phrases, settings.voice, self._clock)

    @property
    def page(self) -> str:
        """Where the phone page stands; "" where there is none."""
        return self._broker.url if isinstance(self._broker, PageBroker) else ""

    def play(self, ended: Callable[[], bool] = lambda: True) -> Subscriber:
        """The whole shift, and on in real time until `ended`; the phone with what reached it. Raises `DemoError`."""
        try:
            self._broker.start()
        except OSError as error:
            raise DemoError(str(error)) from error
        phone = Subscriber("127.0.0.1", self._broker.port, "kitchen/+/alerts", seen=self._show.phone)
        self._phone_has = lambda: len(phone.messages)
        self._phone_says = phone.say
        self._reached = lambda: phone.ready(0) and self._publisher.connected()
        try:
            self._publisher.latest("demo", {"fast": True})  # the page need not think that its clock is wrong
            self._app.open()
            self._supervisor.start()
            self._until(lambda: all(probe.listening.is_set() for probe in self._probes), "all probes are open")
            self._until(self._reached, "phone and recorder reach the broker")
            self._until(self._delivered, "the first message is delivered")
            for scene in story.scenes():
                self._enact(scene)
            self._until(self._delivered, "all messages are delivered")
            while not ended():
                self._second()
                time.sleep(1)
            self._supervisor.stop()
            self._app.close()
        finally:
            self._supervisor.stop()
            phone.close()
            self._broker.stop()
            self._board.close()
        return phone

    def _enact(self, scene: Scene) -> None:
        match scene:
            case Wait(seconds=seconds):
                for _ in range(seconds):
                    self._second()
            case Say(clip=clip):
                self._say(f"{clip}.wav")
            case Probe(what=what, value_c=value_c):
                getattr(self._board.kitchen, what)(*(() if value_c is None else (value_c,)))
                self._show.probe(what, value_c)
            case Hands(text=text):
                self._show.hands(text)
            case Tell(text=text):
                self._show.tell(text)
            case InHand(kind=kind, by=by):
                self._answer(kind, by)
            case Broker(back=True):
                self._show.broker(f"back; {len(self._app.journal.outbox.unsent())} messages have waited on disk")
                self._broker.start()
                self._until(self._reached, "phone and recorder reach the broker again")
                self._until(self._delivered, "what waited is delivered")
            case Broker(back=False):
                self._show.broker("away")
                self._broker.stop()
                self._until(lambda: not self._publisher.connected(), "the broker is gone")

    def _answer(self, kind: str, by: str) -> None:
        """The manager's phone says that the open alert of this kind is in hand, and the recorder hears of it."""
        (id,) = [alert.id for alert in self._app.loop.state.world.alerts if alert.kind == kind]
        self._phone_says(f"kitchen/{story.STATION}/acknowledge", json.dumps({"alert": id, "by": by}).encode())

        def in_hand() -> bool:
            self._app.turn(0)
            return any(alert.id == id and alert.acknowledged_by == by for alert in self._app.loop.state.world.alerts)

        self._until(in_hand, "the answer has come from the phone")
        self._until(self._delivered, "all phones know of it")

    def _second(self) -> None:
        """A second of the story passes, each sample at its own time, and all that it brought is recorded."""
        for _ in range(1000 // self._board.step_ms):
            self._clock.advance(self._board.step_ms)
            self._board.advance(self._board.step_ms)
            self._until(self._read, "the drivers have read what the probes said")
        while self._app.turn(0):
            pass
        if self._publisher.connected():
            self._until(self._delivered, "the messages are delivered")

    def _read(self) -> bool:
        return sum(probe.ended for probe in self._probes) >= self._board.sent

    def _say(self, clip: str) -> None:
        self._show.said(self._said[clip])
        heard = self._ear.hear(read_wav(CLIPS / clip))
        for event in heard:
            self._app.loop.handle(event)
        if not heard:
            self._show.ignored()

    def _delivered(self) -> bool:
        self._app.turn(0)
        return self._outbox.empty() and self._phone_has() >= self._outbox.sent

    def _until(self, done: Callable[[], bool], what: str) -> None:
        end_s = time.monotonic() + PATIENCE_S
        while not done():
            if time.monotonic() > end_s:
                raise DemoError(f"waited {PATIENCE_S:.0f} s in vain until {what}")
            time.sleep(0.0002)

    def _settings(self, probes: tuple[ProbeSettings, ...]) -> Settings:
        return Settings(
            station=story.STATION,
            vats=story.VATS,
            database=self.database,
            procedure=load_procedure(None),
            phrases=load_phrases(None),
            probes=probes,
            voice=VoiceSettings(),
            speaker=None,
            mqtt=MqttSettings(story.STATION, port=self._broker.port, protocol="3.1.1"),
            publish="alerts",
        )


def _record_yesterday(settings: Settings, start_ms: int) -> None:
    """A shift in brief, straight into the records: what today is compared with. Neither heard nor shown nor sent."""
    journal, clock = open_journal(settings), ManualClock(start_ms, boot_id="yesterday")
    loop = Loop(journal, clock, lambda cue: None, messages(settings, journal))

    def say(text: str, seconds: int = 20) -> None:
        intent = settings.phrases.parse(text)
        assert intent
        loop.handle(Heard(clock.now_ms(), text, intent, "none", "name"))
        clock.advance(seconds * 1000)

    loop.handle(Started(clock.now_ms(), "yesterday", True, version("batch-recorder"), story.STATION, story.VATS, RULES))
    loop.handle(ProcedureLoaded(clock.now_ms(), settings.procedure, settings.products))
    say("shift start cook four")
    say("ice point")
    spots = count(1)
    loop.handle(Reading(clock.now_ms(), NEEDLE, 0.1, True, next(spots), 0.2, 16_000))
    for values in story.YESTERDAY:
        for text in ("batch start", "load thighs twelve", "load breasts twelve", "load legs twelve"):
            say(text)
        say("lid locked", 725)
        say("lid open")
        for part, value in zip(("thigh", "breast", "leg", "thigh"), values, strict=True):
            say(f"probe {part}")
            loop.handle(Reading(clock.now_ms(), NEEDLE, story.celsius(value), True, next(spots), 0.2, 8_500))
        say("hold start", 300)
        say("hold end")
    say("shift end cook four")
    loop.handle(Stopped(clock.now_ms()))
    journal.outbox.mark_sent([message.id for message in journal.outbox.unsent(most=1000)], clock.now_ms())
    journal.close()


def _free_port(address: str = HERE) -> int:
    with socket.socket() as probe:
        probe.bind((address, 0))
        return int(probe.getsockname()[1])
