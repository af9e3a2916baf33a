"""The kitchen's own words at work: prompts, tasks of the day, causes and corrective actions.

The times of the tasks and the wait before a reminder are this invented kitchen's and common practice, no source.
"""

from dataclasses import replace
from typing import Any

import pytest

from recorder.core import alerts
from recorder.core import meanings as m
from recorder.core.effects import Cue, Record, Tone
from recorder.core.events import Acknowledged, ProcedureLoaded
from recorder.core.own_words import CLOSING, OPENING, Choice, OwnWords, Prompt, Task
from recorder.core.procedure import menu_problems
from recorder.core.subjects import corrective, tasks
from tests.kitchen import MINUTE, PROCEDURE, Kitchen
from tests.own_words import BEFORE, OWN, SAY, own_kitchen

HOUR = 60 * MINUTE


def said(k: Kitchen, since: int) -> list[str]:
    return [each.say for each in k.effects[since:] if isinstance(each, Cue)]


def heard(k: Kitchen, meaning: str, **slots: object) -> list[str]:
    """All that follows a command, the answer first."""
    since = len(k.effects)
    k.say(meaning, **slots)
    return said(k, since)


def passed(k: Kitchen, ms: int) -> list[str]:
    """All that is said in this time."""
    since = len(k.effects)
    k.wait(ms)
    return said(k, since)


def raised(k: Kitchen) -> list[dict[str, Any]]:
    """The alerts with something to do."""
    return [row for row in k.rows("alerts") if row["level"] != "info"]


def at_work(own: OwnWords = OWN, **more: Any) -> Kitchen:
    k = own_kitchen(own, **more)
    k.say(m.SHIFT_START, cook=4)
    return k


def prompts(k: Kitchen) -> list[dict[str, Any]]:
    return own_rows(k, "prompts")


def own_rows(k: Kitchen, table: str) -> list[dict[str, Any]]:
    """The rows of a table as they stand, in the order in which they came about."""
    rows: dict[object, dict[str, Any]] = {}
    for effect in k.effects:
        if isinstance(effect, Record) and effect.table == table:
            rows[effect.id] = {"id": effect.id, **dict(effect.row)}
    return list(rows.values())


# Prompts


def test_each_prompt_is_said_at_its_moment_behind_the_answer() -> None:
    k = own_kitchen()
    assert heard(k, m.SHIFT_START, cook=4) == ["Shift started, cook 4.", SAY["shift start"]]
    assert heard(k, m.BATCH_START) == ["Batch 1, vat 1.", f"Batch 1, vat 1: {SAY['batch start']}"]
    for part in ("thigh", "breast", "leg"):
        assert len(heard(k, m.LOAD, part=part, count=6)) == 1
    last = [f"Batch 1, vat 1: {SAY['last load']}", "Batch 1, vat 1: Has the basket been shaken?"]
    assert heard(k, m.LOAD, part="wing", count=6) == ["Batch 1, wing 6.", *last]
    assert len(heard(k, m.LOAD, part="wing", count=6)) == 1, "the last load comes once"
    assert heard(k, m.LID_LOCKED)[1:] == [f"Batch 1, vat 1: {SAY['lid locked']}"]
    assert passed(k, 12 * MINUTE + 44_999) == []
    assert passed(k, 1) == [f"Batch 1, vat 1: {BEFORE}"]
    assert passed(k, 14_999) == [] and passed(k, 1) == ["Vat 1, batch 1: cook time reached."]
    assert heard(k, m.LID_OPEN)[1:] == [f"Batch 1, vat 1: {SAY['lid open']}"]
    k.check_all()
    assert heard(k, m.HOLD_START)[1:] == [f"Batch 1: {SAY['hold start']}"]
    assert heard(k, m.SHIFT_END)[1:] == [SAY["shift end"]]
    written = {each["id"]: each for each in prompts(k)}
    assert len(written) == 9 and all(each["shift"] == 3 for each in written.values())
    assert {each["batch_id"] for each in written.values() if each["moment"] in ("shift start", "shift end")} == {None}
    assert [each["at_ms"] for each in written.values() if each["moment"] == "15 s before the end"] == [
        k.rows("fryings")[0]["lid_locked_ms"] + PROCEDURE.planned_cook_ms - 15_000
    ]


