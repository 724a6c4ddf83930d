"""The pages of bore trials: the list, and the report of one, made to be printed."""

from __future__ import annotations

from flask import request

from service.api.trial_answers import material_names
from service.context import context, stores
from service.pages.rendering import page
from service.pages.trial_view import chance_text, figure_text, pair_text, shows_text, trial_view
from workers.model.trial import TrialState
from workers.planning.trials.analysis import report_of

TRIALS_A_PAGE = 25
STATE_WORDS = {
    TrialState.PLANNED: "planned",
    TrialState.RUNNING: "running",
    TrialState.CLOSED: "closed",
    TrialState.CANCELLED: "given up",
}
WORDS = {"figure": figure_text, "pair": pair_text, "chance": chance_text, "shows": shows_text, "state": STATE_WORDS}


def trials() -> str:
    after = request.args.get("after", "")[:40] or None
    found = stores().trials.page(after, TRIALS_A_PAGE)
    return _page("trials.html", trials=found.items, after=after, older=found.next_cursor)


def trial(trial_id: str) -> str:
    found, shop = stores().trials.get(trial_id), context().shop.newest()
    return _page("trial.html", view=trial_view(found, report_of(found, material_names(shop)), shop))


def _page(template: str, **values: object) -> str:
    return page(template, "trials", words=WORDS, **values)
