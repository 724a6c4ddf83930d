"""Parts over HTTP: a mesh or a summary handed in, followed, drawn, deleted; jobs that refer to it or bring it along."""

from __future__ import annotations

import gzip
import io
import json
import xml.etree.ElementTree as ET

import pytest
import trimesh

from service.api.examples import UPLOADED_JOB
from service.api.part_schema import SummarySchema
from service.api.part_upload import TETRAHEDRON, MeshFormat, Unit
from tests.geometry import shapes
from tests.service import api_bodies as bodies
from workers import tasks
from workers.geometry.limits import UNIT_MM
from workers.geometry.sniff import FORMATS

PLATE = shapes.stl(shapes.plate_with_holes([(6.0, 20.0, 20.0)]))


def multipart(shop, path, data=PLATE, name="plate.stl", headers=None, **fields):
    """A form as a browser sends it; ``data`` None leaves the file out."""
    form = {"unit": "mm", **fields}
    form = {key: value for key, value in form.items() if value is not None}
    if data is not None:
        form["file"] = (io.BytesIO(data), name)
    return shop.client.post(path, data=form, content_type="multipart/form-data", headers=headers or {})


def analysed(shop, **options):
    """A part that a worker is done with."""
    part = multipart(shop, "/v1/parts", **options).json
    tasks.analyse_next(shop.stores, "test")
    return shop.get(part["location"]).json


def mesh_job(**changes):
    return json.dumps({key: value for key, value in bodies.job(**changes).items() if key != "summary"})


def on_part(part_id, **changes):
    return {key: value for key, value in bodies.job(**changes).items() if key != "summary"} | {"part_id": part_id}


def problem(answer, status):
    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json"), answer.text
    return answer.json


def pointers(answer, status=422):
    return [one["pointer"] for one in problem(answer, status)["errors"]]


def test_the_rim_names_the_units_and_formats_that_the_geometry_reads():
    assert {unit.value for unit in Unit} == set(UNIT_MM)
    assert {one.value for one in MeshFormat} == set(FORMATS)


def test_a_mesh_is_kept_analysed_and_read(shop):
    handed_in = multipart(shop, "/v1/parts", name="/orders/plate.stl")
    part = handed_in.json
    assert (handed_in.status_code, part["state"], part["name"]) == (202, "accepted", "plate.stl")
    assert handed_in.headers["Location"] == part["location"] == f"/v1/parts/{part['id']}"
    assert handed_in.headers["ETag"] == '"1"'
    assert int(handed_in.headers["Retry-After"]) >= 1
    assert part["source"] == {"size_bytes": len(PLATE), "unit": "mm", "format": None, "orientation": "as-given"}
    assert shop.stores.client.llen(f"rq:queue:{tasks.GEOMETRY_QUEUE}") == 1
    waiting = shop.get(part["location"])
    assert (waiting.json["summary"], waiting.json["phase"]) == (None, "waiting")

    tasks.analyse_next(shop.stores, "test")

    done = shop.get(part["location"])
    assert (done.json["state"], done.json["percent"], done.json["problem"]) == ("analysed", 100, None)
    assert (done.json["summary"]["extent_x_mm"], done.json["summary"]["extent_z_mm"]) == (60, 8)
    assert SummarySchema().load(done.json["summary"])
    assert done.headers["ETag"] != waiting.headers["ETag"]
    assert shop.get(part["location"], If_None_Match=done.headers["ETag"]).status_code == 304
    kinds = [entry["kind"] for entry in shop.get(f"{part['location']}/history").json["items"]]
    assert kinds == ["part.accepted", "part.analysing", "part.analysed"]


def test_the_same_bytes_again_are_not_analysed_again(shop):
    first = multipart(shop, "/v1/parts", name="one.stl")
    second = multipart(shop, "/v1/parts", name="two.stl")
    assert second.json["id"] == first.json["id"]
    tasks.analyse_next(shop.stores, "test")
    assert tasks.analyse_next(shop.stores, "test") is None

    known = multipart(shop, "/v1/parts")
    assert (known.status_code, known.json["state"]) == (200, "analysed")
    assert "Retry-After" not in known.headers
    assert multipart(shop, "/v1/parts", unit="inch").json["id"] != first.json["id"]


