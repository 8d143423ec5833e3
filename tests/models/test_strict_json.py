"""JSON that can be read in two ways is refused by name; how deep it may be is counted."""

import orjson
import pytest

from models.tables.strict_json import DEEPEST, UnclearJsonError, check_once


@pytest.mark.parametrize(
    "text",
    ['{"a": 1, "a": 2}', '{"b": [{"a": 1, "a": 1}]}', r'{"\u0061": 1, "a": 2}', '{"a" : {"a": 1}, "a": 2}'],
)
def test_a_name_that_stands_twice_is_named(text: str) -> None:
    with pytest.raises(UnclearJsonError, match="'a' stands twice in one object"):
        check_once(text.encode(), orjson.loads(text))


@pytest.mark.parametrize("gap", ["", " ", "\t", "\r", "\n", " \n "])
def test_a_gap_before_a_colon_hides_no_name(gap: str) -> None:
    text = f'{{"b"{gap}:1,"a":2,"a":3}}'
    with pytest.raises(UnclearJsonError, match="'a' stands twice in one object"):
        check_once(text.encode(), orjson.loads(text))


@pytest.mark.parametrize(
    "text", ['{"a": {"a": 1}}', '[{"a": 1}, {"a": 2}]', r'{"a": "\"b\": \"a\":"}', "1", "[]"]
)
def test_names_of_different_objects_and_texts_that_look_like_names_pass(text: str) -> None:
    check_once(text.encode(), orjson.loads(text))


def test_the_deepest_passes_and_one_more_does_not() -> None:
    deepest = "[" * DEEPEST + "1" + "]" * DEEPEST
    check_once(deepest.encode(), orjson.loads(deepest))
    with pytest.raises(UnclearJsonError, match="nested too deeply"):
        check_once(f"[{deepest}]".encode(), orjson.loads(f"[{deepest}]"))
