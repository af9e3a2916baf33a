"""What earlier rules made of the story, as it was written then."""

import json
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent / "replays"


def story(rules: int) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (FOLDER / f"rules-{rules}.jsonl").read_text("utf-8").splitlines()]