def test_an_idempotency_key_answers_alike_whatever_the_boundary(shop):
    key = {"Idempotency-Key": '"part-7"'}
    first = multipart(shop, "/v1/parts", headers=key)
    tasks.analyse_next(shop.stores, "test")
    again = multipart(shop, "/v1/parts", headers=key)
    assert (again.status_code, again.json) == (202, first.json)
    assert "used before" in problem(multipart(shop, "/v1/parts", unit="m", headers=key), 422)["detail"]


def test_a_summary_made_by_hand_is_a_part_at_once(shop):
    body = {"name": "bracket", "summary": bodies.summary()}
    made = shop.post("/v1/parts", body)
    assert (made.status_code, made.json["state"], made.json["source"]) == (201, "analysed", None)
    assert shop.post("/v1/parts", body).status_code == 200
    assert shop.get(made.json["location"]).json["summary"]["volume_mm3"] == 9000
    refused = shop.post("/v1/parts", {"summary": bodies.summary(volume_mm3=-1)})
    assert pointers(refused) == ["/summary/volume_mm3"]


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"data": None}, "/file"),
        ({"data": b""}, "/file"),
        ({"unit": None}, "/unit"),
        ({"unit": "furlong"}, "/unit"),
        ({"format": "step"}, "/format"),
        ({"orientation": "sideways"}, "/orientation"),
        ({"colour": "red"}, "/colour"),
    ],
)
def test_a_form_that_is_not_right_is_told_where_and_what_is_allowed(shop, changes, where):
    answer = multipart(shop, "/v1/parts", **changes)
    assert pointers(answer) == [where]
    assert answer.json["errors"][0]["allowed"]
    assert shop.stores.analyses.waiting() == 0


def test_two_files_are_one_too_many(shop):
    form = {"unit": "mm", "file": [(io.BytesIO(PLATE), "a.stl"), (io.BytesIO(PLATE), "b.stl")]}
    answer = shop.client.post("/v1/parts", data=form, content_type="multipart/form-data")
    assert pointers(answer) == ["/file"]


def test_a_3mf_carries_its_own_unit(shop):
    package = shapes.package(shapes.simple_model(shapes.box(2, 3, 4), unit="inch"))
    part = analysed(shop, data=package, unit=None)
    assert part["summary"]["extent_z_mm"] == pytest.approx(101.6)  # 4 inch of 25.4 mm
    assert part["source"]["unit"] is None


@pytest.mark.parametrize(
    ("body", "kind", "status"),
    [
        (b"--x\r\nnonsense", "multipart/form-data; boundary=x", 422),
        (b"", "multipart/form-data", 422),
        (PLATE, "model/stl", 415),
        (b"{", "application/json", 400),
    ],
)
def test_bodies_of_another_kind_are_answered(shop, body, kind, status):
    problem(shop.client.post("/v1/parts", data=body, content_type=kind), status)


def test_an_upload_past_the_limit_is_told_the_limit(make_api):
    small = make_api(upload_limit_bytes=2048)
    told = problem(multipart(small, "/v1/parts", data=bytes(4096)), 413)
    assert told["errors"] == [
        {
            "pointer": "/file",
            "detail": "The file has more than 0.00195312 MiB, the limit.",
            "allowed": "up to 2,048 bytes",
        }
    ]
    problem(multipart(small, "/v1/parts", data=bytes(2 * 1024 * 1024)), 413)
    assert small.stores.analyses.waiting() == 0


def test_meshes_may_be_larger_than_other_bodies(make_api):
    api = make_api(body_limit_bytes=1024)
    assert multipart(api, "/v1/parts", data=bytes(100_000)).status_code == 202
    problem(api.post("/v1/parts", {"summary": bodies.summary(), "name": "x" * 2000}), 413)


