"""What the command card says around the commands: in English here, in another language in its phrase file's [card]."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from recorder.core import meanings
from recorder.voice.language.wording import PhraseError

DOES = {
    meanings.SHIFT_START: "opens the shift",
    meanings.SHIFT_END: "closes the shift and says what is still open",
    meanings.OIL_LEVEL_OK: "records that the oil level is right",
    meanings.OIL_LEVEL_LOW: "records that the oil level is low",
    meanings.OIL_TOPPED_UP: "records that oil was added; hot oil burns",
    meanings.OIL_FILTERED: "records that the oil was filtered; hot oil burns: by the maker's instructions alone",
    meanings.OIL_CHANGED: "records that the oil was changed; hot oil burns: by the maker's instructions alone",
    meanings.OIL_POLAR: "records the oil's total polar compounds, in percent, as its tester shows them",
    meanings.BATCH_START: "opens the next batch",
    meanings.LOAD: "records what goes in, in load order",
    meanings.LID_LOCKED: "starts the cook clock",
    meanings.LID_OPEN: "stops the cook clock; a lid is opened at zero pressure alone, by the maker's instructions",
    meanings.PROBE: "takes the next settled probe reading as this piece's check, in holding too; mind steam and drips",
    meanings.READING: "records a temperature read off another thermometer",
    meanings.ICE_POINT: "checks the probe in an ice bath: at least half ice, stirred, needle in the middle",
    meanings.BOILING_POINT: "checks the probe in boiling water; mind the steam",
    meanings.SPARE_ICE: "records another thermometer's check in ice: its readings count while the probe is out",
    meanings.COOK_MORE: "records that the batch goes back into the oil, after a failed check or out of holding",
    meanings.HOLD_START: "moves the batch to hot holding",
    meanings.HOLD_END: "ends the hold: all that is left is sold",
    meanings.SOLD: "records pieces that were sold; the rest stays in holding",
    meanings.DROPPED: "records pieces that fell or were spoilt",
    meanings.DISCARD: 'asks back; "confirm" discards the batch, or so many pieces of it',
    meanings.CONFIRM: "answers yes to what was asked",
    meanings.SCRATCH: "strikes your last command; a probe's reading stays on record, as disputed",
    meanings.TIME_LEFT: "says how long the cook or the hold still has",
    meanings.STATUS: "says what each vat and each hold is doing",
    meanings.LAST_READING: "says the newest probe reading",
    meanings.WHAT_NEXT: "says which command comes next, by the procedure",
    meanings.CAN_SAY: "says which commands fit now",
}
"""Meaning -> what it does, in a cook's words."""

CAUTIONS = (
    "Hot oil and steam burn. A fryer under pressure can throw oil: never force a lid.",
    "A lid or relief valve that sticks, gas and electrics are for licensed people.",
    "Undercooked poultry makes people ill. Trust the thermometer, not the clock and not this recorder.",
    "This is a recorder. It is no safety device, and it controls nothing.",
    "The equipment maker's instructions, your local codes and licensed practice come first.",
)


@dataclass(frozen=True, slots=True)
class CardTexts:
    """The card's own words, in one language."""

    named: str
    """How to begin after the station's name; {name} and {example} are filled in."""
    bare: str
    """How to begin without a name."""
    span: str
    """A row of numbers: {first}, {last} and {example} are filled in."""
    does: Mapping[str, str]
    """Meaning -> what it does, in a cook's words."""
    slots: Mapping[str, str]
    """Slot -> what stands in capitals for it, where that is not the slot's own name."""
    cautions: tuple[str, ...]


ENGLISH = CardTexts(
    named='Say "{name}" and the command in one breath: "{name}, {example}".',
    bare="Say the command by itself, with a short silence before and after it. Hold the foot switch meanwhile, if there"
    " is one.",
    span="{first} to {last}, such as {example}",
    does=DOES,
    slots={},
    cautions=CAUTIONS,
)


def read_texts(data: Mapping[str, Any]) -> CardTexts:
    """The texts in a phrase file's [card]; English where it has none. Raises `PhraseError` that names what lacks."""
    if not data:
        return ENGLISH
    names = tuple(CardTexts.__slots__)
    if wrong := sorted(data.keys() ^ set(names)):
        raise PhraseError(f"card: it must have exactly {', '.join(names)}; look at {', '.join(wrong)}")
    does, slots = data["does"], data["slots"]
    known = isinstance(does, Mapping) and set(meanings.ALL) - set(meanings.LATER) <= set(does) <= set(meanings.ALL)
    if not known or not isinstance(slots, Mapping):
        raise PhraseError("card: does must say what each meaning does, and slots must be a table")
    if not isinstance(data["cautions"], list) or len(data["cautions"]) < len(CAUTIONS):
        raise PhraseError(f"card: cautions must be a list of at least {len(CAUTIONS)} sentences, as in English")
    named, bare, span = (str(data[key]) for key in ("named", "bare", "span"))
    try:
        named.format(name="", example=""), span.format(first="", last="", example="")
    except (KeyError, IndexError, ValueError) as error:
        raise PhraseError(
            f"card: {error} in named or span can't be filled; see recorder/voice/language/card_texts.py"
        ) from error
    return CardTexts(named, bare, span, DOES | dict(does), dict(slots), tuple(map(str, data["cautions"])))
