"""Records that are spoilt at random, and what becomes of them."""

import random
from pathlib import Path

from recorder.core.effects import Cue
from recorder.journal.errors import JournalError
from recorder.verification.examine import examine
from tests.disks import station_on
from tests.kitchen import Kitchen, kept


def records_in(folder: Path) -> bytes:
    kitchen = Kitchen()
    kitchen.open_shift()
    kept(kitchen, folder / "records.db").close()
    return (folder / "records.db").read_bytes()


def spoilt_at_random(records: bytes, chance: random.Random, folder: Path) -> str:
    """Start on `records` with a page, a bit or the end gone somewhere; what became of it: never a silent loss."""
    path, data, cues = folder / "records.db", bytearray(records), list[Cue]()
    at = chance.randrange(len(data))
    match chance.choice(("zeros", "noise", "bit", "cut")):
        case "zeros":
            data[at & ~4095 : (at & ~4095) + 4096] = bytes(4096)
        case "noise":
            data[at & ~4095 : (at & ~4095) + 4096] = chance.randbytes(4096)
        case "bit":
            data[at] ^= 1 << chance.randrange(8)
        case "cut":
            del data[at:]
    path.write_bytes(data)
    try:
        station_on(folder, cues).close()
    except JournalError as error:
        assert "or name another" in str(error) and len(data) < 8192 and path.read_bytes() == data
        return "refused, since two pages do not tell whose it was"
    aside = [*folder.glob("records.db.damaged-*Z")]
    said = any("The records were damaged" in cue.say for cue in cues)
    assert said == bool(aside), "told, and only then"
    if aside:
        assert aside[0].read_bytes() == data and examine(path).faults == ()
        return "set aside"
    return "found by verify" if examine(path).faults else "in no record"
