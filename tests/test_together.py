"""Questions asked at the same time: each gets its own answer, passes are shared, a failure stays with its own."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from threading import Event

import pytest

from tests.builders import job, shop
from workers.model.codec import to_json
from workers.routing.decide import Router
from workers.tasks.posed import PosedJob
from workers.tasks.routing import route_now
from workers.tasks.together import Together


class Held:
    """Squares; the first pass waits until it is let go. passes: the questions of each."""

    def __init__(self) -> None:
        self.passes: list[list[int]] = []
        self.entered, self.go = Event(), Event()

    def work(self, questions: Sequence[int]) -> list[int | Exception]:
        self.passes.append(list(questions))
        self.entered.set()
        assert self.go.wait(10)
        return [ValueError(f"not {one}") if one < 0 else one * one for one in questions]


def ask_while_one_is_worked_out(held: Held, together: Together[int, int], later: list[int]) -> list[object]:
    """The answers, or what was raised: of 1, asked alone, then of those that came while it was worked out."""
    with ThreadPoolExecutor(32) as threads:
        first = threads.submit(together.ask, 1)
        assert held.entered.wait(10)
        others = [threads.submit(together.ask, one) for one in later]
        while len(together._waiting) < len(later):  # all have come
            pass
        held.go.set()
        return [one.exception(10) or one.result(10) for one in (first, *others)]


def test_what_comes_during_a_pass_shares_the_next_one() -> None:
    held = Held()
    answers = ask_while_one_is_worked_out(held, Together(held.work), [2, 3, 4, 5])
    assert answers == [1, 4, 9, 16, 25]
    assert [len(questions) for questions in held.passes] == [1, 4]


def test_a_pass_takes_no_more_than_its_share_and_hands_over() -> None:
    held = Held()
    answers = ask_while_one_is_worked_out(held, Together(held.work, most=3), list(range(2, 10)))
    assert answers == [n * n for n in range(1, 10)]
    assert [len(questions) for questions in held.passes] == [1, 3, 3, 2]


def test_what_goes_wrong_with_one_question_is_raised_to_who_asked_it() -> None:
    held = Held()
    answers = ask_while_one_is_worked_out(held, Together(held.work), [-2, 3])
    assert (str(answers[1]), answers[2]) == ("not -2", 9)


def test_a_pass_that_breaks_off_leaves_nobody_waiting() -> None:
    class Broken(Held):
        def work(self, questions: Sequence[int]) -> list[int | Exception]:
            super().work(questions)
            raise MemoryError

    held = Broken()
    together = Together(held.work)
    answers = ask_while_one_is_worked_out(held, together, [2, 3])
    assert isinstance(answers[0], MemoryError)
    assert {type(one) for one in answers[1:]} == {MemoryError, RuntimeError}
    with pytest.raises(MemoryError):
        together.ask(7)  # the next question begins a pass of its own


def test_a_routing_is_the_same_to_the_byte_however_many_are_asked_at_once() -> None:
    here, jobs = shop(), [job(quantity=n) for n in range(1, 25)]
    with ThreadPoolExecutor(12) as threads:
        routings = list(threads.map(lambda one: route_now(here, PosedJob((one,))), jobs))
    alone = [to_json(Router(here, routings[0].as_of).route([one])[0]) for one in jobs]
    assert [to_json(one) for one in routings] == alone
    assert len(set(alone)) > 1
