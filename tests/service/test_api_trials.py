"""Bore trials over HTTP: defined, started, handed in run by run, reported once, judged, closed."""

from __future__ import annotations

import csv
import io
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests.service import api_bodies
from tests.service import trial_bodies as bodies
from workers import tasks
from workers.geometry import gauge_piece


@pytest.fixture
def shop(api):
    return bodies.two_machines(api)


@pytest.fixture
def trial(shop):
    return shop.made("/v1/bore-trials", bodies.trial())


def started(api, trial):
    answer = api.post(f"/v1/bore-trials/{trial['id']}/start")
    assert answer.status_code == 200, answer.text
    return answer.json


def routed(api):
    """What the workers do: the jobs handed in are routed and bound."""
    tasks.drain_and_bind(api.stores, "test")


def handed_in(trial):
    return [run for run in trial["runs"] if run["job_id"] is not None]


def test_a_trial_is_laid_out_estimated_and_powered_and_nothing_is_handed_in(shop):
    answer = shop.post("/v1/bore-trials", bodies.trial())
    trial = answer.json
    assert (answer.status_code, trial["state"], answer.headers["ETag"]) == (201, "planned", '"1"')
    assert answer.headers["Location"] == f"/v1/bore-trials/{trial['id']}"
    assert len(trial["runs"]) == 12
    assert trial["estimate"]["runs"] == 12
    assert trial["estimate"]["print_h"] == pytest.approx(sum(run["print_h"] for run in trial["runs"]))
    shown = {one["measure"]: one for one in trial["power"]["measures"]}
    assert 0 < shown["hole 8"]["at_80"] < shown["hole 8"]["at_90"] < 0.5
    assert shown["rib 0.4"]["unit"] == "share"
    assert shop.get("/v1/jobs").json["items"] == []
    assert shop.get(answer.headers["Location"]).json == trial


def test_the_same_seed_gives_the_same_runs(shop):
    first, again = (shop.made("/v1/bore-trials", bodies.trial()) for _ in range(2))
    other = shop.made("/v1/bore-trials", bodies.trial(seed=4))
    assert first["runs"] == again["runs"] != other["runs"]


def test_a_started_trial_hands_each_machine_its_first_run(shop, trial):
    now = started(shop, trial)
    runs = handed_in(now)
    assert sorted(run["machine_id"] for run in runs) == ["alder", "birch"]
    routed(shop)
    for run in runs:
        job = shop.get(f"/v1/jobs/{run['job_id']}").json
        assert (job["state"], job["spec"]["place"]["nozzle_id"]) == ("bound", run["nozzle_id"])
        chosen = shop.get(f"/v1/jobs/{run['job_id']}/routing").json["routing"]["chosen"]
        said = ("machine_id", "nozzle_id", "material_id", "bead_width_mm", "layer_height_mm")
        assert {name: chosen[name] for name in said} == {name: run[name] for name in said}
        listed = shop.get(f"/v1/machines/{run['machine_id']}/dispatch-list").json
        assert run["job_id"] in str(listed)


def test_a_run_waits_until_its_nozzle_is_mounted(shop):
    trial = shop.made("/v1/bore-trials", bodies.trial(machine_ids=["birch"], bores_mm=[0.5, 0.6]))
    first = next(run for run in trial["runs"] if run["bore_mm"] == 0.6)
    now = started(shop, trial)
    for _ in range(first["number"] - 1):
        now = reported_one(shop, now)
    [ahead] = shop.get(f"/v1/bore-trials/{trial['id']}/next").json["items"]
    assert (ahead["number"], ahead["job_id"]) == (first["number"], None)
    assert ahead["waits_for"] == "mount n-060-birch on Birch"
    put = shop.post("/v1/nozzles/n-060-birch/mounting", {"machine_id": "birch", "slot": 3}, If_Match="*")
    assert put.status_code == 200, put.text
    assert tasks.watch_trials(shop.stores)
    assert not tasks.watch_trials(shop.stores)
    [ahead] = shop.get(f"/v1/bore-trials/{trial['id']}/next").json["items"]
    assert (ahead["waits_for"], ahead["job_id"] is not None) == ("", True)


