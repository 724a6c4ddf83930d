"""`borewright backtest` on a real Redis."""

from __future__ import annotations

import pytest

from service import cli
from service.redis_server import EmbeddedRedis
from tests.service.test_api_outcomes import free, good, routed

__all__ = ["routed"]


@pytest.fixture
def stored(routed, redis_url, monkeypatch):
    """A shop whose hours are always a tenth more than the physics says, month by month."""
    hours = routed.chosen["print_h"]
    for month in range(1, 9):
        routed.made("/v1/outcomes", good(routed, print_h=1.1 * hours, at=f"2026-0{month}-10T12:00:00Z"))
    routed.made("/v1/outcomes", free())
    monkeypatch.setenv("BOREWRIGHT_REDIS_URL", redis_url)
    return routed


def time_line(capsys) -> str:
    [line] = [one for one in capsys.readouterr().out.splitlines() if one.strip().startswith("time,")]
    return line


def off(line: str) -> float:
    return float(line.split("off by ")[1].split(maxsplit=1)[0])


def test_the_replay_foretells_each_outcome_from_those_before_it(stored, capsys):
    """ln(1.1) = 0.0953 is what nobody could know at first; what was learnt makes the later ones smaller."""
    assert cli.main(["backtest"]) == 0
    whole = time_line(capsys)
    assert whole.split(": ")[1].startswith("8,")
    assert cli.main(["backtest", "--from", "2026-06-01"]) == 0
    late = time_line(capsys)
    assert late.split(": ")[1].startswith("3,")
    assert 0 < off(late) < off(whole) < 0.0953
    assert cli.main(["backtest", "--to", "2026-02-01T00:00:00Z"]) == 0
    assert off(time_line(capsys)) == pytest.approx(0.0953, abs=1e-4)


def test_a_shop_without_outcomes_says_so(redis_url, redis_client, monkeypatch, capsys):
    monkeypatch.setenv("BOREWRIGHT_REDIS_URL", redis_url)
    assert cli.main(["backtest"]) == 0
    assert "none" in capsys.readouterr().out


@pytest.mark.parametrize("when", ["yesterday", "2026-13-01", "20260101T000000Z"])
def test_a_moment_that_cannot_be_read_is_said(redis_url, monkeypatch, capsys, when):
    monkeypatch.setenv("BOREWRIGHT_REDIS_URL", redis_url)
    assert cli.main(["backtest", "--from", when]) == 2
    assert "--from" in capsys.readouterr().err


def test_a_data_folder_is_opened_whether_its_service_runs_or_not(redis_binary, tmp_path, monkeypatch, capsys):
    monkeypatch.delenv("BOREWRIGHT_REDIS_URL", raising=False)
    assert cli.main(["backtest", "--data", str(tmp_path / "none")]) == 2
    assert "--data" in capsys.readouterr().err
    with EmbeddedRedis(tmp_path / "redis", redis_binary):
        assert cli.main(["backtest", "--data", str(tmp_path)]) == 0
    assert cli.main(["backtest", "--data", str(tmp_path)]) == 0
    assert capsys.readouterr().out.count("none") == 2
