"""A station with real devices: its drivers, its loudspeaker, and what is done when it can't record.

Beside `app.py`, which builds the station itself.
"""

import logging
import threading
import time
from collections.abc import Callable, Mapping

from recorder.app import App, clock_after, messages, open_journal
from recorder.clock import Clock, SystemClock
from recorder.config import Settings
from recorder.console.view import View
from recorder.core.effects import Cue
from recorder.core.events import EarLost, ProbeLost
from recorder.failure_notice import FailureNotice, Lamp
from recorder.journal import quarantine
from recorder.journal.errors import JournalBusy, JournalDamaged
from recorder.loop import Watch, nobody
from recorder.notices import uplink
from recorder.probes.probe import Probe
from recorder.space import Reserve
from recorder.supervisor import Post, Supervisor
from recorder.voice import ear
from recorder.voice.audio.sources import source
from recorder.voice.audio.speaker import Speaker

log = logging.getLogger(__name__)

LAST_CUE_S = 0.1
"""How long a stop waits for the loudspeaker at its end, before that is cut off."""

FAREWELL_S = 5.0
"""The same where nothing can be recorded any more, and that is what it says; and for the broker to take that."""


def posts(settings: Settings, clock: Clock, deaf: Callable[[], bool]) -> tuple[Post, ...]:
    """A driver for every device in `settings`; raises `DriverUnavailable`."""
    made = [_probe_post(Probe(probe, clock, lag_s=settings.needle_lag_s), clock) for probe in settings.probes]
    if settings.voice:
        recogniser = ear.build(settings.phrases, settings.voice)
        microphone = source(settings.voice.device)
        switch = ear.foot_switch(settings.voice)
        driver = ear.MicrophoneEar(microphone, recogniser, settings.phrases, settings.voice, clock, deaf, switch)
        made.append(
            Post(
                driver,
                lambda reason: (EarLost(clock.now_ms(), reason),),
                lambda: (EarLost(clock.now_ms(), "it hangs"),),
            )
        )
    return tuple(made)


def _probe_post(probe: Probe, clock: Clock) -> Post:
    """A probe reports its losses itself, but not while it hangs."""
    return Post(probe, hangs=lambda: tuple(ProbeLost(clock.now_ms(), name, "it hangs") for name in probe.names()))


def on_records(
    settings: Settings,
    give: Callable[[Cue], None],
    on_failure: Callable[[str], None],
    reserve: Reserve | None = None,
    watch: Watch = nobody,
) -> App:
    """The station on its records. Damaged ones are set aside and new ones begun.

    Raises `JournalError`, and `DriverUnavailable` when a file of the settings can't be used.
    """

    def built(damages: Mapping[str, str]) -> App:
        journal = open_journal(settings)
        try:
            return App(settings, journal, clock_after(journal), give, watch, on_failure, damages, reserve)
        except BaseException:
            journal.close()
            raise

    try:
        return built({})
    except JournalDamaged as error:
        file = quarantine.isolate(settings.database)
        log.critical("%s; it lies in %s now, and new records are begun", error, file)
        return built({file.name: str(error)})


def run(settings: Settings, stop: threading.Event, view: View | None = None) -> None:
    """Record with the real devices of `settings` until `stop`; `view` sees what happens and may put events in.

    Raises `JournalBusy`, and what else ended it (`DriverUnavailable`, a `JournalError`, a fault of the program) after
    that was spoken, shown and sent.
    """
    speaker = Speaker(settings.speaker) if settings.speaker else None
    notice = FailureNotice(speaker, Lamp(settings.lamp) if settings.lamp else None)
    app, end_s = None, time.monotonic()
    try:
        reserve = Reserve(settings.database)
        reserve.tend()  # before the records are opened: on a full disk they can't be
        give = speaker.give if speaker else lambda cue: None
        app = on_records(settings, give, notice.announce, reserve, view.see if view else nobody)
        if view:
            view.begin(app.loop.inbox.put, app.clock, give)
        drivers = posts(settings, app.clock, speaker.talking if speaker else lambda: False)
        app.run(Supervisor(drivers, app.loop.inbox.put), stop, notice.rest)
    except JournalBusy:  # another one records
        raise
    except Exception as error:
        notice.announce(str(error))
        end_s = time.monotonic() + FAREWELL_S
        try:
            app.tell_end(error, FAREWELL_S) if app else tell_no_start(settings, error)
        except Exception as failed:
            log.warning("the broker did not get the last message: %s", failed)
        raise
    finally:
        if speaker:
            speaker.close(max(end_s - time.monotonic(), LAST_CUE_S))


def tell_no_start(settings: Settings, error: Exception) -> None:
    """As `App.tell_end`, where the records can't even be opened."""
    if settings.mqtt:
        now = SystemClock(None).stamp()
        uplink.fail_without_records(settings.mqtt, messages(settings), str(error), now, FAREWELL_S)
