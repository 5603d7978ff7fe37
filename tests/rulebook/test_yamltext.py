"""The YAML reader: plain values, lines, and everything it must not read."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rectify.errors import CaseError, Faults, FileError, RulesError
from rectify.rulebook.yamltext import key_text, parse_yaml, read_yaml


def refused(text: str | bytes, match: str, line: int | None = None) -> RulesError:
    with pytest.raises(RulesError, match=match) as caught:
        parse_yaml(text, path="x.yaml")
    if line is not None:
        assert caught.value.line == line
    return caught.value


def test_values_come_out_plain_and_words_of_yaml_1_1_stay_words() -> None:
    text = "a: 1\nb: 2.5\nc: yes\nd: No\ne: on\nf: none\ng: 2026-11-20\n"
    text += "h: '12'\ni: 0x10\nj: 1:30\nk: 012\nl: ~\nm: -1e-3\n"
    assert parse_yaml(text).value == {
        "a": 1, "b": 2.5, "c": True, "d": False, "e": "on", "f": "none", "g": "2026-11-20",
        "h": "12", "i": "0x10", "j": "1:30", "k": "012", "l": None, "m": -1e-3,
    }  # fmt: skip


def test_keys_are_words_whatever_they_look_like() -> None:
    assert parse_yaml("on: 2026-11-20\nno: 1\n3: 2\n").value == {"on": "2026-11-20", "no": 1, "3": 2}


def test_every_key_and_entry_knows_its_line() -> None:
    document = parse_yaml("a:\n  b: 1\n  c:\n    - x\n    - {d: 2}\n\ne: 3\n")
    where = {("a",): 1, ("a", "b"): 2, ("a", "c", 0): 4, ("a", "c", 1): 5, ("a", "c", 1, "d"): 5, ("e",): 7}
    assert {keys: document.line(keys) for keys in where} == where
    assert document.line(("a", "c", 1, "not-there")) == 5  # the nearest above
    assert document.line(("nothing",)) == 1


def test_a_key_that_stands_twice_is_told_with_both_lines_and_all_of_them_at_once() -> None:
    with pytest.raises(Faults) as caught:
        parse_yaml("a: 1\nb: {c: 1, c: 2}\na: 3\n", path="x.yaml")
    first, second = caught.value.errors
    assert (first.line, first.key, first.found) == (2, "b.c", "first in line 2")
    assert (second.line, second.key, second.found) == (3, "a", "first in line 1")
    assert "stands here for the second time" in str(first)


@pytest.mark.parametrize(
    ("text", "match", "line"),
    [
        ("a: &x 1\nb: *x\n", "uses the anchor &x", 1),
        ("a: 1\nb: *x\n", r"uses the alias \*x", 2),
        ("a: 1\nb: {<<: 1}\n", "uses the merge key <<", 2),
        ("a: !!python/object:os.system 1\n", "uses the tag", 1),
        ("a: !thing {b: 1}\n", "uses the tag !thing", 1),
        ("a: 1\n---\nb: 2\n", "holds several documents", 2),
        ("a: 1\nb:\t2\n", "contains a tab", 2),
        ("? [a, b]\n: 1\n", "has a key that is not a word", 1),
        ("a: {b: 1\nc: 2\n", "is not good YAML", None),
        ("a: 1\n b: 2\n", "is not good YAML", 2),
        ("", "is empty", None),
        ("# only this\n", "is empty", None),
        ("a: .nan\n", "is not a finite number", 1),
        ("a: [1.0, -.inf]\n", "is not a finite number", 1),
        ("a: 1e999\n", "is not a finite number", 1),
        ("a: [1,2]\nb: \x07\n", "is not good YAML", None),
    ],
)
def test_what_is_not_plain_yaml_is_refused_with_its_line(text: str, match: str, line: int | None) -> None:
    refused(text, match, line)


def test_aliases_that_would_expand_without_end_are_refused_before_anything_is_built() -> None:
    rows = ["a0: &a0 [x, x]"] + [f"a{k}: &a{k} [*a{k - 1}, *a{k - 1}]" for k in range(1, 60)]
    refused("\n".join(rows), "uses the anchor &a0", 1)


def test_a_list_that_refers_to_itself_is_refused() -> None:
    refused("a: &a [*a]\n", "uses the anchor")


def test_text_that_is_not_utf8_is_refused_with_the_line_and_the_byte() -> None:
    error = refused(b"a: 1\nb: caf\xe9\n", "is not UTF-8 text", 2)
    assert error.found == "byte 0xe9"
    refused("a: 1\n".encode("utf-16"), "is not UTF-8 text", 1)


def test_a_byte_order_mark_does_no_harm() -> None:
    assert parse_yaml(b"\xef\xbb\xbfa: 1\n").value == {"a": 1}


def test_deep_nesting_stops_at_forty() -> None:
    assert parse_yaml("[" * 40 + "]" * 40).value
    refused("[" * 41 + "]" * 41, "nested more than 40 deep")
    refused("[" * 200_000, "nested more than 40 deep|exceeded maximum nesting depth")  # whoever sees it first


def test_a_file_just_over_1_mb_is_refused_and_one_just_under_is_read(tmp_path: Path) -> None:
    path = tmp_path / "large.yaml"
    path.write_bytes(b"a: 1\n" + b"#" * (1_000_000 - 5))
    assert read_yaml(path).value == {"a": 1}
    path.write_bytes(b"a: 1\n" + b"#" * (1_000_000 - 4))
    with pytest.raises(RulesError, match="is larger than 1 MB"):
        read_yaml(path)


def test_a_file_that_is_not_there_is_a_file_error_with_its_path(tmp_path: Path) -> None:
    with pytest.raises(FileError, match="cannot be read") as caught:
        read_yaml(tmp_path / "none.yaml")
    assert caught.value.path == str(tmp_path / "none.yaml")


def test_the_caller_says_which_error_is_raised() -> None:
    with pytest.raises(CaseError, match="contains a tab"):
        parse_yaml("a:\t1\n", error=CaseError)
    with pytest.raises(CaseError, match="is not a mapping"):
        parse_yaml("[1]\n").mapping(CaseError)


def test_a_key_path_is_shown_in_one_word() -> None:
    assert key_text(("a", "b-c", 0, "d")) == "a.b-c[0].d"
    assert key_text(()) == ""


# every JSON text is YAML, so json is the second way
plain = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**15), 10**15)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(codec="ascii"), max_size=12),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text("abc-", min_size=1, max_size=6), inner, max_size=4)
    ),
    max_leaves=20,
)


@given(plain)
def test_json_is_read_as_json_reads_it_floats_to_the_last_bit(value: object) -> None:
    assert parse_yaml(json.dumps({"v": value})).value == {"v": value}
