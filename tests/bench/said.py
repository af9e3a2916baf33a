"""What cooks say that is not one clean sentence after the name, and what each is meant for. Data alone.

A line is what is spoken, piece by piece: text, or a pause in seconds; then the sentences that it is meant for, in the
words of the phrase file. No sentence: nothing may be taken. The lines at even places are the tuning half's, those at
odd places the reporting half's.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

NAME = "kitchen recorder"

PLAIN = (
    "batch start", "load thighs twelve", "lid locked", "lid open vat two", "probe thigh", "probe breast batch six",
    "cook more", "hold start", "hold end batch seven", "sold five pieces", "dropped two pieces batch nine",
    "discard batch", "time left", "status", "last reading", "what next", "reading one eight five", "confirm",
    "scratch that", "oil level ok", "oil filtered vat three", "oil polar two two", "shift start cook four",
    "shift end", "ice point", "load wings two four", "probe leg", "load breasts eight vat two", "batch start vat three",
    "discard three pieces", "hold start batch twelve", "load legs nine",
)  # fmt: skip

PARAPHRASES: tuple[tuple[str, str], ...] = (
    ("start batch", "batch start"), ("start a batch", "batch start"), ("a new batch", "batch start"),
    ("new batch", "batch start"), ("start a new batch", "batch start"), ("begin a batch", "batch start"),
    ("check thigh", "probe thigh"), ("check the breast", "probe breast"), ("probe the wing", "probe wing"),
    ("probing leg", "probe leg"), ("end hold", "hold end"), ("end the hold", "hold end"),
    ("start hold", "hold start"), ("start holding", "hold start"), ("undo", "scratch that"),
    ("cancel that", "scratch that"), ("undo that", "scratch that"), ("take that back", "scratch that"),
    ("yes", "confirm"), ("yes confirm", "confirm"), ("start shift cook four", "shift start cook four"),
    ("end shift", "shift end"), ("how much time is left", "time left"), ("how long left", "time left"),
    ("how much time", "time left"), ("what is the status", "status"), ("the lid is locked", "lid locked"),
    ("lid is open", "lid open"), ("lock the lid", ""), ("lid is locked vat two", "lid locked vat two"),
    ("oil level is ok", "oil level ok"), ("oil level is low", "oil level low"), ("the oil is filtered", "oil filtered"),
    ("topped up the oil", "oil topped up"), ("what's next", "what next"), ("what is next", "what next"),
    ("load the thighs twelve", "load thighs twelve"), ("what was the last reading", "last reading"),
    ("sold five", "sold five pieces"), ("we sold five pieces", "sold five pieces"),
    ("dropped two", "dropped two pieces"), ("discard the batch", "discard batch"),
    ("throw away batch two", ""), ("cook it more", "cook more"), ("oil has been changed", "oil changed"),
    ("changed the oil", "oil changed"),
)  # fmt: skip

ORDERS: tuple[tuple[str, str], ...] = (
    ("load twelve thighs", "load thighs twelve"), ("load eight breasts", "load breasts eight"),
    ("load ten wings vat two", "load wings ten vat two"), ("load two four legs", "load legs two four"),
    ("load nine legs", "load legs nine"), ("load six thighs", "load thighs six"),
    ("load twelve breasts vat two", "load breasts twelve vat two"), ("load four wings", "load wings four"),
)  # fmt: skip

CORRECTIONS: tuple[tuple[str, str], ...] = (
    ("load thighs twelve no fourteen", "load thighs fourteen"), ("hold start no hold end", "hold end"),
    ("load thighs ten sorry load thighs eight", "load thighs eight"), ("discard batch no wait", ""),
    ("sold five pieces i mean six pieces", "sold six pieces"), ("lid locked no lid open", "lid open"),
    ("lid open no wait", ""), ("load wings eight wait nine", "load wings nine"),
    ("probe thigh no probe breast", "probe breast"), ("batch start sorry", ""),
    ("hold end batch seven no batch nine", "hold end batch nine"), ("probe thigh sorry probe wing", "probe wing"),
    ("discard batch two no batch three", "discard batch three"), ("reading one eight five no one seven five",
                                                                   "reading one seven five"),
    ("shift start cook four no cook five", "shift start cook five"), ("scratch that no wait", ""),
)  # fmt: skip

BEHIND = (
    "did you see the game last night", "my hands are full", "is the delivery here yet", "we need two more trays",
    "and then he went home", "somebody open the back door", "how are you today", "it is really hot in here",
)  # fmt: skip

NEAR_MISSES = (
    f"{NAME}, scratch my back", "the chicken recorder said probe thigh", f"{NAME}, status quo is fine with me",
    f"{NAME}, hold the door", "the kitchen recorder is broken again", f"{NAME}, load the dishwasher",
    f"{NAME}, time left me behind", f"{NAME}, discard the boxes", f"{NAME}, what next week looks like",
    "put the kitchen recorder next to the lid", f"{NAME}, confirm the delivery", "kitchen recorded batch start",
    f"{NAME}, batch of biscuits is ready", "i asked the kitchen reporter about the hold",
    f"{NAME}, lid of the bin is open", f"{NAME}, scratch that itch", f"{NAME}, probe the market",
    "the chicken recorder said discard batch", f"{NAME}, hold started yesterday", f"{NAME}, discard that idea",
    f"{NAME}, sold out of biscuits", f"{NAME}, undo your apron", f"{NAME}, confirmed by the boss",
    f"{NAME}, yes we have no bananas", f"{NAME}, cancel the order for table two", f"{NAME}, read me a story",
    f"{NAME}, batch star", f"{NAME}, oil and vinegar", f"{NAME}, start the dishwasher", f"{NAME}, check the mail",
    f"{NAME}, load thighs wealthy", f"{NAME}, end of the day",
)  # fmt: skip

OTHER_TALK = (
    "what a long day", "where is the big tray", "that was the last of the flour", "please turn the music down",
)  # fmt: skip

POLITE_BEFORE = ("please", "could you", "okay", "now please")
POLITE_AFTER = ("please", "thanks", "now", "thank you")

COUNTED = (("load thighs", "twelve"), ("load", "thighs twelve"), ("sold", "five pieces"), ("lid open", "vat two"),
           ("probe", "thigh"), ("hold end", "batch seven"), ("reading one", "eight five"), ("oil", "filtered"),
           )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Saying:
    """What one cook says in one go."""

    pieces: tuple[str | float, ...]
    """Text, or a pause in seconds."""
    meant: tuple[str, ...]
    """Sentences of the phrase file, in order; none where nothing may be taken."""


def _named(text: str, meant: str) -> Saying:
    return Saying((f"{NAME}, {text}",), (meant,) if meant else ())


def sayings(kind: str, half: str) -> list[Saying]:
    """All of one kind in one half."""
    mine = slice(0 if half == "tuning" else 1, None, 2)
    return list(_all(kind, mine))


def _all(kind: str, mine: slice) -> Iterator[Saying]:
    plain: Sequence[str] = PLAIN[mine]
    kind, *rest = kind.split(" ")
    value = "".join(rest)
    if kind == "plain":
        yield from (_named(text, text) for text in PLAIN)
    elif kind == "after":
        yield from (Saying((NAME, float(value), text), (text,)) for text in plain)
    elif kind == "twice":
        yield from (Saying((f"{NAME},", float(value), f"{NAME}, {text}"), (text,)) for text in plain)
    elif kind == "within":
        for first, second in COUNTED:
            yield Saying((f"{NAME}, {first}", float(value), second), (f"{first} {second}",))
    elif kind == "polite":
        for number, text in enumerate(plain):
            before = POLITE_BEFORE[mine][number % 2]
            after = POLITE_AFTER[mine][number % 2]
            yield _named(f"{before} {text}" if value == "before" else f"{text} {after}", text)
    elif kind == "paraphrases":
        yield from (_named(text, meant) for text, meant in PARAPHRASES[mine])
    elif kind == "orders":
        yield from (_named(text, meant) for text, meant in ORDERS[mine])
    elif kind == "corrections":
        yield from (_named(text, meant) for text, meant in CORRECTIONS[mine])
    elif kind == "behind":
        yield from (_named(f"{text} {talk}", text) for text in plain for talk in BEHIND[mine][:2])
    elif kind == "misses":
        yield from (Saying((text,), ()) for text in NEAR_MISSES[mine])
    elif kind == "talked":
        for text, talk in zip(plain, OTHER_TALK * 4, strict=False):
            yield Saying((f"{NAME}, {talk}", 0.4, text), (text,))
    else:
        raise ValueError(f"no sayings are called {kind!r}")
