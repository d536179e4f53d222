"""``python -m sixpulse.fleet FILE`` writes the published description of the table."""

import json
import sys
from pathlib import Path

from .table import json_layout

if __name__ == "__main__":
    text = json.dumps(json_layout(), indent=2, ensure_ascii=False)
    Path(sys.argv[1]).write_text(text + "\n", encoding="utf-8")