def test_when_too_many_wait_the_next_is_told_to_come_later(make_api):
    api = make_api(analyses_limit=1)
    multipart(api, "/v1/parts")
    full = multipart(api, "/v1/parts", unit="cm", headers={"Idempotency-Key": '"k"'})
    assert "limit is 1" in problem(full, 503)["detail"]
    assert int(full.headers["Retry-After"]) >= 1
    tasks.analyse_next(api.stores, "test")
    assert multipart(api, "/v1/parts", unit="cm", headers={"Idempotency-Key": '"k"'}).status_code == 202


def test_a_form_from_another_site_is_refused(shop):
    """A browser sends multipart forms anywhere without asking; JSON it does not (Fetch standard, CORS)."""
    foreign = {"Origin": "https://elsewhere.example"}
    problem(multipart(shop, "/v1/parts", headers=foreign), 403)
    problem(multipart(shop, "/v1/jobs", headers=foreign, job=mesh_job(tolerances=[])), 403)
    assert multipart(shop, "/v1/parts", headers={"Origin": "http://localhost"}).status_code == 202


def test_a_refused_mesh_says_why_and_keeps_saying_it(shop):
    part = analysed(shop, data=PLATE, format="obj")
    assert (part["state"], part["summary"]) == ("refused", None)
    assert part["problem"]["type"] == "urn:borewright:problem:mesh-type"
    assert part["problem"]["instance"] == part["location"]
    again = multipart(shop, "/v1/parts", format="obj")
    assert (again.status_code, again.json["problem"]) == (200, part["problem"])


def test_parts_are_listed_with_what_became_of_them(shop):
    made = [multipart(shop, "/v1/parts", unit=unit).json["id"] for unit in ("mm", "cm", "m")]
    page = shop.get("/v1/parts?limit=2").json
    rest = shop.get(f"/v1/parts?limit=2&cursor={page['next_cursor']}").json
    assert {part["id"] for part in page["items"] + rest["items"]} == set(made)
    assert rest["next_cursor"] is None
    assert "summary" not in page["items"][0]


def test_the_worst_layer_is_drawn(shop):
    part = analysed(shop, data=shapes.stl(shapes.strips([0.3, 0.5, 0.9])))
    drawn = shop.get(f"{part['location']}/picture.svg", Accept="image/svg+xml")
    assert (drawn.status_code, drawn.mimetype) == (200, "image/svg+xml")
    assert "default-src 'none'" in drawn.headers["Content-Security-Policy"]
    root = ET.fromstring(drawn.data)
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    problem(shop.get(f"{part['location']}/picture.svg?layer=99"), 422)
    waiting = multipart(shop, "/v1/parts").json
    problem(shop.get(f"{waiting['location']}/picture.svg"), 409)


def test_a_part_goes_when_no_job_needs_it(shop):
    part = multipart(shop, "/v1/parts").json
    problem(shop.delete(part["location"]), 428)
    problem(shop.delete(part["location"], If_Match='"9"'), 412)
    shop.made("/v1/jobs", on_part(part["id"], tolerances=[]))
    problem(shop.delete(part["location"], If_Match="*"), 409)

    loose = multipart(shop, "/v1/parts", unit="cm").json
    assert shop.delete(loose["location"], If_Match=f'"{loose["version"]}"').status_code == 204
    problem(shop.get(loose["location"]), 404)
    problem(shop.delete(loose["location"], If_Match="*"), 404)


def test_a_job_refers_to_a_part_and_reads_back(shop):
    part = analysed(shop)
    (hole,) = [one for one in part["summary"]["features"] if one["kind"] == "hole"]
    body = on_part(part["id"], tolerances=[{"name": hole["name"], "iso286": "H11"}])
    made = shop.made("/v1/jobs", body)
    assert (made["state"], made["part_id"]) == ("accepted", part["id"])

    read = shop.get(made["location"]).json["spec"]
    assert (read["summary"], read["part_id"]) == (None, part["id"])
    assert [one["iso286"] for one in read["tolerances"]] == ["H11"]
    assert shop.post("/v1/jobs", read).status_code == 202

    assert tasks.drain_inbox(shop.stores, "test") == 2
    fits = shop.get(f"{made['location']}/routing").json["routing"]["chosen"]["fits"]
    assert fits[0]["lower_mm"] == pytest.approx(6.0, abs=0.001)  # ISO 286-2: 6 H11 is 0 to +75 um
    assert fits[0]["upper_mm"] == pytest.approx(6.075, abs=0.001)
    assert "60 × 40 × 8 mm" in shop.client.get(f"/jobs/{made['id']}").text


