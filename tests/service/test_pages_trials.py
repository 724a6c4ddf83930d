"""The pages of bore trials: the report says what the analysis says, and reads without colours, scripts or eyes."""

from __future__ import annotations

import re

import pytest

from service.pages.trial_view import chance_text, trial_view
from service.pages.wording import number
from tests.planning.trials import simulated
from tests.service import trial_bodies as bodies
from tests.service.page_reader import read
from tests.service.test_pages import Reader
from workers.model.trial import MeasureKind
from workers.planning.trials.analysis import report_of


@pytest.fixture
def ended(api):
    """A trial of one machine with all its results in, one of them photographed."""
    shop = bodies.two_machines(api)
    trial = shop.made("/v1/bore-trials", bodies.trial(machine_ids=["alder"], replicates=3, name="Is <0.5> worth it?"))
    path = f"/v1/bore-trials/{trial['id']}"
    shop.post(f"{path}/start")
    for _ in trial["runs"]:
        now = shop.get(path).json
        run = next(one for one in now["runs"] if one["job_id"] and not one["result"])
        size = {0.4: 8.03, 0.5: 8.02, 0.6: 7.85}[run["bore_mm"]] + 0.003 * (run["number"] % 3)
        sizes = [{"name": "hole 8", "measured_mm": round(size, 3)}]
        assert shop.post(f"{path}/runs/{run['number']}/result", bodies.result(sizes=sizes)).status_code == 201
    shop.client.put(f"{path}/runs/1/photo", data=bodies.png(), content_type="image/png")
    return shop, trial["id"]


def test_the_report_says_what_the_analysis_says(ended):
    shop, trial_id = ended
    page = read(shop.get(f"/bore-trials/{trial_id}").text)
    analysis = shop.get(f"/v1/bore-trials/{trial_id}/analysis").json
    text = page.text()
    for sentence in analysis["sentences"]:
        assert sentence in text
    size = next(one for one in analysis["measures"] if one["measure"] == "hole 8")
    widest = next(one for one in size["pairs"] if (one["bore_mm"], one["other_mm"]) == (0.4, 0.6))
    assert f"{number(widest['difference'], 3)} mm" in text
    assert chance_text(widest["p_corrected"]) in text
    scatter = next(one for one in size["table"] if one["source"] == "scatter")
    assert number(scatter["squares"], 6) in text


def test_every_drawing_and_picture_can_be_read_without_seeing_it(ended):
    shop, trial_id = ended
    html = shop.get(f"/bore-trials/{trial_id}").text
    drawings = re.findall(r'<svg class="drawn means".*?</svg>', html, re.S)
    assert drawings
    for one in drawings:
        assert 'role="img"' in one
        named = re.search(r'aria-labelledby="(\S+) (\S+)"', one)
        assert f'<title id="{named[1]}">' in one
        assert re.search(rf'<desc id="{named[2]}">Mean error by bore\. 0\.4 mm: \+0\.03', one)
    [picture] = re.findall(r"<img [^>]*>", html)
    assert 'alt="The piece of run 1, printed with ' in picture


def test_the_page_is_strict_and_escapes_what_people_wrote(ended):
    shop, trial_id = ended
    answer = shop.get(f"/bore-trials/{trial_id}")
    policy = answer.headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; ")
    assert "unsafe" not in policy
    assert "Is &lt;0.5&gt; worth it?" in answer.text
    assert not re.search(r"<script(?![^>]* src=)|<style| style=| on[a-z]+=", answer.text)


def test_the_data_can_be_taken_along(ended):
    shop, trial_id = ended
    html = shop.get(f"/bore-trials/{trial_id}").text
    for path in (f"/v1/bore-trials/{trial_id}/results.csv", f"/v1/bore-trials/{trial_id}/analysis"):
        assert f'href="{path}"' in html
        assert shop.get(path).status_code == 200


def test_the_list_names_every_trial_and_links_to_its_report(ended):
    shop, trial_id = ended
    html = shop.get("/bore-trials").text
    assert f'href="/bore-trials/{trial_id}"' in html
    assert "9 of 9" in html
    assert shop.get("/bore-trials/nothing").status_code == 404


def test_a_trial_without_results_has_its_plan_and_its_power(api):
    shop = bodies.two_machines(api)
    trial = shop.made("/v1/bore-trials", bodies.trial())
    text = read(shop.get(f"/bore-trials/{trial['id']}").text).text()
    assert "No run has a result yet." in text
    assert "What it can show" in text
    assert "need a change of nozzle" in text
    assert "drawn means" not in shop.get(f"/bore-trials/{trial['id']}").text


def test_the_plots_hold_the_figures_of_the_analysis():
    trial = simulated.with_results(4, effect_mm=0.15)
    report = report_of(trial, {})
    view = trial_view(trial, report, simulated.shop())
    assert len(view.plots) == 2
    shown = [one for one in report.measures if one.n and one.kind in (MeasureKind.SIZE, MeasureKind.TIME)]
    for plot, measure in zip(view.plots, shown, strict=True):
        found = [(one.value, one.low, one.high) for one in plot.means]
        assert found == [(one.value, one.low, one.high) for one in measure.bores]
    fit, hours = view.plots
    assert fit.limits is not None
    assert fit.limits[0] < fit.limits[1]
    assert hours.limits is None
    [ribs] = view.series
    assert ribs.grades[0] == "0.8 mm"
    assert {share.word for _, shares in ribs.rows for share in shares} <= {"all", "some", "none"}


def test_what_a_new_trial_lacks_is_said_beside_its_fields_and_nothing_typed_is_lost(api):
    reader = Reader(bodies.two_machines(api))
    answer = reader.send(
        "/bore-trials/new", "/bore-trials/new", bores_mm="0.4 wide", machine_ids="alder", replicates="90"
    )
    assert answer.status_code == 422
    page = read(answer.text)
    alert = page.one("div", role="alert").text()
    for words in ("Name : this is missing", "Materials : tick at least one", "'wide' is not a number", "1 to 20"):
        assert words in alert
    assert "tick at least one" in page.one("p", id="e-material_ids").text()
    assert page.one("input", id="bores_mm").get("value") == "0.4 wide"
    assert "checked" in page.one("input", id="machine_ids-alder").attributes
    assert "Machines :" not in alert


def test_what_is_wrong_with_a_run_is_said_with_the_field_s_own_name(api):
    shop = bodies.two_machines(api)
    trial = shop.made("/v1/bore-trials", bodies.trial(machine_ids=["alder"], replicates=3))
    shop.post(f"/v1/bore-trials/{trial['id']}/start")
    path = f"/bore-trials/{trial['id']}/runs/1"
    answer = Reader(shop).send(path, path, accepted="yes", print_h="long", **{"size-0": "round"})
    assert answer.status_code == 422
    alert = read(answer.text).one("div", role="alert").text()
    assert "Hours it took : 'long' is not a number" in alert
    assert "hole 5 : 'round' is not a number" in alert
