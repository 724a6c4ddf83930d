"""Questions that come while one is worked out share the next pass: a pass costs much the same for one as for ten."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from threading import Event, Lock
from typing import Generic, TypeVar

Question = TypeVar("Question")
Answer = TypeVar("Answer")


class _Asked(Generic[Question, Answer]):
    """answer stays None until there is one; woken: there is one, or this thread is to work out the next pass."""

    def __init__(self, question: Question) -> None:
        self.question = question
        self.answer: Answer | Exception | None = None
        self.woken = Event()


class Together(Generic[Question, Answer]):
    """Threads that ask at the same time are answered in one pass, each by the thread of one of them.

    work: gives an answer, or what went wrong, for each question, in order. One pass runs at a time; whoever asks an
    idle one starts at once, alone, so a single question waits for nobody.
    """

    def __init__(self, work: Callable[[Sequence[Question]], Sequence[Answer | Exception]], most: int = 64) -> None:
        self._work, self._most, self._guard = work, most, Lock()
        self._waiting: list[_Asked[Question, Answer]] = []
        self._busy = False

    def ask(self, question: Question) -> Answer:
        """Raises what went wrong with this question."""
        mine = _Asked[Question, Answer](question)
        with self._guard:
            self._waiting.append(mine)
            waits, self._busy = self._busy, True
        if waits:
            mine.woken.wait()
        if mine.answer is None:
            self._pass()
        if mine.answer is None:
            raise RuntimeError("a pass left a question without an answer")
        if isinstance(mine.answer, Exception):
            raise mine.answer
        return mine.answer

    def _pass(self) -> None:
        with self._guard:
            taken, self._waiting = self._waiting[: self._most], self._waiting[self._most :]
        answers: Sequence[Answer | Exception] = ()
        try:
            answers = self._work([one.question for one in taken])
        finally:  # whatever happened, nobody is left waiting
            missing = RuntimeError("the pass that would have answered this was broken off")
            for at, one in enumerate(taken):
                one.answer = answers[at] if at < len(answers) else missing
                one.woken.set()
            self._hand_over()

    def _hand_over(self) -> None:
        with self._guard:
            self._busy = bool(self._waiting)
            if self._waiting:
                self._waiting[0].woken.set()
