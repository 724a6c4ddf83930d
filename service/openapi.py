"""The committed OpenAPI description: written from the running app's schemas, and checked for drift."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from service.app import create_app
from service.settings import Settings

DEFAULT_FILE = Path("openapi/borewright.yaml")
FIRST_LINE = "# Generated from the schemas by `borewright openapi`; change those, not this file.\n"


class OpenApiError(RuntimeError):
    """The description cannot be written or has drifted; the text says what to do."""


def openapi_text() -> str:
    """Give the description of the whole HTTP face as YAML; the same code gives the same bytes."""
    return FIRST_LINE + _yaml(openapi_dict())


def openapi_dict() -> dict[str, Any]:
    """Give the description as plain dicts and lists."""
    app = create_app(Settings())
    (api,) = app.extensions["flask-smorest"]["apis"].values()
    plain: dict[str, Any] = json.loads(json.dumps(api["ext_obj"].spec.to_dict()))
    return plain


def write_openapi(file: Path) -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(openapi_text(), encoding="utf-8")


def check_openapi(file: Path) -> None:
    """Raise OpenApiError when the committed file is not what the schemas say."""
    committed = file.read_text(encoding="utf-8") if file.is_file() else None
    if committed != openapi_text():
        raise OpenApiError(f"{file} is not what the schemas say; run `borewright openapi` and commit it.")


def _yaml(value: dict[str, Any]) -> str:
    try:
        import yaml
    except ModuleNotFoundError as error:
        raise OpenApiError("This command needs PyYAML: pip install 'borewright[test]'.") from error
    return str(yaml.safe_dump(value, sort_keys=False, allow_unicode=True, width=110))
