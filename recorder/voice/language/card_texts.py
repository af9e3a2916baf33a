"""What the command card says around the commands: in English here, in another language in its phrase file's [card]."""

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, field, fields
from typing import Any

from recorder.core import meanings
from recorder.core.effects import Tone
from recorder.voice.language.wording import PhraseError

DOES = {
    meanings.SHIFT_START: "opens the shift",
    meanings.SHIFT_END: "closes the shift, and says what is still open",
    meanings.THIS_IS_COOK: "whose turn it is, where several cook",
    meanings.OIL_LEVEL_OK: "the oil level is right",
    meanings.OIL_LEVEL_LOW: "the oil level is low",
    meanings.OIL_TOPPED_UP: "oil was added; hot oil burns",
    meanings.OIL_FILTERED: "hot oil burns: by the maker's instructions alone",
    meanings.OIL_CHANGED: "hot oil burns: by the maker's instructions alone",
    meanings.OIL_READY: "the oil is heated, at its level: asks where the probe says otherwise",
    meanings.OIL_POLAR: "polar compounds in %, as the tester shows them",
    meanings.RAW_OUT: "raw food left the cooler: its time runs",
    meanings.RAW_BACK: "it is in the cooler again",
    meanings.PROBE_RAW: "checks that raw food is cold; clean the needle before and after",
    meanings.LOT: "the lot or date code of what was taken out last",
    meanings.LOT_MORE: "further digits of it",
    meanings.BREADING_SIFTED: "at the breading station",
    meanings.BREADING_CHANGED: "fresh breading: its time in use begins",
    meanings.BATCH_START: "the next batch, in a free vat",
    meanings.LOAD: "what went in, in load order",
    meanings.LID_LOCKED: "starts the cook clock",
    meanings.LID_OPEN: "stops the cook clock; zero pressure first, by the maker's instructions alone",
    meanings.PROBE: "checks this piece; mind steam and drips",
    meanings.READING: "read off another thermometer",
    meanings.ICE_POINT: "checks the probe: half ice or more, stirred, needle in the middle",
    meanings.BOILING_POINT: "checks the probe in boiling water; mind the steam",
    meanings.SPARE_ICE: "checks another thermometer, for when the probe is out",
    meanings.COOK_MORE: "back in the oil, after a failed check or out of holding",
    meanings.HOLD_START: "the batch is in hot holding",
    meanings.HOLD_END: "ends the hold: all that was left is sold",
    meanings.MOVED: "it stands in another cabinet",
    meanings.SOLD: "the rest stays in holding",
    meanings.DROPPED: "fell or spoilt",
    meanings.DISCARD: "thrown away",
    meanings.PROMPT_DONE: "what the kitchen's prompt said was done",
    meanings.TASK_DONE: "once a day",
    meanings.CAUSE: "why it happened: of the newest critical alert without a cause",
    meanings.ACTION: "what was put right: of the newest critical alert without one",
    meanings.CONFIRM: "yes to what it asked",
    meanings.SCRATCH: "strikes your last command",
    meanings.TIME_LEFT: "of the cook or the hold",
    meanings.STATUS: "each vat and each hold",
    meanings.LAST_READING: "of the probe",
    meanings.WHAT_NEXT: "the command that comes next",
    meanings.CAN_SAY: "the commands that fit now",
}
"""Meaning -> what it records or answers, in a cook's words; short, since it stands beside the command."""

CAUTIONS = (
    "Hot oil and steam burn. A fryer under pressure can throw oil: never force a lid.",
    "A lid or relief valve that sticks, gas and electrics are for licensed people.",
    "Undercooked poultry makes people ill. Trust the thermometer, not the clock and not this recorder.",
    "This is a recorder. It is no safety device, and it controls nothing.",
    "The equipment maker's instructions, your local codes and licensed practice come first.",
)

TONES: Mapping[str, str] = {
    Tone.DONE: "it is on record",
    Tone.REFUSED: "not recorded; it says why",
    Tone.ASKS: 'it asks: "{confirm}", or nothing',
    Tone.ALERT: "something is wrong: listen",
    Tone.ANSWER: "answers a question",
}

WRONG = {
    'It said "say again"': "it recorded nothing; say it again in one breath",
    "It read back the wrong number": 'say "{scratch}", then the command again',
    "It does not answer": "come closer to the microphone; then write by hand, and call the manager",
}


