"""The baseline of the query benchmark: a Flask endpoint that returns the same bytes and does nothing else."""

from __future__ import annotations

import os
from pathlib import Path

from flask import Flask, Response

app = Flask(__name__)
BODY = Path(os.environ["BARE_BODY"]).read_bytes() if "BARE_BODY" in os.environ else b"{}"


@app.post("/v1/routing-queries")
def same_bytes() -> Response:
    return Response(BODY, mimetype="application/json")


@app.get("/healthz")
def healthz() -> Response:
    return Response(b"{}", mimetype="application/json")
