"""/v1/bore-trials/{id}/runs/{number}/photo: a photograph of the printed piece."""

from __future__ import annotations

from flask import Response, request

from service.api.blueprint import ETAG, IF_NONE_MATCH, ResourceBlueprint
from service.api.bore_trials import trial_version
from service.api.etags import is_current
from service.api.jobs import IF_MATCH_OPTIONAL
from service.api.photographs import HEADERS, JPEG, LIMIT_BYTES, PNG, photo_answer, photo_of
from service.api.trial_answers import RunSchema, run_answer
from service.context import stores
from service.problems import UnsupportedMediaTypeError
from workers.model.errors import NotFoundError

blueprint = ResourceBlueprint(
    "bore-trial-photos",
    __name__,
    url_prefix="/v1/bore-trials/<trial_id>/runs/<int:number>/photo",
    description="Photographs of printed pieces, PNG or JPEG, up to 4 MiB each and 64 MiB a trial. They are kept and "
    "given out as they came, with whatever the camera wrote into them.",
)
PICTURE = {"schema": {"type": "string", "format": "binary"}}


@blueprint.at("", "PUT", summary="Keep a photograph of a run", operation="put-bore-trial-photo")
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.documents_bodies({PNG: PICTURE, JPEG: PICTURE})
@blueprint.gives(200, RunSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412, 413, 415, 422)
def put_photo(trial_id: str, number: int) -> Response:
    expected = trial_version(trial_id)
    stores().trials.get(trial_id).run(number)
    if request.mimetype not in {PNG, JPEG}:
        raise UnsupportedMediaTypeError(f"the Content-Type is {request.mimetype or 'none'}; {PNG} and {JPEG} are taken")
    request.max_content_length = LIMIT_BYTES
    data = request.get_data(cache=False)
    photo = photo_of(data)
    if photo.media_type != request.mimetype:
        raise UnsupportedMediaTypeError(f"the Content-Type is {request.mimetype}, the bytes are {photo.media_type}")
    return run_answer(stores().trials.put_photo(trial_id, number, photo, data, expected), number)


@blueprint.at("", summary="The photograph of a run", operation="get-bore-trial-photo")
@blueprint.headers(IF_NONE_MATCH)
@blueprint.gives(200, description="As it was sent", content_type="image/*")
@blueprint.gives(304)
@blueprint.refuses(404)
def get_photo(trial_id: str, number: int) -> Response:
    photo = stores().trials.get(trial_id).run(number).photo
    if photo is None:
        raise NotFoundError(f"run {number} has no photograph")
    if is_current(f'"{photo.sha256}"'):
        return Response(status=304, headers={**HEADERS, "ETag": f'"{photo.sha256}"'})
    return photo_answer(photo, stores().trials.photo(trial_id, number), f"trial-{trial_id}-run-{number}")


@blueprint.at("", "DELETE", summary="Take a photograph away", operation="delete-bore-trial-photo")
@blueprint.headers(IF_MATCH_OPTIONAL)
@blueprint.gives(200, RunSchema, headers=ETAG)
@blueprint.refuses(404, 409, 412)
def delete_photo(trial_id: str, number: int) -> Response:
    expected = trial_version(trial_id)
    if stores().trials.get(trial_id).run(number).photo is None:
        raise NotFoundError(f"run {number} has no photograph")
    return run_answer(stores().trials.put_photo(trial_id, number, None, b"", expected), number)
