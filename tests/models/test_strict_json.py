"""JSON that can be read in two ways is refused by name; how deep it may be is counted."""

import time

import orjson
import pytest

from models.costs import DEEPEST, MOST_ITEMS, MOST_MEMBERS
from models.tables.strict_json import UnclearJsonError, check_once, parse


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


@pytest.mark.parametrize(
    ("most", "text"), [(MOST_MEMBERS, '{{"in": {{{}}}}}'), (MOST_ITEMS, '{{"in": [{}]}}')]
)
def test_the_widest_passes_and_one_more_does_not(most: int, text: str) -> None:
    parts = [f'"{n}": 1' if most == MOST_MEMBERS else "1" for n in range(most + 1)]
    widest, wider = text.format(",".join(parts[1:])), text.format(",".join(parts))
    check_once(widest.encode(), orjson.loads(widest))
    with pytest.raises(UnclearJsonError, match="are the most"):
        check_once(wider.encode(), orjson.loads(wider))


def test_too_many_objects_and_lists_are_refused_before_they_are_made() -> None:
    rows = [b'{"in":[' + b",".join([b"[]"] * 98) + b"]}"] * 20  # 100 each
    assert len(parse(b"[" + b",".join(rows[1:]) + b"]")) == 19
    with pytest.raises(UnclearJsonError, match="too many objects and lists"):
        parse(b"[" + b",".join(rows) + b"]")


def test_one_name_again_and_again_is_found_at_once() -> None:
    text = "{" + ",".join(f'"{n}":1' for n in range(100_000)) + ',"99999":1}'
    with pytest.raises(UnclearJsonError, match="are the most"):
        check_once(text.encode(), orjson.loads(text))
    same = "{" + '"a":1,' * 100_000 + '"a":1}'
    began = time.process_time()
    with pytest.raises(UnclearJsonError, match="'a' stands twice"):
        check_once(same.encode(), orjson.loads(same))
    assert time.process_time() - began < 0.5
