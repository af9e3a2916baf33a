"""The foot switch, by the kernel's own bytes through a FIFO or a pty; which sound counts; the ear that listens by it.

The bytes are laid out by ctypes as the C compiler lays out struct input_event of linux/input.h (uapi); types, codes and
values are those of linux/input-event-codes.h. A real device is made by /dev/uinput where there is one.
"""

import ctypes
import fcntl
import os
import pty
import struct
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from queue import SimpleQueue

import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from recorder import supervisor
from recorder.__main__ import app
from recorder.clock import ManualClock
from recorder.core.events import EarBack, EarLost, Event, Heard, Unheard
from recorder.driver import DriverLost, DriverUnavailable
from recorder.supervisor import Post, Supervisor
from recorder.voice import ear
from recorder.voice.audio import microphone
from recorder.voice.audio.frontend import LEAD_MS, FrontEnd, FrontEndSettings
from recorder.voice.audio.microphone import Microphone
from recorder.voice.audio.soundfile import RATE, read_wav
from recorder.voice.engines import Guess, Recogniser
from recorder.voice.footswitch import AFTER_S, CATCH_UP, INPUT_EVENT, KEY, LONGEST_S, Edge, FootSwitch, Hold, KeySwitch
from recorder.voice.settings import VoiceSettings, from_dict
from tests.ears import CLIPS, KNOWN, LEAST, Scripted, hiss, nameless

EV_SYN, EV_KEY, EV_MSC = 0, 1, 4
SYN_REPORT, SYN_DROPPED, MSC_SCAN = 0, 3, 4
KEY_A, KEY_B = 30, 48


class InputEvent(ctypes.Structure):
    """struct input_event."""

    _fields_ = (
        ("seconds", ctypes.c_ulong),
        ("micros", ctypes.c_ulong),
        ("type", ctypes.c_uint16),
        ("code", ctypes.c_uint16),
        ("value", ctypes.c_int32),
    )


def event(kind: int, code: int, value: int, age_s: float = 0.0) -> bytes:
    seconds, micros = divmod(int((time.time() - age_s) * 1e6), 1_000_000)
    return bytes(InputEvent(seconds, micros, kind, code, value))


def key(value: int, code: int = KEY_B, age_s: float = 0.0) -> bytes:
    """What a keyboard sends for one change: scan code, key, and the report's end."""
    told = ((EV_MSC, MSC_SCAN, 0x70005), (EV_KEY, code, value), (EV_SYN, SYN_REPORT, 0))
    return b"".join(event(*each, age_s) for each in told)


class Pedal:
    """A FIFO in the place of the pedal's device."""

    def __init__(self, path: Path) -> None:
        self.path = path
        os.mkfifo(path)
        self._file = os.open(path, os.O_RDWR)

    def send(self, data: bytes) -> None:
        os.write(self._file, data)

    def unplug(self) -> None:
        self.path.unlink()
        os.close(self._file)


@pytest.fixture
def pedal(tmp_path: Path) -> Iterator[Pedal]:
    made = Pedal(tmp_path / "pedal-event-kbd")
    yield made
    if made.path.exists():
        made.unplug()


def downs(edges: list[Edge]) -> list[bool]:
    return [edge.down for edge in edges]


def test_a_key_of_the_terminal_stands_for_the_pedal() -> None:
    """Each press turns it over; what was pressed before the sound began does not count."""
    settings = from_dict({"listening": "switch", "switch": "terminal"})
    assert ear.foot_switch(settings) is KEY
    KEY.turn()
    with KEY as switch:
        assert switch.edges() == []
        KEY.turn()
        KEY.turn()
        down, up = switch.edges()
        assert (down.down, up.down) == (True, False) and down.at_s <= up.at_s <= time.monotonic()
        hold = Hold()
        assert hold.covers(0.1, down.at_s + 0.2, [down])


def test_each_press_and_release_of_the_key_is_seen_whatever_its_cause() -> None:
    """By another press, after the longest time, and at the end of the sound; what counts for nothing is not shown."""
    key, seen = KeySwitch(), list[bool]()
    key.watch = seen.append
    key.turn()
    assert seen == [] and not key.used
    with key:
        key.turn()
        key.turn()
        assert seen == [True, False]
        key.turn()
        assert downs(key.edges()) == [True, False, True] and key.down
        key._since_s = time.monotonic() - LONGEST_S
        assert downs(key.edges()) == [False] and seen == [True, False, True, False]
        key.turn()
    assert seen == [True, False] * 3 and not key.down


