"""The first files of a station: five answers, asked for or given; and what stands in for devices that are not there."""

import logging
import os
import pty
import select
import struct
import subprocess
import sys
import threading
import time
import tomllib
import wave
from dataclasses import fields
from itertools import islice
from pathlib import Path

import pytest
from typer.testing import CliRunner

from recorder.__main__ import app
from recorder.clock import SystemClock
from recorder.commands.procedure_remarks import NUMBERS
from recorder.config import load, load_phrases
from recorder.core.events import NEEDLE, SILENT, Event, ProbeLost, Reading
from recorder.core.procedure import Procedure
from recorder.driver import DriverLost, DriverUnavailable
from recorder.probes.probe import Probe
from recorder.probes.simulated import HOW, Kitchen, SimulatedSettings
from recorder.voice.audio.audio_health import SURE, WINDOW_BYTES, AudioHealth
from recorder.voice.audio.devices import capture_devices
from recorder.voice.audio.microphone import BLOCK_BYTES, Microphone
from recorder.voice.audio.sources import source
from recorder.voice.engines.pronunciation import pronouncer
from recorder.voice.language.spoken_name import weakness
from tests.waiting import wait_for

ANSWERS = ["--station", "line-1", "--vats", "2", "--unit", "C", "--microphone", "none", "--probe", "simulated"]


def _ask(folder: Path, *arguments: str, typed: str | None = None) -> tuple[int, str]:
    done = CliRunner().invoke(app, ["configure", "--folder", str(folder), *arguments], input=typed)
    return done.exit_code, done.output


def test_five_answers_make_a_station_that_checks_clean(tmp_path: Path) -> None:
    code, told = _ask(tmp_path / "new", *ANSWERS)
    assert code == 0 and "No problems found." in told
    made = load(tmp_path / "new/station.toml")
    assert (made.station, made.vats, made.procedure.unit, made.voice) == ("line-1", (1, 2), "C", None)
    assert made.probes[0].names() == ("needle", "vat1", "vat2", "cabinet")
    for command in ("run --practice", "phrases", "run"):
        assert f"batch-recorder {command} --config {tmp_path / 'new/station.toml'}" in told


def test_further_products_begin_from_the_examples_in_the_stations_unit(tmp_path: Path) -> None:
    code, told = _ask(tmp_path / "new", *ANSWERS, "--product", "wings", "--product", "fish")
    assert code == 0 and "No problems found." in told
    made = load(tmp_path / "new/station.toml")
    assert [(each.product, each.unit) for each in made.products] == [("breaded wings", "C"), ("battered fish", "C")]
    code, told = _ask(tmp_path / "other", *ANSWERS, "--product", "soup")
    assert code != 0 and "--product is 'soup'; there are examples of fillets, fish, patties" in " ".join(told.split())
    assert not (tmp_path / "other").exists()


def test_a_person_is_asked_five_questions(tmp_path: Path) -> None:
    """At a terminal: the return key alone takes what is offered, and a wrong answer is asked again."""
    near, far = pty.openpty()
    command = [sys.executable, "-m", "recorder", "configure", "--folder", str(tmp_path)]
    with subprocess.Popen(command, stdin=far, stdout=far, stderr=far, start_new_session=True) as child:
        os.close(far)
        shown = ""

        def answer(question: str, text: str) -> None:
            nonlocal shown
            end_s = time.monotonic() + 60
            while question not in shown:
                assert time.monotonic() < end_s, shown
                if select.select([near], [], [], 0.1)[0]:
                    shown += os.read(near, 65_536).decode()
            shown = shown.partition(question)[2]
            os.write(near, f"{text}\n".encode())

        answer("The station's name, in records and alerts [fry-line-1]:", "Line One")
        answer("write small letters, digits and -", "")
        answer("How many vats [1]:", "2")
        answer("Degrees Fahrenheit or Celsius (F or C) [F]:", "c")
        answer("Which microphone [none]:", "")
        answer("Which probe [simulated]:", "")
        answer("What to type now:", "")
    os.close(near)
    assert child.returncode == 0
    made = load(tmp_path / "station.toml")
    assert (made.station, made.vats, made.procedure.unit) == ("fry-line-1", (1, 2), "C")


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "procedure.toml").write_text("mine")
    code, told = _ask(tmp_path, *ANSWERS)
    assert code == 2 and "procedure.toml is there already, and stays as it is" in told
    assert [path.name for path in tmp_path.iterdir()] == ["procedure.toml"]
    assert (tmp_path / "procedure.toml").read_text() == "mine"


