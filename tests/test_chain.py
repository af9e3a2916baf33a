"""The chain of hashes against the outside: SHA-256 by hashlib over JSON that is spelled out here."""

import hashlib

from recorder.clock import Stamp
from recorder.journal.chain import GENESIS, linked

STAMP = Stamp(12, "boot-1", 34, 1_772_100_000_000, True)


def test_the_first_entry_follows_sixty_four_zeros() -> None:
    assert GENESIS == "0000000000000000000000000000000000000000000000000000000000000000"


def test_a_hash_covers_all_of_its_entry_and_the_hash_before() -> None:
    """RFC 8785: names in the order of their UTF-16 units, no white space, text in UTF-8."""
    first = linked(1, STAMP, "tick", '{"at_ms":12}', GENESIS)
    covered = (
        '{"at_ms":12,"body":"{\\"at_ms\\":12}","boot_id":"boot-1","boot_ms":34,"kind":"tick","previous":"'
        + "0" * 64
        + '","seq":1,"wall_known":1,"wall_ms":1772100000000}'
    )
    assert first.hash == hashlib.sha256(covered.encode()).hexdigest()
    later = Stamp(13, "boot-1", 35, 1_772_100_000_001, False)
    second = linked(2, later, "stopped", '{"at_ms":13}', first.hash)
    covered = (
        '{"at_ms":13,"body":"{\\"at_ms\\":13}","boot_id":"boot-1","boot_ms":35,"kind":"stopped","previous":"'
        + first.hash
        + '","seq":2,"wall_known":0,"wall_ms":1772100000001}'
    )
    assert second.hash == hashlib.sha256(covered.encode()).hexdigest()
    assert (second.seq, second.stamp, second.previous) == (2, later, first.hash)