def test_an_event_has_the_size_that_the_c_compiler_gives_it() -> None:
    assert INPUT_EVENT.size == ctypes.sizeof(InputEvent)


def test_a_press_and_a_release_with_their_moments(pedal: Pedal) -> None:
    with FootSwitch(pedal.path) as switch:
        assert switch.edges() == []
        before_s = time.monotonic()
        pedal.send(key(1, age_s=1.0) + key(2, age_s=0.6) + key(2, age_s=0.5) + key(0, age_s=0.25))
        press, release = switch.edges()
        after_s = time.monotonic()
        assert (press.down, release.down) == (True, False)
        assert before_s - 0.01 < press.at_s + 1.0 < after_s + 0.01
        assert before_s - 0.01 < release.at_s + 0.25 < after_s + 0.01
        assert switch.edges() == []


def test_a_clock_that_was_set_moves_no_press_far(pedal: Pedal) -> None:
    with FootSwitch(pedal.path) as switch:
        pedal.send(key(1, age_s=1e9) + key(0, age_s=-1e8))
        press, release = switch.edges()
    assert 0 <= release.at_s - press.at_s <= 3.1


def test_any_key_holds_and_the_last_one_lets_go(pedal: Pedal) -> None:
    with FootSwitch(pedal.path) as switch:
        pedal.send(key(1, KEY_A) + key(1, KEY_B) + key(0, KEY_A))
        assert downs(switch.edges()) == [True]
        pedal.send(key(0, KEY_B))
        assert downs(switch.edges()) == [False]


def test_with_one_key_named_the_others_do_nothing(pedal: Pedal) -> None:
    with FootSwitch(pedal.path, KEY_B) as switch:
        pedal.send(key(1, KEY_A) + key(0, KEY_A))
        assert switch.edges() == []
        pedal.send(key(1, KEY_B) + key(1, KEY_A) + key(0, KEY_B))
        assert downs(switch.edges()) == [True, False]


def test_half_an_event_waits_for_the_rest(pedal: Pedal) -> None:
    data = key(1) + key(0)
    got = []
    with FootSwitch(pedal.path) as switch:
        for at in range(0, len(data), 7):
            pedal.send(data[at : at + 7])
            got += switch.edges()
    assert downs(got) == [True, False]


def test_events_that_the_kernel_lost_let_go(pedal: Pedal) -> None:
    """Documentation/input/event-codes.rst, SYN_DROPPED: the state is unknown from here on."""
    with FootSwitch(pedal.path) as switch:
        pedal.send(key(1) + event(EV_SYN, SYN_DROPPED, 0) + key(2))
        assert downs(switch.edges()) == [True, False]
        pedal.send(key(1))
        assert downs(switch.edges()) == [True]


def test_a_key_that_was_down_at_the_start_is_not_a_hold(pedal: Pedal) -> None:
    with FootSwitch(pedal.path) as switch:
        pedal.send(key(2) + key(2) + key(0))
        assert switch.edges() == []


def test_a_switch_that_goes_is_lost(pedal: Pedal) -> None:
    with FootSwitch(pedal.path) as switch:
        pedal.send(key(1))
        switch.edges()
        pedal.unplug()
        with pytest.raises(DriverLost, match=r"foot switch /.*pedal-event-kbd: it gives no events"):
            switch.edges()


def test_a_device_that_hangs_up_is_lost() -> None:
    board, device = pty.openpty()
    tty.setraw(device)
    with FootSwitch(Path(os.ttyname(device))) as switch:
        os.write(board, key(1))
        assert downs(switch.edges()) == [True]
        os.close(device)
        os.close(board)
        with pytest.raises(DriverLost, match="unplugged"):
            switch.edges()


def test_an_error_in_reading_is_told_in_the_kernels_words() -> None:
    """A folder gives EISDIR, as an unplugged device gives ENODEV."""
    with FootSwitch(Path("/dev")) as switch, pytest.raises(DriverLost, match="foot switch /dev: Is a directory"):
        switch.edges()


def test_a_file_that_is_no_device_is_told(tmp_path: Path) -> None:
    (tmp_path / "note").write_bytes(key(1))
    with FootSwitch(tmp_path / "note") as switch, pytest.raises(DriverLost, match="is no input device"):
        switch.edges()


