"""The embedded Redis: which binary is taken, how private it is, and what it keeps when it is killed."""

from __future__ import annotations

import socket
import stat
import threading
from pathlib import Path

import pytest
import redis

from service import redis_server
from service.redis_server import EmbeddedRedis, RedisServerError, find_redis_server, server_version


def program(file: Path, script: str) -> Path:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(f"#!/bin/sh\n{script}\n")
    file.chmod(0o755)
    return file


def server_of_version(file: Path, version: str, name: str = "Redis") -> Path:
    return program(file, f"echo '{name} server v={version} sha=00000000:0 malloc=libc bits=64 build=0'")


@pytest.fixture
def no_wheel(monkeypatch):
    monkeypatch.setattr(redis_server, "WHEEL_BINARIES", ())


@pytest.fixture
def server(redis_binary, tmp_path):
    with EmbeddedRedis(tmp_path / "redis", redis_binary) as running:
        yield running


def client_of(server: EmbeddedRedis) -> redis.Redis:
    return redis.Redis.from_url(server.url, decode_responses=True)


# Which binary


@pytest.mark.usefixtures("no_wheel")
def test_a_server_on_the_path_is_taken_when_it_is_new_enough(tmp_path):
    wanted = server_of_version(tmp_path / "redis-server", "6.2.0")
    assert find_redis_server(str(tmp_path)) == wanted


@pytest.mark.usefixtures("no_wheel")
def test_an_old_redis_on_the_path_gives_way_to_a_newer_valkey(tmp_path):
    server_of_version(tmp_path / "redis-server", "5.0.14")
    wanted = server_of_version(tmp_path / "valkey-server", "8.0.1", name="Valkey")
    assert find_redis_server(str(tmp_path)) == wanted


def test_the_binary_of_a_wheel_is_found_without_running_the_package(tmp_path, monkeypatch):
    package = tmp_path / "carrier"
    wanted = server_of_version(package / "bin/redis-server", "7.2.4")
    (package / "__init__.py").write_text("raise SystemExit('this package must not be imported')")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(redis_server, "WHEEL_BINARIES", (("carrier", "bin/redis-server"),))
    assert find_redis_server(str(tmp_path / "empty")) == wanted


@pytest.mark.usefixtures("no_wheel")
def test_without_any_server_the_error_says_what_to_do(tmp_path):
    with pytest.raises(RedisServerError, match=r"apt-get install redis-server.*BOREWRIGHT_REDIS_URL"):
        find_redis_server(str(tmp_path))


def test_a_program_that_is_no_redis_has_no_version(tmp_path):
    assert server_version(program(tmp_path / "redis-server", "echo hello")) is None
    assert server_version(program(tmp_path / "broken", "exit 1")) is None
    assert server_version(tmp_path / "absent") is None


# How private


def test_only_the_owner_reaches_the_socket_and_its_folder(server):
    assert stat.S_IMODE(server.socket.stat().st_mode) == 0o700
    assert stat.S_IMODE(server.folder.stat().st_mode) == 0o700


def test_it_listens_on_no_tcp_port(server):
    # proc(5): /proc/net/tcp lists every TCP socket by inode (column 10); state 0A is LISTEN.
    pid = client_of(server).info("server")["process_id"]
    links = [fd.readlink().name for fd in Path(f"/proc/{pid}/fd").iterdir()]
    held = {link.removeprefix("socket:[").rstrip("]") for link in links if link.startswith("socket:")}
    tables = [Path("/proc/net/tcp"), Path("/proc/net/tcp6")]
    rows = [row.split() for table in tables if table.exists() for row in table.read_text().splitlines()[1:]]
    assert held
    assert not held & {row[9] for row in rows if row[3] == "0A"}


def test_a_data_folder_with_a_long_path_gets_a_short_private_socket_and_a_link_to_it(redis_binary, tmp_path):
    folder = tmp_path / ("long-" * 20) / "redis"
    with EmbeddedRedis(folder, redis_binary) as server:
        # unix(7): sun_path holds 108 bytes, the closing zero included.
        assert len(str(folder / "redis.sock")) > 107
        assert len(str(server.socket)) < 108
        assert stat.S_IMODE(server.socket.parent.stat().st_mode) == 0o700
        assert (folder / "redis.sock").readlink() == server.socket
        assert client_of(server).ping()
        short = server.socket.parent
    assert not short.exists()


def test_a_killed_run_with_a_long_path_leaves_nothing_in_the_way_of_the_next(redis_binary, tmp_path):
    folder = tmp_path / ("long-" * 20) / "redis"
    killed = EmbeddedRedis(folder, redis_binary)
    killed.start()
    killed.kill()
    with EmbeddedRedis(folder, redis_binary) as server:
        assert client_of(server).ping()
        assert not killed.socket.parent.exists()


# What it keeps


def test_every_write_is_on_disk_before_it_is_acknowledged_and_nothing_is_evicted(server):
    config = client_of(server).config_get("*")
    assert (config["appendonly"], config["appendfsync"]) == ("yes", "always")
    assert config["maxmemory-policy"] == "noeviction"
    assert config["port"] == "0"


def test_two_hundred_acknowledged_writes_survive_kill_9(server):
    client = client_of(server)
    for number in range(200):
        assert client.rpush("accepted", number)
    server.kill()
    server.start()
    assert client_of(server).lrange("accepted", 0, -1) == [str(number) for number in range(200)]


def test_data_survives_an_orderly_stop(server):
    client_of(server).set("kept", "yes")
    server.stop()
    server.start()
    assert client_of(server).get("kept") == "yes"


# Starting


def test_a_server_that_ends_at_once_is_an_error_that_names_its_log(tmp_path):
    broken = program(tmp_path / "redis-server", "exit 3")
    with pytest.raises(RedisServerError, match=r"exit code 3.*redis\.log"):
        EmbeddedRedis(tmp_path / "data", broken).start()


def test_a_server_that_still_loads_its_file_is_not_ready(tmp_path):
    server = EmbeddedRedis(tmp_path / "data", tmp_path / "never-started")
    assert not server.is_ready()
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(server.socket))
        listener.listen()
        threading.Thread(target=_answer_loading, args=(listener,), daemon=True).start()
        assert not server.is_ready()


def _answer_loading(listener: socket.socket) -> None:
    """Answer each request as Redis does while it loads (redis.io, "Redis serialization protocol", errors)."""
    connection, _ = listener.accept()
    with connection:
        while request := connection.recv(4096):
            answers = max(1, request.count(b"*"))
            connection.sendall(b"-LOADING Redis is loading the dataset in memory\r\n" * answers)


def test_a_data_folder_that_cannot_be_made_is_said_in_one_sentence(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(RedisServerError, match=r"data folder .* cannot be used"):
        EmbeddedRedis(tmp_path / "file" / "redis", tmp_path / "any")
