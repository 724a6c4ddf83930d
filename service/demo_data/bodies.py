"""The demo's files as request bodies: what is for the reader is left out, moments are filled in."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from service.api.moments import format_moment
from service.demo_data.parts import summary

KINDS = ("machines", "nozzles", "materials", "spools", "calibrations")
CALIBRATED_DAYS_AGO = 9.0
DRIED_H_AGO = 5.0
_DAY_S = 86_400.0
_HOUR_S = 3_600.0
_FOR_THE_READER = frozenset({"source", "shows", "on", "dried", "part", "due_in_h", "state", "state_reason"})


@dataclass(frozen=True, slots=True)
class DemoThing:
    """One thing of the shop: where it goes, its body, and what happens to it afterwards.

    on: (machine id, slot) to mount or load it on. down: why the machine is out of service.
    """

    plural: str
    body: Mapping[str, Any]
    on: tuple[str, int] | None = None
    down: str | None = None


@dataclass(frozen=True, slots=True)
class DemoJob:
    body: Mapping[str, Any]
    shows: str


def shop_name() -> str:
    return str(_read("shop.json")["shop"])


def things(now: float) -> list[DemoThing]:
    """Everything in the shop, in an order in which each refers only to what came before."""
    shop = _read("shop.json")
    return [_thing(plural, one, now) for plural in KINDS for one in shop[plural]]


def jobs(now: float) -> list[DemoJob]:
    return [DemoJob(_job(one, now), one["shows"]) for one in _read("jobs.json")["jobs"]]


def _thing(plural: str, one: Mapping[str, Any], now: float) -> DemoThing:
    body = {key: value for key, value in one.items() if key not in _FOR_THE_READER}
    if plural == "calibrations":
        body["calibrated_at"] = format_moment(round(now - CALIBRATED_DAYS_AGO * _DAY_S))
    if one.get("dried"):
        body["dried_at"] = format_moment(round(now - DRIED_H_AGO * _HOUR_S))
    place = one.get("on")
    down = one.get("state_reason") if one.get("state") == "down" else None
    return DemoThing(plural, body, (place[0], place[1]) if place else None, down)


def _job(one: Mapping[str, Any], now: float) -> dict[str, Any]:
    body = {key: value for key, value in one.items() if key not in _FOR_THE_READER}
    body["summary"] = summary(one["part"])
    if "due_in_h" in one:
        body["due_at"] = format_moment(round(now + one["due_in_h"] * _HOUR_S))
    return body


def _read(name: str) -> dict[str, Any]:
    text = files(__package__).joinpath(name).read_text(encoding="utf-8")
    return dict(json.loads(text))
