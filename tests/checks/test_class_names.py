"""One meaning has one name."""

from __future__ import annotations

import ast
from collections import defaultdict

from checks.source import named, python_files, tree

# A file that is copied out: its names are those of the OpenAPI document, whatever the rooms call the same.
_COPIED = "service/client.py"


def test_no_two_classes_have_the_same_name():
    homes = defaultdict(list)
    for path in python_files("models", "training", "service", "bookmatch"):
        for node in tree(path).body:
            if isinstance(node, ast.ClassDef) and named(path) != _COPIED:
                homes[node.name].append(named(path))
    assert len(homes) > 350, "the classes were not found"
    assert {name: paths for name, paths in homes.items() if len(paths) > 1} == {}
