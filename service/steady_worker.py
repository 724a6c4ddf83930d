"""A worker that outlives its store: RQ's own ends where Redis is lost in the middle of a task."""

from __future__ import annotations

import logging
import os
import signal
import sys
import time
from types import FrameType
from typing import NoReturn

import redis
from rq import SimpleWorker
from rq.exceptions import StopRequested

from workers.store.connection import connect

log = logging.getLogger("borewright.worker")

ASK_EVERY_S = 1.0
ASK_FOR_S = 3.0  # short: a network that was cut repeats an unanswered call ever less often


class SteadyWorker(SimpleWorker):
    """RQ's worker that does not fork; it tells whether it was asked to stop or ended for want of a store."""

    max_connection_wait_time = 2.0  # RQ's own grows to a minute, long after the store is back
    asked_to_stop = False

    def request_stop(self, signum: int, frame: FrameType | None) -> None:
        """RQ asks the store whether a task is in hand; without a store there is nothing to wait for."""
        self.asked_to_stop = True
        try:
            super().request_stop(signum, frame)  # type: ignore[no-untyped-call]
        except redis.RedisError:
            raise StopRequested from None

    def run(self) -> bool:
        """Work until told to stop; False where it ended for want of a store."""
        try:
            self.work(logging_level="WARNING")
        except redis.RedisError as error:  # even its farewell needs the store
            log.warning("the store was lost: %s", error)
        return self.asked_to_stop


def wait_for_store(url: str) -> None:
    """Return when Redis answers, however long that takes."""
    connection, said = connect(url, timeout_s=ASK_FOR_S), False
    while True:
        try:
            connection.ping()
        except redis.RedisError as error:
            if not said:
                log.warning("waiting for the store: %s", error)
            said = True
            time.sleep(ASK_EVERY_S)
        else:
            connection.close()
            return


def begin_afresh(url: str) -> NoReturn:
    """Become a new process of the same id once Redis answers: what an interrupted task left is gone with the old one.

    The new one takes up what its namesake had in hand, as after a crash.
    """
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_DFL)  # RQ's handlers would only note the wish
    time.sleep(ASK_EVERY_S)
    wait_for_store(url)
    log.info("the store is back; beginning afresh")
    sys.stdout.flush()
    os.execv(sys.executable, [sys.executable, *sys.orig_argv[1:]])
