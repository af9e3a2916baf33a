"""All subjects, in the order in which each event, the passage of time and the rows of a commit go through them.

The order is part of what a record is: it says which of two rows stands first, and which of two things that are due in
the same millisecond is said first.
"""

from recorder.core.subjects import (
    breading,
    cabinet,
    correction,
    corrective,
    disk,
    food_check,
    frying,
    guidance,
    hearing,
    holding,
    loading,
    moving,
    needle,
    oil,
    power,
    probe_check,
    probe_loss,
    prompts,
    questions,
    raw,
    raw_check,
    recovery,
    reheating,
    sale,
    shift,
    tasks,
    waits,
)

SUBJECTS = tuple(
    subject.SUBJECT
    for subject in (
        power,
        hearing,
        disk,
        shift,
        probe_loss,
        needle,
        loading,
        frying,
        food_check,
        correction,
        holding,
        sale,
        waits,
        reheating,
        cabinet,
        moving,
        oil,
        probe_check,
        recovery,
        raw,
        raw_check,
        breading,
        prompts,
        tasks,
        questions,
        guidance,
        corrective,
    )
)

COMMANDS = {meaning: command for subject in SUBJECTS for meaning, command in subject.commands.items()}
"""By meaning: what is done with it."""
