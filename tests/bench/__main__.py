"""`make bench`: how fast it is, as shares of what else the same machine does in the same run."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
for _folder in (HERE.parent, HERE.parents[1]):
    sys.path.insert(0, str(_folder))
