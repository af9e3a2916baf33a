"""Whether any probe of a station is its needle, and if none is, what to write. Opens nothing."""

from collections.abc import Sequence

from recorder.core.events import NEEDLE
from recorder.probes.probe import ProbeSettings

LINES = '[[probe]], driver = "serial", port = "/dev/serial/by-id/...", channels = ["needle"]'


def missing(probes: Sequence[ProbeSettings]) -> str:
    """What is missing and the lines to add; "" where a probe is the needle, or may be since it names no channels."""
    if any(NEEDLE in probe.names() or not probe.names() for probe in probes):
        return ""
    if not probes:
        return f"there is no [[probe]]; write one as batch-recorder probes prints it, such as {LINES}"
    return 'no [[probe]] has the channel "needle"; in the [[probe]] that is it, write channels = ["needle"]'
