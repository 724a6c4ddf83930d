"""Errors that a caller can act on. Each is a type with a problem type URI (RFC 9457) and an HTTP status.

They are raised where the rule lives and translated to problem+json once, at the rim of the service.
"""

from __future__ import annotations

from dataclasses import dataclass

PROBLEM_BASE = "urn:borewright:problem:"


@dataclass(frozen=True, slots=True)
class FieldProblem:
    """One bad field: a JSON Pointer (RFC 6901) into the request, what is wrong, and what is allowed."""

    pointer: str
    detail: str
    allowed: str | None = None


class BorewrightError(Exception):
    """Base of every error that becomes a problem+json answer."""

    slug = "error"
    title = "The request could not be carried out"
    status = 500

    def __init__(self, detail: str, *, fields: tuple[FieldProblem, ...] = ()) -> None:
        super().__init__(detail)
        self.detail = detail
        self.fields = fields

    @property
    def type(self) -> str:
        return PROBLEM_BASE + self.slug


class NotFoundError(BorewrightError):
    slug, title, status = "not-found", "There is no such thing here", 404


class InvalidError(BorewrightError):
    """A value breaks a rule that a schema alone cannot see (an unknown id, a range across two fields)."""

    slug, title, status = "invalid", "The request holds values that are not allowed", 422


class ConflictError(BorewrightError):
    """The state of the thing does not allow the change now."""

    slug, title, status = "conflict", "The state does not allow this now", 409


class VersionMismatchError(BorewrightError):
    slug, title, status = "version-mismatch", "It was changed by someone else in the meantime", 412


class VersionRequiredError(BorewrightError):
    slug, title, status = "version-required", "This change needs an If-Match header", 428


class IdempotencyKeyReusedError(BorewrightError):
    slug, title, status = "idempotency-key-reused", "This Idempotency-Key came with another request", 422


class InProgressError(BorewrightError):
    slug, title, status = "in-progress", "The first request with this Idempotency-Key is still running", 409


class UnavailableError(BorewrightError):
    slug, title, status = "unavailable", "The service cannot take this now", 503