def test_a_full_vat_is_the_last_load_too() -> None:
    k = at_work()
    k.say(m.BATCH_START)
    assert len(heard(k, m.LOAD, part="thigh", count=47)) == 1
    assert f"Batch 1, vat 1: {SAY['last load']}" in heard(k, m.LOAD, part="thigh", count=1)


def test_a_load_that_is_said_late_is_no_moment() -> None:
    k = at_work()
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=12)
    k.say(m.LID_LOCKED)
    assert len(heard(k, m.LOAD, part="wing", count=40)) == 1


def test_a_prompt_is_done_once_and_names_its_batch() -> None:
    k = at_work()
    assert k.say(m.PROMPT_DONE).startswith("Refused: no prompt waits.")
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=48)
    assert m.PROMPT_DONE in k.say(m.CAN_SAY)
    assert k.say(m.PROMPT_DONE) == "Batch 1, prompt done: Has the basket been shaken?"
    done_ms = k.at_ms
    assert [each["done_ms"] for each in prompts(k) if each["asks_done"]] == [done_ms]
    assert k.say(m.PROMPT_DONE, batch=1).startswith("Refused: no prompt waits for batch 1")
    k.say(m.SCRATCH)
    assert [each["done_ms"] for each in prompts(k) if each["asks_done"]] == [None]


def test_a_prompt_that_was_not_done_by_the_next_step_stays_so() -> None:
    k = at_work()
    k.say(m.BATCH_START)
    k.say(m.LOAD, part="thigh", count=48)
    k.say(m.LID_LOCKED)
    assert k.say(m.PROMPT_DONE).startswith("Refused: no prompt waits.")
    assert [each["done_ms"] for each in prompts(k) if each["asks_done"]] == [None] and raised(k) == []
    k.say(m.SCRATCH)
    assert k.say(m.PROMPT_DONE).startswith("Batch 1, prompt done"), "its step is the next one again"


def test_of_several_batches_one_has_to_be_named() -> None:
    k = at_work(vats=(1, 2))
    for vat in (1, 2):
        k.say(m.BATCH_START, vat=vat)
        k.say(m.LOAD, part="thigh", count=48, vat=vat)
    assert k.say(m.PROMPT_DONE) == "Refused: say which: batch 1 or batch 2."
    assert k.say(m.PROMPT_DONE, batch=2).startswith("Batch 2, prompt done")
    assert k.say(m.PROMPT_DONE).startswith("Batch 1, prompt done")


def test_prompts_of_a_shift_are_done_at_its_start_and_its_end() -> None:
    k = at_work(OwnWords(prompts=(Prompt("Wash", "shift start", done=True), Prompt("Lights", "shift end", done=True))))
    assert k.say(m.PROMPT_DONE) == "Prompt done: Wash"
    k.say(m.SCRATCH)
    k.say(m.SHIFT_END)
    assert k.say(m.PROMPT_DONE) == "Prompt done: Lights"
    assert k.say(m.PROMPT_DONE).startswith("Refused: no prompt waits")
    assert [(each["text"], bool(each["done_ms"])) for each in prompts(k)] == [("Wash", False), ("Lights", True)]


def test_words_that_are_taken_back_take_their_prompts_with_them() -> None:
    """And a batch that comes back by them comes to no moment."""
    k = at_work()
    k.cook()
    locked = k.rows("fryings")[0]["id"]
    assert heard(k, m.SCRATCH) == ["Struck: lid open."]
    assert heard(k, m.SCRATCH) == ["Struck: lid locked."]
    struck = {each["moment"] for each in prompts(k) if each["struck"]}
    assert struck == {"lid locked", "15 s before the end", "lid open"}
    assert all(int(each["id"].split("-")[0]) >= locked for each in prompts(k) if each["struck"])
    assert len(heard(k, m.LID_LOCKED)) == 2
    k.wait(13 * MINUTE)
    k.say(m.LID_OPEN)
    k.check_all()
    k.say(m.HOLD_START)
    k.say(m.HOLD_END)
    k.wait(20 * MINUTE)
    assert heard(k, m.SCRATCH) == ["Struck: hold end."] and not prompts(k)[-1]["struck"]


