"""The shipped schemas of what goes over MQTT, as another's library reads them."""

import json
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from jsonschema import Draft202012Validator

SHARE = Path(str(files("recorder"))) / "share"


@cache
def schema(name: str) -> Any:
    return json.loads((SHARE / "schemas" / f"{name}.json").read_text("utf-8"))


@cache
def validator(name: str) -> Draft202012Validator:
    return Draft202012Validator(schema(name))
