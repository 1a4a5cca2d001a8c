"""How the command line prints JSON, whatever the terminal can show."""

from __future__ import annotations

import json
import sys
from typing import Any


def print_json(shape: dict[str, Any], *, indent: int | None = 1) -> None:
    """Print a plain dictionary as JSON, on one line without indent; a reader that has gone away is no fault."""
    plain = (sys.stdout.encoding or "").lower().replace("-", "") != "utf8"
    try:
        print(json.dumps(shape, ensure_ascii=plain, indent=indent, allow_nan=False), flush=True)
    except BrokenPipeError:
        raise SystemExit(0) from None
