"""/v1/models: what each model is, where it is valid, what it stands on, and figures to check it by."""

from __future__ import annotations

from dataclasses import dataclass

import marshmallow as ma
from flask import Response

from service.api.answers import answer, plain
from service.api.blueprint import ResourceBlueprint
from service.api.described import schema_of
from workers.model.codec import to_json
from workers.model.errors import NotFoundError
from workers.model.routing import MODEL_VERSION
from workers.process.models import ModelPage, model_pages

blueprint = ResourceBlueprint(
    "models",
    __name__,
    url_prefix="/v1/models",
    description="What each model says: formula, range, sources, what it learns under, what it is checked against. "
    "A routing says which model version it was made with.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """model_version: that of new routings."""

    model_version: str
    page: ModelPage


class ModelListSchema(ma.Schema):
    class Meta:
        unknown = ma.RAISE

    model_version = ma.fields.String(required=True)
    items = ma.fields.List(ma.fields.Nested(schema_of(ModelPage)), required=True)


@blueprint.at("", summary="The models", operation="list-models")
@blueprint.gives(200, ModelListSchema)
def list_models() -> Response:
    return answer(to_json({"model_version": MODEL_VERSION, "items": [plain(one) for one in model_pages()]}))


@blueprint.at("/<model_id>", summary="One model", operation="get-model")
@blueprint.gives(200, schema_of(Model))
@blueprint.refuses(404)
def get_model(model_id: str) -> Response:
    for page in model_pages():
        if page.id == model_id:
            return answer(to_json(plain(Model(model_version=MODEL_VERSION, page=page))))
    known = ", ".join(page.id for page in model_pages())
    raise NotFoundError(f"no model is called {model_id!r}; there are {known}")
