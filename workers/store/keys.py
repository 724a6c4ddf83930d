"""Names of the keys in Redis, in one place.

Every key of a shop carries the hash tag ``{shop}``: a MULTI or script touches one slot only, so a cluster
can later hold many shops without a change here.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Keys:
    shop: str = "main"

    def _key(self, *parts: str) -> str:
        return ":".join((f"bw:{{{self.shop}}}", *parts))

    def kind(self, plural: str) -> str:
        """Hash id -> JSON of one kind of thing (machines, nozzles, ...)."""
        return self._key(plural)

    @property
    def revision(self) -> str:
        return self._key("revision")

    @property
    def emphasis(self) -> str:
        return self._key("emphasis")

    def job(self, job_id: str) -> str:
        """Hash: doc, state, version, attempt, created_at, updated_at, reason, routing."""
        return self._key("job", job_id)

    @property
    def jobs(self) -> str:
        """Sorted set of all job ids, scores 0: the ids sort by time."""
        return self._key("jobs")

    def jobs_in(self, state: str) -> str:
        return self._key("jobs", state)

    def part(self, part_id: str) -> str:
        """Hash: state, version, name, options, size_bytes, phase, percent, attempt, times, problem, poses, listed;
        holder and token while a worker has it in hand."""
        return self._key("part", part_id)

    def part_mesh(self, part_id: str) -> str:
        """The file's bytes, until it is analysed."""
        return self._key("part-mesh", part_id)

    def part_display(self, part_id: str) -> str:
        """What an analysed part looks like: STL of few triangles, gzip."""
        return self._key("part-display", part_id)

    def part_staged(self, upload: str) -> str:
        """The file's bytes while they come in; gone by themselves where that breaks off."""
        return self._key("part-staged", upload)

    def part_jobs(self, part_id: str) -> str:
        """Set of the ids of all jobs that refer to the part."""
        return self._key("part-jobs", part_id)

    @property
    def parts(self) -> str:
        """Sorted set, scores 0, of ``<ms since 1970, 15 digits><id>``: the parts sort by time."""
        return self._key("parts")

    @property
    def parts_waiting(self) -> str:
        """Sorted set of the parts to be analysed; the score is the moment (s) from which one may be claimed."""
        return self._key("parts-waiting")

    @property
    def parts_waiting_bytes(self) -> str:
        """Hash id -> bytes of the mesh kept."""
        return self._key("parts-waiting-bytes")

    @property
    def geometry_bell(self) -> str:
        """Present while an analysis task is rung and not yet begun."""
        return self._key("geometry-bell")

    @property
    def inbox(self) -> str:
        """Stream of jobs that wait to be routed."""
        return self._key("inbox")

    @property
    def bell(self) -> str:
        """Present while a drain task is rung and not yet begun."""
        return self._key("bell")

    @property
    def evidence(self) -> str:
        """Hash of whole numbers; a field is ``machine/nozzle/material/bore_um/kind/axis/sum``."""
        return self._key("evidence")

    def outcome(self, outcome_id: str) -> str:
        """JSON of one outcome."""
        return self._key("outcome", outcome_id)

    @property
    def outcomes(self) -> str:
        """Sorted set of all outcome ids, scores 0: the ids sort by the time they were reported."""
        return self._key("outcomes")

    def outcomes_of(self, what: str, value: str) -> str:
        """The same for one job, machine, nozzle, material or state."""
        return self._key("outcomes", what, value)

    @property
    def gauge_readings(self) -> str:
        """Hash of calibration id -> JSON of the gauge reading that it was made from."""
        return self._key("gauge-readings")

    @property
    def prefix(self) -> str:
        """What every key of this shop begins with: for scripts that make keys from ids they read."""
        return self._key("")

    def dispatch_list(self, machine_id: str) -> str:
        """Sorted set of the job ids bound to a machine, scored by place."""
        return self._key("list", machine_id)

    def dispatch_entries(self, machine_id: str) -> str:
        """Hash job id -> JSON of its entry in that list."""
        return self._key("entries", machine_id)

    @property
    def dispatch_versions(self) -> str:
        """Hash machine id -> version of its list."""
        return self._key("list-versions")

    def copies(self, job_id: str) -> str:
        """Hash copy -> ``printing|accepted|scrapped CLAIM`` of the copies that are held or have ended."""
        return self._key("copies", job_id)

    def returned(self, job_id: str) -> str:
        """Sorted set of the copies that were begun and wait again."""
        return self._key("returned", job_id)

    def claim(self, claim_id: str) -> str:
        """Hash of one claim."""
        return self._key("claim", claim_id)

    def machine_claims(self, machine_id: str) -> str:
        """Sorted set of the claims of a machine, scored by the moment (ms) at which they were taken."""
        return self._key("machine-claims", machine_id)

    @property
    def leases(self) -> str:
        """Sorted set of the claims that are held, scored by the moment (ms) at which they lapse."""
        return self._key("leases")

    @property
    def holders(self) -> str:
        """Hash machine id -> the claim that it holds."""
        return self._key("holders")

    @property
    def webhooks(self) -> str:
        """Hash id -> JSON of a webhook, its secret included."""
        return self._key("webhooks")

    @property
    def webhook_deliveries(self) -> str:
        """Hash webhook id -> JSON of how far it has been told."""
        return self._key("webhook-deliveries")

    def dead_letters(self, webhook_id: str) -> str:
        """List of JSON, newest first."""
        return self._key("dead-letters", webhook_id)

    def bore_trial(self, trial_id: str) -> str:
        """JSON of one bore trial, its runs and results in it."""
        return self._key("bore-trial", trial_id)

    @property
    def bore_trials(self) -> str:
        """Sorted set of all trial ids, scores 0: the ids sort by time."""
        return self._key("bore-trials")

    @property
    def bore_trials_running(self) -> str:
        """Set of the trials whose runs are handed in as machines come free."""
        return self._key("bore-trials-running")

    def bore_trial_photos(self, trial_id: str) -> str:
        """Hash run number -> bytes of its photograph."""
        return self._key("bore-trial-photos", trial_id)

    @property
    def changes_cursor(self) -> str:
        """Id of the last event that the dispatch lists have followed."""
        return self._key("changes-cursor")

    @property
    def changes_recheck(self) -> str:
        """Set of the machines whose lists grew while the shop changed."""
        return self._key("changes-recheck")

    @property
    def changes_wet(self) -> str:
        """Set of the spools that were wet when the dispatch lists last looked."""
        return self._key("changes-wet")

    @property
    def changes_evidence(self) -> str:
        """Set of the materials with evidence that the dispatch lists have not followed yet."""
        return self._key("changes-evidence")

    @property
    def claims_to_report(self) -> str:
        """Set of finished claims whose outcome is not recorded yet."""
        return self._key("claims-to-report")

    def long_task(self, subject: str) -> str:
        """Hash of one long task, ``KIND/ID``: request, state, version, progress, result; holder and token while it
        runs."""
        return self._key("long-task", subject)

    def long_tasks(self, kind: str) -> str:
        """Sorted set of the ids of one kind, scores 0: the ids sort by time."""
        return self._key("long-tasks", kind)

    @property
    def long_tasks_open(self) -> str:
        """Sorted set of ``KIND/ID`` that wait or run; the score is the moment (s) from which one may be claimed."""
        return self._key("long-tasks-open")

    @property
    def planning_bell(self) -> str:
        """Present while a long task is rung for and none begun."""
        return self._key("planning-bell")

    @property
    def events(self) -> str:
        return self._key("events")

    def history(self, subject: str) -> str:
        return self._key("history", subject)

    def idempotency(self, scope: str, key_digest: str) -> str:
        return self._key("idempotency", scope, key_digest)

    @property
    def counters(self) -> str:
        """Hash of counters for the metrics page."""
        return self._key("counters")

    @property
    def access_keys(self) -> str:
        """Hash id -> JSON of an access key; of its secret only the digest."""
        return self._key("access-keys")

    def session(self, digest: str) -> str:
        """Id of the access key with which a browser signed in; it ends by itself."""
        return self._key("session", digest)

    def shares(self, job_id: str) -> str:
        """Hash id -> JSON of a link to the job's result; of its secret only the digest."""
        return self._key("shares", job_id)

    @property
    def trail(self) -> str:
        """Stream of the requests that changed something, or were refused the change."""
        return self._key("trail")

    @property
    def rates(self) -> str:
        """What the counters of requests a minute begin with."""
        return self._key("rates")

    @property
    def meter(self) -> str:
        """Hash of the buckets and sums that batches and waits are counted in."""
        return self._key("meter")

    @property
    def schema(self) -> str:
        """Version of the shape that the data have."""
        return self._key("schema")

    @property
    def clock_seen(self) -> str:
        """The highest moment (ms) that the store's clock showed."""
        return self._key("clock-seen")

    @property
    def inbox_strikes(self) -> str:
        """Hash inbox entry -> how often it was begun alone, after workers had ended over it."""
        return self._key("inbox-strikes")

    def presence(self, queue: str) -> str:
        """Sorted set: worker -> the moment (s, the store's clock) it was last heard of."""
        return self._key("presence", queue)

    def lock(self, name: str) -> str:
        return self._key("lock", name)
