"""docker-compose.yml names the same parts as `borewright up`, and commands that exist.

Structure: the Compose Specification (compose-spec.io), chapters services, build, deploy and volumes.
"""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from service.cli import _parser
from service.settings import Settings

COMPOSE = yaml.safe_load((Path(__file__).parents[2] / "docker-compose.yml").read_text())
SERVICES = COMPOSE["services"]
OURS = ["api", "worker", "geometry-worker", "planning-worker"]


def test_the_parts_are_those_of_the_embedded_default():
    assert sorted(SERVICES) == sorted(["redis", *OURS])


def test_redis_keeps_every_acknowledged_write_in_a_named_volume_and_evicts_nothing():
    command = SERVICES["redis"]["command"]
    flags = dict(zip(command[1::2], command[2::2], strict=True))
    assert flags["--appendonly"] == "yes"
    assert flags["--appendfsync"] == "always"
    assert flags["--maxmemory-policy"] == "noeviction"
    volume, _, target = SERVICES["redis"]["volumes"][0].partition(":")
    assert target == "/data"
    assert volume in COMPOSE["volumes"]


def test_only_the_api_is_reached_from_outside_and_from_this_machine_only():
    assert [name for name in SERVICES if "ports" in SERVICES[name]] == ["api"]
    assert all(port.startswith("127.0.0.1:") for port in SERVICES["api"]["ports"])
    assert COMPOSE["networks"]["store"]["internal"] is True
    assert SERVICES["redis"]["networks"] == ["store"]


@pytest.mark.parametrize("name", ["redis", *OURS])
def test_every_part_has_a_health_check(name):
    assert SERVICES[name]["healthcheck"]["test"][0] in ("CMD", "CMD-SHELL")


@pytest.mark.parametrize("name", OURS)
def test_our_parts_run_commands_that_exist_not_as_root_and_after_redis(name):
    service = SERVICES[name]
    assert _parser().parse_args(service["command"]).run
    recipe = service["build"]["dockerfile_inline"].splitlines()
    assert "USER 10001" in recipe
    assert 'ENTRYPOINT ["borewright"]' in recipe
    assert service["depends_on"]["redis"]["condition"] == "service_healthy"
    assert Settings.from_env({"BOREWRIGHT_REDIS_URL": service["environment"]["BOREWRIGHT_REDIS_URL"]})


@pytest.mark.parametrize("name", ["worker", "geometry-worker", "planning-worker"])
def test_a_worker_s_health_check_asks_for_its_own_queue(name):
    _, program, *arguments = SERVICES[name]["healthcheck"]["test"]
    assert program == "borewright"
    assert _parser().parse_args(arguments).queue == _parser().parse_args(SERVICES[name]["command"]).queue


def test_the_api_asks_for_keys_since_it_listens_to_others():
    options = vars(_parser().parse_args(SERVICES["api"]["command"]))
    environment = {name: value for name, value in SERVICES["api"]["environment"].items() if "{" not in value}
    assert options["host"] == "0.0.0.0"
    assert Settings.from_env(environment, host=options["host"]).access == "keys"
