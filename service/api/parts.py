"""/v1/parts: hand in a mesh or a summary, follow its analysis, look at the result."""

from __future__ import annotations

import gzip
from dataclasses import dataclass, replace

from flask import Response, request

from service.api.answers import answer, empty, versioned
from service.api.blueprint import BODY_REFUSED, ETAG, IDEMPOTENCY_KEY, IF_MATCH, IF_NONE_MATCH, LINK, LOCATION
from service.api.blueprint import ResourceBlueprint as Blueprint
from service.api.body import decode, raw_json
from service.api.etags import etag_of, expected_version
from service.api.examples import JOB
from service.api.fields import Note, Whole
from service.api.histories import HistorySchema, history_answer
from service.api.idempotency import turn
from service.api.intake import ring_geometry
from service.api.paging import PageQuery, PageQuerySchema, after_of, limit_of, page_answer, page_schema
from service.api.part_answers import PartBriefSchema, PartSchema, part_brief, part_location, part_whole
from service.api.part_schema import SummarySchema
from service.api.part_upload import MULTIPART, multipart_content, read_upload
from service.api.schema import Record, RecordSchema
from service.context import stores
from service.problems import RETRY_AFTER, UnsupportedMediaTypeError
from workers.geometry.picture import worst_layer_svg
from workers.model.codec import to_json
from workers.model.errors import ConflictError, NotFoundError
from workers.model.part import GeometrySummary
from workers.model.part_record import WAITING, PartRecord
from workers.store.idempotency import Answer
from workers.store.uploads import Upload