def test_a_prompt_longer_before_the_end_than_a_further_cook_is_not_said_of_that() -> None:
    own = OwnWords(prompts=(Prompt("Four minutes are left.", before_end_ms=4 * MINUTE), Prompt(BEFORE, "", 15_000)))
    k = at_work(own)
    k.cook()
    k.say(m.COOK_MORE)
    k.say(m.LID_LOCKED)
    assert passed(k, 3 * MINUTE)[:1] == [f"Batch 1, vat 1: {BEFORE}"]
    assert [each["text"] for each in prompts(k)] == ["Four minutes are left.", BEFORE, BEFORE]


def test_a_kitchen_without_a_procedure_has_no_prompts() -> None:
    """And an older state none of any."""
    k = Kitchen()
    k.state = replace(k.state, world=replace(k.state.world, procedure=None))
    assert heard(k, m.SHIFT_START, cook=4) == ["Shift started, cook 4."]
    assert k.say(m.CAUSE, cause="cold oil").startswith("Refused: the procedure has no cause 'cold oil'")


# Tasks


def day(k: Kitchen) -> list[tuple[str, bool, int]]:
    return [(row["task"], row["done_ms"] is not None, row["missed"]) for row in own_rows(k, "tasks")]


def test_a_day_s_tasks_begin_with_its_first_shift_and_are_named() -> None:
    k = own_kitchen()
    assert (
        k.say(m.TASK_DONE, task="gasket")
        == "Refused: no task waits; they begin with the day's first shift."[:-1]
        + ". Words that fit now: shift start, ice point and boiling point."
    )
    k.say(m.SHIFT_START, cook=4)
    assert day(k) == [("gasket", False, 0), ("walk in", False, 0), ("hood filters", False, 0)]
    assert k.say(m.STATUS).endswith("Tasks open: gasket, walk in and hood filters.")
    assert k.say(m.TASK_DONE, task="gasket") == "Task gasket done."
    assert k.say(m.TASK_DONE, task="gasket").startswith("Refused: task gasket is done already.")
    assert k.say(m.TASK_DONE, task="roof").startswith("Refused: this day has no task 'roof'.")
    assert k.say(m.TASK_DONE).startswith("Refused: say which task.")
    assert k.say(m.WHAT_NEXT).endswith("Tasks open: walk in and hood filters.")
    k.say(m.BATCH_START)
    assert k.say(m.WHAT_NEXT).endswith("Tasks open: walk in."), "closing ones while nothing is open"
    row = own_rows(k, "tasks")[0]
    assert (row["cook"], row["due_ms"]) == (4, row["begun_ms"] + 30 * MINUTE)


def test_a_task_that_is_not_done_by_its_time_is_an_alert_until_it_is() -> None:
    k = at_work()
    assert passed(k, 30 * MINUTE - 1) == [] and passed(k, 1) == ["Task gasket is not done."]
    (alert,) = raised(k)
    assert (alert["kind"], alert["level"], alert["ended_ms"]) == (alerts.TASK_NOT_DONE, "warning", None)
    assert alert["text"].startswith("Task gasket, opening: not done 30 min after the day's first shift began.")
    assert k.say(m.TASK_DONE, task="gasket") == "Task gasket done, late."
    assert raised(k)[0]["ended_by"] == "done late" and day(k)[0] == ("gasket", True, 1)


def test_somebody_who_has_it_in_hand_ends_it() -> None:
    k = at_work()
    k.wait(30 * MINUTE)
    k.feed(Acknowledged(k.at_ms, raised(k)[0]["id"], "MK"))
    assert raised(k)[0]["ended_by"] == "acknowledged" and day(k)[0] == ("gasket", False, 1)


