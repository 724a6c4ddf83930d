"""`borewright key ...`: make, list and revoke access keys from the command line; so the first one is made."""

from __future__ import annotations

import time
from collections.abc import Sequence

from service.api.moments import format_moment
from service.opened_store import opened
from service.settings import Settings
from workers.model.access import AccessKey, Scope
from workers.model.errors import BorewrightError

DAY_S = 86_400


class KeyCommandError(RuntimeError):
    """The command cannot do its work; the text is one sentence for the user."""


def add_key(settings: Settings, key_id: str, name: str, scopes: Sequence[str], days: int | None) -> int:
    """Print the new key's text alone on standard output; gives the exit code."""
    if not name.strip() or len(name) > 80 or not name.isprintable():
        raise KeyCommandError("--name must be 1 to 80 printable characters.")
    expires_at = None if days is None else time.time() + days * DAY_S
    chosen = tuple(scope for scope in Scope if scope in scopes)
    with opened(settings) as stores:
        _, text = stores.access.create(key_id, name, chosen, expires_at)
    print(text)
    return 0


def list_keys(settings: Settings) -> int:
    with opened(settings) as stores:
        for key in stores.access.all():
            print(f"{key.id}  {_state(key):<32}  {','.join(key.scopes):<32}  {key.name}")
    return 0


def revoke_key(settings: Settings, key_id: str) -> int:
    """Raises KeyCommandError where there is no such key."""
    with opened(settings) as stores:
        try:
            stores.access.revoke(key_id, None)
        except BorewrightError as error:
            raise KeyCommandError(f"{error.detail}.") from error
    print(f"{key_id} is revoked.")
    return 0


def _state(key: AccessKey) -> str:
    if key.revoked_at is not None:
        return f"revoked {format_moment(round(key.revoked_at))}"
    if key.expires_at is None:
        return "good"
    return f"{'good until' if key.is_good(time.time()) else 'ended'} {format_moment(round(key.expires_at))}"
