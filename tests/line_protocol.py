"""The page of the line protocol, and another's checksum to hold ours to."""

from pathlib import Path

from crcmod import predefined

NOTES = Path(__file__).parents[1] / "firmware_notes" / "line-protocol.md"

outside_crc = predefined.mkCrcFun("crc-ccitt-false")
"""Another's CRC-16/IBM-3740: crcmod 1.7, under its older name."""