LOOK_AGAIN_S = 1
SVG_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
blueprint = Blueprint(
    "parts",
    __name__,
    url_prefix="/v1/parts",
    description="Parts: a mesh is handed in, a worker reads its geometry summary from it, and every bore is scored "
    "from that. A part's id is the address of its content: the same bytes with the same options are analysed once, "
    "by whomever and however often they are handed in. Nothing is worth more trust than the summary says.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class HandMade:
    summary: GeometrySummary
    name: str = ""


class HandMadeSchema(RecordSchema):
    """A summary made by hand or by another program."""

    makes = HandMade
    summary = Record(SummarySchema)
    name = Note(120)


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerQuery:
    layer: int = 0


class LayerQuerySchema(RecordSchema):
    makes = LayerQuery
    layer = Whole(0, 15, description="Which of the summary's worst layers; 0 is the first")


BODIES = multipart_content() | {
    "application/json": {
        "schema": HandMadeSchema,
        "example": {"name": "Drawer guide, left", "summary": JOB["summary"]},
    }
}


@blueprint.at("", "POST", summary="Hand in a part: a mesh, or a summary made by hand", operation="create-part")
@blueprint.headers(IDEMPOTENCY_KEY)
@blueprint.documents_bodies(BODIES)
@blueprint.gives(
    202, PartBriefSchema, "A mesh is kept and will be analysed", headers=LOCATION | ETAG | {"Retry-After": RETRY_AFTER}
)
@blueprint.gives(201, PartBriefSchema, "A summary is kept", headers=LOCATION | ETAG)
@blueprint.gives(200, PartBriefSchema, "It is known already, with its result", headers=LOCATION | ETAG)
@blueprint.refuses(403, 409, *BODY_REFUSED)
def post_part() -> Response:
    if request.mimetype == MULTIPART:
        return _take_mesh(read_upload())
    if not request.is_json:
        given = request.mimetype or "none"
        raise UnsupportedMediaTypeError(f"the Content-Type is {given}; {MULTIPART} and application/json are taken here")
    made: HandMade = HandMadeSchema().load(decode(raw_json()))
    return _take_summary(made)


def _take_mesh(upload: Upload) -> Response:
    with turn("POST /v1/parts", upload.id.encode()) as mine:
        if mine.replay is not None:
            return mine.replay
        part = stores().parts.put(upload, also=lambda pipe, part: mine.also(_answer_of(part))(pipe))
    if part.state in WAITING:
        ring_geometry()
    return _response(_answer_of(part))


def _take_summary(made: HandMade) -> Response:
    with turn("POST /v1/parts") as mine:
        if mine.replay is not None:
            return mine.replay
        part = stores().parts.put_summary(
            made.summary, made.name, also=lambda pipe, part: mine.also(_answer_of(part))(pipe)
        )
    return _response(_answer_of(part))


def _answer_of(part: PartRecord) -> Answer:
    """202 while there is something to wait for; a new part that is there at once brings its poses: 201; else 200."""
    status = 202 if part.state in WAITING else 201 if part.poses else 200
    body = to_json(part_brief(replace(part, poses=()))).decode()
    return Answer(status=status, body=body, location=part_location(part.id), etag=etag_of(part.version))


def _response(kept: Answer) -> Response:
    response = answer(kept.body, kept.status, location=kept.location, etag=kept.etag)
    if kept.status == 202:
        response.headers["Retry-After"] = str(LOOK_AGAIN_S)
    return response


@blueprint.at("", summary="List parts, newest first", operation="list-parts")
@blueprint.asks(PageQuerySchema)
@blueprint.gives(200, page_schema(PartBriefSchema, "PartBrief"), headers=LINK)
def list_parts(query: PageQuery) -> Response:
    page = stores().parts.page(after_of(query), limit_of(query))
    return page_answer([part_brief(part) for part in page.items], page.next_cursor)


@blueprint.at("/<part_id>", summary="One part: how far its analysis is, and its summary", operation="get-part")
@blueprint.headers(IF_NONE_MATCH)
@blueprint.gives(200, PartSchema, headers=ETAG)
@blueprint.gives(304, headers=ETAG)
@blueprint.refuses(404)
def get_part(part_id: str) -> Response:
    return versioned(part_whole(stores().parts.get(part_id)))


@blueprint.at("/<part_id>", "DELETE", summary="Delete a part that no job refers to", operation="delete-part")
@blueprint.headers(IF_MATCH)
@blueprint.gives(204)
@blueprint.refuses(404, 409, 412, 428)
def delete_part(part_id: str) -> Response:
    stores().parts.get(part_id)  # 404 comes before 428 (RFC 9110 section 13.2.1)
    stores().parts.delete(part_id, expected_version().require)
    return empty()


@blueprint.at(
    "/<part_id>/picture.svg",
    summary="A layer where detail goes first, with what each bead width loses",
    operation="get-part-picture",
)
@blueprint.asks(LayerQuerySchema)
@blueprint.gives(200, description="The drawing", content_type="image/svg+xml")
@blueprint.refuses(404, 409)
def get_picture(query: LayerQuery, part_id: str) -> Response:
    part = stores().parts.get(part_id)
    summary = part.summary()
    if summary is None:
        raise ConflictError(f"the part is {part.state}: there is nothing to draw")
    drawing = Response(worst_layer_svg(summary, query.layer), mimetype="image/svg+xml")
    drawing.headers["Content-Security-Policy"] = SVG_POLICY
    drawing.headers["X-Content-Type-Options"] = "nosniff"
    return drawing


@blueprint.at(
    "/<part_id>/display.stl",
    summary="What an analysed part looks like, in few triangles",
    operation="get-part-display",
)
@blueprint.gives(
    200,
    description="Binary STL in mm, of at most 20,000 triangles, in the coordinates of the features. For looking at: "
    "nothing is measured from it. 404 where the part came without a mesh",
    content_type="model/stl",
)
@blueprint.refuses(404, 409)
def get_display(part_id: str) -> Response:
    part = stores().parts.get(part_id)
    if part.state in WAITING:
        raise ConflictError(f"the part is {part.state}: there is nothing to look at yet")
    packed = stores().parts.display(part_id)
    if packed is None:
        raise NotFoundError(f"there is nothing to look at: no drawing of the part {part_id!r} is kept")
    return _packed(packed)


def _packed(stl: bytes) -> Response:
    """As it is kept where the caller takes gzip (RFC 9110, 12.5.3), else unpacked. It never changes."""
    takes = request.accept_encodings.quality("gzip") > 0
    response = Response(stl if takes else gzip.decompress(stl), mimetype="model/stl")
    if takes:
        response.headers["Content-Encoding"] = "gzip"
    response.headers["Vary"] = "Accept-Encoding"
    response.headers["Cache-Control"] = "private, max-age=3600"
    return response


@blueprint.at("/<part_id>/history", summary="What happened to a part, oldest first", operation="get-part-history")
@blueprint.gives(200, HistorySchema)
@blueprint.refuses(404)
def get_part_history(part_id: str) -> Response:
    return history_answer(f"part/{part_id}", lambda: stores().parts.get(part_id))