def test_closing_tasks_wait_for_the_end_of_the_last_shift() -> None:
    k = at_work()
    for name in ("gasket", "walk in"):
        k.say(m.TASK_DONE, task=name)
    k.wait(8 * HOUR)
    assert heard(k, m.SHIFT_END)[0] == "Shift ended, cook 4. Still open: task hood filters."
    assert k.rows("shifts")[0]["left_open"] == "task hood filters"
    k.say(m.SHIFT_START, cook=5)  # another shift of the same day
    assert own_rows(k, "tasks")[2]["due_ms"] is None and passed(k, HOUR) == []
    k.say(m.SHIFT_END)
    assert passed(k, 20 * MINUTE) == ["Task hood filters is not done."]
    assert raised(k)[0]["text"].startswith("Task hood filters, closing: not done 20 min after the day's last")
    k.say(m.SHIFT_START, cook=6)
    assert day(k)[2] == ("hood filters", False, 1), "what was missed stays so"
    assert own_rows(k, "tasks")[2]["due_ms"] is not None, "and was due then"
    assert k.say(m.TASK_DONE, task="hood filters") == "Task hood filters done, late."
    assert own_rows(k, "tasks")[2]["cook"] == 6


def test_what_is_done_after_the_shift_has_no_cook() -> None:
    k = at_work()
    k.say(m.SHIFT_END)
    k.say(m.TASK_DONE, task="hood filters")
    assert own_rows(k, "tasks")[2]["cook"] is None and day(k)[2] == ("hood filters", True, 0)
    assert passed(k, 20 * MINUTE) == []


@pytest.mark.parametrize(
    ("worked_ms", "away_ms", "days"),
    [
        (HOUR, tasks.BREAK_MS - 1000, 1),
        (HOUR, tasks.BREAK_MS, 2),
        (tasks.DAY_MS - HOUR, HOUR - 2000, 1),
        (tasks.DAY_MS - HOUR, HOUR, 2),
    ],
)
def test_a_day_begins_after_a_break_or_once_the_last_one_is_long(worked_ms: int, away_ms: int, days: int) -> None:
    k = at_work(OwnWords(tasks=(Task("gasket", OPENING, 12 * HOUR),)))
    k.wait(worked_ms)
    k.say(m.SHIFT_END)
    k.wait(away_ms - 1000)
    k.say(m.SHIFT_START, cook=4)
    assert len(own_rows(k, "tasks")) == days


def test_a_day_of_a_kitchen_that_has_no_tasks_any_more_has_none() -> None:
    k = at_work()
    k.feed(ProcedureLoaded(k.at_ms, PROCEDURE))
    k.say(m.SHIFT_END)
    k.wait(12 * HOUR)
    k.say(m.SHIFT_START, cook=4)
    assert k.state.world.tasks == () and len(day(k)) == 3


def test_a_struck_task_is_open_again_and_a_struck_shift_takes_its_tasks_along() -> None:
    k = at_work()
    k.say(m.TASK_DONE, task="gasket")
    k.say(m.SCRATCH)
    assert day(k)[0] == ("gasket", False, 0)
    k.say(m.SHIFT_END)
    k.say(m.SCRATCH)
    assert own_rows(k, "tasks")[2]["due_ms"] is None
    k.say(m.SCRATCH)
    assert all(row["struck"] for row in own_rows(k, "tasks")) and k.state.world.tasks == ()


# Causes and corrective actions


def missed(k: Kitchen) -> None:
    """A batch with a thigh below its critical limit."""
    k.cook()
    k.check("thigh", 150)


