"""Webhook signatures against the standard's own example and its reference library."""

from __future__ import annotations

import time

import pytest

from workers.model.record import Event
from workers.model.webhook import Webhook, new_secret, signature
from workers.tasks.webhooks import message

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # the example in the Standard Webhooks specification


def test_the_specification_s_example() -> None:
    """Standard Webhooks 1.0, example of a signed message."""
    signed = signature(SECRET, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}')
    assert signed == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_the_reference_library_verifies_ours_and_not_a_changed_one() -> None:
    """standardwebhooks on PyPI, the specification's own library."""
    library = pytest.importorskip("standardwebhooks")
    hook = Webhook(id="h", url="https://shop.example/", secret=new_secret(bytes(range(24))), created_at=0.0)
    event = Event(id="17-0", at=1_780_000_000.0, kind="job.done", subject="job/x", data={"accepted": 2})
    body, headers = message(hook, event, int(time.time()))
    verifier = library.Webhook(hook.secret)
    assert verifier.verify(body.decode(), headers)["type"] == "job.done"
    with pytest.raises(library.WebhookVerificationError):
        verifier.verify(body.decode().replace("done", "gone"), headers)
