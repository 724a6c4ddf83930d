"""The pages on what was learnt: the evidence of each pairing, and what the models say and how well they foretold."""

from __future__ import annotations

import time
from itertools import islice

from flask import Blueprint, Response, request

from service.context import context, stores
from service.pages.evidence_view import EvidenceRow, as_csv, clog_plot, evidence_row, time_plot
from service.pages.names import names_of
from service.pages.pictures import add_pictures
from service.pages.plots.reliability import ReliabilityPlot, reliability_plot
from service.pages.rendering import page
from workers.learning.ageing import hour_of
from workers.learning.check import check
from workers.model.check import ChanceCheck, ModelCheck
from workers.model.errors import NotFoundError
from workers.model.evidence import sort_key
from workers.model.outcome import OutcomeState
from workers.model.routing import MODEL_VERSION
from workers.process.models import model_pages
from workers.routing.posterior import posterior_of
from workers.store.evidence import key_of, text_of

ROWS = 40  # a page; each is worked out anew from its sums
MOST_ROWS = 2_000  # of the table for other programs
OUTCOMES = 2_000  # newest ones that the models are held against here; /v1/model-checks looks at more


def add_to(blueprint: Blueprint) -> None:
    blueprint.add_url_rule("/evidence", "evidence", show_evidence)
    blueprint.add_url_rule("/evidence.csv", "evidence_csv", give_evidence)
    blueprint.add_url_rule("/models", "models", show_models)
    add_pictures(blueprint, "/evidence", "evidence", show_evidence)
    add_pictures(blueprint, "/models", "models", show_models)


def show_evidence() -> str:
    after = request.args.get("after", "")[:400] or None
    rows = _rows(after, ROWS + 1)
    shown = rows[:ROWS]
    return page(
        "evidence.html",
        "evidence",
        rows=shown,
        clogs=clog_plot(shown),
        times=time_plot(shown),
        after=after,
        more=text_of(shown[-1].evidence.key) if len(rows) > ROWS else None,
    )


def give_evidence() -> Response:
    response = Response(as_csv(_rows(None, MOST_ROWS)), mimetype="text/csv")
    response.headers["Content-Disposition"] = 'attachment; filename="evidence.csv"'
    response.headers["Cache-Control"] = "no-store"
    return response


def show_models() -> str:
    taken = [
        one for one in islice(stores().outcomes.newest_first(), OUTCOMES) if one.state is not OutcomeState.WITHDRAWN
    ]
    checks = [(one, _plots(n, one)) for n, one in enumerate(check(taken), start=1)]
    return page(
        "models.html",
        "models",
        pages=model_pages(),
        version=MODEL_VERSION,
        checks=checks,
        outcomes=len(taken),
    )


def _plots(number: int, one: ModelCheck) -> list[tuple[str, ChanceCheck, ReliabilityPlot]]:
    """The yes-or-no predictions, each with its plot."""
    foretold = (("A size fits", one.fit), ("A copy clogs", one.clog), ("A copy is good", one.good))
    return [
        (words, chance, reliability_plot(f"{number}-{i}", words, chance.bins))
        for i, (words, chance) in enumerate(foretold, start=1)
    ]


def _rows(after: str | None, most: int) -> list[EvidenceRow]:
    """Raises NotFoundError for a place that was not given out here."""
    shop, hour = context().shop.newest(), hour_of(time.time())
    try:
        behind = None if after is None else sort_key(key_of(after))
    except ValueError:
        raise NotFoundError("there is no such place in the evidence") from None
    names = names_of(shop)
    wanted = (one for one in shop.evidence if behind is None or sort_key(one.key) > behind)
    return [evidence_row(one, posterior_of(shop, one.key, one.sums, hour), names) for one in islice(wanted, most)]