def test_a_switch_that_is_not_there_is_told_with_the_remedy(tmp_path: Path) -> None:
    with (
        pytest.raises(DriverUnavailable, match=r"is not there; plug it in.*/dev/input/by-id"),
        FootSwitch(tmp_path / "x"),
    ):
        pass
    (tmp_path / "file").touch()
    with pytest.raises(DriverUnavailable, match="can't be opened"), FootSwitch(tmp_path / "file/x"):
        pass


def test_a_switch_that_may_not_be_read_is_told_with_the_remedy(pedal: Pedal) -> None:
    pedal.path.chmod(0)
    user = os.geteuid()
    if user == 0:
        os.seteuid(65_534)
    try:
        with pytest.raises(DriverUnavailable, match="group input"), FootSwitch(pedal.path):
            pass
    finally:
        os.seteuid(user)


def covered(blocks: list[tuple[float, float]], edges: list[Edge]) -> list[bool]:
    """Of blocks (length, moment of reading): whether each counts; an edge is known once its moment is past."""
    hold, left, found = Hold(), list(edges), []
    for length_s, now_s in blocks:
        new = [edge for edge in left if edge.at_s <= now_s]
        left = left[len(new) :]
        found.append(hold.covers(length_s, now_s, new))
    return found


def stream(first: int, last: int, late_s: Callable[[int], float] = lambda at: 0.0) -> list[tuple[float, float]]:
    """Blocks of 0.1 s, number `at` spoken until 0.1 * at and read `late_s` later."""
    return [(0.1, 0.1 * at + late_s(at)) for at in range(first, last)]


def numbers(first: int, found: list[bool]) -> list[int]:
    return [first + at for at, each in enumerate(found) if each]


def test_what_is_spoken_while_it_is_held_and_shortly_after_counts() -> None:
    found = covered(stream(1, 60), [Edge(1.05, True), Edge(2.05, False)])
    assert AFTER_S == 0.25
    assert numbers(1, found) == list(range(11, 24))  # the blocks that end at 1.1 s to 2.3 s