def reported_one(api, trial):
    run = next(r for r in handed_in(trial) if r["result"] is None)
    path = f"/v1/bore-trials/{trial['id']}"
    assert api.post(f"{path}/runs/{run['number']}/result", bodies.result()).status_code == 201
    return api.get(path).json


def test_results_hand_in_the_next_run_in_the_drawn_order(shop, trial):
    now = started(shop, trial)
    first = min(handed_in(now), key=lambda run: run["number"])
    answer = shop.post(f"/v1/bore-trials/{trial['id']}/runs/{first['number']}/result", bodies.result())
    assert (answer.status_code, answer.json["result"]["kept"]) == (201, ["rib 0.6", "rib 0.8"])
    now = shop.get(f"/v1/bore-trials/{trial['id']}").json
    own = [run for run in now["runs"] if run["machine_id"] == first["machine_id"]]
    assert [run["job_id"] is not None for run in own[:3]] == [True, True, False]
    assert shop.get(f"/v1/jobs/{first['job_id']}").json["state"] == "cancelled"


def test_a_result_is_learnt_exactly_once(shop, trial):
    now = started(shop, trial)
    routed(shop)
    run = handed_in(now)[0]
    path = f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result"
    body = bodies.result(print_h=run["print_h"])
    first, again = (shop.post(path, body, Idempotency_Key='"r-1"') for _ in range(2))
    assert (first.status_code, first.data) == (201, again.data)
    assert shop.post(path, bodies.result()).status_code == 409
    [outcome] = shop.get("/v1/outcomes").json["items"]
    assert (outcome["job_id"], outcome["state"]) == (run["job_id"], "learnt")
    assert outcome["sizes"][0]["prior_mean_mm"] is not None
    assert outcome["expected"] is not None
    assert sum(one.sums.prints for one in shop.stores.fleet.snapshot().evidence) == 1


def test_a_claim_and_a_result_of_the_same_run_are_one_outcome(shop, trial):
    now = started(shop, trial)
    routed(shop)
    run = handed_in(now)[0]
    claim = shop.made("/v1/claims", {"machine_id": run["machine_id"], "claimant": "agent"})
    path = f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result"
    busy = shop.post(path, bodies.result())
    assert (busy.status_code, "being printed" in busy.json["detail"]) == (409, True)
    finish = shop.post(f"/v1/claims/{claim['id']}/finish", {"accepted": True, "print_h": run["print_h"], "clogs": 0})
    assert finish.status_code == 200, finish.text
    answer = shop.post(path, bodies.result())
    assert answer.json["result"]["print_h"] == run["print_h"]
    states = sorted(one["state"] for one in shop.get("/v1/outcomes").json["items"])
    assert states == ["learnt", "withdrawn"]
    evidence = shop.stores.fleet.snapshot().evidence
    assert sum(one.sums.prints for one in evidence) == 1
    assert sum(one.sums.timed for one in evidence) == 1


def test_a_result_taken_back_leaves_nothing_behind(shop, trial):
    now = started(shop, trial)
    routed(shop)
    run = handed_in(now)[0]
    path = f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result"
    shop.made(path, bodies.result())
    assert shop.stores.fleet.snapshot().evidence
    back = shop.delete(path)
    assert back.status_code == 200
    assert shop.stores.fleet.snapshot().evidence == ()
    assert shop.delete(path).status_code == 404
    assert shop.post(path, bodies.result()).status_code == 201


