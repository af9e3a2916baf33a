"""Rules and editions: how versions judged, and the versions that computed something otherwise under the same rules.

An entry is judged by the rules that its recorder started with, so that a later version finds the same in an old record.
Rules 1 to 4 stand in `recorder/core/rules_1_to_4/`: 1 knew no probe checks, no bounds and no drift; 2 raised an alert
once, and one for each channel of an unplugged board; 3 ended the alert of a check that was read colder and still
missed the same limit; 4 took any four passed checks for complete, struck readings, and gave a colder spot to any
batch. Rules 5 differ where the core asks for `world.rules >= 6`: they kept a check that its own spot fell below, took
steam for a piece, struck without end, and let the second best sentence sell a batch. Rules 6 differ where it asks for
`world.rules >= 7`: they judged what the needle rests in message by message, left an alert that complete checks had
ended as it was when they no longer were, and sold without a question what no probe had read in holding.

Editions are the versions that computed something otherwise, one number for each, in the order of their release.

A rules number says how an entry is judged. Some versions judged otherwise under the same number, so that their records
are only understood by knowing which one wrote them; no entry says it. `World.edition` makes the code go by one of them,
and `verify` finds the one that an old record was written by. Only rules 1 to 4 have editions: what is judged otherwise
since then has a rules number of its own. fixtures/records/ holds records of each.
"""

RULES_OF = {1: 1, 2: 1, 3: 1, 4: 2, 5: 3, 6: 3, 7: 3, 8: 3, 9: 4}
"""Edition -> the rules that its recorders started with."""

NEWEST = 9

UNANSWERED = 2
"""Since this edition a question with nothing to tell counts as unanswered."""

FREE_NUMBER = 3
"""Since this edition batches are numbered from 1 in each shift, and by no number that is taken."""

COLDEST_SPOT = 4
"""Since this edition the coldest of several fresh spots counts, before it the newest; also where a reading says how
surely it settled, as none of the earlier editions does."""

ONE_FOR_A_BOARD = 6
"""Since this edition an unplugged board is one alert, by rules 3."""

OWN_TIME = 7
"""Since this edition the message of a row keeps the row's own time, by rules 3."""

READ_AGAIN = 8
"""Since this edition each reading of the polar compounds says that it ends the alert of the last one by reading."""
