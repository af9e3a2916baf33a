"""What `check` remarks of the kitchen's prompts. They are the kitchen's own words: none is refused for what it says."""

import re
from collections.abc import Iterator

from recorder.core.own_words import OwnWords

HANDS = (
    *("open", "release", "unlock", "unlatch", "load", "lift", "force", "reach"),
    *("remove", "touch", "vent", "loosen", "lower"),
)
"""Verbs that move hands at a fryer. No sentence of the recorder's orders them."""

_ORDER = re.compile(rf"\b({'|'.join(HANDS)})\b", re.IGNORECASE)


def remarks(own: OwnWords) -> Iterator[str]:
    """What a kitchen should look at again, each as one sentence."""
    for prompt in own.prompts:
        if found := dict.fromkeys(each.lower() for each in _ORDER.findall(prompt.say)):
            yield (
                f'the prompt "{prompt.say}" says {" and ".join(found)}: compare it with the equipment maker\'s'
                " instructions, since cautions on pressure, steam and hot oil are the maker's"
            )
