"""Turns of long work: at most one piece at a time keeps the interpreter from short requests."""

from __future__ import annotations

import threading

# Stock lists, files of items and revaluations take it for each chunk that they value, and give it back.
VALUING = threading.Lock()
