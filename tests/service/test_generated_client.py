"""A client generated from the committed description alone, used from hand-in to the learnt outcome.

Generator: openapi-python-client (PyPI). What it cannot make sense of it says as a warning, which fails the test.
"""

from __future__ import annotations

import importlib
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import yaml

from tests.service import api_bodies as bodies
from tests.service.processes import PATIENCE_S, running

DESCRIPTION = Path(__file__).parents[2] / "openapi" / "borewright.yaml"
PACKAGE = "generated_client"
# The generator knows files by one media type only; images are files. Its output is not tidied up: nobody reads it.
GENERATOR = """\
post_hooks: []
content_type_overrides:
  image/png: application/octet-stream
  image/jpeg: application/octet-stream
"""


@pytest.fixture(scope="module")
def generated(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """The folder of the package, made anew and importable."""
    folder = tmp_path_factory.mktemp("client")
    (folder / "generator.yml").write_text(GENERATOR)
    command = [sys.executable, "-m", "openapi_python_client", "generate", "--meta", "none", "--fail-on-warning"]
    options = ["--config", str(folder / "generator.yml"), "--output-path", str(folder / PACKAGE)]
    done = subprocess.run(
        [*command, "--path", str(DESCRIPTION), *options], capture_output=True, text=True, check=False, cwd=folder
    )
    assert done.returncode == 0, done.stdout + done.stderr
    sys.path.insert(0, str(folder))
    yield folder / PACKAGE
    sys.path.remove(str(folder))
    for name in [one for one in sys.modules if one.split(".")[0] == PACKAGE]:
        del sys.modules[name]


@pytest.fixture(scope="module")
def client(generated: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Of a running service."""
    folder = tmp_path_factory.mktemp("service")
    command = [sys.executable, "-m", "service.cli", "up", "--data", str(folder), "--port", "0", "--workers", "1"]
    with running(command, folder / "log", BOREWRIGHT_REDIS_URL="") as up:
        address = up.wait_for_log(r"http://127\.0\.0\.1:\d+")[-1]
        yield importlib.import_module(PACKAGE).Client(base_url=address, raise_on_unexpected_status=True)


def api(tag: str, operation: str) -> Any:
    """The module of one operation; its ``sync`` gives the parsed answer."""
    return importlib.import_module(f"{PACKAGE}.api.{tag}.{operation}")


def models() -> Any:
    return importlib.import_module(f"{PACKAGE}.models")


def test_every_operation_has_a_function_under_its_own_name(generated: Path) -> None:
    paths = yaml.safe_load(DESCRIPTION.read_text())["paths"]
    named = {one["operationId"].replace("-", "_") for path in paths.values() for one in path.values() if "tags" in one}
    made = {file.stem for file in (generated / "api").glob("*/*.py")} - {"__init__"}
    assert made == named


def test_from_hand_in_to_the_learnt_outcome(client: Any) -> None:
    m = models()
    stock(client, m)
    job = m.Job(
        name="drawer guide",
        material=m.MaterialNeed(material_ids=["pla-grey"]),
        summary=m.Summary.from_dict(bodies.summary()),
        tolerances=[m.Tolerance(name="pin bore", iso286="H11")],
    )
    receipt = api("jobs", "create_job").sync(client=client, body=job, idempotency_key="guide-1")
    assert isinstance(receipt, m.JobReceipt)
    answer = routed(client, m, receipt.id)
    assert answer.routing.chosen.machine_id == "alder"
    assert 0 < answer.routing.chosen.scores.fit <= 1

    claim = claimed(client, m)
    assert claim.job_id == receipt.id
    renewal = m.Renewal(progress=0.5)
    assert api("claims", "renew_claim").sync(claim.id, client=client, body=renewal).progress == 0.5
    finish = m.Finish(accepted=True, print_h=0.7, sizes=[m.Size(name="pin bore", measured_mm=6.02)])
    assert api("claims", "finish_claim").sync(claim.id, client=client, body=finish).state is m.ClaimState.FINISHED
    (outcome,) = api("outcomes", "list_outcomes").sync(client=client, job_id=receipt.id).items
    assert (outcome.accepted, outcome.print_h) == (True, 0.7)
    told = api("events", "list_events").sync(client=client, limit=200).items
    assert "job.routed" in {event.kind for event in told if event.subject == f"job/{receipt.id}"}


def test_a_refusal_is_a_problem_that_points_at_the_field(client: Any) -> None:
    m = models()
    need = m.MaterialNeed(material_ids=["no-such"])
    job = m.Job(name="x", material=need, summary=m.Summary.from_dict(bodies.summary()))
    problem = api("jobs", "create_job").sync(client=client, body=job)
    assert isinstance(problem, m.Problem)
    assert problem.status == 422
    assert problem.errors[0].pointer == "/material/material_ids/0"


def stock(client: Any, m: Any) -> None:
    """One machine with a mounted 0.4 nozzle, one material on one spool."""
    for tag, operation, thing in (
        ("machines", "create_machine", m.Machine.from_dict(bodies.machine())),
        ("nozzles", "create_nozzle", m.Nozzle.from_dict(bodies.nozzle(machine_id="alder", slot=1))),
        ("materials", "create_material", m.Material.from_dict(bodies.material())),
        ("spools", "create_spool", m.Spool.from_dict(bodies.spool(machine_id="alder", slot=1))),
    ):
        made = api(tag, operation).sync(client=client, body=thing)
        assert isinstance(made, type(thing)), made


def routed(client: Any, m: Any, job_id: str) -> Any:
    """The routing, once there is one."""
    answer: Any = SimpleNamespace()
    deadline = time.monotonic() + PATIENCE_S
    while not isinstance(answer, m.RoutingAnswer):
        assert time.monotonic() < deadline, answer
        answer = api("jobs", "get_job_routing").sync(job_id, client=client)
    return answer


def claimed(client: Any, m: Any) -> Any:
    """The first copy, once the job is bound."""
    answer: Any = None
    deadline = time.monotonic() + PATIENCE_S
    while not isinstance(answer, m.Claim):
        assert time.monotonic() < deadline, answer
        answer = api("claims", "take_claim").sync(client=client, body=m.Taking(machine_id="alder", claimant="agent"))
    return answer