def test_a_finished_claim_alone_hands_in_the_next_run(shop, trial):
    """A machine that works through its list at night is not held up by who measures in the morning."""
    now = started(shop, trial)
    routed(shop)
    run = handed_in(now)[0]
    claim = shop.made("/v1/claims", {"machine_id": run["machine_id"], "claimant": "agent"})
    shop.post(f"/v1/claims/{claim['id']}/finish", {"accepted": True})
    assert tasks.watch_trials(shop.stores)
    now = shop.get(f"/v1/bore-trials/{trial['id']}").json
    assert len([one for one in handed_in(now) if one["machine_id"] == run["machine_id"]]) == 2
    answer = shop.post(f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result", bodies.result())
    assert answer.status_code == 201


def test_the_analysis_says_what_the_results_say(shop):
    trial = shop.made("/v1/bore-trials", bodies.trial(machine_ids=["alder"], replicates=4))
    started(shop, trial)
    before = shop.get(f"/v1/bore-trials/{trial['id']}/analysis").json
    assert before["sentences"] == ["No run has a result yet."]
    for _ in range(12):
        now = shop.get(f"/v1/bore-trials/{trial['id']}").json
        run = next(r for r in handed_in(now) if r["result"] is None)
        size = {0.4: 8.03, 0.5: 8.02, 0.6: 7.85}[run["bore_mm"]] + 0.002 * (run["number"] % 3)
        gone = ["rib 0.3", "rib 0.5"] if run["bore_mm"] == 0.6 else ["rib 0.3"]
        body = bodies.result(sizes=[{"name": "hole 8", "measured_mm": size}], lost=gone)
        body["kept"] = [one for one in ("rib 0.5", "rib 0.6", "rib 0.8") if one not in gone]
        assert shop.post(f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result", body).status_code == 201
    report = shop.get(f"/v1/bore-trials/{trial['id']}/analysis").json
    assert (report["runs"], report["results"]) == (12, 12)
    assert "0.5 mm holds: sliding fit, H11, 8 mm." in report["sentences"]
    assert "0.6 mm does not hold: sliding fit, H11, 8 mm." in report["sentences"]
    assert "0.5 mm kept the rib of 0.5 mm and every easier one in all of its 4 runs." in report["sentences"]
    assert "0.6 mm kept the rib of 0.6 mm and every easier one in all of its 4 runs." in report["sentences"]
    size = next(one for one in report["measures"] if one["measure"] == "hole 8")
    assert size["p_bore_corrected"] < 0.001
    table = list(csv.reader(io.StringIO(shop.get(f"/v1/bore-trials/{trial['id']}/results.csv").text)))
    assert len(table) == 13
    assert {len(row) for row in table} == {len(table[0])}


def test_closing_takes_what_is_open_off_the_lists(shop, trial):
    now = started(shop, trial)
    routed(shop)
    closed = shop.post(f"/v1/bore-trials/{trial['id']}/closing", {"reason": "enough"})
    assert (closed.status_code, closed.json["state"], closed.json["reason"]) == (200, "closed", "enough")
    states = {shop.get(f"/v1/jobs/{run['job_id']}").json["state"] for run in handed_in(now)}
    assert states == {"cancelled"}
    assert not tasks.watch_trials(shop.stores)
    run = handed_in(now)[0]
    late = shop.post(f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result", bodies.result())
    assert late.status_code == 409
    assert shop.post(f"/v1/bore-trials/{trial['id']}/start").status_code == 409


def test_versions_guard_every_change(shop, trial):
    path = f"/v1/bore-trials/{trial['id']}"
    assert shop.post(f"{path}/start", If_Match='"7"').status_code == 412
    assert shop.post(f"{path}/start", If_Match='"1"').status_code == 200
    etag = shop.get(path).headers["ETag"]
    assert shop.get(path, If_None_Match=etag).status_code == 304
    assert shop.get(f"{path}/analysis", If_None_Match=etag).status_code == 304
    assert shop.post(f"{path}/cancellation", {}, If_Match='"1"').status_code == 412


def test_every_step_is_an_event_and_a_line_of_history(shop, trial):
    now = started(shop, trial)
    run = handed_in(now)[0]
    shop.made(f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result", bodies.result())
    lines = [one["kind"] for one in shop.get(f"/v1/bore-trials/{trial['id']}/history").json["items"]]
    assert lines[:4] == ["bore-trial.planned", "bore-trial.started", "bore-trial.handed-in", "bore-trial.result"]


def test_trials_are_listed_newest_first_by_pages(shop):
    made = [shop.made("/v1/bore-trials", bodies.trial(name=f"Trial {n}"))["id"] for n in range(3)]
    first = shop.get("/v1/bore-trials?limit=2").json
    second = shop.get(f"/v1/bore-trials?limit=2&cursor={first['next_cursor']}").json
    assert [one["id"] for one in first["items"] + second["items"]] == made[::-1]
    assert second["next_cursor"] is None


BAD_PLANS = [
    ({"bores_mm": [0.4]}, "/bores_mm"),
    ({"bores_mm": [0.5, 0.4]}, "/bores_mm"),
    ({"bores_mm": [0.3, 0.4]}, "/bores_mm/0"),
    ({"machine_ids": ["alder", "nobody"]}, "/machine_ids/1"),
    ({"machine_ids": ["alder", "alder"]}, "/machine_ids/1"),
    ({"material_ids": ["gold"]}, "/material_ids/0"),
    ({"nozzle_ids": ["n-999"]}, "/nozzle_ids/0"),
    ({"replicates": 0}, "/replicates"),
    ({"runs_per_replicate": 4}, "/runs_per_replicate"),
    ({"seed": -1}, "/seed"),
    ({"part_id": "p-" + "a" * 52, "measures": [{"name": "c", "kind": "clog"}]}, "/part_id"),
    ({"part_id": "p-" + "a" * 52}, "/measures"),
    ({"measures": [{"name": "bore", "kind": "size"}]}, "/measures/0/feature"),
    ({"measures": [{"name": "c", "kind": "clog"}, {"name": "c", "kind": "time"}]}, "/measures/1/name"),
    ({"measures": [{"name": "r", "kind": "kept", "lower_mm": 1}]}, "/measures/0/lower_mm"),
    (
        {"measures": [{"name": "b", "kind": "size", "feature": "hole", "nominal_mm": 8, "iso286": "Z99"}]},
        "/measures/0/iso286",
    ),
    ({"colour": "red"}, "/colour"),
]


def test_what_cannot_be_is_refused_where_it_stands(shop):
    for changes, where in BAD_PLANS:
        answer = shop.post("/v1/bore-trials", bodies.trial(**changes))
        assert answer.status_code == 422, (changes, answer.text)
        assert answer.mimetype == "application/problem+json"
        assert answer.json["errors"][0]["pointer"] == where


BAD_RESULTS = [
    ({"accepted": False}, "/scrap_reason"),
    ({"sizes": [{"name": "hole 99", "measured_mm": 8}]}, "/sizes/0/name"),
    ({"kept": ["rib 99"], "lost": []}, "/kept/0"),
    ({"kept": ["rib 0.3"], "lost": ["rib 0.3"]}, "/lost/0"),
    ({"spool_id": "s-99"}, "/spool_id"),
    ({"at": "2099-01-01T00:00:00Z"}, "/at"),
    ({"print_h": -1}, "/print_h"),
]


def test_a_bad_result_changes_nothing(shop, trial):
    now = started(shop, trial)
    routed(shop)
    run = handed_in(now)[0]
    for changes, where in BAD_RESULTS:
        answer = shop.post(f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result", bodies.result(**changes))
        assert answer.status_code == 422, (changes, answer.text)
        assert answer.json["errors"][0]["pointer"] == where
    assert shop.get("/v1/outcomes").json["items"] == []
    assert shop.get(f"/v1/jobs/{run['job_id']}").json["state"] == "bound"


def test_a_trial_of_a_part_prints_that_part(shop):
    part = shop.made("/v1/parts", {"name": "Guide", "summary": api_bodies.summary()})
    bore = {"name": "pin bore", "kind": "size", "feature": "hole", "nominal_mm": 6, "facets": 64, "iso286": "H11"}
    trial = shop.made("/v1/bore-trials", bodies.trial(part_id=part["id"], measures=[bore]))
    assert trial["runs"][0]["print_h"] < shop.made("/v1/bore-trials", bodies.trial())["runs"][0]["print_h"]
    run = handed_in(started(shop, trial))[0]
    routed(shop)
    job = shop.get(f"/v1/jobs/{run['job_id']}").json
    assert (job["state"], job["spec"]["part_id"]) == ("bound", part["id"])
    assert job["spec"]["tolerances"][0]["name"] == "pin bore"
    body = bodies.result(sizes=[{"name": "pin bore", "measured_mm": 6.02}], kept=[], lost=[])
    assert shop.post(f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result", body).status_code == 201
    [outcome] = shop.get("/v1/outcomes").json["items"]
    assert outcome["sizes"][0]["expected_probability"] is not None


def test_a_trial_of_two_parts_prints_both_and_judges_each(shop):
    summaries = [api_bodies.summary() | {"extent_z_mm": 10.0}, api_bodies.summary()]
    parts = [shop.made("/v1/parts", {"summary": one})["id"] for one in summaries]
    bore = {"name": "bore", "kind": "size", "feature": "hole", "nominal_mm": 6, "facets": 64, "iso286": "H11"}
    measures = [{"name": "time", "kind": "time"}, bore | {"part_id": parts[1], "use": "sliding fit"}]
    body = bodies.trial(part_ids=parts, measures=measures)
    trial = shop.made("/v1/bore-trials", body)
    assert [one["name"] for one in trial["plan"]["measures"]] == ["time, part 1", "time, part 2", "bore"]
    assert len(trial["runs"]) == 24
    assert [one["runs"] for one in trial["estimate"]["parts"]] == [12, 12]
    shown = {one["measure"]: one["at_80"] for one in trial["power"]["measures"]}
    assert shown["time, part 1"] == shown["time, part 2"]
    # what was read can be given again
    assert shop.made("/v1/bore-trials", trial["plan"])["runs"] == trial["runs"]
    now = started(shop, trial)
    routed(shop)
    path = f"/v1/bore-trials/{trial['id']}"
    for run in handed_in(now):
        assert shop.get(f"/v1/jobs/{run['job_id']}").json["spec"]["part_id"] == run["part_id"]
        sized = bodies.result(print_h=1.1, sizes=[{"name": "bore", "measured_mm": 6.02}], kept=[], lost=[])
        answer = shop.post(f"{path}/runs/{run['number']}/result", sized)
        assert answer.status_code == (201 if run["part_id"] == parts[1] else 422), answer.text
        if answer.status_code == 422:
            assert answer.json["errors"][0]["pointer"] == "/sizes/0/name"
            plain = bodies.result(print_h=1.1, sizes=[], kept=[], lost=[])
            assert shop.post(f"{path}/runs/{run['number']}/result", plain).status_code == 201
    report = shop.get(f"{path}/analysis").json
    counted = {one["measure"]: one["n"] for one in report["measures"]}
    assert counted["time, part 1"] + counted["time, part 2"] == report["results"] > 0
    rows = list(csv.DictReader(io.StringIO(shop.get(f"{path}/results.csv").text)))
    assert {row["part"] for row in rows} == set(parts)


@pytest.mark.parametrize(
    ("changes", "where"),
    [
        ({"part_id": "a"}, "/part_id"),
        ({"part_ids": ["a", "a"]}, "/part_ids/1"),
        ({"part_ids": ["a", "b"]}, "/part_ids/1"),
        ({"measures": [{"name": "time", "kind": "time", "part_id": "b"}]}, "/measures/0/part_id"),
    ],
)
def test_parts_that_make_no_sense_are_refused_at_their_place(shop, changes, where):
    known = shop.made("/v1/parts", {"summary": api_bodies.summary()})["id"]
    ids = {"a": known, "b": "p-" + "a" * 52}
    body = bodies.trial(part_ids=[known], measures=[{"name": "time", "kind": "time"}])
    for name, value in changes.items():
        if name == "measures":
            body[name] = [one | {"part_id": ids[one["part_id"]]} for one in value]
        else:
            body[name] = ids[value] if isinstance(value, str) else [ids[one] for one in value]
    answer = shop.post("/v1/bore-trials", body)
    assert answer.status_code == 422
    assert where in [one["pointer"] for one in answer.json["errors"]]


def test_a_trial_whose_part_is_gone_does_not_start(shop):
    part = shop.made("/v1/parts", {"summary": api_bodies.summary()})
    trial = shop.made("/v1/bore-trials", bodies.trial(part_id=part["id"], measures=[{"name": "c", "kind": "clog"}]))
    assert shop.delete(f"/v1/parts/{part['id']}", If_Match="*").status_code == 204
    answer = shop.post(f"/v1/bore-trials/{trial['id']}/start")
    assert (answer.status_code, "part" in answer.json["detail"]) == (409, True)
    assert shop.get(f"/v1/bore-trials/{trial['id']}").json["state"] == "planned"


def test_a_run_that_is_not_handed_in_takes_no_result(shop, trial):
    now = started(shop, trial)
    run = next(run for run in now["runs"] if run["job_id"] is None)
    path = f"/v1/bore-trials/{trial['id']}/runs"
    assert shop.post(f"{path}/{run['number']}/result", bodies.result()).status_code == 409
    assert shop.post(f"{path}/99/result", bodies.result()).status_code == 404
    assert shop.post("/v1/bore-trials/nothing/runs/1/result", bodies.result()).status_code == 404


def test_an_iso_class_becomes_the_limits_of_a_size(shop):
    bore = {"name": "pin bore", "kind": "size", "feature": "hole", "nominal_mm": 8, "iso286": "H11"}
    trial = shop.made("/v1/bore-trials", bodies.trial(measures=[bore]))
    [kept] = trial["plan"]["measures"]
    assert (kept["lower_mm"], kept["upper_mm"]) == pytest.approx((8.0, 8.09))  # ISO 286-1, H11 of 6 to 10 mm: 90 um


def test_the_gauge_piece_is_served_as_stl(shop):
    answer = shop.get("/v1/bore-trials/gauge-piece.stl", Accept="model/stl")
    assert (answer.status_code, answer.mimetype) == (200, "model/stl")
    assert answer.data == gauge_piece.stl()
    assert answer.headers["X-Content-Type-Options"] == "nosniff"


def test_a_replayed_definition_is_one_trial(shop):
    first, again = (shop.post("/v1/bore-trials", bodies.trial(), Idempotency_Key='"t-1"') for _ in range(2))
    assert (first.status_code, first.data) == (201, again.data)
    assert len(shop.get("/v1/bore-trials").json["items"]) == 1


@pytest.mark.parametrize(
    ("data", "media"), [(bodies.png(), "image/png"), (bodies.jpeg(), "image/jpeg")], ids=["png", "jpeg"]
)
def test_a_photograph_is_kept_and_given_out_safely(shop, trial, data, media):
    path = f"/v1/bore-trials/{trial['id']}/runs/1/photo"
    put = shop.client.put(path, data=data, content_type=media)
    assert (put.status_code, put.json["photo"]["media_type"]) == (200, media)
    assert put.json["photo"]["width_px"] == (2 if media == "image/png" else 16)
    got = shop.get(path, Accept="image/*")
    assert (got.status_code, got.data, got.mimetype) == (200, data, media)
    assert got.headers["X-Content-Type-Options"] == "nosniff"
    assert "default-src 'none'; sandbox" in got.headers["Content-Security-Policy"]
    assert shop.get(path, If_None_Match=got.headers["ETag"]).status_code == 304
    assert shop.delete(path).json["photo"] is None
    assert shop.get(path).status_code == 404


SVG = b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>"


NO_PHOTOGRAPHS = [
    (SVG, "image/svg+xml", 415),
    (SVG, "image/png", 422),
    (bodies.png(), "image/jpeg", 415),
    (bodies.png()[:-6], "image/png", 422),
    (bodies.png() + SVG, "image/png", 422),
    (bodies.png(20_000, 2), "image/png", 422),
    (bodies.jpeg()[:-2], "image/jpeg", 422),
    (b"\xff\xd8\xff", "image/jpeg", 422),
    (b"", "image/png", 422),
    (bodies.png() + b"\0" * (4 * 1024 * 1024), "image/png", 413),
]


def test_what_is_no_photograph_is_refused(shop, trial):
    path = f"/v1/bore-trials/{trial['id']}/runs/1/photo"
    for data, media, status in NO_PHOTOGRAPHS:
        answer = shop.client.put(path, data=data, content_type=media)
        assert (answer.status_code, answer.mimetype) == (status, "application/problem+json"), (data[:20], media)
    assert shop.get(path).status_code == 404


def test_results_sent_at_once_are_one_result_of_each_run(shop, trial):
    now = started(shop, trial)
    routed(shop)
    runs = handed_in(now) * 3

    def report(run):
        path = f"/v1/bore-trials/{trial['id']}/runs/{run['number']}/result"
        return shop.app.test_client().post(path, json=bodies.result()).status_code

    with ThreadPoolExecutor(6) as pool:
        codes = list(pool.map(report, runs))
    assert sorted(codes) == [201, 201, 409, 409, 409, 409]
    assert sum(one.sums.prints for one in shop.stores.fleet.snapshot().evidence) == 2
    assert len(shop.get("/v1/outcomes").json["items"]) == 2
