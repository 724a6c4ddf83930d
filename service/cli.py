"""`borewright ...`: the commands. Each imports what it needs when it runs, so that `--help` answers at once."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path

from service.log import configure_logging
from service.settings import Settings, SettingsError, host_word

USAGE_EXIT = 2
INTERRUPTED_EXIT = 130  # 128 + SIGINT, as shells count


class CommandError(RuntimeError):
    """A command cannot do its work; the text is one sentence for the user."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code: 0, 1 when it failed, 2 when it could not begin."""
    parsed = _parser().parse_args(arguments)
    try:
        settings = _settings(parsed)
        configure_logging(settings.log_level)
        command: Callable[[argparse.Namespace, Settings], int] = parsed.run
        return command(parsed, settings)
    except KeyboardInterrupt:
        return INTERRUPTED_EXIT
    except _expected_errors() as error:
        print(f"borewright: {error}", file=sys.stderr)
        return USAGE_EXIT


def _expected_errors() -> tuple[type[Exception], ...]:
    """Give the errors whose text is a sentence for the user; only those imported by now can have been raised."""
    names = {
        "service.redis_server": "RedisServerError",
        "service.folder_lock": "FolderInUseError",
        "service.up": "StartError",
        "service.openapi": "OpenApiError",
        "service.backtest": "BacktestError",
        "service.backup": "BackupError",
        "workers.store.schema": "NewerStoreError",
        "service.opened_store": "NoStoreError",
        "service.key_command": "KeyCommandError",
        "service.summarise": "FileError",
    }
    loaded = [getattr(sys.modules[module], name) for module, name in names.items() if module in sys.modules]
    return (SettingsError, CommandError, *loaded)


def _settings(parsed: argparse.Namespace) -> Settings:
    data = getattr(parsed, "data", None)
    return Settings.from_env(
        os.environ,
        data_dir=Path(data).expanduser() if data else None,
        host=getattr(parsed, "host", None),
        port=getattr(parsed, "port", None),
        workers=getattr(parsed, "workers", None),
    )


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="borewright", description="Routes print jobs in a workshop with several printers and bores."
    )
    parser.add_argument("--version", action="version", version=f"borewright {version('borewright')}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    adders = (
        _add_up,
        _add_demo,
        _add_api,
        _add_worker,
        _add_worker_health,
        _add_summarise,
        _add_backtest,
        _add_key,
        _add_backup,
        _add_restore,
        _add_openapi,
    )
    for add in adders:
        add(commands)
    return parser


def _add(
    commands: argparse._SubParsersAction[argparse.ArgumentParser],
    name: str,
    run: Callable[[argparse.Namespace, Settings], int],
    words: str,
) -> argparse.ArgumentParser:
    command = commands.add_parser(name, help=words, description=words)
    command.set_defaults(run=run)
    return command