@dataclass(frozen=True, slots=True)
class CardTexts:
    """The card's own words, in one language."""

    named: str
    """How to begin after the station's name; {name} and {example} are filled in."""
    bare: str
    """How to begin without a name."""
    span: str
    """A row of numbers: {first} and {last} are filled in, and {example} where it stands there."""
    does: Mapping[str, str]
    """Meaning -> what it records or answers, in a cook's words."""
    slots: Mapping[str, str]
    """Slot -> what it is called on the card, where that is not the slot's own name."""
    cautions: tuple[str, ...]
    tones_title: str = "What you hear"
    tones: Mapping[str, str] = field(default_factory=lambda: TONES)
    """Tone -> what it means; {confirm} is filled in."""
    wrong_title: str = "When it goes wrong"
    wrong: Mapping[str, str] = field(default_factory=lambda: WRONG)
    """What happened -> what to do; {scratch} is filled in."""
    slots_title: str = "What varies"
    more: str = "+ {words}"
    """What may be said after a command."""
    adding: str = "Say what follows a + where there are several."
    """When that is said."""
    digits: str = "digit by digit"
    """How to say the numbers that stand apart."""
    either: str = "from 13 on digit by digit: {examples}"
    """Of numbers that may be said in one word or digit by digit; {examples} is filled in."""
    asks: str = "it asks first"
    """Of a command that waits for "confirm"."""
    foot: str = "A command records what was done. It starts and stops nothing. Type to be read at {distance} m."


ENGLISH = CardTexts(
    named='Say "{name}" and the command in one breath: "{name}, {example}".',
    bare="Say the command by itself, with a short silence before and after it. Hold the foot switch meanwhile, if there"
    " is one.",
    span="{first} to {last}",
    does=DOES,
    slots={"number": "temperature", "ice": "in ice", "percent": "percent", "count": "pieces", "cook": "cook's number"},
    cautions=CAUTIONS,
)


def read_texts(data: Mapping[str, Any]) -> CardTexts:
    """The texts in a phrase file's [card]; English where it has none. Raises `PhraseError` that names what lacks.

    Files from before the card had tones and remedies lack those; they are English then.
    """
    if not data:
        return ENGLISH
    known = {each.name: each for each in fields(CardTexts)}
    needed = {name for name, each in known.items() if each.default is MISSING and each.default_factory is MISSING}
    if wrong := sorted((data.keys() - known.keys()) | (needed - data.keys())):
        raise PhraseError(f"card: it must have {', '.join(sorted(needed))}; look at {', '.join(wrong)}")
    does = _texts(data, "does")
    if not set(meanings.ALL) - set(meanings.LATER) <= set(does) <= set(meanings.ALL):
        raise PhraseError("card: does must say what each meaning does")
    tones: Mapping[str, str] = _texts(data, "tones") if "tones" in data else TONES
    if set(tones) != set(TONES):
        raise PhraseError(f"card: tones must have exactly {', '.join(TONES)}")
    if not isinstance(data["cautions"], list) or len(data["cautions"]) < len(CAUTIONS):
        raise PhraseError(f"card: cautions must be a list of at least {len(CAUTIONS)} sentences, as in English")
    texts = CardTexts(
        **{name: str(data[name]) for name in known if name in data and isinstance(getattr(ENGLISH, name), str)},
        does=DOES | dict(does),
        slots=_texts(data, "slots"),
        cautions=tuple(map(str, data["cautions"])),
        tones=tones,
        wrong=_texts(data, "wrong") if "wrong" in data else WRONG,
    )
    try:
        texts.named.format(name="", example=""), texts.span.format(first="", last="", example="")
        texts.more.format(words=""), texts.foot.format(distance=""), texts.either.format(examples="")
        (
            [text.format(confirm="") for text in texts.tones.values()],
            [text.format(scratch="") for text in texts.wrong.values()],
        )
    except (KeyError, IndexError, ValueError) as error:
        raise PhraseError(
            f"card: {error} can't be filled; recorder/voice/language/card_texts.py says what each text is filled with"
        ) from error
    return texts


def _texts(data: Mapping[str, Any], key: str) -> dict[str, str]:
    if not isinstance(data[key], Mapping):
        raise PhraseError(f"card: {key} must be a table; write [card.{key}] and its lines under it")
    return {str(name): str(text) for name, text in data[key].items()}
