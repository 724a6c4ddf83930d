"""The one door: ``create_app`` makes the WSGI application."""

from __future__ import annotations

import os
from typing import Any

from flask import Flask

from service.access import guard_app
from service.api import (
    access_keys,
    audit,
    bore_trials,
    calibrations,
    claims,
    coverage,
    dispatch_lists,
    events,
    evidence,
    gauge_readings,
    information,
    job_batches,
    jobs,
    line_up_studies,
    machines,
    materials,
    model_checks,
    models,
    nozzles,
    ops,
    outcomes,
    parts,
    plans,
    remedies,
    reports,
    routing_queries,
    shop,
    spools,
    trial_photos,
    trial_runs,
    webhooks,
)
from service.api.answers import require_acceptable
from service.api.body import require_plain
from service.api.job_schema import state_one_part
from service.api.links import link_operations
from service.context import AnswerCache, Context, SchemaCheck, ShopCache, bind
from service.event_streams import EventStreams
from service.pages import studies as study_pages
from service.problems import ProblemApi, register_problem_handlers
from service.rates import limit_app, limit_sign_in
from service.request_ids import name_requests
from service.settings import Settings
from workers.store.connection import connect
from workers.store.patience import begin_request, end_request
from workers.store.stores import open_stores

VERSION = "0.1.0"
ANSWER_CACHE_BYTES = 32 * 1024 * 1024  # a process; some 2,000 routings of 20 machines
DEFAULT_REDIS_URL = "redis://127.0.0.1:6379/0"
RESOURCES = (
    machines,
    nozzles,
    materials,
    spools,
    calibrations,
    gauge_readings,
    shop,
    parts,
    jobs,
    information,
    remedies,
    job_batches,
    routing_queries,
    dispatch_lists,
    claims,
    plans,
    line_up_studies,
    outcomes,
    evidence,
    reports,
    models,
    model_checks,
    events,
    webhooks,
    access_keys,
    audit,
    ops,
    coverage,
    bore_trials,
    trial_runs,
    trial_photos,
)
ABOUT = (
    "Borewright decides where each print job of a workshop is printed: which machine, which nozzle bore, which "
    "material and which bead. Lengths are in millimetres, temperatures in degrees Celsius; names carry their unit. "
    "Moments are RFC 3339. Errors are RFC 9457 problems with a JSON Pointer for each bad field. Every record has a "
    "version, which is its ETag; changes need If-Match. POSTs that create honour an Idempotency-Key; it is not "
    "required. Lists are paged by an opaque cursor. Every answer names its request in X-Request-Id: the one that was "
    "sent, or the trace id of a traceparent, or a new one; the log, and the events of what was handed in, name it too."
)


SECURITY: list[dict[str, list[str]]] = [{"accessKey": []}, {}]  # {}: where access is open


def create_app(settings: Settings | None = None) -> Flask:
    """The application. Settings come from the environment unless given; Redis is first asked on the first request.

    gunicorn calls it as ``service.app:create_app()``.
    """
    chosen = settings if settings is not None else Settings.from_env(os.environ)
    app = Flask("service", static_folder=None)
    app.config.update(_config(chosen))
    made = _context(chosen)
    bind(app, made)
    app.extensions[events.NAME] = EventStreams(chosen, chosen.redis_url or DEFAULT_REDIS_URL)
    register_problem_handlers(app)
    name_requests(app)
    app.before_request(begin_request)
    app.teardown_request(lambda _: end_request())
    limit_app(app, chosen, made.stores.client, made.stores.keys.rates)
    guard_app(app)
    app.before_request(require_acceptable)
    app.before_request(require_plain)
    api = ProblemApi(app, spec_kwargs={"info": {"description": ABOUT}, "servers": [{"url": "/"}], "security": SECURITY})
    api.spec.components.security_scheme("accessKey", {"type": "http", "scheme": "bearer"})
    for resource in RESOURCES:
        api.register_blueprint(resource.blueprint)
    state_one_part(api.spec.components.schemas)
    api.spec.components.schemas.pop("PaginationMetadata", None)  # flask-smorest's own, for headers that we do not send
    link_operations(api.spec._paths)
    app.register_blueprint(study_pages.blueprint)
    limit_sign_in(app)
    return app


def _context(settings: Settings) -> Context:
    stores = open_stores(
        connect(settings.redis_url or DEFAULT_REDIS_URL, answers_others=True),
        settings.shop,
        inbox_limit=settings.inbox_limit,
        analyses_limit=settings.analyses_limit,
        analyses_limit_bytes=settings.analyses_limit_bytes,
    )
    return Context(settings, stores, ShopCache(stores.fleet), AnswerCache(ANSWER_CACHE_BYTES), SchemaCheck(stores))


def _config(settings: Settings) -> dict[str, Any]:
    return {
        "API_TITLE": "Borewright",
        "API_VERSION": VERSION,
        "OPENAPI_VERSION": "3.1.0",
        "OPENAPI_URL_PREFIX": "/",
        "MAX_CONTENT_LENGTH": settings.body_limit_bytes,
    }
