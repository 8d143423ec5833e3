"""What all tests share."""

from __future__ import annotations

import sys
from pathlib import Path

# `from fakes import …` works from every room's tests.
sys.path.insert(0, str(Path(__file__).parent))
