"""The readings in the Prometheus text format (through its own client library)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, HistogramMetricFamily, Metric

from workers.store.meter import Histogram, Reading
from workers.store.presence import HEARD_S, heard_of

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
GAUGES = (
    ("inbox_jobs", "Jobs accepted and not yet routed", "inbox"),
    ("inbox_oldest_seconds", "How long the first of them has waited", "oldest_s"),
    ("parts_waiting", "Meshes that wait for their analysis or are in it", "parts_waiting"),
    ("claims_held", "Claims that machines hold", "claims_held"),
    ("evidence_sums", "Sums that the models learn from", "evidence_sums"),
    ("outcomes_kept", "Outcomes reported", "outcomes"),
    ("webhook_dead_letters", "Webhook calls that were given up on", "dead_letters"),
)


def text_of(reading: Reading, silent_s: Mapping[tuple[str, str], float], queues: Sequence[str]) -> bytes:
    """The page. silent_s: (queue, worker) -> seconds since the worker was heard of; queues: all that may be served."""
    registry = CollectorRegistry()
    registry.register(_Once([*_families(reading), _workers(silent_s, queues), _silence(silent_s)]))
    return generate_latest(registry)


class _Once:
    def __init__(self, families: list[Metric]) -> None:
        self._families = families

    def collect(self) -> Iterator[Metric]:
        yield from self._families


def _families(reading: Reading) -> Iterator[Metric]:
    jobs = GaugeMetricFamily("borewright_jobs", "Jobs by state", labels=["state"])
    for state, count in reading.jobs.items():
        jobs.add_metric([state.value], count)
    yield jobs
    for name, words, field in GAUGES:
        yield GaugeMetricFamily(f"borewright_{name}", words, value=getattr(reading, field))
    for name, count in reading.counters.items():
        yield CounterMetricFamily(f"borewright_{name}", f"{name.replace('_', ' ').capitalize()} so far", value=count)
    yield _histogram("routed_seconds", "From accepted to routed, unroutable or failed", reading.wait)
    yield _histogram("batch_jobs", "Jobs scored in one pass", reading.batch)


def _workers(silent_s: Mapping[tuple[str, str], float], queues: Sequence[str]) -> Metric:
    """A queue without a worker is told as 0."""
    family = GaugeMetricFamily("borewright_workers", f"Workers heard of within {HEARD_S:g} s", labels=["queue"])
    for queue, count in sorted(heard_of(queues, silent_s).items()):
        family.add_metric([queue], count)
    return family


def _silence(silent_s: Mapping[tuple[str, str], float]) -> Metric:
    words = "Since a worker was last heard of; one that was told to stop is left out"
    family = GaugeMetricFamily("borewright_worker_silent_seconds", words, labels=["queue", "worker"])
    for (queue, worker), silent in sorted(silent_s.items()):
        family.add_metric([queue, worker], round(silent, 3))
    return family


def _histogram(name: str, words: str, found: Histogram) -> Metric:
    seen, buckets = 0, []
    for bound, count in zip((*map(str, found.bounds), "+Inf"), found.counts, strict=True):
        seen += count
        buckets.append((bound, seen))
    return HistogramMetricFamily(f"borewright_{name}", words, buckets=buckets, sum_value=found.total)
