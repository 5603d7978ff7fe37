"""The viewer's modules joined for a page, and what lies beside them."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

import pytest

from rectify.viewer import joined_script, script, script_digest, static_folder

OWN = sorted(path for path in static_folder().glob("*.js") if not path.name.startswith("three"))


def test_every_module_is_joined_once_and_after_what_it_imports() -> None:
    joined = joined_script("report")
    made = re.compile(r"^const m_(\w+) = ", re.MULTILINE)
    places = {found[1]: found.start() for found in made.finditer(joined)}
    assert set(places) == {path.stem for path in OWN} | {"three"}
    for path in OWN:
        for needed in re.findall(r'from "\./(\w+)\.js"', path.read_text(encoding="utf-8")):
            assert places[needed] < places[path.stem]
    assert not re.search(r"^\s*(import|export)\b", joined, re.MULTILINE) and "</script" not in joined.lower()


def test_the_licence_goes_with_the_library_into_every_page() -> None:
    assert "SPDX-License-Identifier: MIT" in joined_script("report") and "Three.js Authors" in joined_script("report")
    licence = (static_folder() / "three.LICENSE.txt").read_text(encoding="utf-8")
    assert licence.startswith("The MIT License") and "three.js authors" in licence


def test_the_library_is_the_one_that_is_written_down() -> None:
    said = (static_folder() / "three.VERSION.txt").read_text(encoding="utf-8")
    digest = hashlib.sha256((static_folder() / "three.js").read_bytes()).hexdigest()
    assert "0.187.0" in said and digest in said


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('import three from "./three.js";\n', "cannot be joined"),
        ("export default 3;\n", "cannot be joined"),
        ("export const a = '</script>';\n", "end the page's script"),
        ('import { a } from "./own.js";\nexport const a = 1;\n', "imports itself"),
    ],
)
def test_what_cannot_be_joined_is_refused(
    text: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "own.js").write_text(text)
    monkeypatch.setattr(script, "static_folder", lambda: tmp_path)
    with pytest.raises(ValueError, match=says):
        joined_script.__wrapped__("own")


def test_names_that_are_exported_under_others_come_over(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "lib.js").write_text("var a=1,b=2;export{a as One,b};\n/* a licence */\n")
    (tmp_path / "own.js").write_text('import { One as first, b } from "./lib.js";\nexport async function go() {}\n')
    monkeypatch.setattr(script, "static_folder", lambda: tmp_path)
    joined = joined_script.__wrapped__("own")
    assert "return { One: a, b };" in joined and "const { One: first, b } = m_lib;" in joined
    assert "return { go };" in joined and "/* a licence */" in joined


def test_the_digest_is_what_a_policy_asks_for() -> None:
    assert script_digest("a") == "sha256-" + base64.b64encode(hashlib.sha256(b"a").digest()).decode()


@pytest.mark.parametrize("path", OWN, ids=lambda p: p.name)
def test_modules_say_what_they_are_for_fetch_nothing_and_stay_small(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines()
    assert lines[0].startswith("// ") and len(lines) <= 450 and max(map(len, lines)) <= 120
    assert not re.search(r"https?://(?!www\.w3\.org/2000/svg)|\bfetch\(|XMLHttpRequest|\beval\(|new Function", text)
    assert not re.search(r"TO" + r"DO|FIX" + r"ME|console\.|debugger", text)
