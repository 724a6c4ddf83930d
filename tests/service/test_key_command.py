"""`borewright key`: the first key of a shop is made where its store is."""

from __future__ import annotations

import pytest
import redis

from service import cli
from workers.model.access import Scope
from workers.store.access import AccessRepository
from workers.store.keys import Keys


@pytest.fixture(autouse=True)
def store(redis_client: redis.Redis, redis_url: str, monkeypatch: pytest.MonkeyPatch) -> AccessRepository:
    monkeypatch.setenv("BOREWRIGHT_REDIS_URL", redis_url)
    return AccessRepository(redis_client, Keys())


def test_the_key_that_is_printed_is_good(store: AccessRepository, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["key", "add", "--name", "chief", "--scope", "read", "--scope", "administer"]) == 0
    key = store.of_text(capsys.readouterr().out.strip())
    assert key is not None
    assert (key.name, key.scopes, key.expires_at) == ("chief", (Scope.READ, Scope.ADMINISTER), None)


def test_a_key_for_a_week_ends_after_a_week(store: AccessRepository, capsys: pytest.CaptureFixture[str]) -> None:
    cli.main(["key", "add", "--name", "guest", "--scope", "read", "--days", "7"])
    key = store.of_text(capsys.readouterr().out.strip())
    assert key is not None
    assert key.expires_at == pytest.approx(key.created_at + 7 * 86_400, abs=5)


def test_keys_are_listed_without_their_secrets_and_revoked(
    store: AccessRepository, capsys: pytest.CaptureFixture[str]
) -> None:
    cli.main(["key", "add", "--name", "chief", "--scope", "operate"])
    text = capsys.readouterr().out.strip()
    [key] = store.all()
    assert cli.main(["key", "list"]) == 0
    listed = capsys.readouterr().out
    assert key.id in listed
    assert "operate" in listed
    assert text.rpartition("_")[2] not in listed
    assert cli.main(["key", "revoke", key.id]) == 0
    assert store.of_text(text) is None


@pytest.mark.parametrize(
    "arguments",
    [
        ["revoke", "none"],
        ["add", "--name", " ", "--scope", "read"],
        ["add", "--name", "x" * 81, "--scope", "read"],
    ],
)
def test_what_cannot_be_done_is_one_sentence(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["key", *arguments]) == 2
    said = capsys.readouterr().err
    assert said.startswith("borewright: ")
    assert said.count("\n") == 1