@given(st.lists(st.floats(0.3, 5), min_size=2, max_size=8), st.lists(st.floats(0.01, 0.2), min_size=5, max_size=80))
def test_a_block_counts_when_and_only_when_the_switch_was_held_in_it(waits: list[float], lengths: list[float]) -> None:
    moments = [sum(waits[: at + 1]) for at in range(len(waits) // 2 * 2)]
    edges = [Edge(at_s, number % 2 == 0) for number, at_s in enumerate(moments)]
    holds = list(zip(moments[::2], moments[1::2], strict=True))
    ends = [sum(lengths[: at + 1]) for at in range(len(lengths))]
    found = covered(list(zip(lengths, ends, strict=True)), edges)
    for length_s, end_s, counts in list(zip(lengths, ends, found, strict=True))[1:]:
        if any(press <= end_s - 0.001 and end_s - length_s + 0.001 <= release for press, release in holds):
            assert counts
        if all(end_s + 0.001 < press or end_s - length_s > release + AFTER_S + 0.001 for press, release in holds):
            assert not counts


def test_sound_that_is_read_late_is_put_where_it_was_spoken() -> None:
    """The recogniser is busy from 2.0 to 2.5 s; the switch is released and pressed again meanwhile and after."""
    found = covered(
        stream(1, 60, lambda at: max(0.0, 2.5 - 0.1 * at) if at > 20 else 0.0),
        [Edge(1.05, True), Edge(2.05, False), Edge(2.45, True), Edge(3.05, False)],
    )
    assert numbers(1, found) == [*range(11, 24), *range(25, 34)]


def test_sound_that_was_lost_is_made_up_for() -> None:
    """A second of sound is missing before 5 s; ten seconds later presses count where they are again."""
    found = covered(stream(1, 40) + stream(50, 300), [Edge(20.05, True), Edge(21.05, False)])
    assert CATCH_UP == 1.1
    assert numbers(11, found) == list(range(201, 214))


def test_a_contact_that_bounces_is_one_hold() -> None:
    found = covered(stream(1, 40), [Edge(1.05, True), Edge(1.25, False), Edge(1.26, True), Edge(2.05, False)])
    assert numbers(1, found) == list(range(11, 24))


def test_a_switch_with_something_standing_on_it_is_let_go() -> None:
    pressed = round(10 * LONGEST_S)
    found = covered(stream(1, 2 * pressed), [Edge(1.05, True), Edge(1.05 + 1.5 * LONGEST_S, False)])
    assert numbers(1, found) == list(range(11, pressed + 12))


def part(name: str, share: int, end: float = 1.0) -> bytes:
    """The command of a clip without the name before it: from `share` percent of the clip on."""
    pcm = read_wav(CLIPS / name)
    return pcm[len(pcm) // 2 * share // 100 * 2 : int(len(pcm) // 2 * end) * 2]


def test_an_utterance_ends_when_the_rest_is_skipped() -> None:
    """The clip's last words are cut off, so that speech goes on to the end of what is heard."""
    front_end = FrontEnd(FrontEndSettings())
    list(front_end.skip(hiss(1, 20)))
    assert list(front_end.feed(part("oil-filtered.wav", 45, 0.75))) == []
    (utterance,) = front_end.skip(hiss(0.1, 20))
    assert 600 <= utterance.end_ms - utterance.start_ms <= 1_300
    assert list(front_end.skip(hiss(1, 20))) == [] == list(front_end.finish())


def test_skipped_sound_is_heard_for_a_short_time_before_and_no_longer() -> None:
    clip = read_wav(CLIPS / "batch-start.wav")
    sound, at = hiss(0.5, 20) + clip + hiss(1, 20), 3 * RATE
    *_, whole = FrontEnd(FrontEndSettings()).feed(sound)
    front_end = FrontEnd(FrontEndSettings())
    assert list(front_end.feed(sound[:9_600])) == [] == list(front_end.skip(sound[9_600:at]))
    *_, cut = front_end.feed(sound[at:])
    assert whole.start_ms < 700 and cut.start_ms == pytest.approx(1500 - LEAD_MS, abs=40)
    assert cut.end_ms == whole.end_ms
    assert len(cut.pcm) < len(whole.pcm)


def test_what_is_skipped_at_the_end_is_not_heard() -> None:
    front_end = FrontEnd(FrontEndSettings(shortest_ms=32))
    assert list(front_end.skip(read_wav(CLIPS / "batch-start.wav")[:64_000])) == [] == list(front_end.finish())


GUESS = Guess("batch start", None, -1.0, weakest=-1.0, stray_ms=0)


@pytest.mark.parametrize(
    ("guess", "reason"),
    [
        (GUESS, ""),
        (None, "no sentence fits"),
        (Guess("batch stop", None, -1.0, weakest=-1.0, stray_ms=0), "not a whole sentence of the phrase file"),
        (Guess("batch start", None, -9.0, weakest=-1.0, stray_ms=0), "not sure enough"),
        (Guess("batch start", None, -1.0, weakest=-9.0, stray_ms=0), "not sure enough of one word"),
        (Guess("batch start", None, -1.0, weakest=-1.0, stray_ms=999), "not in one breath"),
    ],
)
def test_whatever_is_refused_while_it_is_held_is_a_near_miss(guess: Guess | None, reason: str) -> None:
    listener = ear.Ear(Scripted(guess), KNOWN, by_switch(Path("/dev/input/event0"), thresholds=LEAST))
    (hearing,) = listener.hear_held([(nameless("batch-start.wav"), True)])
    assert (hearing.reason, hearing.near) == (reason, bool(reason))
    told = listener.event(hearing, 1)
    assert isinstance(told, Unheard if reason else Heard) and told.listening == "switch"


def by_switch(path: Path, **more: object) -> VoiceSettings:
    return VoiceSettings(listening="switch", switch=path, **more)  # type: ignore[arg-type]


PLAYER = """#!{python}
import os, pathlib, sys, time
pcm = pathlib.Path({sound!r}).read_bytes()
pedal = os.open({pedal!r}, os.O_WRONLY)
steps = [(at, pcm[at * 3200 - 3200 : at * 3200]) for at in range(1, len(pcm) // 3200 + 1)] + {presses!r}
begin = time.time() - 1e-3
for at, what in sorted(steps, key=lambda step: step[0]):
    time.sleep(max(0, begin + at / 10 - time.time()))
    if isinstance(what, bytes):
        os.write(1, what)
        continue
    seconds, micros = divmod(int(time.time() * 1e6), 1_000_000)
    for kind, code, value in ((1, {key}, what), (0, 0, 0)):
        os.write(pedal, seconds.to_bytes({long}, {order!r}) + micros.to_bytes({long}, {order!r})
            + kind.to_bytes(2, {order!r}) + code.to_bytes(2, {order!r}) + value.to_bytes(4, {order!r}))
print("the sound is over", file=sys.stderr)
sys.exit(1)
"""


def player(folder: Path, pedal: Pedal, pcm: bytes, presses: list[tuple[float, int]]) -> Microphone:
    """A program in place of arecord: plays `pcm` as fast as it was spoken, and works the pedal at (tenth, value)."""
    (folder / "sound.raw").write_bytes(pcm)
    program = folder / "player"
    program.write_text(
        PLAYER.format(
            python=sys.executable,
            sound=str(folder / "sound.raw"),
            pedal=str(pedal.path),
            presses=presses,
            key=KEY_B,
            long=ctypes.sizeof(ctypes.c_ulong),
            order=sys.byteorder,
        )
    )
    program.chmod(0o755)
    return Microphone("test", str(program))


@pytest.fixture(scope="module")
def recogniser() -> Recogniser:
    return ear.build(KNOWN, by_switch(Path("/dev/input/event0")))


@pytest.mark.slow
def test_a_cook_at_the_pedal(
    tmp_path: Path, pedal: Pedal, recogniser: Recogniser, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Said without a foot, said with it, a foot without a word, and words that are no command; in real time."""
    monkeypatch.setattr(microphone, "WATCH_S", 60.0)  # a busy machine plays too slowly
    commands = [part("lid-locked.wav", 50), part("hold-end.wav", 50)]
    talk = read_wav(CLIPS / "talk.wav")[16_000:64_000]
    pcm, begins = b"", []
    for sound in (*commands, talk):
        pcm += hiss(1.2, 20)
        begins.append(len(pcm) / 3_200)
        pcm += sound
    first, second, last = begins
    ends = [begin + len(sound) / 3_200 for begin, sound in zip(begins, (*commands, talk), strict=True)]
    presses = [
        (second + 1.5, 1),  # the foot is late by 0.15 s
        (second + 5.0, 2),
        (ends[1] - 1.0, 0),
        (ends[1] + 4.0, 1),
        (ends[1] + 6.0, 0),  # no word
        (last, 1),
        (ends[2], 0),
    ]
    assert first < ends[0] < second
    got: list[tuple[float, Event]] = []
    begin_s = time.monotonic()
    settings = by_switch(pedal.path)
    driver = ear.MicrophoneEar(
        player(tmp_path, pedal, pcm + hiss(1, 20), presses),
        recogniser,
        KNOWN,
        settings,
        ManualClock(7),
        switch=ear.foot_switch(settings),
    )
    with pytest.raises(DriverLost, match="the sound is over"):
        driver.run(lambda event: got.append((time.monotonic() - begin_s, event)), threading.Event())
    back, heard, near = (event for _, event in got)
    assert back == EarBack(7)
    assert isinstance(heard, Heard) and (heard.text, heard.engine, heard.listening) == (
        "hold end",
        "moonshine",
        "switch",
    )
    assert isinstance(near, Unheard) and near.listening == "switch"


@pytest.mark.slow
def test_a_release_does_not_wait_for_silence(tmp_path: Path, pedal: Pedal) -> None:
    """Others talk on for half a minute when the foot has gone; the cook is heard while they do."""
    clip = read_wav(CLIPS / "batch-start.wav")[:64_000]
    pcm = hiss(0.5, 20) + clip + read_wav(CLIPS / "talk.wav")[16_000:64_000] * 20
    got: SimpleQueue[tuple[float, Event]] = SimpleQueue()
    source = player(tmp_path, pedal, pcm, [(5, 1), (20, 0)])
    settings = by_switch(pedal.path, thresholds=LEAST)
    driver = ear.MicrophoneEar(
        source, Scripted(GUESS), KNOWN, settings, ManualClock(0), switch=ear.foot_switch(settings)
    )

    stop = threading.Event()
    thread = threading.Thread(target=driver.run, args=(lambda event: got.put((time.monotonic(), event)), stop))
    began_s = time.monotonic()
    thread.start()
    _, back = got.get(timeout=30)
    heard_s, heard = got.get(timeout=25)  # less than the talk lasts
    stop.set()
    thread.join(30)
    assert isinstance(back, EarBack) and isinstance(heard, Heard)
    assert heard_s - began_s > 2.0 + AFTER_S - 0.1, "released 2 s after the sound began"
    assert got.empty(), "the talk is not heard"


def test_an_ear_without_its_switch_is_lost_and_comes_back(
    tmp_path: Path, pedal: Pedal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(supervisor, "FIRST_WAIT_S", 0.05)
    (tmp_path / "sound.raw").write_bytes(hiss(0.1))
    program = tmp_path / "program"
    program.write_text(f'#!/bin/sh\nwhile cat "{tmp_path}/sound.raw"; do sleep 0.1; done\n')
    program.chmod(0o755)
    settings, got = by_switch(pedal.path, thresholds=LEAST), SimpleQueue[Event]()
    driver = ear.MicrophoneEar(
        Microphone("test", str(program)),
        Scripted(GUESS),
        KNOWN,
        settings,
        ManualClock(0),
        switch=ear.foot_switch(settings),
    )
    keeper = Supervisor((Post(driver, lambda reason: (EarLost(0, reason),)),), got.put)
    keeper.start()
    try:
        assert got.get(timeout=30) == EarBack(0)
        pedal.unplug()
        lost, again = got.get(timeout=30), got.get(timeout=30)
        assert isinstance(lost, EarLost) and lost.reason.startswith(f"foot switch {pedal.path}: it gives no events")
        assert isinstance(again, EarLost) and again.reason.startswith(f"foot switch {pedal.path} is not there")
        returned = Pedal(pedal.path)
        assert got.get(timeout=30) == EarBack(0)
    finally:
        keeper.stop()
    returned.unplug()


def test_check_tells_whether_the_switch_can_be_read(tmp_path: Path, pedal: Pedal) -> None:
    config = tmp_path / "station.toml"
    config.write_text(f'station = "a"\n[voice]\nlistening = "switch"\nswitch = "{pedal.path}"\n')
    told = " ".join(CliRunner().invoke(app, ["check", "--config", str(config)], env={"COLUMNS": "400"}).stdout.split())
    assert f"ok foot switch {pedal.path} can be read" in told
    assert "ok model moonshine, listening while the foot switch is held" in told
    pedal.unplug()
    told = " ".join(CliRunner().invoke(app, ["check", "--config", str(config)], env={"COLUMNS": "400"}).stdout.split())
    assert f"fix foot switch {pedal.path} foot switch {pedal.path} is not there; plug it in" in told


UI_DEV_CREATE, UI_DEV_DESTROY, UI_DEV_SETUP = 0x5501, 0x5502, 0x405C5503
UI_SET_EVBIT, UI_SET_KEYBIT, UI_GET_SYSNAME = 0x40045564, 0x40045565, 0x8040552C
BUS_USB = 3


@pytest.mark.hardware
@pytest.mark.skipif(not os.access("/dev/uinput", os.W_OK), reason="no /dev/uinput to make an input device with")
def test_a_real_input_device() -> None:
    """By linux/uinput.h: a keyboard with one key, made, pressed, released and unplugged."""
    maker = os.open("/dev/uinput", os.O_WRONLY | os.O_NONBLOCK)
    try:
        fcntl.ioctl(maker, UI_SET_EVBIT, EV_KEY)
        fcntl.ioctl(maker, UI_SET_KEYBIT, KEY_B)
        fcntl.ioctl(maker, UI_DEV_SETUP, struct.pack("4H80sI", BUS_USB, 1, 1, 1, b"a pedal", 0))
        fcntl.ioctl(maker, UI_DEV_CREATE)
        name = fcntl.ioctl(maker, UI_GET_SYSNAME, bytes(64)).rstrip(b"\0").decode()
        (folder,) = Path(f"/sys/devices/virtual/input/{name}").glob("event*")
        device = Path("/dev/input") / folder.name
        end_s = time.monotonic() + 30
        while not os.access(device, os.R_OK) and time.monotonic() < end_s:
            time.sleep(0.05)
        with FootSwitch(device, KEY_B) as switch:
            for value in (1, 0):
                before_s = time.monotonic()
                os.write(maker, event(EV_KEY, KEY_B, value) + event(EV_SYN, SYN_REPORT, 0))
                (edge,) = switch.edges()
                assert edge.down == bool(value)
                assert before_s - 0.01 < edge.at_s < time.monotonic() + 0.01
            fcntl.ioctl(maker, UI_DEV_DESTROY)
            with pytest.raises(DriverLost, match="No such device"):
                switch.edges()
    finally:
        os.close(maker)
