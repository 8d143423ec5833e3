"""Nothing grows past what can be read in one sitting."""

from __future__ import annotations

from collections import Counter
from statistics import median

from checks.source import functions, named, python_files

FILE_LINES, FUNCTION_LINES, MEDIAN_LINES = 300, 50, 10
MODULES = 12


def test_no_file_is_too_long():
    lengths = {named(path): len(path.read_text(encoding="utf-8").splitlines()) for path in python_files()}
    assert len(lengths) > 50, "the files were not found"
    assert {name: lines for name, lines in lengths.items() if lines > FILE_LINES} == {}


def test_no_folder_holds_more_modules_than_can_be_seen_at_once():
    counts = Counter(named(path.parent) for path in python_files("models", "training", "service"))
    assert len(counts) > 30, "the folders were not found"
    assert {folder: count for folder, count in counts.items() if count > MODULES} == {}


def test_no_function_is_too_long():
    too_long = {
        f"{named(path)}: {name}": lines
        for path in python_files()
        for name, lines in functions(path)
        if lines > FUNCTION_LINES
    }
    assert too_long == {}


def test_most_functions_are_short():
    lengths = [
        lines for path in python_files("models", "training", "service") for _, lines in functions(path)
    ]
    assert len(lengths) > 200, "the functions were not found"
    assert median(lengths) <= MEDIAN_LINES
