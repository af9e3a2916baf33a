"""The mark of a practice record, which nobody may take for a real one. Knows no file."""

PRACTICE = "-practice"
"""The name of a station that only practises ends so. It is on record from the first entry on, and none other may."""

DATABASE = "practice.db"
"""Its records, beside the real ones."""


def is_practice(station: str) -> bool:
    """Whether this is the name of a station that only practises."""
    return station.endswith(PRACTICE)