@pytest.mark.parametrize(
    ("option", "value", "remedy"),
    [
        ("--station", "Line 1", "write small letters, digits and -"),
        ("--station", "line-practice", "write small letters, digits and -"),
        ("--vats", "0", "write a number from 1 to 9"),
        ("--unit", "K", "write F or C"),
        ("--probe", "parrot:x", "parrot"),
    ],
)
def test_a_wrong_answer_names_the_option_and_the_remedy(tmp_path: Path, option: str, value: str, remedy: str) -> None:
    given = list(ANSWERS)
    given[given.index(option) + 1] = value
    code, told = _ask(tmp_path, *given)
    assert code == 2 and f"{option} is {value!r}; " in told and remedy in told
    assert list(tmp_path.iterdir()) == []


def test_without_a_person_what_is_missing_is_named(tmp_path: Path) -> None:
    code, told = _ask(tmp_path, *ANSWERS[2:])
    assert code == 2 and "nobody is there to be asked; give --station, such as --station fry-line-1" in told


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    code, told = _ask(tmp_path / "file/below", *ANSWERS)
    assert code == 2 and "choose another place with --folder" in told


def test_the_example_is_what_is_shipped(tmp_path: Path) -> None:
    done = CliRunner().invoke(app, ["configure", "--example"])
    assert done.exit_code == 0 and tomllib.loads(done.output)["station"] == "fry-line-1"


def test_simulated_probes_record_nothing_as_real(tmp_path: Path) -> None:
    _ask(tmp_path, *ANSWERS)
    done = CliRunner().invoke(app, ["run", "--config", str(tmp_path / "station.toml")])
    assert done.exit_code == 2 and "use run --practice" in done.output.replace("\n", " ")
    assert not (tmp_path / "records.db").exists()