def test_cause_and_action_go_on_the_newest_critical_alert_without_one() -> None:
    k = at_work()
    missed(k)
    (first,) = [row for row in k.rows("alerts") if row["level"] == "critical"]
    k.check("thigh", 151)
    second = [row for row in k.rows("alerts") if row["level"] == "critical"][-1]
    about = "check below critical limit, batch 1"
    assert k.say(m.ACTION, action="cooked longer") == f"Corrective action cooked longer, for {about}."
    assert k.say(m.CAUSE, cause="cold oil") == f"Cause cold oil, for {about}."
    assert k.say(m.ACTION, action="thrown away") == f"Corrective action thrown away, for {about}."
    assert k.say(m.ACTION, action="thrown away").startswith("Refused: no critical alert lacks a corrective action.")
    rows = own_rows(k, "corrective_actions")
    assert [(row["alert"], row["what"], row["text"], row["cook"]) for row in rows] == [
        (second["id"], "action", "cooked longer", 4),
        (second["id"], "cause", "cold oil", 4),
        (first["id"], "action", "thrown away", 4),
    ]
    k.say(m.SCRATCH)
    assert [row["struck"] for row in own_rows(k, "corrective_actions")] == [0, 0, 1]
    k.say(m.SHIFT_END)
    k.say(m.ACTION, action="thrown away")
    assert own_rows(k, "corrective_actions")[-1]["cook"] is None


def test_many_alerts_keep_their_order() -> None:
    """However many are open, each in its turn, the newest first."""
    k = at_work(replace(OWN, tasks=()))
    k.cook()
    for _ in range(60):
        k.check("thigh", 150)
    began = [row["id"] for row in sorted(raised(k), key=lambda row: row["began_ms"]) if row["level"] == "critical"]
    for _ in range(3):
        k.say(m.ACTION, action="cooked longer")
    assert [row["alert"] for row in own_rows(k, "corrective_actions")] == began[:-4:-1]
    assert len(k.state.world.deviations) == len(began) == 60


@pytest.mark.parametrize(
    ("meaning", "slots", "why"),
    [
        (m.ACTION, {}, "say which action"),
        (m.CAUSE, {}, "say which cause"),
        (m.ACTION, {"action": "prayed"}, "the procedure has no action 'prayed'"),
        (m.CAUSE, {"cause": "cold oil"}, "no critical alert lacks a cause"),
    ],
)
def test_what_can_not_be_said_is_refused(meaning: str, slots: dict[str, str], why: str) -> None:
    assert at_work().say(meaning, **slots).startswith(f"Refused: {why}.")


def test_an_action_that_is_for_other_alerts_is_refused() -> None:
    k = at_work(OwnWords(actions=(Choice("cooked longer", (alerts.CHECK_BELOW_CRITICAL,)), Choice("moved"))))
    k.cook()
    k.say(m.HOLD_START)
    k.say(m.CONFIRM)
    answer = k.say(m.ACTION, action="cooked longer")
    assert answer.startswith("Refused: cooked longer is not for hold before checks complete, batch 1.")
    assert k.say(m.ACTION, action="moved").endswith("for hold before checks complete, batch 1.")


def test_a_cook_is_reminded_once_while_the_alert_goes_on() -> None:
    k = at_work(replace(OWN, tasks=()))
    missed(k)
    about = "check below critical limit, batch 1"
    heard_since = passed(k, corrective.REMIND_MS)
    assert f"No cause or corrective action is on record for {about}. Say cause or action, and which." in heard_since
    assert not any("on record for" in say for say in passed(k, 5 * HOUR))
    k.say(m.COOK_MORE)
    k.say(m.LID_LOCKED)
    k.wait(3 * MINUTE)
    k.say(m.LID_OPEN)
    since = len(k.effects)
    k.check_all()
    assert not any("on record for" in say for say in said(k, since)), "nor once it is over"
    assert raised(k)[0]["ended_ms"] is not None


def test_once_it_is_over_the_reminder_comes_at_once_and_of_all_together() -> None:
    k = at_work(replace(OWN, causes=()))
    missed(k)
    k.check("breast", 150)
    k.say(m.COOK_MORE)
    k.say(m.LID_LOCKED)
    k.wait(3 * MINUTE)
    k.say(m.LID_OPEN)
    since = len(k.effects)
    k.check_all()
    reminders = [say for say in said(k, since) if "on record for" in say]
    both = "check below critical limit, batch 1 and check below critical limit, batch 1"
    assert reminders == [f"No corrective action is on record for {both}. Say action, and which."]
    (cue,) = [each for each in k.effects if isinstance(each, Cue) and each.say == reminders[0]]
    assert cue.tone is Tone.ALERT


