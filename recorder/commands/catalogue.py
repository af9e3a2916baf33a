"""All commands in the groups of `--help`: what each is for and which module has it. Imports none of them."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Entry:
    """One command."""

    name: str
    module: str
    """In `recorder.commands`."""
    purpose: str
    """Its line in the list of commands."""


GROUPS = {
    "Daily": (
        Entry("run", "run", "Record until stopped (Ctrl-C, or SIGTERM from systemd)."),
        Entry("probe-check", "probe_check", "Check the needle in a bath and record it."),
        Entry("report", "report", "Write one day as a single HTML file that prints well."),
        Entry("sign", "report", "Sign a day's records with your initials, after reading its report."),
        Entry("phrases", "voice", "Print the command card for the wall, and what sounds alike."),
    ),
    "Set up": (
        Entry("demo", "demo", "Simulate a 90-minute shift in under a minute, through the real parts."),
        Entry("configure", "configure", "Make the files of a station from five answers, and try them."),
        Entry("probes", "probes", "Find probes that are attached or in range, and print their configuration."),
        Entry("probe", "probe", "Show live what a probe sends: temperatures, settled readings, faults, bad data."),
        Entry("hear", "voice", "Show what the station would hear in sound files."),
        Entry("voice-tune", "voice_tune", "Fit the hearing thresholds to this site."),
        Entry("voice-model", "voice", "Install the model of the vosk engine."),
        Entry("page", "page", "Write mosquitto's configuration for the phone page."),
        Entry("bridge", "bridge", "Write mosquitto's configuration for a bridge to a remote broker."),
        Entry("check", "check", "Try everything in the configuration, and list the problems."),
        Entry("setup", "setup", "Show what systemd needs to start the recorder, or write that."),
    ),
    "Records": (
        Entry("export", "report", "Write every table as a file that other programs read."),
        Entry("recall", "recall", "Find what became of the food of one lot, and where its pieces went."),
        Entry("verify", "records", "Check the hash chain, replay the journal and compare every row."),
        Entry("upkeep", "upkeep", "Check the records, copy them, verify the copy, and keep the newest copies."),
        Entry("device-key", "records", "Make the key that signs anchors."),
    ),
}
"""Title of a group -> its commands, in the order in which a station meets them."""