def test_a_microphone_is_listed_by_its_card(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As `arecord -l` of alsa-utils 1.2.8 prints it."""
    program = tmp_path / "arecord"
    program.write_text(
        "#!/bin/sh\ncat <<EOF\n**** List of CAPTURE Hardware Devices ****\n"
        "card 1: Headset [USB Headset], device 0: USB Audio [USB Audio]\n  Subdevices: 1/1\nEOF\n"
    )
    program.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}:/bin:/usr/bin")
    assert [(each.alsa, each.name) for each in capture_devices()] == [
        ("plughw:CARD=Headset,DEV=0", "USB Headset, USB Audio")
    ]
    monkeypatch.setenv("PATH", str(tmp_path / "nowhere"))
    with pytest.raises(DriverUnavailable, match="apt install alsa-utils"):
        capture_devices()


def _wav(path: Path, level: int) -> None:
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(16_000)
        file.writeframes(struct.pack("<h", level) * 4_000)


def test_a_folder_of_wav_files_is_a_microphone(tmp_path: Path) -> None:
    """In the order of names, each once, in real time, with silence between; another one may come later."""
    for name, level in (("2.wav", 200), ("1.wav", 100)):
        _wav(tmp_path / name, level)
    (tmp_path / "0.wav").write_text("no sound")
    stop, began_s = threading.Event(), time.monotonic()
    blocks = source(f"wav:{tmp_path}").blocks(stop)
    heard = list(islice(blocks, 22))
    took_s = time.monotonic() - began_s
    assert {len(block) for block in heard} == {BLOCK_BYTES} and took_s > 21 * 0.09
    levels = [struct.unpack_from("<h", block)[0] for block in heard]
    assert levels == [100] * 3 + [0] * 15 + [200] * 3 + [0]
    _wav(tmp_path / "3.wav", 300)
    assert 300 in {struct.unpack_from("<h", block)[0] for block in islice(blocks, 20)}
    stop.set()
    assert list(blocks) == []
    with pytest.raises(DriverUnavailable, match="is no folder"):
        next(source(f"wav:{tmp_path}/none").blocks(threading.Event()))


def test_raw_sound_on_standard_input_is_a_microphone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sound").write_bytes(b"\x01\x00" * 2_000)
    with (tmp_path / "sound").open() as file:
        monkeypatch.setattr(sys, "stdin", file)
        blocks = source("stdin").blocks(threading.Event())
        assert next(blocks) == b"\x01\x00" * 1_600 and next(blocks) == b"\x01\x00" * 400
        with pytest.raises(DriverLost, match="has ended"):
            next(blocks)


def test_a_folder_stands_beside_the_stations_file(tmp_path: Path) -> None:
    (tmp_path / "station.toml").write_text('station = "line-1"\n[voice]\ndevice = "wav:clips"\n')
    voice = load(tmp_path / "station.toml").voice
    assert voice and voice.device == f"wav:{tmp_path / 'clips'}"


def test_any_other_device_is_alsas() -> None:
    assert isinstance(source("plughw:CARD=Headset,DEV=0"), Microphone)


def test_a_simulated_needle_settles_where_it_is_steered() -> None:
    """Through the real reader, thinning and settling, in real time."""
    from recorder.probes.simulated import KITCHEN

    got, stop = list[Event](), threading.Event()
    probe = Probe(SimulatedSettings("simulated"), SystemClock(None))
    running = threading.Thread(target=probe.run, args=(got.append, stop), daemon=True)
    running.start()
    wait_for(lambda: {event.channel for event in got if isinstance(event, Reading)} == {"needle", "vat1", "cabinet"})
    assert KITCHEN.steer(["needle", "183", "F"], "C") == "needle: 183 F"

    def settled() -> list[Reading]:
        return [each for each in got if isinstance(each, Reading) and each.channel == NEEDLE and each.settled]

    wait_for(lambda: any(abs(each.temp_c - 83.9) < (each.uncertainty_c or 0) + 0.1 for each in settled()), seconds=60)
    assert KITCHEN.steer(["needle", "unplugged"], "C") == "needle: unplugged"
    wait_for(lambda: any(isinstance(each, ProbeLost) and each.channel == NEEDLE for each in got))
    stop.set()
    running.join(5)


@pytest.mark.parametrize(
    ("words", "unit", "goal_c"),
    [(["needle", "100"], "C", 100.0), (["needle", "212"], "F", 100.0), (["needle", "ice"], "F", 0.0)],
)
def test_a_body_goes_to_where_it_is_drawn(words: list[str], unit: str, goal_c: float) -> None:
    kitchen = Kitchen()
    kitchen.measured("needle", 0)
    kitchen.steer(words, unit)
    assert (kitchen.measured("needle", 4) or 0) < 30, "it goes through the air"
    assert kitchen.measured("needle", 600) == pytest.approx(goal_c, abs=0.01)


def test_oil_dips_on_a_load_and_comes_back() -> None:
    kitchen = Kitchen()
    before_c = kitchen.measured("vat1", 0)
    kitchen.steer(["vat", "load"], "C")
    dipped_c, back_c = kitchen.measured("vat1", 30), kitchen.measured("vat1", 3_000)
    assert before_c and dipped_c and back_c and dipped_c < before_c - 5 and kitchen.measured("vat1", 60)
    assert kitchen.measured("vat1", 600) == pytest.approx(before_c, abs=0.1)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], HOW),
        (["needle"], HOW),
        (["needle", "warm"], HOW),
        (["needle", "10", "K"], HOW),
        (["needle", "900"], "900 °C is no temperature of a kitchen"),
        (["door", "10"], "no simulated probe measures 'door'; there are needle"),
    ],
)
def test_what_cannot_be_simulated_is_answered(words: list[str], told: str) -> None:
    kitchen = Kitchen()
    kitchen.measured("needle", 0)
    assert kitchen.steer(words, "C") == told


def test_a_folder_whose_files_are_played_says_so_and_is_no_dead_microphone(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Silence between files, or after the last one, is no trouble of a microphone, however long it lasts."""
    stop, ended = threading.Event(), f"wav:{tmp_path}: all of its files are played (1); one that you add is heard too"
    with caplog.at_level(logging.INFO, "recorder.voice.audio.sources"):
        folder = source(f"wav:{tmp_path}")
        blocks = folder.blocks(stop)
        next(blocks)
        assert caplog.messages == [f"wav:{tmp_path}: no WAV file is in it yet; one that you add is heard too"]
        _wav(tmp_path / "1.wav", 100)
        list(islice(blocks, 25))
    assert caplog.messages[1:] == [ended]
    silence = bytes(WINDOW_BYTES * (SURE + 1))
    assert AudioHealth(folder.live).feed(silence) == []
    assert AudioHealth(source("default").live).feed(silence) == [SILENT]
    rail = struct.pack("<hh", 32_767, -32_768) * (WINDOW_BYTES // 4) * (SURE + 1)
    assert AudioHealth(folder.live).feed(rail) == AudioHealth().feed(rail) != []
    (tmp_path / "station.toml").write_text(f'station = "line-1"\n[voice]\ndevice = "wav:{tmp_path}"\n')
    told = " ".join(CliRunner().invoke(app, ["check", "--config", str(tmp_path / "station.toml")]).output.split())
    assert "1 WAV file to hear, each once; no microphone" in told
    (tmp_path / "1.wav").unlink()
    told = " ".join(CliRunner().invoke(app, ["check", "--config", str(tmp_path / "station.toml")]).output.split())
    assert "no WAV file is in it; put sound files with commands into it" in told


@pytest.mark.parametrize(
    ("name", "has"),
    [
        ("kitchen recorder", ""),
        ("fry line", "2 words and 2 syllables"),
        ("bob", "1 word and 1 syllable"),
        ("recorder", "1 word and 3 syllables"),
        ("grobnik", "1 word and 2 syllables"),
    ],
)
def test_a_name_that_talk_is_taken_for_is_a_problem(tmp_path: Path, name: str, has: str) -> None:
    """Syllables by CMUdict, but of a word that it lacks."""
    known = load_phrases(None)
    assert has in weakness(name, pronouncer(known)) and bool(weakness(name, pronouncer(known))) is bool(has)
    if has:
        path = tmp_path / "station.toml"
        _wav(tmp_path / "1.wav", 100)
        path.write_text(f'station = "line-1"\n[voice]\ndevice = "wav:{tmp_path}"\nname = "{name}"\n')
        done = CliRunner().invoke(app, ["check", "--config", str(path)], env={"COLUMNS": "300"})
        assert done.exit_code == (" " not in name) and f'"{name}" has {has}' in " ".join(done.output.split())


def _checked(folder: Path) -> str:
    done = CliRunner().invoke(app, ["check", "--config", str(folder / "station.toml")], env={"COLUMNS": "300"})
    return " ".join(done.output.split())


@pytest.mark.parametrize("unit", ["F", "C"])
def test_check_names_the_numbers_that_are_still_the_examples(tmp_path: Path, unit: str) -> None:
    _ask(tmp_path, *ANSWERS[:4], "--unit", unit, *ANSWERS[6:])
    assert "every number is the shipped example's" in _checked(tmp_path)
    path = tmp_path / "procedure.toml"
    text = path.read_text()
    path.write_text(text.replace('planned = "12 min"', 'planned = "13 min"'))
    told = _checked(tmp_path)
    named = told.partition("still the shipped example's: ")[2].partition(";")[0].split(", ")
    assert {"cook.shortest", "cook.longest", "pieces_per_load", "oil.low", "target of wing"} <= set(named)
    assert "cook.planned" not in named and "is min meant" not in told


def test_each_number_that_the_kitchen_sets_is_compared_with_the_example() -> None:
    """All of a procedure but its words, its unit and what the published limits say."""
    words = {
        "product",
        "unit",
        "parts",
        "spoken",
        "spoken_readings_prove",
        "ask_first",
        "hold_by",
        "less_safe_because",
        "lots",
        "own",
    }
    published = {"hold_minimum", "critical_by", "dwell_advice", "polar_limit"}
    assert {each.name for each in fields(Procedure)} == set(NUMBERS) | words | published


def test_check_doubts_a_cook_of_seconds(tmp_path: Path) -> None:
    _ask(tmp_path, *ANSWERS)
    path = tmp_path / "procedure.toml"
    text = path.read_text().replace('planned = "12 min"', 'planned = "20 s"')
    path.write_text(text.replace('shortest = "11 min"', 'shortest = "15 s"'))
    assert "beware: cook.shortest is 15 s, cook.planned is 20 s; is min meant instead of s?" in _checked(tmp_path)
