"""The process that `service.children.runner` starts: it limits itself, then calls the module's `main`.

`main(given: bytes, arguments: list[str]) -> bytes` raises RefusedInput for input that it does not take.
"""

from __future__ import annotations

import importlib
import os
import resource
import sys

from service.children.refusal import RefusedInput

_NICENESS = 10  # whoever waits for a value goes first


def main() -> int:
    """Run the module that the arguments name, from standard input to standard output."""
    name, seconds, memory, *arguments = sys.argv[1:]
    os.nice(_NICENESS)
    whole = int(float(seconds)) + 1
    resource.setrlimit(resource.RLIMIT_CPU, (whole, whole))
    resource.setrlimit(resource.RLIMIT_AS, (int(memory), int(memory)))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    module = importlib.import_module(name)
    try:
        answer = module.main(sys.stdin.buffer.read(), arguments)
    except RefusedInput as refusal:
        sys.stderr.write(f"{refusal}\n")
        return 2
    sys.stdout.buffer.write(answer)
    return 0


if __name__ == "__main__":
    sys.exit(main())
