"""One meaning has one name."""

from __future__ import annotations

import ast
from collections import defaultdict

from checks.source import named, python_files, tree


def test_no_two_classes_of_models_and_training_have_the_same_name():
    homes = defaultdict(list)
    for path in python_files("models", "training"):
        for node in tree(path).body:
            if isinstance(node, ast.ClassDef):
                homes[node.name].append(named(path))
    assert len(homes) > 150, "the classes were not found"
    assert {name: paths for name, paths in homes.items() if len(paths) > 1} == {}