def test_a_job_without_its_part_is_told_so(shop):
    part = analysed(shop)
    known = part["id"]
    assert pointers(shop.post("/v1/jobs", bodies.job(part_id=known))) == ["/part_id"]
    assert pointers(shop.post("/v1/jobs", on_part("p-" + "a" * 52))) == ["/part_id"]
    assert pointers(shop.post("/v1/jobs", on_part("p-1"))) == ["/part_id"]
    assert "/summary" in pointers(shop.post("/v1/jobs", on_part(None)))
    missing = on_part(known, tolerances=[{"name": "pin bore", "iso286": "H11"}])
    assert pointers(shop.post("/v1/jobs", missing)) == ["/tolerances/0/kind", "/tolerances/0/nominal_mm"]
    refused = analysed(shop, format="obj")
    assert pointers(shop.post("/v1/jobs", on_part(refused["id"], tolerances=[]))) == ["/part_id"]


def test_a_job_waits_for_its_part_and_the_pages_and_queries_say_so(shop):
    part = multipart(shop, "/v1/parts").json
    made = shop.made("/v1/jobs", on_part(part["id"]))
    assert made["state"] == "analysing"
    waiting = shop.get(f"{made['location']}/routing")
    assert (waiting.status_code, waiting.json["state"]) == (202, "analysing")
    assert "not analysed" in shop.client.get(f"/jobs/{made['id']}").text
    query = on_part(part["id"], tolerances=[])
    assert "analysed" in problem(shop.post("/v1/routing-queries", query), 409)["detail"]

    tasks.analyse_next(shop.stores, "test")
    tasks.drain_inbox(shop.stores, "test")

    failed = shop.get(made["location"]).json
    assert (failed["state"], "pin bore" in failed["reason"]) == ("failed", True)
    answer = shop.post("/v1/routing-queries", query)
    assert answer.status_code == 200
    assert answer.json["routing"]["chosen"]["machine_id"] == "alder"


def test_a_job_brings_its_mesh_along(shop):
    answer = multipart(shop, "/v1/jobs", job=mesh_job(tolerances=[{"name": "hole-1", "iso286": "H11"}]))
    made = answer.json
    assert (answer.status_code, made["state"]) == (202, "analysing")
    assert answer.headers["Location"] == made["location"]
    assert shop.get(f"/v1/parts/{made['part_id']}").json["state"] == "accepted"
    assert shop.stores.client.llen(f"rq:queue:{tasks.GEOMETRY_QUEUE}") == 1

    tasks.analyse_next(shop.stores, "test")
    tasks.drain_inbox(shop.stores, "test")
    assert shop.get(f"{made['location']}/routing").status_code == 200

    known = multipart(shop, "/v1/jobs", job=mesh_job(tolerances=[]))
    assert (known.json["state"], known.json["part_id"]) == ("accepted", made["part_id"])


def test_the_job_may_come_as_a_small_file_too(shop):
    part = (io.BytesIO(mesh_job(tolerances=[]).encode()), "job.json", "application/json")
    assert multipart(shop, "/v1/jobs", job=part).status_code == 202


@pytest.mark.parametrize(
    ("job", "where"),
    [
        (None, "/job"),
        (json.dumps(bodies.job()), "/job/summary"),
        (mesh_job(quantity=0), "/job/quantity"),
        (mesh_job(material={"material_ids": ["unobtainium"]}), "/job/material/material_ids/0"),
    ],
)
def test_a_job_with_a_mesh_is_checked_like_any_other(shop, job, where):
    assert pointers(multipart(shop, "/v1/jobs", job=job)) == [where]
    assert shop.get("/v1/parts").json["items"] == []
    assert shop.get("/v1/jobs").json["items"] == []


