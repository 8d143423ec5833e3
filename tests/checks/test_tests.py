"""A test can be read, moved and deleted by itself."""

from __future__ import annotations

import ast

from checks.source import imported, named, python_files, tree


def test_what_tests_share_stands_in_no_test_and_no_conftest():
    shared = {
        named(path): {name for name in imported(path) if name == "conftest" or name.startswith("test_")}
        for path in python_files("tests")
    }
    assert len(shared) > 150, "the tests were not found"
    assert {name: modules for name, modules in shared.items() if modules} == {}


def test_no_test_changes_where_modules_are_found():
    changing = [
        named(path)
        for path in python_files("tests")
        for node in ast.walk(tree(path))
        if isinstance(node, ast.Attribute | ast.Subscript) and ast.unparse(node.value) == "sys.path"
        if not isinstance(node.ctx, ast.Load) or getattr(node, "attr", "") in ("insert", "append", "extend")
    ]
    assert changing == []