def _add_up(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    command = _add(commands, "up", _up, "Run the whole service: Redis, workers and the HTTP server.")
    command.add_argument("--data", metavar="DIR", help="data folder (default: the user's XDG data folder)")
    command.add_argument("--workers", type=int, metavar="N", help="routing workers (default: 2)")
    _add_address(command)


def _add_address(command: argparse.ArgumentParser) -> None:
    command.add_argument("--host", help="address to listen on (default: 127.0.0.1)")
    command.add_argument("--port", type=int, help="port to listen on (default: 8787; 0: any free one)")


def _add_demo(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    command = _add(commands, "demo", _demo, "Route the jobs of an invented shop and print the reasons.")
    command.add_argument("--keep", action="store_true", help="go on serving afterwards")
    command.add_argument("--port", type=int, help="port to listen on (default: any free one)")


def _add_api(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    _add_address(_add(commands, "api", _api, "Run the HTTP server alone (needs BOREWRIGHT_REDIS_URL)."))


def _add_worker(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    command = _add(commands, "worker", _worker, "Run one worker (needs BOREWRIGHT_REDIS_URL).")
    command.add_argument("--queue", required=True, help="the one queue that it serves: routing, geometry or planning")
    command.add_argument("--name", help="no other worker's name, the same after a restart (default: host and queue)")


def _add_worker_health(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "Say by the exit code whether a worker on this host serves the queue."
    _add(commands, "worker-health", _worker_health, words).add_argument("--queue", required=True)


def _add_summarise(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "Print the geometry summary of one mesh file (STL, 3MF, OBJ, PLY or OFF) as JSON."
    command = _add(commands, "summarise", _summarise, words)
    command.add_argument("file", type=Path, metavar="FILE")
    units = ("mm", "cm", "m", "inch", "foot", "micron")
    command.add_argument("--unit", choices=units, default="mm", help="of the file's numbers; 3MF has its own (mm)")
    formats = ("stl", "3mf", "obj", "ply", "off")
    command.add_argument("--format", choices=formats, help="what the file must be (default: by its content)")
    command.add_argument("--picture", type=Path, metavar="OUT.svg", help="draw the layer where detail goes first")


def _add_openapi(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    command = _add(commands, "openapi", _openapi, "Write the OpenAPI description from the schemas.")
    command.add_argument("--check", action="store_true", help="only say whether the file has drifted")
    command.add_argument("--file", type=Path, default=Path("openapi/borewright.yaml"))


def _add_backtest(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "Replay stored outcomes in the order of time and say how well the models foretold them."
    command = _add(commands, "backtest", _backtest, words)
    command.add_argument("--from", dest="since", metavar="WHEN", help="judge from then on (default: from the first)")
    command.add_argument("--to", dest="until", metavar="WHEN", help="leave out what came then or later")
    command.add_argument("--data", metavar="DIR", help="data folder (default: the user's XDG data folder)")


def _add_key(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    command = _add(commands, "key", _key, "Make, list and revoke access keys.")
    actions = command.add_subparsers(title="actions", required=True, metavar="ACTION", dest="action")
    add = actions.add_parser("add", help="make a key and print it, this once")
    add.add_argument("--name", required=True, help="who or what carries it")
    add.add_argument(
        "--scope",
        action="append",
        required=True,
        choices=("read", "hand-in", "operate", "administer"),
        help="what it may do; repeat for more",
    )
    add.add_argument(
        "--days", type=int, choices=range(1, 3651), metavar="N", help="good for so long (default: until revoked)"
    )
    listing = actions.add_parser("list", help="list the keys, without their secrets")
    revoke = actions.add_parser("revoke", help="end a key at once")
    revoke.add_argument("id", metavar="ID")
    for action in (add, listing, revoke):
        action.add_argument("--data", metavar="DIR", help="data folder (default: the user's XDG data folder)")


def _add_backup(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "Write everything of the shop to one file, read back and checked; the service may run."
    _add_file(_add(commands, "backup", _backup, words))


def _add_restore(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    words = "Put a backup into an empty shop: all of it, or nothing."
    _add_file(_add(commands, "restore", _restore, words))


def _add_file(command: argparse.ArgumentParser) -> None:
    command.add_argument("file", type=Path, metavar="FILE")
    command.add_argument("--data", metavar="DIR", help="data folder (default: the user's XDG data folder)")


def _backup(parsed: argparse.Namespace, settings: Settings) -> int:
    from service.backup import run_backup

    return run_backup(settings, parsed.file)


def _restore(parsed: argparse.Namespace, settings: Settings) -> int:
    from service.backup import run_restore

    return run_restore(settings, parsed.file)


def _key(parsed: argparse.Namespace, settings: Settings) -> int:
    from service.api.things import new_id
    from service.key_command import add_key, list_keys, revoke_key

    if parsed.action == "add":
        return add_key(settings, new_id(), parsed.name, parsed.scope, parsed.days)
    return list_keys(settings) if parsed.action == "list" else revoke_key(settings, parsed.id)


def _up(parsed: argparse.Namespace, settings: Settings) -> int:
    from service.up import run_up

    return run_up(settings)


def _demo(parsed: argparse.Namespace, settings: Settings) -> int:
    from service.demo import run_demo

    return run_demo(keep=parsed.keep, port=parsed.port)


def _api(parsed: argparse.Namespace, settings: Settings) -> int:
    """Become the WSGI server: same process, so that signals reach it directly."""
    from service.up import API_COMMAND, child_environ, require_sound_redis

    require_sound_redis(_redis_url(settings))
    sys.stdout.flush()
    os.execve(API_COMMAND[0], API_COMMAND, child_environ(settings))


def _worker(parsed: argparse.Namespace, settings: Settings) -> int:
    _redis_url(settings)
    from service.worker import run_worker

    return run_worker(settings, parsed.queue, parsed.name or f"{host_word()}-{parsed.queue}")


def _worker_health(parsed: argparse.Namespace, settings: Settings) -> int:
    import redis

    from service.worker_health import queue_is_served_here

    try:
        with redis.Redis.from_url(_redis_url(settings), socket_timeout=5.0) as client:
            served = queue_is_served_here(client, parsed.queue)
    except redis.RedisError as error:
        print(f"borewright: Redis does not answer: {error}", file=sys.stderr)
        return 1
    return 0 if served else 1


def _summarise(parsed: argparse.Namespace, settings: Settings) -> int:
    from service.summarise import run_summarise

    return run_summarise(parsed.file, unit=parsed.unit, fmt=parsed.format, picture=parsed.picture, settings=settings)


def _openapi(parsed: argparse.Namespace, settings: Settings) -> int:
    from service.openapi import check_openapi, write_openapi

    (check_openapi if parsed.check else write_openapi)(parsed.file)
    return 0


def _backtest(parsed: argparse.Namespace, settings: Settings) -> int:
    from service.backtest import run_backtest

    return run_backtest(settings, parsed.since, parsed.until)


def _redis_url(settings: Settings) -> str:
    if settings.redis_url is None:
        raise CommandError("This command needs BOREWRIGHT_REDIS_URL; `borewright up` runs a Redis of its own.")
    return settings.redis_url


if __name__ == "__main__":
    sys.exit(main())
