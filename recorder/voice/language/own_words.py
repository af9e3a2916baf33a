"""The words of a kitchen's own lists in a phrase file: what this kitchen has no words for is not listened for.

Each further sentence is one more to be mistaken for another.
"""

from recorder.core import meanings as m
from recorder.core.own_words import OwnWords
from recorder.voice.language.phrases import Phrases
from recorder.voice.language.wording import PhraseError, Slot, split_words

SENTENCES = {
    m.PROMPT_DONE: "prompt done [batch {batch}]",
    m.TASK_DONE: "task {task} done",
    m.CAUSE: "cause {cause}",
    m.ACTION: "action {action}",
}
"""How each is said in English: what to write into a phrase file that lacks it."""


def with_own_words(phrases: Phrases, own: OwnWords) -> Phrases:
    """`phrases` for a kitchen with these lists; raises `PhraseError`, which names the sentence that lacks."""
    used = {
        m.PROMPT_DONE: any(prompt.done for prompt in own.prompts),
        m.TASK_DONE: bool(own.tasks),
        m.CAUSE: bool(own.causes),
        m.ACTION: bool(own.actions),
    }
    known = phrases.with_slots(
        {
            "task": _slot("task", [task.name for task in own.tasks]),
            "cause": _slot("cause", [choice.name for choice in own.causes]),
            "action": _slot("action", [choice.name for choice in own.actions]),
        }
    ).with_meanings([meaning for meaning, is_used in used.items() if is_used])
    said = {template.meaning for template in known.templates}
    if unsaid := [meaning for meaning, is_used in used.items() if is_used and meaning not in said]:
        remedy = " and ".join(f'"{meaning}" = ["{SENTENCES[meaning]}"]' for meaning in unsaid)
        raise PhraseError(f"nothing says {', '.join(unsaid)}; write {remedy} under [groups.commands]")
    return known


def _slot(name: str, said: list[str]) -> Slot:
    forms = tuple((split_words(each, name), each) for each in said)
    return Slot(name, forms, tuple(words for words, _ in forms))