def test_a_job_with_a_mesh_that_is_no_json_is_malformed(shop):
    problem(multipart(shop, "/v1/jobs", job="{"), 400)


def test_a_job_with_a_mesh_that_was_refused_before_is_told_at_once(shop):
    analysed(shop, format="obj")
    answer = multipart(shop, "/v1/jobs", format="obj", job=mesh_job(tolerances=[]))
    assert pointers(answer) == ["/file"]
    assert shop.get("/v1/jobs").json["items"] == []


def test_a_job_with_a_mesh_is_made_once_with_one_key(shop):
    key = {"Idempotency-Key": '"order-118"'}
    made = [multipart(shop, "/v1/jobs", job=mesh_job(tolerances=[]), headers=key).json["id"] for _ in range(2)]
    assert made[0] == made[1]
    other = multipart(shop, "/v1/jobs", job=mesh_job(tolerances=[], quantity=2), headers=key)
    assert "used before" in problem(other, 422)["detail"]


def test_a_batch_may_refer_to_parts(shop):
    done, waiting = analysed(shop), multipart(shop, "/v1/parts", unit="cm").json
    jobs = [on_part(one, tolerances=[]) for one in (done["id"], waiting["id"], "p-" + "a" * 52)] + [bodies.job()]
    answer = shop.made("/v1/job-batches", {"jobs": jobs})
    assert (answer["accepted"], answer["refused"]) == (3, 1)
    states = [item.get("state") for item in answer["items"]]
    assert states == ["accepted", "analysing", None, "accepted"]
    assert answer["items"][2]["problem"]["errors"][0]["pointer"] == "/part_id"


def test_best_orientation_says_which_pose_it_took(shop):
    tower = shapes.stl(shapes.box(8, 12, 90))
    part = analysed(shop, data=tower, orientation="best")
    assert [pose["name"] for pose in part["other_poses"]]
    made = shop.made("/v1/jobs", on_part(part["id"], tolerances=[]))
    tasks.drain_inbox(shop.stores, "test")
    answer = shop.get(f"{made['location']}/routing").json
    pose = answer["routing"]["pose"]
    assert pose["name"] in {one["name"] for one in part["other_poses"]}
    assert pose["note"] in answer["explanation"]["notes"]


def test_the_examples_of_the_description_work(shop):
    job = json.dumps(UPLOADED_JOB | {"material": {}})
    made = multipart(shop, "/v1/jobs", data=TETRAHEDRON.encode(), orientation="best", job=job).json
    tasks.analyse_next(shop.stores, "test")
    part = shop.get(f"/v1/parts/{made['part_id']}").json
    assert part["summary"]["volume_mm3"] == pytest.approx(1000 / 6)  # a sixth of the cube on its three edges


def test_an_analysed_part_can_be_looked_at(shop):
    part = multipart(shop, "/v1/parts").json
    assert "nothing to look at yet" in problem(shop.get(f"{part['location']}/display.stl"), 409)["detail"]
    tasks.analyse_next(shop.stores, "test")

    shown = shop.get(f"{part['location']}/display.stl", Accept_Encoding="gzip", Accept="model/stl")
    assert (shown.status_code, shown.mimetype, shown.headers["Content-Encoding"]) == (200, "model/stl", "gzip")
    plain = shop.get(f"{part['location']}/display.stl", Accept_Encoding="identity")
    assert "Content-Encoding" not in plain.headers
    assert gzip.decompress(shown.data) == plain.data
    read = trimesh.load(io.BytesIO(plain.data), file_type="stl")
    assert read.extents == pytest.approx((60, 40, 8))

    assert shop.delete(part["location"], If_Match="*").status_code == 204
    assert shop.stores.parts.display(part["id"]) is None


def test_a_part_without_a_mesh_cannot_be_looked_at(shop):
    made = shop.post("/v1/parts", {"summary": bodies.summary()}).json
    assert "no drawing" in problem(shop.get(f"{made['location']}/display.stl"), 404)["detail"]