def test_who_has_said_all_is_not_reminded() -> None:
    k = at_work(replace(OWN, tasks=()))
    missed(k)
    k.say(m.CAUSE, cause="cold oil")
    k.say(m.ACTION, action="cooked longer")
    assert not any("on record for" in say for say in passed(k, 2 * corrective.REMIND_MS))


def test_an_alert_that_was_taken_back_asks_for_nothing() -> None:
    k = at_work()
    k.cook()
    k.say(m.HOLD_START)
    k.say(m.CONFIRM)
    assert len(k.state.world.deviations) == 1
    k.say(m.SCRATCH)
    assert k.state.world.deviations == ()


def test_what_nobody_answered_is_let_go_after_some_hours() -> None:
    k = at_work(replace(OWN, tasks=()))
    missed(k)
    k.say(m.DISCARD)
    k.say(m.CONFIRM)
    k.feed(Acknowledged(k.at_ms, raised(k)[0]["id"], "MK"))
    k.wait(corrective.KEPT_MS)
    k.say(m.BATCH_START)
    assert k.state.world.deviations == ()
    assert k.say(m.ACTION, action="thrown away").startswith("Refused: no critical alert lacks")


def test_a_kitchen_that_names_nothing_is_asked_for_nothing() -> None:
    k = at_work(OwnWords())
    missed(k)
    assert not any("on record for" in say for say in passed(k, HOUR))
    assert k.say(m.ACTION, action="thrown away").startswith("Refused: the procedure has no action 'thrown away'")


def test_an_alert_from_before_the_kitchen_had_its_lists_can_be_answered() -> None:
    """In the order in which the alerts came; and nobody is reminded of what was over before."""
    k = at_work(OwnWords())
    missed(k)
    k.say(m.DISCARD)
    k.say(m.CONFIRM)
    k.cook()
    k.check("breast", 151)
    newest = raised(k)[-1]["id"]
    k.feed(ProcedureLoaded(k.at_ms, replace(PROCEDURE, own=OWN)))
    k.say(m.ACTION, action="thrown away")
    assert [row["alert"] for row in own_rows(k, "corrective_actions")] == [newest]
    assert not any("corrective action" in say for say in passed(k, HOUR))


def test_words_that_are_struck_do_not_make_a_reminder_unheard() -> None:
    """A cold cabinet stays cold whatever words are taken back: its alert stays, and was spoken of."""
    k = at_work(replace(OWN, tasks=()))
    k.cook()
    k.say(m.HOLD_START)
    k.say(m.CONFIRM)
    for _ in range(6):
        k.read("cabinet", 120)
        k.wait(30_000)
    reminders = [say for say in passed(k, 11 * MINUTE) if "on record for" in say]
    assert len([say for say in reminders if "hold below minimum" in say]) == 1
    since = len(k.effects)
    k.say(m.SCRATCH)
    k.read("cabinet", 120)
    k.wait(HOUR)
    assert not any("hold below minimum" in say for say in said(k, since) if "on record for" in say)


def test_a_prompt_of_a_first_cook_does_not_wait_in_the_next_one() -> None:
    k = at_work(OwnWords(prompts=(Prompt("Is it floating?", "lid locked", done=True),)))
    k.cook()
    k.say(m.COOK_MORE)
    k.say(m.LID_LOCKED)
    assert k.say(m.PROMPT_DONE) == "Batch 1, prompt done: Is it floating?"
    assert k.say(m.PROMPT_DONE).startswith("Refused: no prompt waits.")
    assert [bool(row["done_ms"]) for row in prompts(k)] == [False, True]


# The procedure


