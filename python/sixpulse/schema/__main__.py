"""Writes the JSON Schema of an examination: ``python -m sixpulse.schema FILE``."""

import json
import sys
from pathlib import Path

from . import json_schema

if __name__ == "__main__":
    Path(sys.argv[1]).write_text(json.dumps(json_schema(), indent=2) + "\n", encoding="utf-8")
