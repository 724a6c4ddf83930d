"""What the views of one app share: its settings, its stores, the shop at its newest revision."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from threading import Lock
from typing import cast

from flask import Flask, current_app

from service.settings import Settings
from workers.model.errors import UnavailableError
from workers.model.shop import Shop
from workers.store.fleet import FleetRepository
from workers.store.schema import NewerStoreError, bring_forward
from workers.store.stores import Stores

_NAME = "borewright"


class ShopCache:
    """The shop, read again only when its revision has changed: one GET a request."""

    def __init__(self, fleet: FleetRepository) -> None:
        self._fleet = fleet
        self._shop: Shop | None = None

    def newest(self) -> Shop:
        shop = self._shop
        if shop is None or shop.revision != self._fleet.revision():
            shop = self._shop = self._fleet.snapshot()
        return shop


class AnswerCache:
    """Finished answers by key, the least recently used dropped first, at most ``max_bytes`` of them."""

    def __init__(self, max_bytes: int) -> None:
        self._max_bytes, self._bytes = max_bytes, 0
        self._answers: OrderedDict[tuple[int, bytes], bytes] = OrderedDict()
        self._lock = Lock()

    def get(self, key: tuple[int, bytes]) -> bytes | None:
        with self._lock:
            answer = self._answers.get(key)
            if answer is not None:
                self._answers.move_to_end(key)
            return answer

    def put(self, key: tuple[int, bytes], answer: bytes) -> None:
        with self._lock:
            self._bytes += len(answer) - len(self._answers.pop(key, b""))
            self._answers[key] = answer
            while self._bytes > self._max_bytes:
                self._bytes -= len(self._answers.popitem(last=False)[1])


class SchemaCheck:
    """Whether this program knows the store's data; asked until it was answered once."""

    def __init__(self, stores: Stores) -> None:
        self._stores, self._known = stores, False

    def require(self) -> None:
        """Raises UnavailableError where the data are newer than the program."""
        if not self._known:
            try:
                bring_forward(self._stores.client, self._stores.keys)
            except NewerStoreError as error:
                raise UnavailableError(str(error)) from error
            self._known = True


@dataclass(frozen=True, slots=True)
class Context:
    settings: Settings
    stores: Stores
    shop: ShopCache
    answers: AnswerCache
    schema: SchemaCheck


def bind(app: Flask, context: Context) -> None:
    app.extensions[_NAME] = context


def context() -> Context:
    """The running app's context."""
    return cast(Context, current_app.extensions[_NAME])


def stores() -> Stores:
    return context().stores