@pytest.mark.parametrize(
    ("own", "problem"),
    [
        (OWN, "task stands here; write every [[task]] into the station's first procedure"),
        (replace(OWN, tasks=()), "cause stands here; write every [[cause]] into the station's first procedure"),
        (OwnWords(actions=OWN.actions), "action stands here; write every [[action]] into the station's"),
        (OwnWords((Prompt("Go", "shift end"),)), "prompt stands here; write prompts of a shift into the station's"),
    ],
)
def test_what_is_the_whole_station_s_stands_in_its_first_procedure(own: OwnWords, problem: str) -> None:
    wings = replace(PROCEDURE, product="wings", spoken=("wings",), own=own)
    ((_, found),) = menu_problems(PROCEDURE, (wings,))
    assert found.startswith(problem)
    good = replace(wings, own=OwnWords((Prompt("Go", "lid open"),)))
    assert menu_problems(replace(PROCEDURE, own=OWN), (good,)) == []


def test_each_product_has_its_own_prompts() -> None:
    own = OwnWords((Prompt("Count the wings.", "batch start"),))
    wings = replace(PROCEDURE, product="wings", spoken=("wings",), own=own)
    k = own_kitchen(vats=(1, 2))
    k.feed(ProcedureLoaded(k.at_ms, replace(PROCEDURE, own=OWN), (wings,)))
    k.say(m.SHIFT_START, cook=4)
    assert heard(k, m.BATCH_START, vat=1)[1:] == [f"Batch 1, vat 1: {SAY['batch start']}"]
    assert heard(k, m.BATCH_START, vat=2, product="wings")[1:] == ["Batch 2, vat 2: Count the wings."]


GOOD = OwnWords((Prompt("Shake it, then wait.", "last load"),), (Task("gasket", CLOSING),), (Choice("cold oil"),))


def test_good_words_have_no_problems() -> None:
    assert replace(PROCEDURE, own=GOOD).problems() == [] == replace(PROCEDURE, own=OWN).problems()


@pytest.mark.parametrize(
    ("own", "problem"),
    [
        (OwnWords((Prompt("a" * 121, "last load"),)), "prompt.0.say has 121 letters; write 120 at most"),
        (OwnWords((Prompt("", "last load"),)), "prompt.0.say is ''; write one sentence"),
        (OwnWords((Prompt("Stop. Look.", "last load"),)), "prompt.0.say is 'Stop. Look.'; write one sentence"),
        (OwnWords((Prompt("15 s left", "last load"),)), "prompt.0.say is '15 s left'; write one sentence"),
        (OwnWords((Prompt("<b>Go</b>", "last load"),)), "prompt.0.say is '<b>Go</b>'; write one sentence"),
        (OwnWords((Prompt("Go", ""),)), "prompt.0.at or before_end says when; write one of them"),
        (OwnWords((Prompt("Go", "lid open", 1000),)), "prompt.0.at or before_end says when; write one of them"),
        (OwnWords((Prompt("Go", "lunch"),)), "prompt.0.at is 'lunch'; write \"shift start\","),
        (OwnWords((Prompt("Go", "", 13 * MINUTE),)), "prompt.0.before_end is 13 min; write more than zero and less"),
        (OwnWords((), (Task("gasket", "noon"),)), "task.0.when is 'noon'; write \"opening\" or \"closing\""),
        (OwnWords((), (Task("gasket", OPENING, 0),)), "task.0.by is 0 s; write more than zero and 12 h at most"),
        (OwnWords((), (Task("gasket 2", OPENING),)), "task.0.name is 'gasket 2'; write the words that are spoken"),
        (OwnWords((), (), (Choice("a" * 41),)), "cause.0.name is 'aaaaa"),
        (OwnWords((), (), (), (Choice("x"), Choice("x"))), "action.1.name is 'x', which stands twice; name each"),
    ],
)  # fmt: skip
def test_bad_words_are_named_with_the_remedy(own: OwnWords, problem: str) -> None:
    (found,) = replace(PROCEDURE, own=own).problems()
    assert found.startswith(problem)
